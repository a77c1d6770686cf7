"""A drawn job for the report's tests: a label with a leaf on a bed, seen by a tilted camera."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest

from calibration.quantity import K95_PLANE, Quantity
from vision.artwork.placing import Rigid
from vision.artwork.strokes import Area, Artwork, Feature, Stroke
from vision.result import (
    BudgetTerm,
    CalibrationRow,
    CameraMovement,
    CaptureRow,
    Clause,
    Displacement,
    FeatureRow,
    Finding,
    JobResult,
    Picture,
    PieceRow,
    Verdict,
)

BED_MM = (400.0, 300.0)
AT_MM = (176.0, 132.0)


@dataclass(frozen=True)
class TiltedCamera:
    """A pinhole without distortion above the plane z = 0: a homography both ways."""

    H: Any  # (3, 3) px <- bed mm
    image_size: tuple[int, int]

    def px_from_mm(self, points_mm):
        return _through(self.H, points_mm)

    def mm_from_px(self, points_px):
        return _through(np.linalg.inv(self.H), points_px)

    def jacobian_px_per_mm(self, points_mm):
        h = 1e-3
        columns = [
            (self.px_from_mm(points_mm + step) - self.px_from_mm(points_mm - step)) / (2 * h)
            for step in (np.array([h, 0.0]), np.array([0.0, h]))
        ]
        return np.stack(columns, axis=2)

    def calibration_jacobian_mm(self, points_mm):
        return np.zeros((len(points_mm), 2, 1))

    @property
    def calibration_covariance(self):
        return np.zeros((1, 1))

    def height_jacobian_mm(self, points_mm):
        return np.zeros((len(points_mm), 2))


def camera(width_px: int, tilt_deg: float = 16.0) -> TiltedCamera:
    """Return a camera 430 mm above the bed whose picture holds the bed."""
    height_px = width_px * 9 // 16
    c, s = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    # Camera axes in the bed frame: right = X; down = toward the operator, tilted.
    rotation = np.array([[1, 0, 0], [0, -c, -s], [0, s, -c]])
    look_at = np.array([BED_MM[0] / 2, BED_MM[1] / 2, 0.0])
    centre = look_at - 560 * rotation[2]
    focal = 0.98 * width_px
    K = np.array([[focal, 0, width_px / 2], [0, focal, height_px / 2], [0, 0, 1]])
    P = K @ np.column_stack([rotation, -rotation @ centre])
    return TiltedCamera(P[:, [0, 1, 3]], (width_px, height_px))


def _through(H, points):
    points = np.asarray(points, dtype=float)
    mapped = np.column_stack([points, np.ones(len(points))]) @ H.T
    return mapped[:, :2] / mapped[:, 2:]


@cache
def artwork() -> Artwork:
    """Return a label of 60 x 40 mm: a leaf (fill and outline), a row number, a cut frame."""
    t = np.linspace(0, 1, 60)
    half = 7.5 * np.sin(np.pi * t) ** 0.8
    right = np.column_stack([8 + 30 * t, 22 + half + 3 * t])
    left = np.column_stack([8 + 30 * t, 22 - half + 3 * t])[::-1]
    leaf = np.concatenate([right, left])
    frame = np.array([[1.5, 1.5], [58.5, 1.5], [58.5, 38.5], [1.5, 38.5]])
    seven = np.array([[44, 33], [54, 33], [54, 30.5], [49.5, 18], [46.3, 18], [50.6, 30], [44, 30]])
    vein = np.column_stack([8 + 36 * t, 22 + 3 * t + 0.6 * np.sin(6 * t)])
    word = [
        np.array([[x, 6.0], [x, 12.0], [x + 3.2, 12.0], [x + 3.2, 9.0], [x, 9.0]])
        for x in np.arange(10, 44, 5.6)
    ]
    strokes = [
        Stroke("outline", leaf, True, 0),
        Stroke("outline", vein, False, 0),
        Stroke("outline", frame, True, 2),
        *(Stroke("outline", letter, False, 3) for letter in word),
    ]
    areas = (Area((leaf,), 0), Area((seven[::-1],), 1))
    features = (
        Feature("leaf", (8, 14.5, 44, 32.5), 0),
        Feature("row number", (44, 18, 54, 33), 0),
        Feature("frame", (1.5, 1.5, 58.5, 38.5), 0),
        Feature("name", (10, 6, 47.2, 12), 0),
    )
    return Artwork(tuple(strokes), areas, features, 1, 0.01)


def moved(base: Rigid, dx: float, dy: float, turn_deg: float) -> Rigid:
    """Return a placement displaced at the centre of the artwork's box."""
    centre = np.array([[30.0, 20.0]])
    turned = Rigid(0.0, 0.0, base.angle_rad + math.radians(turn_deg))
    shift = base.apply(centre)[0] + [dx, dy] - turned.apply(centre)[0]
    return Rigid(float(shift[0]), float(shift[1]), turned.angle_rad)


