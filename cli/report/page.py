"""report.html: one self-contained page, for the screen and for paper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from cli.report import words

if TYPE_CHECKING:
    from jinja2 import Template

    from cli.report.sheet import Figure

Json = dict[str, Any]

# Width of the bars of clauses and budget in their own units.
_BAR = 220.0


def html_page(document: Json, figures: Sequence[Figure]) -> str:
    """Return the page of a report; it needs no other file, no network and no script.

    Parameters
    ----------
    document
        The content of report.json.
    figures
        The pictures of the job; none where the page is made again from report.json alone.
    """
    return _template().render(
        report=document,
        figures=figures,
        clauses=[(clause, _clause_bar(clause)) for clause in document["verdict"]["clauses"]],
        displacements=words.displacements(document),
        budgets=_budgets(document["budget"]),
        plain_numbers=words.plain_numbers(document),
        words=words,
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("cli.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = files("cli.report").joinpath("templates", "report.css").read_text("utf-8")
    environment.globals["style"] = style
    return environment.get_template("report.html")


def _clause_bar(clause: Json) -> Json | None:
    """Return where limit, interval and value lie on a bar that begins at zero."""
    value, low, high, limit = (clause[f"{key}_mm"] for key in ("value", "low", "high", "limit"))
    if value is None:
        return None
    low, high = value if low is None else low, value if high is None else high
    full = 1.12 * max(high, 1.25 * (limit or 0.0), 1e-3)
    place = {"low": low, "value": value, "high": high}
    if limit is not None:
        place["limit"] = limit
    return {key: round(_BAR * max(0.0, number) / full, 1) for key, number in place.items()}


def _budgets(terms: list[Json]) -> list[Json]:
    """Group the budget by result, largest influence first, in the order of the results."""
    groups: dict[str, list[Json]] = {}
    for term in terms:
        groups.setdefault(term["quantity"], []).append(term)
    result = []
    for key, group in groups.items():
        ranked = sorted(group, key=lambda term: -term["u95_mm"])
        total = math.sqrt(sum(term["u95_mm"] ** 2 for term in ranked))
        result.append(
            {
                "label": words.label(key),
                "total": words.number(total, 3),
                "advice": words.largest_share(ranked),
                "terms": [
                    {
                        **term,
                        "text": words.number(term["u95_mm"], 3),
                        "bar": round(_BAR * term["u95_mm"] / total, 1) if total else 0.0,
                    }
                    for term in ranked
                ],
            }
        )
    return result
