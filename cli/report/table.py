"""The report for the terminal: plain text, no colour, ASCII where nothing else is known."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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


@dataclass(frozen=True)
class _Terminal:
    """How wide the terminal is and which letters it knows."""

    width: int
    unicode: bool

    def told(self, text: str) -> str:
        # Translated before lines are broken: "±" takes two places in ASCII.
        text = text.replace("\u00a0", " ")
        return text if self.unicode else words.ascii_only(text)

    def wrapped(self, text: str, bullet: str = "") -> str:
        return textwrap.fill(
            self.told(text),
            self.width,
            initial_indent=bullet,
            subsequent_indent=" " * len(bullet),
            break_on_hyphens=False,
        )


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
    terminal = _Terminal(max(width, _LEAST_WIDTH), unicode)
    report = report_document(result)
    blocks = [
        terminal.wrapped(report["summary"]),
        _verdict(report["verdict"], terminal),
        _numbers(report, terminal),
        _pieces(report["pieces"], terminal),
        _findings(report, terminal),
    ]
    if paths:
        lines = [f"  {terminal.told(words.plain(str(path)))}" for path in paths.values()]
        blocks.append("\n".join(["Report:", *lines]))
    return "\n\n".join(block for block in blocks if block) + "\n"


def _verdict(verdict: Json, terminal: _Terminal) -> str:
    limit = verdict["tolerance_mm"]
    told = "no tolerance given" if limit is None else f"tolerance {words.tolerance(limit)}"
    lines = [terminal.told(f"{words.STATE_WORDS[verdict['state']]}  ({told})")]
    for clause in verdict["clauses"]:
        state = words.STATE_WORDS[clause["state"]]
        text = f"{state}, {clause['name']}: {words.clause_text(clause)}"
        if clause["limit_mm"] is not None:
            text += f", limit {words.tolerance(clause['limit_mm'])}"
        lines.append(terminal.wrapped(text, "  - "))
    lines += [terminal.wrapped(reason, "  ! ") for reason in verdict["reasons"]]
    return "\n".join(lines)


def _numbers(report: Json, terminal: _Terminal) -> str:
    heads = ("", "right + mm", "away + mm", "turned deg", "distance mm", "worst point mm")
    rows: list[tuple[str, ...]] = []
    unmeasured: dict[str, list[str]] = {}
    for key, moved in words.displacements(report):
        if moved is None:
            continue
        if moved["dx_mm"]["value"] is None:
            unmeasured.setdefault(moved["dx_mm"]["why"], []).append(_SHORT[key])
            continue
        cells = [words.amount(moved[part], "", True) for part in _SIGNED]
        cells += [words.amount(moved[part], "") for part in ("distance_mm", "worst_mm")]
        rows.append(tuple(terminal.told(cell) for cell in (_SHORT[key], *cells)))
    table = _table(heads, rows, terminal) if rows else []
    notes = [
        terminal.wrapped(f"Not measured: {', '.join(labels)}. Why: {why}.")
        for why, labels in unmeasured.items()
    ]
    whole = {name: scale for name, scale in (report["scale"] or {}).items() if name == "all"}
    sizes = [
        terminal.wrapped(f"{name}: {'; '.join(told)}.")
        for name, told in words.plain_numbers({**report, "margins": None, "scale": whole})
    ]
    return "\n".join([*table, *notes, *sizes])


def _pieces(pieces: list[Json], terminal: _Terminal) -> str:
    """Tell each of several pieces; one alone has been told already."""
    if len(pieces) < 2:
        return ""
    lines = ["Pieces, with the worst point in mm:"]
    for piece in pieces:
        numbers = zip(words.PIECE_COLUMNS, words.piece_numbers(piece), strict=True)
        told = ", ".join(f"{_SHORT[key]} {text}" for key, text in numbers if text != "—")
        state = words.STATE_WORDS[piece["verdict"]["state"]]
        lines.append(terminal.wrapped(f"{piece['name']}: {state}. {told}", "  * "))
    return "\n".join(lines)


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], terminal: _Terminal) -> list[str]:
    """Lay out rows; without the distance, then with the name on a line of its own, if too wide."""
    without_distance = [*range(4), 5]
    for columns, stacked in (
        (range(6), False),
        (without_distance, False),
        (without_distance, True),
    ):
        picked = [[row[k] for k in columns] for row in (heads, *rows)]
        wide = [max(len(row[k]) for row in picked) for k in range(len(picked[0]))]
        if stacked:
            wide[0] = 0
        if sum(wide) + len(_GAP) * (len(wide) - 1) <= terminal.width or stacked:
            break
    lines = []
    for row in picked:
        numbers = _GAP.join(cell.rjust(wide[k + 1]) for k, cell in enumerate(row[1:]))
        if stacked:
            lines += [terminal.wrapped(row[0]), _GAP + numbers] if row[0] else [_GAP + numbers]
        else:
            lines.append(f"{row[0].ljust(wide[0])}{_GAP}{numbers}")
    return lines


def _findings(report: Json, terminal: _Terminal) -> str:
    lines = []
    for finding in report["findings"]:
        moment = words.when_text(finding["when"])
        tail = ", ".join(part for part in (finding["confidence"], moment) if part)
        lines.append(terminal.wrapped(f"{finding['summary']} ({tail})", "  * "))
        if finding["next_capture"]:
            lines.append(terminal.wrapped(f"To decide: {finding['next_capture']}", "    "))
    lines += [terminal.wrapped(warning, "  ! ") for warning in report["warnings"]]
    return "\n".join(["Findings:", *lines]) if lines else ""
