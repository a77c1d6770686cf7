"""From the user's files and options to a job: everything is read and checked before measuring."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from calibration.bed import read_bed
from calibration.errors import WitmarkError
from calibration.files import read_bytes, sha256
from calibration.marks import typed_marks
from calibration.marks_file import read_marks
from calibration.verification import last_verified
from vision.artwork.svg import read_svg
from vision.capture.photo import Photo, check_shows_something, check_size, read_photo
from vision.job import Job
from vision.result import CalibrationRow


@dataclass(frozen=True)
class JobFiles:
    """The options of `check`, as typed; see `vision.job.Job` for their meaning."""

    after: tuple[Path, ...]
    before: tuple[Path, ...]
    bed: Path
    artwork: Path
    marks: Path | None = None
    at_mm: tuple[float, float] | None = None
    turn_deg: float = 0.0
    anchor: str | None = None
    mirror: bool = False
    at_u: tuple[float, float] | None = None
    height_mm: float = 0.0
    height_u_mm: float | None = None
    from_focus: bool = False
    thickness_mm: float | None = None
    depth_mm: float = 0.0
    kerf_mm: float = 0.2
    hatch_mm: float | None = None
    negative: bool = False
    put_back: bool = False
    so_far: bool = False
    tolerance_mm: float | None = None
    name: str | None = None
    order: str | None = None
    piece: str | None = None


def read_job(files: JobFiles, today: date) -> Job:
    """Read all files of a job; raises WitmarkError for the first one that is not usable."""
    bed = read_bed(files.bed)
    if files.from_focus and bed.focus is None:
        raise WitmarkError(
            str(files.bed),
            "says nothing of a focus plane, from which --height-from focus tells heights",
            "calibrate the bed with --focus-height MM,U: how high above the bed as calibrated the "
            "laser focuses",
        )
    artwork = read_svg(files.artwork)
    if files.marks is not None:
        bed = typed_marks(bed, read_marks(files.marks))
    after = tuple(_read(path, bed.image_size, files.bed) for path in files.after)
    before = tuple(_read(path, bed.image_size, files.bed) for path in files.before)
    held, stale = last_verified(files.bed, bed.id)
    inputs: dict[str, dict[str, str]] = {}
    for role, path in (("bed", files.bed), ("artwork", files.artwork), ("marks", files.marks)):
        if path is not None:
            inputs[role] = {"name": path.name, "sha256": sha256(read_bytes(path))}
    for role, photos in (("before", before), ("after", after)):
        for number, photo in enumerate(photos, start=1):
            key = role if len(photos) == 1 else f"{role} {number}"
            inputs[key] = {"name": Path(photo.name).name, "sha256": photo.sha256}
    return Job(
        name=files.name or files.after[0].stem,
        order=files.order,
        piece=files.piece,
        after=after,
        before=before,
        bed=bed,
        artwork=artwork,
        at_mm=files.at_mm,
        turn_deg=files.turn_deg,
        anchor=files.anchor,
        mirror=files.mirror,
        at_u=files.at_u,
        height_mm=files.height_mm,
        height_u_mm=files.height_u_mm,
        focus=bed.focus if files.from_focus else None,
        thickness_mm=files.thickness_mm,
        depth_mm=files.depth_mm,
        kerf_mm=files.kerf_mm,
        hatch_mm=files.hatch_mm,
        negative=files.negative,
        put_back=files.put_back,
        so_far=files.so_far,
        notes=() if stale is None else (stale,),
        tolerance_mm=files.tolerance_mm,
        inputs=inputs,
        calibration=CalibrationRow(bed.id, _age_days(bed.created, today), held, bed.traceability),
    )


def _read(path: Path, size: tuple[int, int], bed_file: Path) -> Photo:
    photo = read_photo(path)
    check_size(photo, size, str(bed_file))
    check_shows_something(photo)
    return photo


def _age_days(created: str, today: date) -> float | None:
    try:
        return float((today - date.fromisoformat(created[:10])).days)
    except ValueError as error:
        raise WitmarkError(
            "the bed file", f"has no date ({created!r})", "calibrate the bed again"
        ) from error
