"""Whether a bed calibration still holds, and the record of such looks beside the bed file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed
from calibration.errors import WitmarkError
from calibration.files import read_json, write_json
from calibration.tracking import CameraMoved, resolve_camera

Verdict = Literal["holds", "stale", "cannot_tell"]

SCHEMA = "witmark.verified/1"


@dataclass(frozen=True)
class Look:
    """One look at whether the calibration holds.

    Attributes
    ----------
    date
        ISO 8601.
    verdict
        "holds", "stale" (the camera moved or refocused), or "cannot_tell".
    shift_mm, u95_mm
        Largest apparent shift over the calibrated part of the bed; None where it was not seen.
    marks_seen
        Number of reference marks that were used.
    note
        One plain sentence.
    photo, photo_sha256
        The capture.
    focal_percent, focal_u95_percent
        How much longer the focal length is than calibrated; None where nothing says that it is.
    """

    date: str
    verdict: Verdict
    shift_mm: float | None
    u95_mm: float | None
    marks_seen: int
    note: str
    photo: str
    photo_sha256: str
    focal_percent: float | None = None
    focal_u95_percent: float | None = None


def look(bed: Bed, grey: NDArray[np.uint8], *, date: str, photo: str, photo_sha256: str) -> Look:
    """Tell from one capture whether the camera still stands where it was calibrated."""
    if not bed.marks:
        raise WitmarkError(
            "the bed file",
            "holds no reference marks to verify it by",
            "stick marks near the bed's corners ('witmark board --reference') and calibrate the "
            "bed again with --marks",
        )
    _, moved = resolve_camera(bed, grey)
    focal = None if moved.refocus is None else moved.refocus.focal_percent
    return Look(
        date,
        _verdict(moved),
        moved.shift_mm.value,
        moved.shift_mm.u95,
        moved.marks_seen,
        moved.note,
        photo,
        photo_sha256,
        None if focal is None else focal.value,
        None if focal is None else focal.u95,
    )


def worst_of(looks: Sequence[Look]) -> Verdict:
    """Return the verdict of several captures: one that moved outweighs one that cannot tell."""
    order: tuple[Verdict, ...] = ("stale", "cannot_tell", "holds")
    return min((one.verdict for one in looks), key=order.index)


def record_path(bed_file: Path) -> Path:
    """Return where the looks at a bed file are kept: beside it, as the file itself stays."""
    return bed_file.with_name(f"{bed_file.stem}.verified.json")


def read_looks(bed_file: Path, bed_id: str) -> tuple[Look, ...]:
    """Return the looks at a bed, oldest first; those at another bed of that name do not count."""
    return _read(record_path(bed_file), bed_id)[1]


def _read(path: Path, bed_id: str) -> tuple[list[Any], tuple[Look, ...]]:
    """Return all entries of a record, and the looks at one bed among them."""
    if not path.exists():
        return [], ()
    content = read_json(path, "verified")
    try:
        entries = list(content["looks"])
        return entries, tuple(_look_from_json(one) for one in entries if one["bed"] == bed_id)
    except (KeyError, TypeError, ValueError) as error:
        raise WitmarkError(
            str(path),
            f"holds no record of looks ({error})",
            "move it away: 'witmark calibrate verify' writes a new one",
        ) from error


def append_looks(bed_file: Path, bed_id: str, looks: Sequence[Look]) -> None:
    """Add looks to the record beside a bed file."""
    path = record_path(bed_file)
    before, _ = _read(path, bed_id)  # a record that cannot be read is not written over
    added = [{"bed": bed_id, **vars(one)} for one in looks]
    write_json(path, {"schema": SCHEMA, "looks": [*before, *added]})


def last_verified(bed_file: Path, bed_id: str) -> tuple[str | None, str | None]:
    """Return the date of the last look that found the calibration holding, and a warning.

    The warning is for a later look that found it stale.
    """
    looks = read_looks(bed_file, bed_id)
    held = [number for number, one in enumerate(looks) if one.verdict == "holds"]
    stale = [number for number, one in enumerate(looks) if one.verdict == "stale"]
    date = looks[held[-1]].date if held else None
    if stale and (not held or stale[-1] > held[-1]):
        return (
            date,
            f"when the calibration was last verified it did not hold: {looks[stale[-1]].note}",
        )
    return date, None


def _verdict(moved: CameraMoved) -> Verdict:
    if moved.moved is None:
        return "cannot_tell"
    return "stale" if moved.corrected or moved.moved else "holds"


def _look_from_json(content: dict[str, Any]) -> Look:
    verdict = content["verdict"]
    if verdict not in ("holds", "stale", "cannot_tell"):
        raise ValueError(f"'{verdict}' is no verdict")

    def number(told: Any) -> float | None:
        return None if told is None else float(told)

    return Look(
        date=str(content["date"]),
        verdict=verdict,
        shift_mm=number(content["shift_mm"]),
        u95_mm=number(content["u95_mm"]),
        marks_seen=int(content["marks_seen"]),
        note=str(content["note"]),
        photo=str(content["photo"]),
        photo_sha256=str(content["photo_sha256"]),
        focal_percent=number(content.get("focal_percent")),
        focal_u95_percent=number(content.get("focal_u95_percent")),
    )
