"""Boards and reference marks as a page to print: true size, with a ruler line to check it."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from calibration.board import Board, marker_dictionary, marker_modules_mm
from calibration.errors import WitmarkError
from calibration.marks_file import MarksFile

if TYPE_CHECKING:
    from fpdf import FPDF

PAGES_MM: dict[str, tuple[float, float]] = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "Letter": (215.9, 279.4),
}

# Most printers leave this much blank at the edges: common practice, no source.
_MARGIN_MM = 6.0
# White round the board, so that its outer squares are found; and room for ruler and text below.
_QUIET_MM = 5.0
_RULER_MM = 22.0
_TICK_MM = 10.0


def board_pdf(board: Board, page: str) -> bytes:
    """Return a PDF of one page with the board at true size.

    Black is drawn as rectangles in millimetres, so nothing depends on a resolution.

    Raises
    ------
    WitmarkError
        Where the page is unknown or the board does not fit on it.
    """
    page_mm = _page_for(board, page)
    width, height = board.size_mm
    pdf = _new_page(page_mm, "Witmark calibration board")
    left, top = (page_mm[0] - width) / 2, (page_mm[1] - _RULER_MM - height) / 2
    if board.inverted:
        quiet = _QUIET_MM
        pdf.rect(left - quiet, top - quiet, width + 2 * quiet, height + 2 * quiet, style="F")
        pdf.set_fill_color(255)
    for x, y, w, h in board.black_squares_mm():
        pdf.rect(left + x, top + y, w, h, style="F")
    _draw_ruler(pdf, page_mm)
    pdf.set_font("Helvetica", size=8)
    pdf.text(_MARGIN_MM + 4, page_mm[1] - _MARGIN_MM - 1, _caption(board))
    return bytes(pdf.output())


def marks_pdf(marks: MarksFile, page: str) -> bytes:
    """Return a PDF of one page with reference marks to cut out, true to size.

    Every mark has the white ground that finding it needs, one module wide, within its cutting
    line; its number stands outside.

    Raises
    ------
    WitmarkError
        Where the page is unknown or the marks do not fit on it.
    """
    page_mm = _page_size(page)
    module = marks.marker_mm / (marker_dictionary(marks.dictionary).markerSize + 2)
    ground = marks.marker_mm + 2 * module
    pitch = ground + 8.0
    across = int((page_mm[0] - 2 * _MARGIN_MM) // pitch)
    down = int((page_mm[1] - 2 * _MARGIN_MM - _RULER_MM) // pitch)
    numbers = sorted(marks.centres_mm)
    if len(numbers) > across * down:
        raise WitmarkError(
            f"--page {page}",
            f"{len(numbers)} marks of {marks.marker_mm:g} mm do not fit",
            "use fewer or smaller marks, or a larger page",
        )
    pdf = _new_page(page_mm, "Witmark reference marks")
    pdf.set_font("Helvetica", size=8)
    for place, number in enumerate(numbers):
        row, column = divmod(place, across)
        left, top = _MARGIN_MM + column * pitch, _MARGIN_MM + 4 + row * pitch
        pdf.set_line_width(0.1)
        pdf.rect(left, top, ground, ground)
        at = (left + module, top + module)
        for x, y, w, h in marker_modules_mm(marks.dictionary, number, marks.marker_mm, at):
            pdf.rect(x, y, w, h, style="F")
        pdf.text(left, top - 1, f"{number}, top")
    _draw_ruler(pdf, page_mm)
    return bytes(pdf.output())


def _page_size(page: str) -> tuple[float, float]:
    if page not in PAGES_MM:
        raise WitmarkError(
            f"--page {page}", "is no known page", f"use one of {', '.join(PAGES_MM)}"
        )
    return PAGES_MM[page]


def _new_page(page_mm: tuple[float, float], title: str) -> FPDF:
    from fpdf import FPDF

    pdf = FPDF(unit="mm", format=page_mm)
    # The same content gives the same bytes.
    pdf.set_creation_date(datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC))
    pdf.set_title(title)
    pdf.set_auto_page_break(False)
    pdf.add_page()
    pdf.set_fill_color(0)
    return pdf


def _page_for(board: Board, page: str) -> tuple[float, float]:
    """Return the page, turned the way the board fits better; refuse a board that fits neither."""
    short, long = _page_size(page)
    width, height = board.size_mm
    around = 2 * (_MARGIN_MM + _QUIET_MM)
    for across, down in ((long, short), (short, long)):
        if width + around <= across and height + around + _RULER_MM <= down:
            return across, down
    raise WitmarkError(
        f"--page {page}",
        f"a board of {width:g} x {height:g} mm does not fit with its margins and ruler",
        "use fewer or smaller squares, or a larger page",
    )


def _draw_ruler(pdf: FPDF, page_mm: tuple[float, float]) -> None:
    """Draw a line with a tick every 10 mm; its length is written beside it."""
    length = (page_mm[0] - 2 * _MARGIN_MM - 10) // _TICK_MM * _TICK_MM
    left, y = (page_mm[0] - length) / 2, page_mm[1] - _MARGIN_MM - 12
    pdf.set_line_width(0.15)
    pdf.line(left, y, left + length, y)
    for step in range(round(length / _TICK_MM) + 1):
        x = left + step * _TICK_MM
        pdf.line(x, y - (4.0 if step % 5 == 0 else 2.0), x, y)
    pdf.set_font("Helvetica", size=9)
    pdf.text(
        left,
        y + 4.5,
        f"From the first tick to the last: {length:g} mm. Print at 100 %, not fitted to the page, "
        "and check with a steel rule.",
    )


def _caption(board: Board) -> str:
    caption = f"{board.squares_x} x {board.squares_y} squares of {board.square_mm:g} mm"
    if board.kind == "charuco":
        last = board.first_marker + board.marker_count - 1
        caption += f", markers of {board.marker_mm:g} mm, {board.dictionary} "
        caption += f"{board.first_marker} to {last}"
    return (
        caption + ". Glue it flat on a stiff plate; this side is the way it is drawn: first square"
        " top left."
    )
