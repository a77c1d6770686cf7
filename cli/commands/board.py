"""`witmark board`: a calibration board to print."""

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
    marker: Annotated[float, typer.Option(metavar="MM", help="Side of a marker.")] = 11.0,
    dictionary: Annotated[
        str, typer.Option(metavar="NAME", help="OpenCV's marker dictionary.")
    ] = "DICT_5X5_250",
    first_marker: Annotated[int, typer.Option(metavar="N", help="Number of the first marker.")] = 0,
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
    length into the board file as print_scale.
    """
    import io

    from PIL import Image

    from calibration.board import board_from_json
    from calibration.files import write_bytes, write_json
    from calibration.sheet import board_pdf
    from cli.terminal import say, show, show_json

    across, down = _two_numbers(squares)
    content: dict[str, object] = {
        "kind": "chessboard" if plain else "charuco",
        "squares_x": across,
        "squares_y": down,
        "square_mm": square,
        "inverted": inverted,
    }
    if not plain:
        content |= {"marker_mm": marker, "dictionary": dictionary, "first_marker": first_marker}
    drawn = board_from_json(content, "board")
    pdf = board_pdf(drawn, page)
    picture = io.BytesIO()
    resolution = px_per_mm * 25.4
    margin_mm = drawn.square_mm / 2
    Image.fromarray(drawn.picture(px_per_mm, margin_mm)).save(
        picture, "PNG", dpi=(resolution, resolution)
    )
    files = {kind: out / f"board.{kind}" for kind in ("pdf", "png", "json")}
    write_bytes(files["pdf"], pdf)
    write_bytes(files["png"], picture.getvalue())
    write_json(files["json"], drawn.to_json())
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


def _two_numbers(text: str) -> tuple[int, int]:
    from calibration.errors import WitmarkError

    across, _, down = text.lower().partition("x")
    if not (across.isdecimal() and down.isdecimal()):
        raise WitmarkError(f"--squares {text}", "is not two numbers", "write it as 11x8")
    return int(across), int(down)
