"""How `witmark calibrate bed` gets a bed from what was typed and photographed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

# How well a tape tells where a camera's lens hangs (95 %): common practice, no source.
_CAMERA_U_MM = 10.0
# How well a gauge puts a face into the focus plane (95 %): common practice, no source.
_FOCUS_U_MM = 0.5

if TYPE_CHECKING:
    from calibration.bed import Bed, FocusPlane
    from calibration.bed_solve import BoardObservation
    from calibration.board import Board, BoardPlace
    from calibration.lens import Lens
    from calibration.target_detect import Top
    from calibration.target_fit import TargetFit
    from calibration.touch import Touched
    from vision.capture.photo import Photo


def burned_place(
    height: list[float] | None, top: str | None, instead: dict[str, Any]
) -> tuple[float, Top]:
    """Return what is to be said of a burned target's place: it tells the rest by itself."""
    from calibration.errors import WitmarkError
    from calibration.target_detect import TOPS

    for option, value in instead.items():
        if value is not None and value != []:
            raise WitmarkError(
                option, "is given for a burned target", "leave it out: the target tells its place"
            )
    if not height or len(set(height)) > 1:
        raise WitmarkError(
            "--height",
            "must be given once for a burned target",
            "give the height of the burned face above the bed: the sheet's thickness",
        )
    way = next((known for known in TOPS if known == (top or "away")), None)
    if way is None:
        raise WitmarkError(f"--top {top}", "is no way", f"use one of {', '.join(TOPS)}")
    return height[0], way


def camera_hangs(text: str | None) -> tuple[float, float] | None:
    """Return the camera's height and its standard uncertainty (mm), or None where none is typed."""
    from calibration.errors import WitmarkError
    from calibration.quantity import K95
    from cli.options import with_doubt

    if text is None:
        return None
    height, unsure, _ = with_doubt(text, "--camera-height", _CAMERA_U_MM)
    if not (0 < height < 1e4 and 0 < unsure < 1e4):
        raise WitmarkError(
            f"--camera-height {text}", "is no height", "give millimetres above 0, as 450 or 450,10"
        )
    return height, unsure / K95


def focus_plane(text: str | None) -> FocusPlane | None:
    """Return the focus plane that was typed, or None where none is."""
    from calibration.bed import FocusPlane
    from calibration.errors import WitmarkError
    from cli.options import with_doubt

    if text is None:
        return None
    height, unsure, stated = with_doubt(text, "--focus-height", _FOCUS_U_MM)
    if not (abs(height) < 1e3 and 0 <= unsure < 1e2):
        raise WitmarkError(
            f"--focus-height {text}", "is out of range", "give millimetres, as 8 or 8,0.3"
        )
    return FocusPlane(height, unsure, stated)


@dataclass(frozen=True)
class Placed:
    """Where a printed board lies in each photo; how well that is known (95 %, None: assumed)."""

    places: list[BoardPlace]
    at_u_mm: float | None
    turn_u_deg: float | None
    notes: tuple[str, ...] = ()


def printed_places(
    board: Board,
    at: list[str] | None,
    turn: list[float] | None,
    height: list[float] | None,
    at_u: str | None,
    touched: Touched | None,
    count: int,
) -> Placed:
    """Return the places of a printed board in so many photos, typed or told by touched corners."""
    from cli.options import number_pair

    if touched is None:
        typed = [number_pair(text, "--at", "X,Y") for text in at or []]
        return Placed(_places(board, typed, turn, height, count), *_at_u(at_u))
    notes = (touched.place_note, *([touched.scale_note] if touched.scale_note else []))
    places = _places(board, [touched.at_mm], [touched.turn_deg], height, count)
    return Placed(places, touched.at_u_mm, touched.turn_u_deg, notes)


def target_rows(found: TargetFit, captures: list[Photo], height_mm: float) -> list[dict[str, Any]]:
    """Return the rows of the photos in which the target was found."""
    told = zip(found.photos, found.fit.rms_px, found.crosses, found.fit.dropped, strict=True)
    hashes = {photo.name: photo.sha256 for photo in captures}
    return [
        {
            "name": name,
            "sha256": hashes[name],
            "height_mm": height_mm,
            "rms_px": rms,
            "corners": crosses,
            "corners_left_out": dropped,
        }
        for name, rms, crosses, dropped in told
    ]