@cache
def captures(
    width_px: int, outline: tuple[float, float, float], fill: tuple[float, float, float]
) -> tuple[Any, Any]:
    """Return RGB captures (before, after) with each layer displaced by (dx, dy, degrees)."""
    rng = np.random.default_rng(7)
    scale = 8
    size = (int(BED_MM[0] * scale), int(BED_MM[1] * scale))
    y, x = np.mgrid[0 : size[1], 0 : size[0]].astype(np.float32) / scale
    comb = (
        np.cos(2 * np.pi * x / 6)
        + np.cos(np.pi * (x / 6 + y / 3.46))
        + np.cos(np.pi * (x / 6 - y / 3.46))
    )
    bed = np.where(comb < -0.9, 74, 34).astype(np.float32)
    grain = cv2.GaussianBlur(rng.normal(size=size[::-1]).astype(np.float32), (0, 0), 6, None, 0.8)
    base = Rigid(*AT_MM, 0.0)
    corners = np.array([[0, 0], [60, 0], [60, 40], [0, 40.0]])
    # The light falls off toward one corner; the bump that displaced the outline took the label
    # along.
    light = 1.04 - 0.0006 * (x - 150) + 0.0004 * (y - 100)
    bare = []
    for place in (base, moved(base, *outline)):
        mask = _polygons([place.apply(corners)], scale, size)
        bare.append((bed * (1 - mask) + mask * (168 + 60 * grain)) * light)
    work = artwork()
    marks = np.zeros_like(bed)
    tone = moved(base, *fill)
    filled = _polygons([tone.apply(area.rings_mm[0]) for area in work.areas], scale, size)
    hatch = 0.72 + 0.28 * np.cos(2 * np.pi * (x + y) / 0.9)
    marks = np.maximum(marks, filled * hatch * 0.45)
    lines = np.zeros(size[::-1], np.uint8)
    line = moved(base, *outline)
    for stroke in work.strokes:
        cv2.polylines(
            lines,
            [_fixed(line.apply(stroke.points_mm), scale, size)],
            stroke.closed,
            255,
            3,
            cv2.LINE_AA,
            4,
        )
    marks = np.maximum(marks, lines / 255 * 0.66)
    seen = camera(width_px)
    # Texture row 0 is the far edge of the bed.
    texture = np.array([[1 / scale, 0, 0], [0, -1 / scale, BED_MM[1]], [0, 0, 1]])
    result = []
    for picture in (bare[0], bare[1] * (1 - marks)):
        picture = cv2.GaussianBlur(picture, (0, 0), 1.2 * 1920 / width_px)
        view = cv2.warpPerspective(picture, seen.H @ texture, seen.image_size, borderValue=20)
        noisy = view + rng.normal(0, 2.0, view.shape)
        tinted = noisy[..., None] * np.array([1.0, 0.985, 0.95])
        result.append(np.clip(tinted, 0, 255).round().astype(np.uint8))
    return result[0], result[1]


def _fixed(points_mm, scale, size):
    px = np.column_stack([points_mm[:, 0] * scale, size[1] - points_mm[:, 1] * scale]) - 0.5
    return np.round(px * 16).astype(np.int32)


def _polygons(rings, scale, size):
    mask = np.zeros(size[::-1], np.uint8)
    cv2.fillPoly(mask, [_fixed(ring, scale, size) for ring in rings], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) / 255


