"""`witmark board`: a calibration board to print, reference marks to stick, a target to burn."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def board(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder to write to.")],
    squares: Annotated[
        str, typer.Option(metavar="NXxNY", help="Squares across and down.")
    ] = "11x8",
    square: Annotated[float, typer.Option(metavar="MM", help="Side of a square.")] = 15.0,
    marker: Annotated[
        float | None,
        typer.Option(
            metavar="MM", help="Side of a marker (11; of a reference mark 14, a burned one 16)."
        ),
    ] = None,
    dictionary: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="OpenCV's marker dictionary (DICT_5X5_250; marks DICT_4X4_50)."
        ),
    ] = None,
    first_marker: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Number of the first marker (0; of a reference mark 10; burned: by the layout).",
        ),
    ] = None,
    reference: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y", help="Write reference marks for these bed places instead; once per mark."
        ),
    ] = None,
    burn: Annotated[
        bool,
        typer.Option("--burn", help="Write a target for the machine to burn on scrap instead."),
    ] = False,
    area: Annotated[
        str | None,
        typer.Option(
            metavar="X0,Y0,X1,Y1",
            help="Box in machine mm that it fills (0,0,400,300). With --burn.",
        ),
    ] = None,
    pitch: Annotated[
        float | None, typer.Option(metavar="MM", help="Distance of its crosses (30). With --burn.")
    ] = None,
    power: Annotated[
        float | None,
        typer.Option(metavar="S", help="Laser power, the machine's own S word. With --burn."),
    ] = None,
    speed: Annotated[
        float | None, typer.Option(metavar="MM/MIN", help="Feed (3000). With --burn.")
    ] = None,
    kerf: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Width of the burned line (0.2). With --burn."),
    ] = None,
    plain: Annotated[bool, typer.Option("--plain", help="A chessboard without markers.")] = False,
    inverted: Annotated[
        bool, typer.Option("--inverted", help="Exchange black and white, as on anodised metal.")
    ] = False,
    page: Annotated[str, typer.Option(metavar="NAME", help="A4, A3 or Letter.")] = "A4",
    px_per_mm: Annotated[
        float, typer.Option(metavar="N", help="Resolution of the PNG.", min=1, max=50)
    ] = 12.0,
    json: Annotated[bool, typer.Option("--json", help="Print the facts as JSON.")] = False,
) -> None:
    """Write a calibration board: PDF at true size, PNG, and its board file.

    Print the PDF at 100 %, measure its ruler line with a steel rule, and put measured / printed
    length into the board file as print_scale. With --burn the machine makes its own: crosses and
    coded marks on a scrap sheet, as G-code and SVG.
    """
    import io

    from PIL import Image

    from calibration.board import board_from_json
    from calibration.errors import WitmarkError
    from calibration.files import json_bytes, write_files
    from calibration.sheet import board_pdf
    from cli.commands.burn import write_target
    from cli.terminal import say, show, show_json

    for_burning = {
        "--area": area,
        "--pitch": pitch,
        "--power": power,
        "--speed": speed,
        "--kerf": kerf,
    }
    if burn:
        if reference:
            raise WitmarkError("--reference", "is given beside --burn", "write one at a time")
        write_target(
            out,
            area,
            30.0 if pitch is None else pitch,
            16.0 if marker is None else marker,
            dictionary or "DICT_4X4_50",
            first_marker,
            power,
            3000.0 if speed is None else speed,
            0.2 if kerf is None else kerf,
            json,
        )
        return
    for option, value in for_burning.items():
        if value is not None:
            raise WitmarkError(option, "is given without --burn", "give both, or neither")
    if reference:
        _write_marks(
            out,
            reference,
            14.0 if marker is None else marker,
            dictionary or "DICT_4X4_50",
            10 if first_marker is None else first_marker,
            page,
            json,
        )
        return
    across, down = _two_numbers(squares)
    content: dict[str, object] = {
        "kind": "chessboard" if plain else "charuco",
        "squares_x": across,
        "squares_y": down,
        "square_mm": square,
        "inverted": inverted,
    }
    if not plain:
        content |= {
            "marker_mm": 11.0 if marker is None else marker,
            "dictionary": dictionary or "DICT_5X5_250",
            "first_marker": first_marker or 0,
        }
    drawn = board_from_json(content, "board")
    pdf = board_pdf(drawn, page)
    picture = io.BytesIO()
    resolution = px_per_mm * 25.4
    margin_mm = drawn.square_mm / 2
    Image.fromarray(drawn.picture(px_per_mm, margin_mm)).save(
        picture, "PNG", dpi=(resolution, resolution)
    )
    files = {kind: out / f"board.{kind}" for kind in ("pdf", "png", "json")}
    contents = {"pdf": pdf, "png": picture.getvalue(), "json": json_bytes(drawn.to_json())}
    write_files({files[kind]: content for kind, content in contents.items()})
    if json:
        show_json({"files": {k: str(p) for k, p in files.items()}, "board": drawn.to_json()})
    else:
        for path in files.values():
            show(str(path))
    say("Print board.pdf at 100 % and check its ruler line with a steel rule.")
    if drawn.looks_the_same_upside_down:
        say(
            "note: this chessboard looks the same upside down; for 'calibrate bed' make one with "
            "an odd and an even number of squares"
        )


def _write_marks(
    out: Path,
    places: list[str],
    marker_mm: float,
    dictionary: str,
    first: int,
    page: str,
    as_json: bool,
) -> None:
    """Write reference marks to stick on the bed, and their file."""
    from calibration.files import json_bytes, write_files
    from calibration.marks_file import marks_from_json
    from calibration.sheet import marks_pdf
    from cli.options import number_pair
    from cli.terminal import say, show, show_json

    centres = {
        str(first + i): number_pair(text, "--reference", "X,Y") for i, text in enumerate(places)
    }
    content = {"dictionary": dictionary, "marker_mm": marker_mm, "centres_mm": centres}
    marks = marks_from_json(content, "--reference")
    pdf = marks_pdf(marks, page)
    files = {"pdf": out / "marks.pdf", "json": out / "marks.json"}
    write_files({files["pdf"]: pdf, files["json"]: json_bytes(marks.to_json())})
    if as_json:
        show_json({"files": {k: str(p) for k, p in files.items()}, "marks": marks.to_json()})
    else:
        for path in files.values():
            show(str(path))
    say("Print marks.pdf at 100 %, cut out, stick each mark flat with its top toward +Y.")
    if len(places) < 3:
        say("note: a camera that moved is corrected from three marks or more")


def _two_numbers(text: str) -> tuple[int, int]:
    from calibration.errors import WitmarkError

    across, _, down = text.lower().partition("x")
    if not (across.isdecimal() and down.isdecimal()):
        raise WitmarkError(f"--squares {text}", "is not two numbers", "write it as 11x8")
    return int(across), int(down)