def solve_printed(
    board: Board,
    lens: Lens | None,
    captures: list[Photo],
    strangers: tuple[int, ...],
    placed: Placed,
    hangs: tuple[float, float] | None,
    created: str,
) -> tuple[Bed, list[dict[str, Any]], list[str]]:
    """Solve the bed from photos of a printed board; return it with the photos' rows and notes."""
    from calibration.any_lens import lens_note, solve_bed_any_lens
    from calibration.bed_fit import solve_bed

    observations, notes = _observe(captures, board, placed.places, strangers)
    if lens is None:
        fit = solve_bed_any_lens(
            board,
            observations,
            captures[0].size,
            created=created,
            at_u_mm=placed.at_u_mm,
            turn_u_deg=placed.turn_u_deg,
            hangs=hangs,
        )
        notes.append(lens_note(fit.bed, observations[0].place.height_mm))
    else:
        fit = solve_bed(
            lens,
            board,
            observations,
            created=created,
            at_u_mm=placed.at_u_mm,
            turn_u_deg=placed.turn_u_deg,
        )
    notes += [*fit.notes, *placed.notes]
    hashes = {photo.name: photo.sha256 for photo in captures}
    rows = [
        {
            "name": seen.name,
            "sha256": hashes[seen.name],
            "at_mm": list(seen.place.at_mm),
            "turn_deg": seen.place.turn_deg,
            "height_mm": seen.place.height_mm,
            "rms_px": rms,
            "corners": len(seen.ids),
            "corners_left_out": dropped,
            "misplaced_mm": misplaced,
        }
        for seen, rms, dropped, misplaced in zip(
            observations, fit.rms_px, fit.dropped, fit.misplaced_mm, strict=True
        )
    ]
    return fit.bed, rows, notes


def _observe(
    captures: list[Photo], board: Board, places: list[BoardPlace], strangers: tuple[int, ...]
) -> tuple[list[BoardObservation], list[str]]:
    """Find the board in the bed photos; at least one must show it."""
    from calibration.bed_solve import BoardObservation
    from calibration.detect import detect
    from calibration.errors import WitmarkError

    observations, refused = [], []
    for photo, place in zip(captures, places, strict=True):
        found = detect(photo.grey, board, strangers)
        if found.why is None:
            observations.append(BoardObservation(photo.name, found.ids, found.px, place))
        else:
            refused.append((photo.name, found.why))
    if not observations:
        name, why = refused[0]
        raise WitmarkError(name, why, "lay the whole board flat in view, sharp and evenly lit")
    notes = [f"{name} is not used: {why}" for name, why in refused]
    if board.looks_the_same_upside_down:
        notes.append(
            "this chessboard looks the same upside down: --turn must be that of the way round in "
            "which the camera sees it"
        )
    return observations, notes


def _places(
    board: Board,
    at: list[tuple[float, float]],
    turn: list[float] | None,
    height: list[float] | None,
    count: int,
) -> list[BoardPlace]:
    """Return the board's place in every photo, from options given once or once per photo."""
    from calibration.board import BoardPlace
    from calibration.errors import WitmarkError

    if not at and board.place is not None:
        return [board.place] * count
    given: dict[str, list[Any]] = {
        "--at": at,
        "--turn": list(turn or []),
        "--height": list(height or []),
    }
    for option, values in given.items():
        if not values:
            raise WitmarkError(
                option, "is missing", "give where the board lies: --at X,Y --turn DEG --height MM"
            )
        if len(values) not in (1, count):
            raise WitmarkError(
                option,
                f"is given {len(values)} times for {count} photos",
                "give it once, or once per photo",
            )
    full = {k: v * count if len(v) == 1 else v for k, v in given.items()}
    return [
        BoardPlace(xy, degrees, mm)
        for xy, degrees, mm in zip(full["--at"], full["--turn"], full["--height"], strict=True)
    ]


def touched_place(
    board: Board, touch: list[str] | None, touch_u: float | None, instead: dict[str, Any]
) -> Touched | None:
    """Return where touched corners put the board; None where none were touched."""
    from calibration.errors import WitmarkError
    from calibration.touch import TOUCH_U_MM, board_from_corners
    from cli.options import number_pair

    if not touch:
        if touch_u is not None:
            raise WitmarkError("--touch-u", "is given without --touch", "give both, or neither")
        return None
    for option, value in instead.items():
        if value is not None and value != []:
            raise WitmarkError(
                option, "is given beside --touch", "the corners tell it: leave one of them out"
            )
    if touch_u is not None and not 0 < touch_u < 50:
        raise WitmarkError(
            f"--touch-u {touch_u:g}", "is no useful uncertainty", "give millimetres above 0"
        )
    corners: dict[str, tuple[float, float]] = {}
    for text in touch:
        name, equals, place = text.partition("=")
        if not equals or name in corners:
            why = "names no corner" if not equals else "is given twice"
            raise WitmarkError(f"--touch {text}", why, "write it as top-left=X,Y, once per corner")
        corners[name] = number_pair(place, f"--touch {name}=", "X,Y")
    return board_from_corners(board, corners, TOUCH_U_MM if touch_u is None else touch_u)


def _at_u(text: str | None) -> tuple[float | None, float | None]:
    from calibration.errors import WitmarkError
    from cli.options import number_pair

    if text is None:
        return None, None
    mm, degrees = number_pair(text, "--at-u", "MM,DEG")
    if mm < 0 or degrees < 0:
        raise WitmarkError(f"--at-u {text}", "is negative", "give how well the place is known")
    return mm, degrees
