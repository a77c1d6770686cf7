"""What `witmark calibrate` tells: the same facts as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from calibration.bed import Bed
from calibration.board_errors import board_errors
from calibration.lens_fit import LensFit
from calibration.next_photo import next_photo
from calibration.plane import PlaneSurface
from calibration.quantity import K95, Quantity
from calibration.uncertainty_map import UncertaintyMap
from calibration.verification import Look, record_path, worst_of
from cli.terminal import table


def lens_facts(fit: LensFit, out: Path) -> dict[str, Any]:
    """Return the facts about a lens, without covariance and corners: those are in its file."""
    sigmas = np.sqrt(np.diag(fit.lens.covariance))
    return {
        "file": str(out),
        "image_size": list(fit.lens.image_size),
        "rms_px": fit.rms_px,
        "sigma_px": fit.sigma_px,
        "model": fit.lens.model,
        "models_tried": [trial.to_json() for trial in fit.trials],
        "parameters": {
            name: Quantity.from_sigma(value, sigma).to_json()
            for name, value, sigma in zip(fit.lens.names, fit.lens.parameters, sigmas, strict=False)
        },
        "held_at_zero": list(fit.held),
        "board_errors": None if (off := board_errors(fit)) is None else off.to_json(),
        "next_photo": None if (more := next_photo(fit)) is None else more.to_json(),
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


def lens_text(fit: LensFit, out: Path) -> str:
    """Return the facts about a lens as text."""
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
    # The vector has room for more than most models have parameters.
    for name, value, variance in zip(
        fit.lens.names, fit.lens.parameters, np.diag(fit.lens.covariance), strict=False
    ):
        digits = 2 if name in ("fx", "fy", "cx", "cy") else 5
        u95 = f"{K95 * variance**0.5:.{digits}f}" if variance > 0 else "held at 0"
        rows.append((name, f"{value:.{digits}f}", u95))
    models = [
        (
            trial.model,
            str(trial.parameters) if trial.parameters else "-",
            "-" if trial.rms_px is None else f"{trial.rms_px:.3f}",
            "-" if trial.held_out_px is None else f"{trial.held_out_px:.3f}",
        )
        for trial in fit.trials
    ]
    more = next_photo(fit)
    advice = []
    if more is not None:
        advice = [
            f"Next photo: the board in the {more.where} of the picture, {more.tilt}. Where the "
            f"lens is known worst, a ray is known to {more.u95_px:.2f} px now (U95), and to "
            f"{more.then_u95_px:.2f} px then."
        ]
    if (off := board_errors(fit)) is not None:
        advice.append(
            "The board differs from its file, as all photos show alike (95 %): corners lie up to "
            f"{off.in_plane_mm:.2f} +- {off.in_plane_u95_mm:.2f} mm off along it, and up to "
            f"{off.off_plane_mm:.2f} +- {off.off_plane_u95_mm:.2f} mm off its plane. One that is "
            "printed evenly and glued flat to something stiff makes lens and bed surer."
        )
    heads = ("distortion", "free", "photos fitted px", "photos left out px")
    return "\n".join(
        [
            *parts,
            "",
            covered + missing,
            *advice,
            "",
            table(heads, models),
            *(f"{trial.model}: {trial.why}" for trial in fit.trials),
            "",
            table((fit.lens.model, "value", "U95"), rows),
            "",
            str(out),
        ]
    )


def bed_facts(
    bed: Bed, photos: Sequence[dict[str, Any]], out: Path, height_mm: float
) -> dict[str, Any]:
    """Return the facts about a bed: where the camera is, and U95 over the field at a height."""
    surface = PlaneSurface(bed, height_mm)
    left, low, right, high = bed.field_mm
    named = {
        "middle": ((left + right) / 2, (low + high) / 2),
        "lower left": (left, low),
        "lower right": (right, low),
        "upper left": (left, high),
        "upper right": (right, high),
    }
    places = np.array(list(named.values()))
    u95 = {
        term: surface.calibration_u95_mm(places, about.where)
        for term, about in surface.terms().items()
    }
    per_px = 1 / np.sqrt(np.abs(np.linalg.det(surface.jacobian_px_per_mm(places))))
    rows = [
        {
            "name": name,
            "at_mm": [float(v) for v in place],
            "mm_per_px": float(per_px[row]),
            "u95_mm": {term: float(own[row]) for term, own in u95.items()},
        }
        for row, (name, place) in enumerate(named.items())
    ]
    x, y, z = bed.camera_mm
    return {
        "file": str(out),
        "id": bed.id,
        "created": bed.created,
        "traceability": bed.traceability,
        "camera_mm": [float(x), float(y), float(z)],
        "sigma_px": bed.sigma_px,
        "height_mm": height_mm,
        "field_mm": list(bed.field_mm),
        "focus_plane": None if bed.focus is None else bed.focus.to_json(),
        "photos": list(photos),
        "places": rows,
        "reference_marks": [
            {"id": mark.id, "centre_mm": list(mark.centre_mm), "height_mm": mark.height_mm}
            for mark in bed.marks
        ],
    }


def map_facts(told: UncertaintyMap) -> dict[str, Any]:
    """Return U95 all over the bed, row by row of Y; None where the camera does not see it."""
    return {
        "height_mm": told.height_mm,
        "x_mm": told.x_mm.tolist(),
        "y_mm": told.y_mm.tolist(),
        "u95_mm": [[None if v != v else v for v in row] for row in told.u95_mm.tolist()],
    }


def looks_facts(looks: Sequence[Look], bed_file: Path) -> dict[str, Any]:
    """Return what verifying a bed found, for machines."""
    return {
        "file": str(record_path(bed_file)),
        "verdict": worst_of(looks),
        "looks": [vars(one) for one in looks],
    }


def looks_text(looks: Sequence[Look]) -> str:
    """Return one line per capture: does the calibration still hold."""
    return "\n".join(_look_line(one, len(looks) > 1) for one in looks)


def _look_line(one: Look, named: bool) -> str:
    said = {
        "holds": "The calibration holds",
        "stale": "The calibration does not hold",
        "cannot_tell": "Whether the calibration holds cannot be told",
    }[one.verdict]
    shift = ""
    if one.shift_mm is not None and one.u95_mm is not None:
        shift = f"; largest shift on the bed {one.shift_mm:.2f} +- {one.u95_mm:.2f} mm"
    mend = ""
    if one.verdict == "stale":
        mend = " Checks correct for it while the marks are seen; " if shift else " "
        mend += "'witmark calibrate bed' makes it good."
    if one.focal_percent is not None:
        mend += " Switch the camera's autofocus and zoom off first."
    return f"{one.photo + ': ' if named else ''}{said}: {one.note}{shift}.{mend}"


def bed_text(facts: dict[str, Any]) -> str:
    """Return the facts about a bed as text."""
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
        (f"U95 in mm, {facts['height_mm']:g} mm up", "at mm", "mm/px", *names),
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
    focus = []
    if (plane := facts["focus_plane"]) is not None:
        focus = [
            f"The laser focuses {plane['height_mm']:g} +- {plane['u95_mm']:g} mm above it "
            f"({'stated' if plane['stated'] else 'U95 assumed'}); reference marks must lie on what "
            "does not lower with the bed."
        ]
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
            *focus,
            "",
            photos,
            "",
            places,
            "",
            marks,
            facts["file"],
        ]
    )
