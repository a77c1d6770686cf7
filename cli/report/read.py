"""Read a report back: schema, version, and that what the commands use is there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from calibration.errors import WitmarkError
from calibration.files import read_json
from cli.report.words import LAYERS, STATE_WORDS

Json = dict[str, Any]

NEWEST = 1

_OBJECTS = ("inputs", "calibration", "placement", "verdict")
_LISTS = ("captures", "pieces", "features", "findings", "budget", "warnings")
_TEXTS = ("job", "summary")
_NULLABLE_OBJECTS = ("margins", "scale", "slip", "lift", "warp")
_DISPLACEMENTS = ("fill_to_outline", "placement_on_work", "part_movement")
_QUANTITIES = ("dx_mm", "dy_mm", "rotation_deg", "distance_mm", "worst_mm")


def read_report(path: Path) -> Json:
    """Return the content of a report.json of this or an older version.

    Raises
    ------
    WitmarkError
        Where the file is missing, of another kind, of a newer version, or where a field that a
        command may rely on is missing or of the wrong kind; the message names the field.
    """
    report = read_json(path, "report", NEWEST)
    # A file without a schema line counts as version 1; later readers need not ask again.
    report.setdefault("schema", "witmark.report/1")
    _check(path, report)
    return report


def _check(path: Path, report: Json) -> None:
    def need(holder: Json, key: str, at: str, test: Callable[[Any], bool], kind: str) -> Any:
        if key not in holder:
            raise _broken(path, f"has no '{at}{key}'")
        if not test(holder[key]):
            raise _broken(path, f"'{at}{key}' is not {kind}")
        return holder[key]

    for key in _TEXTS:
        need(report, key, "", _is_text, "a text")
    for key in _LISTS:
        need(report, key, "", _is_list, "a list")
    for key in _OBJECTS:
        need(report, key, "", _is_object, "an object")
    for key in _NULLABLE_OBJECTS:
        need(report, key, "", _is_object_or_null, "an object or null")
    need(report, "reference_point_mm", "", _is_point_or_null, "two numbers or null")
    held = [("", report, key) for key in _DISPLACEMENTS]
    held += [("placement.", report["placement"], layer) for layer in (*LAYERS, "all")]
    for at, holder, key in held:
        moved = need(holder, key, at, _is_object_or_null, "an object or null")
        for part in _QUANTITIES if moved is not None else ():
            need(moved, part, f"{at}{key}.", _is_quantity, "a quantity (value, u95)")
    verdict = report["verdict"]
    need(verdict, "state", "verdict.", STATE_WORDS.__contains__, f"one of {', '.join(STATE_WORDS)}")
    need(verdict, "clauses", "verdict.", _is_list, "a list")


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _is_list(value: Any) -> bool:
    return isinstance(value, list)


def _is_object(value: Any) -> bool:
    return isinstance(value, dict)


def _is_object_or_null(value: Any) -> bool:
    return value is None or isinstance(value, dict)


def _is_number_or_null(value: Any) -> bool:
    return value is None or (isinstance(value, (int, float)) and not isinstance(value, bool))


def _is_point_or_null(value: Any) -> bool:
    if value is None:
        return True
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(item is not None and _is_number_or_null(item) for item in value)
    )


def _is_quantity(value: Any) -> bool:
    if not isinstance(value, dict) or not {"value", "u95"} <= value.keys():
        return False
    return all(_is_number_or_null(value.get(key)) for key in ("value", "u95", "low", "high"))


def _broken(path: Path, what: str) -> WitmarkError:
    return WitmarkError(str(path), what, "give a report.json as witmark wrote it")
