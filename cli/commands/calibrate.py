"""`witmark calibrate`: the lens from board photos, the bed from a board at known places."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.commands.calibrate_scale import scale

if TYPE_CHECKING:
    from calibration.board import Board
    from calibration.target_fit import TargetFit
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
    from calibration.board import Board
    from calibration.errors import WitmarkError
    from calibration.files import write_json
    from calibration.lens_choice import fit_lens
    from calibration.target import read_pattern
    from cli.commands.calibrate_facts import lens_facts, lens_text
    from cli.terminal import show, show_json, warn

    drawn = read_pattern(board)
    if not isinstance(drawn, Board):
        raise WitmarkError(
            str(board),
            "is a burned target, which lies in one place",
            "give it to 'witmark calibrate bed', which needs no lens file then",
        )
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
    top: Annotated[
        str | None,
        typer.Option(
            metavar="WAY",
            help="Where the picture's upper edge lies from you: away (assumed), near, left, right. "
            "For a burned target.",
        ),
    ] = None,
    camera_height: Annotated[
        str | None,
        typer.Option(
            metavar="MM[,U]",
            help="Height of the camera's lens above the bed by a tape, and how well it is known "
            "(95 %; 10 mm is assumed). For a bed without a lens file.",
        ),
    ] = None,
    focus_height: Annotated[
        str | None,
        typer.Option(
            metavar="MM[,U]",
            help="Height above the bed, as it stands now, at which the laser focuses, and how well "
            "it is known (95 %; 0.5 mm is assumed). For a bed that lowers to focus.",
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
    jogged: --touch top-left=X,Y (also top-right, bottom-left, bottom-right, as printed). A target
    that the machine burned (witmark board --burn) tells its own place and needs no lens file.
    """
    from calibration.bed import write_bed
    from calibration.errors import WitmarkError
    from calibration.lens import read_lens
    from calibration.marks import register_marks
    from calibration.marks_file import read_marks
    from calibration.target import Target, read_pattern
    from calibration.target_fit import solve_target
    from calibration.uncertainty_map import uncertainty_map
    from cli.commands.calibrate_bed import (
        burned_place,
        camera_hangs,
        focus_plane,
        printed_places,
        solve_printed,
        target_rows,
        touched_place,
    )
    from cli.commands.calibrate_facts import bed_facts, bed_text, map_facts
    from cli.commands.target_facts import machine_facts, machine_text
    from cli.report.bed_map import bed_map_svg
    from cli.terminal import show, show_json, warn
    from vision.capture.photo import check_size, photos_of

    drawn = read_pattern(board)
    if picture is not None and picture.resolve() == out.resolve():
        raise WitmarkError(f"--map {picture}", "is the bed file itself", "name another file")
    measured = None if lens is None else read_lens(lens)
    described = read_marks(marks) if marks else None
    strangers = tuple(described.centres_mm) if described else ()
    paths = photos_of(photos)
    # All that was typed is looked at before any photo is.
    hangs = camera_hangs(camera_height)
    focus = focus_plane(focus_height)
    if hangs is not None and measured is not None and not isinstance(drawn, Target):
        raise WitmarkError(
            "--camera-height", "is for a bed without a lens file", "leave one of them out"
        )
    if isinstance(drawn, Target):
        own = {"--at": at, "--turn": turn, "--at-u": at_u, "--touch": touch, "--touch-u": touch_u}
        level_mm, way = burned_place(height, top, own)
    else:
        if top is not None:
            raise WitmarkError("--top", "is for a burned target", "leave it out")
        touched = touched_place(drawn, touch, touch_u, {"--at": at, "--turn": turn, "--at-u": at_u})
        placed = printed_places(drawn, at, turn, height, at_u, touched, len(paths))
    captures, notes = _read_all(paths)
    for photo in captures:
        if measured is not None:
            check_size(photo, measured.image_size, str(lens))
        else:
            check_size(photo, captures[0].size, captures[0].name)
    found: TargetFit | None = None
    if isinstance(drawn, Target):
        greys = [(photo.name, photo.grey) for photo in captures]
        found = solve_target(drawn, measured, greys, level_mm, _today(), way, hangs)
        solved, rows = found.fit.bed, target_rows(found, captures, level_mm)
        notes += found.notes
    else:
        # Of a board's map the bed's own level is told.
        level_mm = 0.0
        solved, rows, more = solve_printed(
            drawn, measured, captures, strangers, placed, hangs, _today()
        )
        notes += more
    if described:
        solved, about_marks = register_marks(solved, described, [p.grey for p in captures])
        notes += about_marks
    solved = solved.with_focus(focus)
    history = {
        "board": drawn.to_json(),
        "lens_file": None if lens is None else str(lens),
        "marks_file": described.to_json() if described else None,
        "touched": touch,
        "machine": None if found is None else machine_facts(found),
        "photos": rows,
        "notes": notes,
    }
    known = uncertainty_map(solved, level_mm)
    drawing = {} if picture is None else {picture: bed_map_svg(known).encode()}
    write_bed(out, solved, history, drawing)
    for note in notes:
        warn(note)
    facts = bed_facts(solved, rows, out, level_mm)
    if json:
        told = {} if found is None else {"machine": machine_facts(found)}
        show_json({**facts, **told, "u95_map": map_facts(known), "notes": notes})
    else:
        show(bed_text(facts) if found is None else f"{machine_text(found)}\n\n{bed_text(facts)}")


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


app.command()(scale)


def _read_all(paths: list[Path]) -> tuple[list[Photo], list[str]]:
    """Read the bed photos, and what reading them changed."""
    from cli.terminal import say
    from vision.capture.photo import read_photo

    captures = []
    for path in paths:
        say(f"reading {path}")
        captures.append(read_photo(path))
    return captures, [note for photo in captures for note in photo.notes]


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


def _today() -> str:
    import datetime

    return datetime.datetime.now(datetime.UTC).date().isoformat()
