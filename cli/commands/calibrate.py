"""`witmark calibrate`: the lens from board photos, the bed from a board at known places."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from calibration.bed import Bed
    from calibration.bed_fit import BedFit
    from calibration.board import Board, BoardPlace
    from calibration.lens_fit import LensFit
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
    from cli.terminal import show, show_json, warn

    drawn = read_board(board)
    size, views, notes = _look(photos, drawn)
    fit = fit_lens(drawn, size, views)
    write_json(out, fit.to_json(_today()))
    for note in notes:
        warn(note)
    facts = _lens_facts(fit, out)
    if json:
        show_json(facts)
    else:
        show(_lens_text(fit, out))


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
    json: AsJson = False,
) -> None:
    """Find where the camera sees the bed, from photos of the board lying at known places."""
    from calibration.bed import write_bed
    from calibration.bed_fit import BoardObservation, solve_bed
    from calibration.board import read_board
    from calibration.detect import detect
    from calibration.errors import WitmarkError
    from calibration.lens import read_lens
    from calibration.marks import read_marks, register_marks
    from cli.terminal import say, show, show_json, warn
    from vision.capture.photo import check_size, photos_of, read_photo

    if lens is None:
        raise WitmarkError(
            "--lens",
            "is missing: one place of a board does not tell the lens from the pose",
            "run 'witmark calibrate lens' first and give its file with --lens",
        )
    drawn = read_board(board)
    measured = read_lens(lens)
    paths = photos_of(photos)
    places = _places(drawn, at, turn, height, len(paths))
    known = _at_u(at_u)
    described = read_marks(marks) if marks else None
    strangers = described.centres_mm.keys() if described else ()
    others = strangers if described and described.dictionary == drawn.dictionary else ()
    pictures: list[Photo] = []
    observations: list[BoardObservation] = []
    notes: list[str] = []
    for path, place in zip(paths, places, strict=True):
        say(f"reading {path}")
        photo = read_photo(path)
        check_size(photo, measured.image_size, str(lens))
        notes += photo.notes
        pictures.append(photo)
        found = detect(photo.grey, drawn, tuple(others))
        if found.why is not None:
            notes.append(f"{path} is not used: {found.why}")
            continue
        observations.append(BoardObservation(str(path), found.ids, found.px, place))
    if not observations:
        raise WitmarkError(
            notes[-1].partition(" is not used: ")[0] if notes else "bed photos",
            notes[-1].partition(" is not used: ")[2] if notes else "show no board",
            "lay the whole board flat in view, with even light",
        )
    if drawn.looks_the_same_upside_down:
        notes.append(
            "this chessboard looks the same upside down: check that --turn is the turn of the "
            "square that the camera sees at its upper left"
        )
    at_u_mm, turn_u_deg = known
    fit = solve_bed(
        measured,
        drawn,
        observations,
        created=_today(),
        at_u_mm=at_u_mm,
        turn_u_deg=turn_u_deg,
    )
    notes += fit.notes
    solved = fit.bed
    if described:
        solved, more = register_marks(solved, described, [photo.grey for photo in pictures])
        notes += more
    history = {
        "board": drawn.to_json(),
        "photos": [
            {
                "name": o.name,
                "sha256": next(p.sha256 for p in pictures if p.name == o.name),
                "at_mm": list(o.place.at_mm),
                "turn_deg": o.place.turn_deg,
                "height_mm": o.place.height_mm,
                "rms_px": rms,
                "corners": len(o.ids),
                "corners_left_out": dropped,
            }
            for o, rms, dropped in zip(observations, fit.rms_px, fit.dropped, strict=True)
        ],
        "lens_file": str(lens),
        "marks_file": described.to_json() if described else None,
        "notes": notes,
    }
    write_bed(out, solved, history)
    for note in notes:
        warn(note)
    facts = _bed_facts(solved, fit, history["photos"], out)
    if json:
        show_json(facts)
    else:
        show(_bed_text(facts))


def _look(photos: list[Path], board: Board) -> tuple[tuple[int, int], list[Any], list[str]]:
    """Find the board in every photo; photos of another size than most are named."""
    from collections import Counter

    from calibration.detect import detect
    from calibration.errors import WitmarkError
    from calibration.lens_fit import View
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
    at: list[str] | None,
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
        "--at": [_pair(text, "--at", "X,Y") for text in at or []],
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


def _at_u(text: str | None) -> tuple[float | None, float | None]:
    from calibration.errors import WitmarkError

    if text is None:
        return None, None
    mm, degrees = _pair(text, "--at-u", "MM,DEG")
    if mm < 0 or degrees < 0:
        raise WitmarkError(f"--at-u {text}", "is negative", "give how well the place is known")
    return mm, degrees


def _pair(text: str, option: str, form: str) -> tuple[float, float]:
    import math

    from calibration.errors import WitmarkError

    try:
        first, second = (float(part) for part in text.split(","))
        if not (math.isfinite(first) and math.isfinite(second)):
            raise ValueError
    except ValueError as error:
        raise WitmarkError(
            f"{option} {text}", "is not two numbers", f"write it as {form}, without a space"
        ) from error
    return first, second


def _today() -> str:
    import datetime

    return datetime.datetime.now(datetime.UTC).date().isoformat()


def _lens_facts(fit: LensFit, out: Path) -> dict[str, Any]:
    import numpy as np

    from calibration.lens import PARAMETERS
    from calibration.quantity import Quantity

    sigmas = np.sqrt(np.diag(fit.lens.covariance))
    return {
        "file": str(out),
        "image_size": list(fit.lens.image_size),
        "rms_px": fit.rms_px,
        "sigma_px": fit.sigma_px,
        "parameters": {
            name: Quantity.from_sigma(value, sigma).to_json()
            for name, value, sigma in zip(PARAMETERS, fit.lens.parameters, sigmas, strict=True)
        },
        "held_at_zero": list(fit.held),
        "coverage": {
            "share": fit.covered_share,
            "grid": fit.coverage.tolist(),
            "missing": list(fit.missing),
        },
        "photos": [
            {
                "name": view.name,
                "used": view.why is None,
                "why": view.why,
                "corners": len(view.ids),
                "corners_left_out": view.dropped,
                "rms_px": view.rms_px,
            }
            for view in fit.views
        ],
    }


def _lens_text(fit: LensFit, out: Path) -> str:
    import numpy as np

    from calibration.lens import PARAMETERS
    from calibration.quantity import K95
    from cli.terminal import table

    width, height = fit.lens.image_size
    used, rejected = fit.used, fit.rejected
    parts = [
        f"Lens of {width} x {height} pixels from {len(used)} of {len(fit.views)} photos: "
        f"residuals {fit.rms_px:.3f} px RMS.",
        "",
        table(
            ("photo", "corners", "left out", "residual px"),
            [(v.name, str(len(v.ids)), str(v.dropped), f"{v.rms_px:.3f}") for v in used],
        ),
    ]
    if rejected:
        parts += ["", "Not used:", *(f"  {view.name}: {view.why}" for view in rejected)]
    covered = f"Corners in {(fit.coverage > 0).sum()} of {fit.coverage.size} parts of the picture"
    missing = f"; missing: {', '.join(fit.missing)}." if fit.missing else "."
    rows = []
    for name, value, variance in zip(
        PARAMETERS, fit.lens.parameters, np.diag(fit.lens.covariance), strict=True
    ):
        digits = 2 if name in ("fx", "fy", "cx", "cy") else 5
        u95 = f"{K95 * variance**0.5:.{digits}f}" if variance > 0 else "held at 0"
        rows.append((name, f"{value:.{digits}f}", u95))
    return "\n".join(
        [*parts, "", covered + missing, "", table(("lens", "value", "U95"), rows), "", str(out)]
    )


def _bed_facts(bed: Bed, fit: BedFit, photos: Any, out: Path) -> dict[str, Any]:
    import numpy as np

    from calibration.plane import PlaneSurface
    from calibration.quantity import K95_PLANE

    surface = PlaneSurface(bed, 0.0)
    left, low, right, high = bed.field_mm
    named = {
        "middle": ((left + right) / 2, (low + high) / 2),
        "lower left": (left, low),
        "lower right": (right, low),
        "upper left": (left, high),
        "upper right": (right, high),
    }
    places = np.array(list(named.values()))
    jacobian = surface.calibration_jacobian_mm(places)
    per_px = 1 / np.sqrt(np.abs(np.linalg.det(surface.jacobian_px_per_mm(places))))
    covariance = surface.calibration_covariance
    rows = []
    for row, (name, place) in enumerate(named.items()):
        terms = {}
        for term, about in surface.terms().items():
            j = jacobian[row][:, about.where]
            spread = j @ covariance[about.where, about.where] @ j.T
            terms[term] = K95_PLANE * float(np.sqrt(np.linalg.eigvalsh(spread)[-1]))
        rows.append(
            {
                "name": name,
                "at_mm": [float(v) for v in place],
                "mm_per_px": float(per_px[row]),
                "u95_mm": terms,
            }
        )
    x, y, z = bed.pose.camera_mm
    return {
        "file": str(out),
        "id": bed.id,
        "created": bed.created,
        "traceability": bed.traceability,
        "camera_mm": [float(x), float(y), float(z)],
        "sigma_px": bed.sigma_px,
        "field_mm": list(bed.field_mm),
        "photos": photos,
        "misplaced_mm": list(fit.misplaced_mm),
        "places": rows,
        "reference_marks": [
            {"id": mark.id, "centre_mm": list(mark.centre_mm), "height_mm": mark.height_mm}
            for mark in bed.marks
        ],
    }


def _bed_text(facts: dict[str, Any]) -> str:
    from cli.terminal import table

    x, y, z = facts["camera_mm"]
    photos = table(
        ("photo", "corners", "left out", "residual px"),
        [
            (p["name"], str(p["corners"]), str(p["corners_left_out"]), f"{p['rms_px']:.3f}")
            for p in facts["photos"]
        ],
    )
    names = [name for name in facts["places"][0]["u95_mm"] if name != "movement of the camera"]
    places = table(
        ("U95 in mm on the bed", "at mm", "mm/px", *names),
        [
            (
                p["name"],
                f"{p['at_mm'][0]:.0f}, {p['at_mm'][1]:.0f}",
                f"{p['mm_per_px']:.3f}",
                *(f"{p['u95_mm'][name]:.3f}" for name in names),
            )
            for p in facts["places"]
        ],
    )
    found = facts["reference_marks"]
    marks = (
        "Reference marks: " + ", ".join(str(mark["id"]) for mark in found) + "."
        if found
        else "No reference marks: a camera that moves later cannot be corrected."
    )
    return "\n".join(
        [
            f"Bed {facts['id']}: the camera hangs {z:.0f} mm over ({x:.0f}, {y:.0f}).",
            f"Millimetres are {facts['traceability']}.",
            "",
            photos,
            "",
            places,
            "",
            marks,
            facts["file"],
        ]
    )