def displacement(
    dx: float, dy: float, turn_deg: float, sigma: float = 0.02, at=(206.0, 152.0)
) -> Displacement:
    """Return a displacement whose numbers hang together."""
    distance = math.hypot(dx, dy)
    worst = distance + abs(math.radians(turn_deg)) * 34
    u95 = K95_PLANE * sigma
    return Displacement(
        Quantity.from_sigma(dx, sigma),
        Quantity.from_sigma(dy, sigma),
        Quantity.from_sigma(turn_deg, sigma * 1.6),
        Quantity(distance, u95, max(0.0, distance - u95), distance + u95),
        Quantity(worst, 1.1 * u95, max(0.0, worst - 1.1 * u95), worst + 1.1 * u95),
        at,
        np.diag([sigma, sigma, sigma / 30]) ** 2 * 0.2,
        np.diag([sigma, sigma, sigma / 30]) ** 2 * 0.8,
    )


STILL = CameraMovement(
    "reference marks", Quantity(0.04, 0.03, 0.0, 0.08), False, "The camera stood still."
)


def bumped(width_px: int = 960) -> JobResult:
    """Return the job of a label that was bumped between outline and fill: a fail."""
    outline, fill = (-0.31, 0.06, 0.05), (0.02, -0.03, 0.0)
    before, after = captures(width_px, outline, fill)
    base = Rigid(*AT_MM, 0.0)
    found = {"outline": moved(base, *outline), "fill": moved(base, *fill)}
    rng = np.random.default_rng(3)
    rows, names = [], []
    for layer in ("outline", "fill"):
        lines = (
            [s.points_mm for s in artwork().strokes]
            if layer == "outline"
            else [a.rings_mm[0] for a in artwork().areas]
        )
        page = np.concatenate([_every(line, 1.5) for line in lines])
        place = base.apply(page)
        step = found[layer].apply(page) - place + rng.normal(0, 0.03, page.shape)
        rows.append(np.column_stack([place, step]))
        names += [layer] * len(page)
    offset = displacement(0.33, -0.09, -0.05, 0.018, (234.5, 170.5))
    clauses = (
        Clause(
            "fill against outline",
            "fill_to_outline.worst_mm",
            0.3716,
            0.3232,
            0.4201,
            0.2,
            "fail",
            "The whole interval lies beyond 0.20 mm.",
        ),
        Clause(
            "mark on the work",
            "placement_on_work.worst_mm",
            0.2114,
            0.1602,
            0.2631,
            0.2,
            "undecided",
            "The interval touches 0.20 mm; a measured sheet thickness would decide.",
        ),
    )
    return JobResult(
        job="bed labels, row 7",
        order="allotment society, 24 labels",
        piece="7 of 24",
        inputs={
            "artwork": {"name": "label-07.svg", "sha256": "3b" * 32},
            "bed": {"name": "bed.json", "sha256": "9c" * 32},
        },
        captures=(
            CaptureRow("before", "label-07-before.jpg", "a1" * 32, 1920, 1080, STILL),
            CaptureRow("after", "label-07-after.jpg", "5e" * 32, 1920, 1080, STILL),
        ),
        calibration=CalibrationRow(
            "bed 2f81c0",
            12.4,
            "3 days ago, 0.05 mm",
            "a board printed on paper, checked with a steel rule",
        ),
        reference_point_mm=(206.0, 152.0),
        placement={
            "outline": displacement(-0.31, 0.06, 0.05, 0.035, (177.5, 133.5)),
            "fill": displacement(0.02, -0.03, 0.0, 0.036, (234.5, 170.5)),
            "cut": None,
            "all": Displacement.missing("outline and fill moved apart and have no common place"),
        },
        fill_to_outline=offset,
        placement_on_work=displacement(0.17, -0.04, 0.02, 0.024, (234.5, 170.5)),
        part_movement=displacement(-0.33, 0.08, 0.05, 0.02, (177.5, 133.5)),
        margins={
            "left": Quantity(1.19, 0.09),
            "right": Quantity(1.81, 0.09),
            "top": Quantity(1.44, 0.1),
            "bottom": Quantity.missing("the label's lower edge lies in a reflection"),
        },
        scale={
            "outline": {
                "x_percent": Quantity(0.04, 0.11),
                "y_percent": Quantity(-0.02, 0.14),
                "skew_deg": Quantity(0.01, 0.06),
            },
            "all": {
                "x_percent": Quantity(0.05, 0.1),
                "y_percent": Quantity(-0.01, 0.12),
                "skew_deg": Quantity.missing("the mark is too short to tell"),
            },
        },
        lift={"height_mm": Quantity(1.2, 0.4)},
        warp={"peak_mm": Quantity(0.05, 0.04, 0.01, 0.09), "rms_mm": Quantity(0.021, 0.008)},
        pieces=(),
        features=(
            FeatureRow(
                "leaf",
                0,
                ("outline", "fill"),
                (202.0, 155.5),
                Quantity(0.33, 0.04),
                Quantity(-0.08, 0.04),
                Quantity(0.34, 0.05, 0.29, 0.39),
                Quantity(71.0, 3.0),
            ),
            FeatureRow(
                "row number",
                0,
                ("fill",),
                (225.0, 157.5),
                Quantity(0.01, 0.06),
                Quantity(-0.02, 0.06),
                Quantity(0.02, 0.07, 0.0, 0.09),
                Quantity(58.0, 4.0),
            ),
            FeatureRow(
                "frame",
                0,
                ("outline",),
                (206.0, 152.0),
                Quantity(-0.3, 0.04),
                Quantity(0.07, 0.04),
                Quantity(0.31, 0.05, 0.26, 0.36),
                Quantity(96.0, 2.0),
            ),
            FeatureRow(
                "name",
                0,
                ("outline",),
                (204.6, 141.0),
                *_unmeasured("too short to measure alone"),
                Quantity(88.0, 3.0),
                "measured with the frame",
            ),
        ),
        findings=(
            Finding(
                "work_moved",
                "sure",
                "The label was pushed 0.34 mm to the left after its outline and before its fill.",
                (
                    "the outline sits 0.31 mm left of where it should be, the fill does not",
                    "the label's own edges moved by the same 0.34 mm between before and after",
                ),
                ("slack in the belt: would not move the label's edges",),
                None,
                {"burn_fraction": {"from": 0.55, "to": 0.68}, "pass": 2},
            ),
            Finding(
                "cannot_tell",
                "possible",
                "Whether the label also rose at its left end cannot be told from this photo.",
                (),
                ("lifted", "scale"),
                "A photo with a feeler gauge under the left end.",
            ),
        ),
        budget=(
            BudgetTerm("fill_to_outline", "noise of the picture", 0.021, "measured"),
            BudgetTerm(
                "fill_to_outline",
                "depth of the fill's floor",
                0.026,
                "assumed",
                "give the depth with --depth",
            ),
            BudgetTerm("fill_to_outline", "scorch on one side", 0.01, "assumed"),
            BudgetTerm(
                "placement.outline",
                "place as typed (--at)",
                0.058,
                "assumed",
                "give its uncertainty with --at-u",
            ),
            BudgetTerm(
                "placement.outline",
                "height of the surface",
                0.024,
                "assumed",
                "measure the sheet and give --height",
            ),
            BudgetTerm("placement.outline", "calibration of the bed", 0.022, "measured"),
            BudgetTerm("placement.outline", "noise of the picture", 0.012, "measured"),
        ),
        verdict=Verdict(
            "fail",
            0.2,
            clauses,
            ("The fill lies beyond the tolerance against its outline.",),
            "ISO 14253-1 with U95 two-sided, stricter than its 2017 default",
        ),
        summary=(
            "The outline sits 0.34 ± 0.04 mm left of the fill; the work moved at about 62 % of the "
            "burn; the rest can be realigned."
        ),
        warnings=("The bed map was last verified 3 days ago.",),
        picture=Picture(
            after,
            before,
            camera(width_px),
            camera(width_px),
            artwork(),
            base,
            found,
            np.concatenate(rows),
            tuple(names),
            (234.5, 170.5),
        ),
    )


