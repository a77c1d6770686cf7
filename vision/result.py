"""What a measured job says, before anybody writes it down: plain frozen data, no files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import Quantity
from calibration.surface import Surface
from calibration.tracking import Refocus
from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork

Array = NDArray[np.float64]
State = Literal["pass", "fail", "undecided", "not_judged"]


@dataclass(frozen=True, eq=False)
class Displacement:
    """Where something is minus where it should be (design, section 3).

    Attributes
    ----------
    dx_mm, dy_mm, rotation_deg, distance_mm
        At the reference point; rotation counter-clockwise seen from above.
    worst_mm
        Largest displacement over the strokes, with an interval right for a length near zero.
    worst_at_mm
        Place of the worst point on the surface, or None where nothing was measured.
    covariance_statistical, covariance_systematic
        (3, 3) covariance of (dx mm, dy mm, rotation rad); their sum gives every U95 here. None
        where nothing was measured.
    """

    dx_mm: Quantity
    dy_mm: Quantity
    rotation_deg: Quantity
    distance_mm: Quantity
    worst_mm: Quantity
    worst_at_mm: tuple[float, float] | None
    covariance_statistical: Array | None
    covariance_systematic: Array | None

    @classmethod
    def missing(cls, why: str) -> Displacement:
        """Return the displacement that could not be measured, with the reason."""
        none = Quantity.missing(why)
        return cls(none, none, none, none, none, None, None, None)

    @property
    def measured(self) -> bool:
        """Whether there are numbers."""
        return self.dx_mm.value is not None

    @property
    def why(self) -> str | None:
        """The reason where nothing was measured."""
        return self.dx_mm.why


@dataclass(frozen=True)
class BudgetTerm:
    """One influence on one result.

    Attributes
    ----------
    quantity
        Dotted key of the result in the report, as "fill_to_outline" or "placement.all".
    name
        The influence in the user's words, as "height of the surface".
    u95_mm
        Its share of the U95 of the displacement at the reference point (the larger axis).
    kind
        Whether its size was measured here or assumed.
    advice
        How to make it smaller; empty where there is nothing to do.
    """

    quantity: str
    name: str
    u95_mm: float
    kind: Literal["measured", "assumed"]
    advice: str = ""


@dataclass(frozen=True)
class Clause:
    """One condition of the verdict: a quantity, its interval, its limit, what follows."""

    name: str
    quantity: str
    value_mm: float | None
    low_mm: float | None
    high_mm: float | None
    limit_mm: float | None
    state: State
    reason: str


@dataclass(frozen=True)
class Verdict:
    """The decision, with the clauses it rests on and the reasons in plain words."""

    state: State
    tolerance_mm: float | None
    clauses: tuple[Clause, ...]
    reasons: tuple[str, ...]
    rule: str


@dataclass(frozen=True)
class Finding:
    """A cause with its evidence and its rivals (design, section 7, for the kinds)."""

    kind: str
    confidence: Literal["sure", "likely", "possible"]
    summary: str
    evidence: tuple[str, ...] = ()
    rivals: tuple[str, ...] = ()
    next_capture: str | None = None
    when: dict[str, Any] | None = None


@dataclass(frozen=True)
class FeatureRow:
    """One separate piece of the artwork, measured by itself given the rest."""

    name: str
    piece: int
    layers: tuple[str, ...]
    centre_mm: tuple[float, float]
    dx_mm: Quantity
    dy_mm: Quantity
    distance_mm: Quantity
    contrast: Quantity
    note: str = ""


@dataclass(frozen=True, eq=False)
class PieceRow:
    """One blank on the bed: its own displacements, movement and verdict."""

    name: str
    reference_point_mm: tuple[float, float]
    placement: dict[str, Displacement | None]
    fill_to_outline: Displacement | None
    placement_on_work: Displacement | None
    part_movement: Displacement | None
    verdict: Verdict


@dataclass(frozen=True)
class CameraMovement:
    """How the camera moved or refocused since its calibration or the first capture.

    Attributes
    ----------
    seen_by
        "reference marks", "bed", or None where nothing could tell.
    shift_mm
        Largest apparent shift on the bed.
    corrected
        Whether the map was re-solved for this capture.
    note
        One plain sentence.
    refocus
        How the focal length changed, or None where nothing says that it did.
    """

    seen_by: str | None
    shift_mm: Quantity
    corrected: bool
    note: str
    refocus: Refocus | None = None


@dataclass(frozen=True)
class CaptureRow:
    """One capture of the job."""

    role: Literal["before", "after"]
    name: str
    sha256: str
    width_px: int
    height_px: int
    camera_movement: CameraMovement


@dataclass(frozen=True)
class CalibrationRow:
    """Which map the millimetres come from."""

    id: str
    age_days: float | None
    last_verified: str | None
    traceability: str


@dataclass(frozen=True, eq=False)
class Picture:
    """What the report draws: the captures, the map, the artwork where it should be and where it is.

    Attributes
    ----------
    after, before
        (h, w, 3) uint8 RGB captures; before is None where none was given.
    surface_after, surface_before
        Their maps.
    artwork
        The artwork in page coordinates.
    intended
        bed <- page where it should be; None where nothing said so.
    found
        bed <- page where each layer is, by layer name; missing layers are left out.
    local_mm
        (n, 4) x, y, dx, dy: places on the artwork and local displacement of fill or outline
        against what the intended placement (or, without one, the common fit) says.
    local_layer
        The layer name of each row of local_mm.
    worst_at_mm
        Centre of the close-up; None where nothing was measured.
    """

    after: NDArray[np.uint8]
    before: NDArray[np.uint8] | None
    surface_after: Surface
    surface_before: Surface | None
    artwork: Artwork
    intended: Rigid | None
    found: dict[str, Rigid]
    local_mm: Array
    local_layer: tuple[str, ...]
    worst_at_mm: tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class JobResult:
    """One measured and judged job; the report writes it down (design, section 7)."""

    job: str
    order: str | None
    piece: str | None
    inputs: dict[str, dict[str, str]]
    captures: tuple[CaptureRow, ...]
    calibration: CalibrationRow
    reference_point_mm: tuple[float, float] | None
    placement: dict[str, Displacement | None]
    fill_to_outline: Displacement | None
    placement_on_work: Displacement | None
    part_movement: Displacement | None
    margins: dict[str, Quantity] | None
    scale: dict[str, dict[str, Quantity]] | None
    lift: dict[str, Quantity] | None
    warp: dict[str, Quantity] | None
    pieces: tuple[PieceRow, ...]
    features: tuple[FeatureRow, ...]
    findings: tuple[Finding, ...]
    budget: tuple[BudgetTerm, ...]
    verdict: Verdict
    summary: str
    warnings: tuple[str, ...]
    picture: Picture
