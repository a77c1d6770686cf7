"""`witmark calibrate`: the lens from board photos, the bed from a board at known places."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from calibration.bed_solve import BoardObservation
    from calibration.board import Board, BoardPlace
    from calibration.touch import Touched
    from vision.capture.photo import Photo

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Measure the lens, and where the camera sees the bed.",
)

Photos = Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos, or folders.")]
BoardFile = Annotated[Path, typer.Option("--board", metavar="FILE", help="The board's file.")]
Out = Annotated[Path, typer.Option("--out", metavar="FILE", help="File to write.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the facts as JSON.")]


@app.command()
def lens(photos: Photos, board: BoardFile, out: Out, json: AsJson = False) -> None:
    """Measure the lens from about 12 photos of the board.

    Tilt the board different ways and bring it out to the corners of the picture; keep focus and
    zoom as they will be at work.
    """
    from calibration.board import read_board
    from calibration.files import write_json
    from calibration.lens_fit import fit_lens
    from cli.commands.calibrate_facts import lens_facts, lens_text
    from cli.terminal import show, show_json, warn

    drawn = read_board(board)
    size, views, notes = _look(photos, drawn)
    fit = fit_lens(drawn, size, views)
    write_json(out, fit.to_json(_today()))
    for note in notes:
        warn(note)
    if json:
        show_json(lens_facts(fit, out))
    else:
        show(lens_text(fit, out))


@app.command()
def bed(
    photos: Photos,
    board: BoardFile,
    out: Out,
    lens: Annotated[
        Path | None, typer.Option("--lens", metavar="FILE", help="From 'calibrate lens'.")
    ] = None,
    marks: Annotated[
        Path | None, typer.Option("--marks", metavar="FILE", help="Reference marks on the bed.")
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y", help="Bed place of the first square's outer corner; once, or per photo."
        ),
    ] = None,
    turn: Annotated[
        list[float] | None,
        typer.Option(metavar="DEG", help="Counter-clockwise turn; once, or per photo."),
    ] = None,
    height: Annotated[
        list[float] | None,
        typer.Option(metavar="MM", help="Height of the board's face; once, or per photo."),
    ] = None,
    at_u: Annotated[
        str | None,
        typer.Option(
            metavar="MM,DEG",
            help="How well place and turn are known (95 %); 0.5,0.3 is assumed otherwise.",
        ),
    ] = None,
    touch: Annotated[
        list[str] | None,
        typer.Option(
            metavar="CORNER=X,Y",
            help="Bed place of a corner of the board; three or four, instead of place and turn.",
        ),
    ] = None,
    touch_u: Annotated[
        float | None,
        typer.Option(
            metavar="MM", help="How well a corner is touched (95 %); 0.3 is assumed otherwise."
        ),
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--map", metavar="FILE", help="Write a picture (SVG) of U95 all over the bed."
        ),
    ] = None,
    json: AsJson = False,
) -> None:
    """Find where the camera sees the bed, from photos of the board lying at known places.

    Where the board lies is typed, or told by its outer corners, to which the machine's pointer is
    jogged: --touch top-left=X,Y (also top-right, bottom-left, bottom-right, as printed).
    """
    from calibration.bed import write_bed
    from calibration.bed_fit import solve_bed
    from calibration.board import read_board
    from calibration.errors import WitmarkError
    from calibration.lens import read_lens
    from calibration.marks import register_marks
    from calibration.marks_file import read_marks
    from calibration.uncertainty_map import uncertainty_map
    from cli.commands.calibrate_facts import bed_facts, bed_text, map_facts
    from cli.options import number_pair
    from cli.report.bed_map import bed_map_svg
    from cli.terminal import show, show_json, warn
    from vision.capture.photo import check_size, photos_of

    if lens is None:
        raise WitmarkError(
            "--lens",
            "is missing: one place of a board does not tell the lens from the pose",
            "run 'witmark calibrate lens' first and give its file with --lens",
        )
    if picture is not None and picture.resolve() == out.resolve():
        raise WitmarkError(f"--map {picture}", "is the bed file itself", "name another file")
    drawn, measured = read_board(board), read_lens(lens)
    described = read_marks(marks) if marks else None
    paths = photos_of(photos)
    touched = _touched(drawn, touch, touch_u, {"--at": at, "--turn": turn, "--at-u": at_u})
    if touched is None:
        typed = [number_pair(text, "--at", "X,Y") for text in at or []]
        places = _places(drawn, typed, turn, height, len(paths))
        at_u_mm, turn_u_deg = _at_u(at_u)
    else:
        places = _places(drawn, [touched.at_mm], [touched.turn_deg], height, len(paths))
        at_u_mm, turn_u_deg = touched.at_u_mm, touched.turn_u_deg
    captures, notes = _read_all(paths)
    for photo in captures:
        check_size(photo, measured.image_size, str(lens))
    strangers = described.centres_mm if described else ()
    observations, more = _observe(captures, drawn, places, tuple(strangers))
    notes += more
    fit = solve_bed(
        measured,
        drawn,
        observations,
        created=_today(),
        at_u_mm=at_u_mm,
        turn_u_deg=turn_u_deg,
    )
    notes += fit.notes
    if touched is not None:
        notes += [touched.place_note, *([touched.scale_note] if touched.scale_note else [])]
    solved = fit.bed
    if described:
        greys = [photo.grey for photo in captures]
        solved, about_marks = register_marks(solved, described, greys)
        notes += about_marks
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
    history = {
        "board": drawn.to_json(),
        "lens_file": str(lens),
        "marks_file": described.to_json() if described else None,
        "touched": touch,
        "photos": rows,
        "notes": notes,
    }
    known = uncertainty_map(solved)
    drawing = {} if picture is None else {picture: bed_map_svg(known).encode()}
    write_bed(out, solved, history, drawing)
    for note in notes:
        warn(note)
    facts = bed_facts(solved, rows, out)
    if json:
        show_json({**facts, "u95_map": map_facts(known), "notes": notes})
    else:
        show(bed_text(facts))


@app.command()
def verify(
    photos: Photos,
    bed: Annotated[Path, typer.Option("--bed", metavar="FILE", help="From 'calibrate bed'.")],
    json: AsJson = False,
) -> int:
    """Tell whether a bed calibration still holds, by the reference marks in a capture of the bed.

    What is found is kept in a file beside the bed file, and reports tell when it last held.
    """
    from calibration.bed import read_bed
    from calibration.verification import append_looks, look, worst_of
    from cli.commands.calibrate_facts import looks_facts, looks_text
    from cli.terminal import show, show_json, warn
    from vision.capture.photo import check_shows_something, check_size, photos_of

    calibrated = read_bed(bed)
    captures, notes = _read_all(photos_of(photos))
    looks = []
    for photo in captures:
        check_size(photo, calibrated.image_size, str(bed))
        check_shows_something(photo)
        looks.append(
            look(
                calibrated,
                photo.grey,
                date=_today(),
                photo=Path(photo.name).name,
                photo_sha256=photo.sha256,
            )
        )
    append_looks(bed, calibrated.id, looks)
    for note in notes:
        warn(note)
    if json:
        show_json(looks_facts(looks, bed))
    else:
        show(looks_text(looks))
    return {"holds": 0, "stale": 1, "cannot_tell": 3}[worst_of(looks)]


def _read_all(paths: list[Path]) -> tuple[list[Photo], list[str]]:
    """Read the bed photos, and what reading them changed."""
    from cli.terminal import say
    from vision.capture.photo import read_photo

    captures = []
    for path in paths:
        say(f"reading {path}")
        captures.append(read_photo(path))
    return captures, [note for photo in captures for note in photo.notes]


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


def _look(photos: list[Path], board: Board) -> tuple[tuple[int, int], list[Any], list[str]]:
    """Find the board in every photo; photos of another size than most are named."""
    from collections import Counter

    from calibration.detect import detect
    from calibration.errors import WitmarkError
    from calibration.lens_solve import View
    from cli.terminal import say
    from vision.capture.photo import photos_of, read_photo

    paths = photos_of(photos)
    views: list[View] = []
    sizes: list[tuple[int, int] | None] = []
    notes: list[str] = []
    for number, path in enumerate(paths, 1):
        say(f"reading {path} ({number} of {len(paths)})")
        try:
            photo = read_photo(path)
        except WitmarkError as error:
            # One bad file among many is named, not fatal.
            views.append(View(str(path), "", *_no_corners(), error.what))
            sizes.append(None)
            continue
        notes += photo.notes
        found = detect(photo.grey, board)
        views.append(View(str(path), photo.sha256, found.ids, found.px, found.why))
        sizes.append(photo.size)
    counted = Counter(size for size in sizes if size is not None)
    if not counted:
        raise WitmarkError(
            str(paths[0]), views[0].why or "cannot be read", "give readable photos of the board"
        )
    size = counted.most_common(1)[0][0]
    for i, own in enumerate(sizes):
        if own is not None and own != size:
            why = f"is {own[0]} x {own[1]} pixels, the others are {size[0]} x {size[1]}"
            views[i] = View(views[i].name, views[i].sha256, *_no_corners(), why)
    return size, views, notes


def _no_corners() -> tuple[Any, Any]:
    import numpy as np

    return np.zeros(0, np.int64), np.zeros((0, 2))


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


def _touched(
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


def _today() -> str:
    import datetime

    return datetime.datetime.now(datetime.UTC).date().isoformat()