def _every(line, step_mm):
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    along = np.arange(0, length[-1], step_mm)
    return np.column_stack([np.interp(along, length, line[:, k]) for k in (0, 1)])


def _unmeasured(why: str) -> tuple[Quantity, Quantity, Quantity]:
    return (Quantity.missing(why),) * 3


def in_place(width_px: int = 960) -> JobResult:
    """Return a label that is right, photographed after the burn only: a pass."""
    job = bumped(width_px)
    here = (0.03, -0.02, 0.01)
    _, after = captures(width_px, here, here)
    base = Rigid(*AT_MM, 0.0)
    both = moved(base, *here)
    fine = displacement(0.03, -0.02, 0.01, 0.03)
    picture = replace(
        job.picture,
        after=after,
        before=None,
        surface_before=None,
        found={"outline": both, "fill": both},
    )
    return replace(
        job,
        captures=job.captures[1:],
        placement={"outline": fine, "fill": fine, "cut": None, "all": fine},
        fill_to_outline=displacement(0.0, 0.004, 0.0, 0.014),
        placement_on_work=None,
        part_movement=None,
        margins=None,
        scale=None,
        lift=None,
        warp=None,
        findings=(Finding("none", "sure", "Nothing moved that this photo can show."),),
        verdict=Verdict(
            "pass",
            0.2,
            (
                Clause(
                    "fill against outline",
                    "fill_to_outline.worst_mm",
                    0.01,
                    0.0,
                    0.05,
                    0.2,
                    "pass",
                    "The whole interval lies within 0.20 mm.",
                ),
            ),
            (),
            job.verdict.rule,
        ),
        summary="The label is where it should be, to 0.05 ± 0.06 mm.",
        warnings=(),
        picture=picture,
    )


