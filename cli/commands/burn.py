"""`witmark board --burn`: a target that the machine burns on a scrap sheet."""

from __future__ import annotations

import math
from pathlib import Path

from calibration.errors import WitmarkError

_AREA = "0,0,400,300"


def write_target(
    out: Path,
    area: str | None,
    pitch_mm: float,
    marker_mm: float,
    dictionary: str,
    first_marker: int | None,
    power: float | None,
    speed_mm_min: float,
    kerf_mm: float,
    as_json: bool,
) -> None:
    """Write the target's SVG, G-code and board file, and tell how to burn it."""
    from calibration.burn_files import (
        CAUTIONS,
        Burning,
        burn_minutes,
        gcode,
        strokes_of,
        svg,
        swept_box,
    )
    from calibration.files import json_bytes, write_files
    from calibration.target import lay_out
    from cli.terminal import say, show, show_json

    if power is None:
        raise WitmarkError(
            "--power",
            "is missing",
            "give the S word that marks your scrap clearly, in the machine's own unit",
        )
    for option, value, least, most in (
        ("--power", power, 0.0, 1e5),
        ("--speed", speed_mm_min, 1.0, 1e5),
        ("--kerf", kerf_mm, 0.02, 2.0),
        ("--marker", marker_mm, 4.0, 100.0),
        ("--pitch", pitch_mm, 1.0, 1000.0),
    ):
        if not least <= value <= most or value <= 0:
            raise WitmarkError(
                f"{option} {value:g}", "is out of range", f"use {least:g} to {most:g}, above 0"
            )
    target = lay_out(
        _box(area or _AREA), pitch_mm, _arm(pitch_mm), marker_mm, dictionary, first_marker
    )
    burning = Burning(power, speed_mm_min, 2 * speed_mm_min, kerf_mm, _arm(pitch_mm))
    strokes = strokes_of(target, burning)
    minutes, box = burn_minutes(strokes, burning), swept_box(strokes)
    files = {kind: out / f"target.{kind}" for kind in ("svg", "nc", "json")}
    write_files(
        {
            files["svg"]: svg(target, burning).encode(),
            files["nc"]: gcode(target, burning).encode(),
            files["json"]: json_bytes(target.to_json()),
        }
    )
    if as_json:
        show_json(
            {
                "files": {kind: str(path) for kind, path in files.items()},
                "target": target.to_json(),
                "crosses": len(target.crosses_mm),
                "minutes": minutes,
                "box_mm": list(box),
            }
        )
    else:
        for path in files.values():
            show(str(path))
    say(
        f"{len(target.crosses_mm)} crosses, {len(target.markers_mm)} coded marks; the head moves "
        f"within X {box[0]:.1f} to {box[2]:.1f}, Y {box[1]:.1f} to {box[3]:.1f} mm for about "
        f"{minutes:.0f} minutes."
    )
    for line in CAUTIONS:
        say(line)
    say(
        "Lay a flat, pale, bare scrap sheet over the bed, burn target.nc in machine coordinates, "
        "leave the sheet where it lies and photograph it."
    )
    say(
        "target.svg holds the same strokes for machines that take drawings; those choose the order "
        "themselves, so the reversal is not told then."
    )


def _arm(pitch_mm: float) -> float:
    """Return the length of a cross's arms: a quarter of the pitch, no more than is needed."""
    return min(7.0, round(pitch_mm / 4, 1))


def _box(text: str) -> tuple[float, float, float, float]:
    try:
        x0, y0, x1, y1 = (float(part) for part in text.split(","))
        if not all(map(math.isfinite, (x0, y0, x1, y1))) or x0 >= x1 or y0 >= y1:
            raise ValueError
    except ValueError as error:
        raise WitmarkError(
            f"--area {text}",
            "is no box",
            "write it as X0,Y0,X1,Y1 in machine millimetres, without a space, smallest first",
        ) from error
    return x0, y0, x1, y1
