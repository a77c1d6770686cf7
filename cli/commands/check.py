"""`witmark check`: measure a burned job against its artwork."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from cli.jobfiles import JobFiles

app = typer.Typer(add_completion=False, rich_markup_mode=None)

EXIT = {"pass": 0, "not_judged": 0, "fail": 1, "undecided": 3}


@app.command()
def check(
    photo: Annotated[
        Path | None, typer.Argument(metavar="[PHOTO]", help="Capture after the job.")
    ] = None,
    after: Annotated[
        list[Path] | None,
        typer.Option("--after", metavar="PHOTO", help="The same; several are repeats, averaged."),
    ] = None,
    before: Annotated[
        list[Path] | None,
        typer.Option("--before", metavar="PHOTO", help="Capture of the work before the job."),
    ] = None,
    bed: Annotated[
        Path | None, typer.Option("--bed", metavar="FILE", help="From 'calibrate bed'.")
    ] = None,
    artwork: Annotated[
        Path | None, typer.Option("--artwork", metavar="FILE", help="The SVG that was burned.")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y",
            help="Bed place of the page's lower left corner (or of --anchor). Without it the "
            "artwork is looked for anywhere.",
        ),
    ] = None,
    turn: Annotated[float, typer.Option(metavar="DEG", help="Turn, counter-clockwise.")] = 0.0,
    anchor: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Point of the artwork's box that lies at --at."),
    ] = None,
    at_u: Annotated[
        str | None,
        typer.Option(
            metavar="MM,DEG",
            help="How well place and turn are known (95 %); 0.5,0.3 is assumed otherwise.",
        ),
    ] = None,
    height: Annotated[
        float,
        typer.Option(
            metavar="MM",
            help="Height of the work's face above the bed as calibrated (or see --height-from).",
        ),
    ] = 0.0,
    height_from: Annotated[
        str,
        typer.Option(
            metavar="WHAT",
            help="What --height is told from: bed, or focus where the bed lowers so that the "
            "work's face lies in the focus plane ('calibrate bed --focus-height').",
        ),
    ] = "bed",
    thickness: Annotated[
        float | None,
        typer.Option(
            metavar="MM",
            help="Thickness of the work, with --height-from focus; 5 is assumed otherwise.",
        ),
    ] = None,
    height_u: Annotated[
        float | None,
        typer.Option(metavar="MM", help="How well it is known (95 %); 0.2 is assumed otherwise."),
    ] = None,
    depth: Annotated[float, typer.Option(metavar="MM", help="Depth of the fill.")] = 0.0,
    kerf: Annotated[float, typer.Option(metavar="MM", help="Width of a burned line.")] = 0.2,
    hatch: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Spacing of the fill's hatch; 0.1 is assumed otherwise."),
    ] = None,
    mirror: Annotated[
        bool, typer.Option("--mirror", help="Burned mirrored left to right.")
    ] = False,
    negative: Annotated[
        bool, typer.Option("--negative", help="The ground was burned, not the artwork.")
    ] = False,
    put_back: Annotated[
        bool, typer.Option("--put-back", help="The work was lifted after the job.")
    ] = False,
    so_far: Annotated[
        bool,
        typer.Option("--so-far", help="Not all passes are burned yet: judge those that are."),
    ] = False,
    marks: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Reference marks, where the bed file holds none."),
    ] = None,
    tolerance: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Largest allowed displacement of any point."),
    ] = None,
    order: Annotated[str | None, typer.Option(metavar="TEXT", help="Order it belongs to.")] = None,
    piece: Annotated[str | None, typer.Option(metavar="TEXT", help="Which piece it is.")] = None,
    job: Annotated[
        str | None, typer.Option(metavar="NAME", help="Name of the job; the photo's otherwise.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder of the report; witmark-NAME otherwise."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> int:
    """Measure a burned job against its artwork, judge it, and write the report.

    A measuring aid, not a safety device: it never replaces watching a running laser. Take captures
    with the laser disarmed; the machine's manual and local codes rule.
    """
    from cli.jobfiles import JobFiles
    from cli.options import number_pair

    captures = [*([photo] if photo else []), *(after or [])]
    files = JobFiles(
        after=tuple(captures),
        before=tuple(before or []),
        bed=_needed(bed, "--bed", "calibrate first: 'witmark calibrate lens', then '... bed'"),
        artwork=_needed(artwork, "--artwork", "give the SVG that was burned"),
        marks=marks,
        at_mm=None if at is None else _place(number_pair(at, "--at", "X,Y")),
        turn_deg=_number(turn, "--turn", -360.0, 360.0),
        anchor=anchor,
        mirror=mirror,
        at_u=None if at_u is None else _place_u(number_pair(at_u, "--at-u", "MM,DEG")),
        height_mm=_number(height, "--height", -1000.0, 1000.0),
        from_focus=_from_focus(height_from, thickness),
        thickness_mm=None if thickness is None else _number(thickness, "--thickness", 0.0, 1000.0),
        height_u_mm=None if height_u is None else _number(height_u, "--height-u", 0.0, 100.0),
        depth_mm=_number(depth, "--depth", 0.0, 20.0),
        kerf_mm=_number(kerf, "--kerf", 0.02, 5.0),
        hatch_mm=None if hatch is None else _number(hatch, "--hatch", 0.0, 5.0),
        negative=negative,
        put_back=put_back,
        so_far=so_far,
        tolerance_mm=None if tolerance is None else _number(tolerance, "--tolerance", 1e-3, 100.0),
        name=job,
        order=order,
        piece=piece,
    )
    _needed(captures[0] if captures else None, "PHOTO", "give the capture after the job")
    return _run(files, out, json)


def _run(files: JobFiles, out: Path | None, as_json: bool) -> int:
    import shutil
    import sys
    from datetime import datetime

    from cli.jobfiles import read_job
    from cli.report.document import report_document
    from cli.report.table import terminal_table
    from cli.report.write import write_report
    from cli.terminal import show, show_json
    from vision.job import check_job

    now = datetime.now().astimezone()
    job = read_job(files, now.date())
    result = check_job(job)
    folder = out or Path(f"witmark-{_file_name(job.name)}")
    paths = write_report(result, folder, now)
    if as_json:
        show_json(report_document(result, now))
    else:
        encoding = (sys.stdout.encoding or "ascii").lower()
        width = shutil.get_terminal_size((100, 24)).columns
        show(terminal_table(result, width, encoding.startswith("utf"), paths))
    return EXIT[result.verdict.state]


def _needed(path: Path | None, option: str, mend: str) -> Path:
    from calibration.errors import WitmarkError

    if path is None:
        raise WitmarkError(option, "is missing", mend)
    return path


def _number(value: float, option: str, low: float, high: float) -> float:
    from calibration.errors import WitmarkError

    if not (math.isfinite(value) and low <= value <= high):
        raise WitmarkError(f"{option} {value:g}", "is out of range", f"give {low:g} to {high:g}")
    return value


def _from_focus(height_from: str, thickness: float | None) -> bool:
    from calibration.errors import WitmarkError

    if height_from not in ("bed", "focus"):
        raise WitmarkError(f"--height-from {height_from}", "is unknown", "use one of bed, focus")
    if height_from == "bed" and thickness is not None:
        raise WitmarkError(
            "--thickness",
            "is for --height-from focus",
            "leave it out: work that lies on the bed as calibrated is as thick as --height",
        )
    return height_from == "focus"


def _place(pair: tuple[float, float]) -> tuple[float, float]:
    x_mm, y_mm = (_number(value, "--at", -1e5, 1e5) for value in pair)
    return x_mm, y_mm


def _place_u(pair: tuple[float, float]) -> tuple[float, float]:
    mm, degrees = pair
    return _number(mm, "--at-u", 0.0, 1000.0), _number(degrees, "--at-u", 0.0, 360.0)


def _file_name(name: str) -> str:
    return "".join(c if c.isalnum() or c in "-_." else "-" for c in name).strip(".-") or "job"
