"""The report for the terminal: plain text, no colour, ASCII where nothing else is known."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.report import words
from cli.report.document import report_document

if TYPE_CHECKING:
    from vision.result import JobResult

Json = dict[str, Any]

_GAP = "  "
_SIGNED = ("dx_mm", "dy_mm", "rotation_deg")
_LEAST_WIDTH = 40
# Names that leave room for the numbers in 80 columns.
_SHORT = {
    "fill_to_outline": "Fill − outline",
    "placement.all": "All on bed",
    "placement.outline": "Outline on bed",
    "placement.fill": "Fill on bed",
    "placement.cut": "Cut on bed",
    "placement_on_work": "Mark on work",
    "part_movement": "Work moved",
}


def terminal_table(
    result: JobResult, width: int, unicode: bool, paths: Mapping[str, Path] | None = None
) -> str:
    """Return the sentence, the verdict with its clauses, the numbers, the findings.

    Parameters
    ----------
    result
        The measured and judged job.
    width
        Columns of the terminal; a line is longer only where a single number or path is.
    unicode
        Whether the terminal knows more than ASCII.
    paths
        Where the report lies, as `write_report` returns it.
    """
    width = max(width, _LEAST_WIDTH)
    report = report_document(result)
    blocks = [
        _wrapped(report["summary"], width),
        _verdict(report["verdict"], width),
        _numbers(report, width),
        _findings(report, width),
    ]
    if paths:
        lines = [f"  {path}" for path in paths.values()]
        blocks.append("\n".join(["Report:", *map(words.plain, lines)]))
    text = "\n\n".join(block for block in blocks if block) + "\n"
    text = text.replace("\u00a0", " ")
    return text if unicode else words.ascii_only(text)


def _verdict(verdict: Json, width: int) -> str:
    limit = verdict["tolerance_mm"]
    told = "no tolerance given" if limit is None else f"tolerance {words.tolerance(limit)}"
    lines = [f"{words.STATE_WORDS[verdict['state']]}  ({told})"]
    for clause in verdict["clauses"]:
        state = words.STATE_WORDS[clause["state"]]
        text = f"{state}, {clause['name']}: {words.clause_text(clause)}"
        if clause["limit_mm"] is not None:
            text += f", limit {words.tolerance(clause['limit_mm'])}"
        if clause["reason"]:
            text += f"; {clause['reason']}"
        lines.append(_wrapped(text, width, "  - "))
    lines += [_wrapped(reason, width, "  ! ") for reason in verdict["reasons"]]
    return "\n".join(lines)


def _numbers(report: Json, width: int) -> str:
    heads = ("", "right + mm", "away + mm", "turned deg", "distance mm", "worst point mm")
    rows: list[tuple[str, ...]] = []
    unmeasured: dict[str, list[str]] = {}
    for name, holder in (("", report), *((piece["name"], piece) for piece in report["pieces"])):
        for key, moved in words.displacements(holder):
            label = f"{name}: {_SHORT[key]}" if name else _SHORT[key]
            if moved is None:
                continue
            if moved["dx_mm"]["value"] is None:
                unmeasured.setdefault(moved["dx_mm"]["why"], []).append(label)
                continue
            cells = [words.amount(moved[part], "", True) for part in _SIGNED]
            cells += [words.amount(moved[part], "") for part in ("distance_mm", "worst_mm")]
            rows.append((label, *cells))
    table = _table(heads, rows, width) if rows else []
    notes = [
        _wrapped(f"Not measured ({why}): {', '.join(labels)}.", width)
        for why, labels in unmeasured.items()
    ]
    return "\n".join([*table, *notes])


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Lay out rows; without the distance, then with the name on a line of its own, if too wide."""
    without_distance = [*range(4), 5]
    for columns, stacked in (
        (range(6), False),
        (without_distance, False),
        (without_distance, True),
    ):
        picked = [[row[k] for k in columns] for row in (heads, *rows)]
        # "±" and "−" become "+-" and "-" in ASCII: one column more.
        wide = [
            max(len(row[k]) + row[k].count("±") for row in picked) for k in range(len(picked[0]))
        ]
        if stacked:
            wide[0] = 0
        if sum(wide) + len(_GAP) * (len(wide) - 1) <= width or stacked:
            break
    lines = []
    for row in picked:
        numbers = _GAP.join(cell.rjust(wide[k + 1]) for k, cell in enumerate(row[1:]))
        if stacked:
            lines += [_wrapped(row[0], width), _GAP + numbers] if row[0] else [_GAP + numbers]
        else:
            lines.append(f"{row[0].ljust(wide[0])}{_GAP}{numbers}")
    return lines


def _findings(report: Json, width: int) -> str:
    lines = []
    for finding in report["findings"]:
        moment = words.when_text(finding["when"])
        tail = ", ".join(part for part in (finding["confidence"], moment) if part)
        lines.append(_wrapped(f"{finding['summary']} ({tail})", width, "  * "))
        if finding["next_capture"]:
            lines.append(_wrapped(f"To decide: {finding['next_capture']}", width, "    "))
    lines += [_wrapped(warning, width, "  ! ") for warning in report["warnings"]]
    return "\n".join(["Findings:", *lines]) if lines else ""


def _wrapped(text: str, width: int, bullet: str = "") -> str:
    return textwrap.fill(
        text,
        width,
        initial_indent=bullet,
        subsequent_indent=" " * len(bullet),
        break_on_hyphens=False,
    )