def too_faint(width_px: int = 960) -> JobResult:
    """Return a mark too faint to measure: nothing has a number, and everything says why."""
    job = bumped(width_px)
    why = "the mark has too little contrast (4 grey levels, noise 2)"
    none = Displacement.missing(why)
    return replace(
        job,
        reference_point_mm=None,
        placement={"outline": none, "fill": none, "cut": None, "all": none},
        fill_to_outline=none,
        placement_on_work=none,
        part_movement=none,
        margins=None,
        scale=None,
        lift=None,
        warp=None,
        features=(),
        budget=(),
        findings=(
            Finding(
                "not_found",
                "sure",
                "The mark is too faint to measure.",
                (why,),
                (),
                "A photo with raking light.",
            ),
        ),
        verdict=Verdict(
            "undecided",
            0.2,
            (
                Clause(
                    "fill against outline",
                    "fill_to_outline.worst_mm",
                    None,
                    None,
                    None,
                    0.2,
                    "undecided",
                    why,
                ),
            ),
            (why,),
            job.verdict.rule,
        ),
        summary="The mark is too faint to measure; a photo with raking light would decide.",
        picture=replace(
            job.picture, found={}, local_mm=np.zeros((0, 4)), local_layer=(), worst_at_mm=None
        ),
    )


def not_judged(width_px: int = 960) -> JobResult:
    """Return a measured job without a tolerance."""
    job = in_place(width_px)
    clauses = tuple(
        replace(clause, limit_mm=None, state="not_judged", reason="no tolerance given")
        for clause in job.verdict.clauses
    )
    return replace(job, verdict=Verdict("not_judged", None, clauses, (), job.verdict.rule))


def hostile(width_px: int = 960) -> JobResult:
    """Return several pieces and names that break careless writers."""
    job = bumped(width_px)
    evil = '<script>alert("x")</script> & "quoted", \'single\'\r\nnext \x1b[31m line'
    long = "a name that goes on and on " * 12
    pieces = tuple(
        PieceRow(
            name,
            (60.0 * k, 40.0),
            job.placement,
            job.fill_to_outline,
            None,
            job.part_movement if k else None,
            replace(job.verdict, state=state),
        )
        for k, (name, state) in enumerate(
            ((evil, "fail"), ("=HYPERLINK(1)", "pass"), (long, "undecided"))
        )
    )
    first = job.features[0]
    return replace(
        job,
        job=evil,
        order=None,
        piece=long,
        inputs={"artwork": {"name": "bad\udcffname.svg", "sha256": "00" * 32}},
        pieces=pieces,
        features=tuple(
            replace(first, name=name, piece=k % 3, note=note)
            for k, (name, note) in enumerate(
                ((evil, ""), ("=1+1", "+SUM(A1)"), ("-2", "@x"), (long, '"'), ("@cmd", "a,b"))
            )
        ),
        summary=evil,
        warnings=(evil, long),
    )


MAKERS: dict[str, Callable[..., JobResult]] = {
    "bumped": bumped,
    "in_place": in_place,
    "too_faint": too_faint,
    "not_judged": not_judged,
    "hostile": hostile,
}


@pytest.fixture(scope="session")
def make_job() -> Callable[..., JobResult]:
    """Return a maker of jobs by name; pictures of one size are drawn once."""

    @cache
    def make(name: str, width_px: int = 960) -> JobResult:
        return MAKERS[name](width_px)

    return make


@pytest.fixture(params=sorted(MAKERS))
def any_job(request, make_job) -> JobResult:
    return make_job(request.param)
