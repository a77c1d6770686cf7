"""What a terminal shows: data on standard output, all else on standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from typing import Any


def say(line: str) -> None:
    """Write one line for the person at the machine to standard error."""
    print(line, file=sys.stderr, flush=True)


def warn(line: str) -> None:
    """Write one warning to standard error."""
    say(f"note: {line}")


def show(text: str) -> None:
    """Write data to standard output."""
    print(text)


def show_json(content: dict[str, Any]) -> None:
    """Write data for machines to standard output; NaN and infinity are refused (ValueError)."""
    print(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return rows as aligned text: the first column to the left, the others to the right."""
    lines = [list(head), *[list(row) for row in rows]]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    out = []
    for line in lines:
        cells = [line[0].ljust(widths[0])]
        cells += [cell.rjust(width) for cell, width in zip(line[1:], widths[1:], strict=True)]
        out.append("  ".join(cells).rstrip())
    return "\n".join(out)
