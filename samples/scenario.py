"""The demo's invented scenario: bed labels for an allotment society.

Labels of anodised aluminium, 60 x 40 mm, 0.6 mm thick: a leaf as cross-hatched fill with an
outline on top, a row number and the name of a vegetable. Six of them are shown: what happened to
each is known exactly and lies beside the pictures.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any, cast

import numpy as np

from samples.simulator.shapes import Drawing, label
from samples.specification import JobSpec

CAMERA_INDEX = 1
BED = "honeycomb"
LENS_PHOTOS = 7
BOARD_AT_MM = (118.0, 212.0)
BOARD_TURN_DEG = 3.0
BOARD_HEIGHT_MM = 0.3
LABEL_CENTRE_MM = (200.0, 150.0)


@dataclass(frozen=True, eq=False)
class Piece:
    """One label of the scenario: its job, and what a right check must say.

    Attributes
    ----------
    name, title
        File stem and words for people.
    artwork
        File name of its artwork.
    with_before
        Whether a capture before the job was taken.
    clause
        The quantity whose clause decides, or None.
    """

    name: str
    title: str
    spec: JobSpec
    artwork: str
    with_before: bool
    tolerance_mm: float
    expected_verdict: str
    clause: str | None


def drawings() -> dict[str, Drawing]:
    """Return the artworks by file name."""
    return {
        f"label-{name.lower()}.svg": label(52.0, np.random.default_rng([7310, row]), row, name)
        for row, name in ((7, "BEANS"), (12, "CARROT"))
    }


def pieces() -> tuple[Piece, ...]:
    """Return the six labels."""
    arts = drawings()

    def piece(
        number: int,
        name: str,
        title: str,
        verdict: str,
        clause: str | None,
        tolerance_mm: float = 0.2,
        **happened: Any,
    ) -> Piece:
        artwork = "label-beans.svg" if number <= 3 else "label-carrot.svg"
        drawing = arts[artwork]
        # The label lies in the jig's corner, so its artwork is placed by numbers with two decimals.
        at_mm = (
            round(LABEL_CENTRE_MM[0] - drawing.centre_mm[0], 2),
            round(LABEL_CENTRE_MM[1] - drawing.centre_mm[1], 2),
        )
        spec = JobSpec(
            seed=100 + number,
            camera_index=CAMERA_INDEX,
            bed=BED,
            texture="anodised",
            contrast_levels=92.0,
            noise_levels=1.6,
            psf_px=0.85,
            jpeg_quality=None,
            kerf_mm=0.18,
            hatch_mm=0.1,
            drawing=drawing,
            at_mm=at_mm,
            sheet_centre_mm=LABEL_CENTRE_MM,
            corner_mm=3.0,
            thickness_mm=0.6,
            order="fill_first",
            **happened,
        )
        return Piece(name, title, spec, artwork, not spec.faint, tolerance_mm, verdict, clause)

    between = "fill_to_outline"
    return (
        piece(1, "in-place", "in place", "pass", None),
        piece(
            2,
            "placed-wrong",
            "placed wrong: the job's origin was off by 1.1 mm",
            "fail",
            "placement_on_work",
            misplacement=(0.9, -0.6, 0.0),
        ),
        piece(
            3,
            "bumped",
            "bumped by 0.3 mm between fill and outline",
            "fail",
            between,
            bump_after_outline=(0.26, -0.15, 0.0),
        ),
        piece(
            4,
            "turned",
            "turned by 0.4 degrees about its centre between fill and outline",
            "fail",
            between,
            tolerance_mm=0.1,
            bump_after_outline=(0.0, 0.0, 0.4),
        ),
        piece(
            5,
            "moved-after",
            "moved after the job",
            "pass",
            None,
            tolerance_mm=0.25,
            moved_after_job=(3.1, -1.8, 2.2),
        ),
        piece(6, "too-faint", "too faint to judge", "undecided", None, faint=True),
    )


def data_folder() -> Traversable:
    """Return the folder of the shipped captures."""
    return files("samples") / "data"


def load() -> dict[str, Any]:
    """Return the content of the shipped scenario file."""
    text = (data_folder() / "scenario.json").read_text("utf-8")
    return cast(dict[str, Any], json.loads(text))
