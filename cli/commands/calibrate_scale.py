"""`witmark calibrate scale`: how long the map's millimetres are by a steel rule."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from calibration.rule import RuleLook
    from calibration.rule_fit import RuleFit


def scale(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos, or folders.")],
    bed: Annotated[Path, typer.Option("--bed", metavar="FILE", help="From 'calibrate bed'.")],
    height: Annotated[
        float, typer.Option(metavar="MM", help="Height of the rule's face above the bed.")
    ],
    height_u: Annotated[
        float | None,
        typer.Option(metavar="MM", help="How well that is known (95 %); 0.2 is assumed otherwise."),
    ] = None,
    rule_u: Annotated[
        float | None,
        typer.Option(
            metavar="PERCENT", help="How true the rule is (95 %); 0.05 is assumed otherwise."
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Bed file to write, tied to the rule."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the facts as JSON.")] = False,
) -> None:
    """Hold the bed's millimetres against a steel rule, photographed along X, along Y and aslant.

    One photo each way, the rule flat on the bed with its millimetre lines up and free of glare. Of
    a burned target's map this tells the machine's own errors; a printed board's map is rescaled.
    """
    from calibration.bed import read_bed, write_bed
    from calibration.errors import WitmarkError
    from calibration.rule import look_at_rule
    from calibration.rule_fit import HEIGHT_U_MM, RULE_U_PERCENT, tie_to_rule
    from cli.terminal import say, show, show_json, warn
    from vision.capture.photo import check_shows_something, check_size, photos_of, read_photo

    for option, value, most in (("--height-u", height_u, 100.0), ("--rule-u", rule_u, 10.0)):
        if value is not None and not 0 <= value <= most:
            raise WitmarkError(
                f"{option} {value:g}", "is no useful uncertainty", f"use 0 to {most:g}"
            )
    if not math.isfinite(height):
        raise WitmarkError(f"--height {height}", "is no height", "give millimetres")
    calibrated = read_bed(bed)
    looks: list[tuple[str, RuleLook]] = []
    refused: list[tuple[str, str]] = []
    notes: list[str] = []
    hashes = {}
    for path in photos_of(photos):
        say(f"reading {path}")
        photo = read_photo(path)
        notes += photo.notes
        check_size(photo, calibrated.image_size, str(bed))
        check_shows_something(photo)
        look = look_at_rule(photo.grey, calibrated, height)
        if look.why is None:
            looks.append((photo.name, look))
            hashes[photo.name] = photo.sha256
        else:
            refused.append((photo.name, look.why))
    if not looks:
        raise WitmarkError(*refused[0], "lay the rule flat in even light, all of it in view")
    fit = tie_to_rule(
        calibrated,
        looks,
        height,
        HEIGHT_U_MM if height_u is None else height_u,
        RULE_U_PERCENT if rule_u is None else rule_u,
    )
    facts = _facts(fit, looks, hashes, calibrated.id)
    if out is not None:
        write_bed(out, fit.bed, {"tied_to_rule": facts, "notes": notes})
    for note in (*notes, *(f"{name} is not used: {why}" for name, why in refused), *fit.notes):
        warn(note)
    if json:
        show_json({**facts, "file": None if out is None else str(out)})
    else:
        show(_text(fit, looks) + ("" if out is None else f"\n{out}"))


def _facts(
    fit: RuleFit, looks: list[tuple[str, RuleLook]], hashes: dict[str, str], bed_id: str
) -> dict[str, Any]:
    return {
        "bed": bed_id,
        "photos": [
            {
                "name": name,
                "sha256": hashes[name],
                "direction_deg": _degrees(look),
                "middle_mm": look.middle_mm.tolist(),
                "length_mm": look.length_mm,
                "stretch_percent": 100 * look.stretch,
            }
            for name, look in looks
        ],
        "x_percent": fit.x_percent.to_json() if fit.told[0] else None,
        "y_percent": fit.y_percent.to_json() if fit.told[1] else None,
        "skew_deg": fit.skew_deg.to_json() if fit.told[2] else None,
        "traceability": fit.bed.traceability,
        "notes": list(fit.notes),
    }


def _degrees(look: RuleLook) -> float:
    return math.degrees(math.atan2(look.direction[1], look.direction[0])) % 180.0


def _text(fit: RuleFit, looks: list[tuple[str, RuleLook]]) -> str:
    from calibration.quantity import K95
    from cli.terminal import table

    rows = table(
        ("photo", "direction deg", "length mm", "longer by %", "U95 % of its lines"),
        [
            (
                name,
                f"{_degrees(look):.1f}",
                f"{look.length_mm:.0f}",
                f"{100 * look.stretch:+.3f}",
                f"{100 * K95 * look.own_sigma:.3f}",
            )
            for name, look in looks
        ],
    )
    whose = "the machine's" if fit.burned else "the map's"
    lines = [
        f"By the rule, {whose} X is {_percent(fit, 0)} and its Y {_percent(fit, 1)}."
        if all(fit.told[:2])
        else f"By the rule, {whose} X is {_percent(fit, 0)}; Y is not told."
        if fit.told[0]
        else f"By the rule, {whose} Y is {_percent(fit, 1)}; X is not told."
        if fit.told[1]
        else "The rule lies too far aslant to tell X and Y apart."
    ]
    if fit.told[2]:
        skew = fit.skew_deg
        lines.append(
            f"Squareness: Y leans toward X by {skew.value:+.3f} +- {skew.u95:.3f} degrees."
        )
    lines.append(
        "95 %, in the words of ISO 230-2 positional deviations of the axes; no test certificate."
        if fit.burned
        else f"Millimetres of the tied map are {fit.bed.traceability}."
    )
    return "\n".join([rows, "", *lines])


def _percent(fit: RuleFit, axis: int) -> str:
    quantity = (fit.x_percent, fit.y_percent)[axis]
    value = quantity.value or 0.0
    return f"{abs(value):.3f} +- {quantity.u95:.3f} % too {'long' if value >= 0 else 'short'}"
