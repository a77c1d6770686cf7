"""report.csv: a row per feature of the artwork."""

from __future__ import annotations

import csv
import io
from typing import Any

from cli.report.words import piece_name

Json = dict[str, Any]

COLUMNS = (
    "name",
    "piece",
    "layers",
    "centre_x_mm",
    "centre_y_mm",
    "dx_mm",
    "dx_u95_mm",
    "dy_mm",
    "dy_u95_mm",
    "distance_mm",
    "distance_u95_mm",
    "distance_low_mm",
    "distance_high_mm",
    "contrast",
    "contrast_u95",
    "note",
)
# A spreadsheet takes a cell that begins so for a formula (OWASP, "CSV Injection").
_FORMULA_STARTS = ("=", "+", "-", "@")


def feature_rows(document: Json) -> str:
    """Return the features of a report as CSV with a heading (RFC 4180: CRLF, quotes doubled).

    Cells without a number are empty, and the note says why. Texts that a spreadsheet would run
    as a formula begin with an apostrophe.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for feature in document["features"]:
        distance = feature["distance_mm"]
        writer.writerow(
            [
                _guard(feature["name"]),
                _guard(piece_name(document, feature["piece"])),
                "+".join(feature["layers"]),
                *feature["centre_mm"],
                *_pair(feature["dx_mm"]),
                *_pair(feature["dy_mm"]),
                *_pair(distance),
                distance.get("low"),
                distance.get("high"),
                *_pair(feature["contrast"]),
                _guard(_note(feature)),
            ]
        )
    return text.getvalue()


def _pair(quantity: Json) -> tuple[float | None, float | None]:
    return quantity["value"], quantity["u95"]


def _note(feature: Json) -> str:
    whys = (feature[key].get("why") for key in ("dx_mm", "dy_mm", "distance_mm", "contrast"))
    # One reason usually holds for all four; told once.
    parts = [feature["note"], *dict.fromkeys(why for why in whys if why)]
    return "; ".join(part for part in parts if part)


def _guard(text: str) -> str:
    return "'" + text if text.startswith(_FORMULA_STARTS) else text
