"""Captures of burned rectangles in closed form: exact coverage, Gaussian blur, square pixels.

A rectangle along the pixel axes, blurred by a Gaussian and averaged over square pixels, is a
product of two functions of one coordinate each, both known in closed form; so there is no sampling
error in what the measuring core is held to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.artwork.strokes import Area, Artwork, Feature, Stroke
from vision.register.tone import grey_from_linear
from vision.register.view import View

Array = NDArray[np.float64]
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class FlatSurface:
    """A camera that looks straight down: u = x / pitch + u0, v = v0 - y / pitch."""

    size: tuple[int, int] = (260, 200)
    pitch_mm: float = 0.25
    u0: float = 10.3
    v0: float = 190.6

    @property
    def image_size(self) -> tuple[int, int]:
        return self.size

    def px_from_mm(self, points_mm: Array) -> Array:
        u = points_mm[:, 0] / self.pitch_mm + self.u0
        return np.stack([u, self.v0 - points_mm[:, 1] / self.pitch_mm], axis=1)

    def mm_from_px(self, points_px: Array) -> Array:
        x = (points_px[:, 0] - self.u0) * self.pitch_mm
        return np.stack([x, (self.v0 - points_px[:, 1]) * self.pitch_mm], axis=1)

    def jacobian_px_per_mm(self, points_mm: Array) -> Array:
        return np.tile(np.diag([1 / self.pitch_mm, -1 / self.pitch_mm]), (len(points_mm), 1, 1))

    def calibration_jacobian_mm(self, points_mm: Array) -> Array:
        return np.zeros((len(points_mm), 2, 1))

    @property
    def calibration_covariance(self) -> Array:
        return np.zeros((1, 1))

    def height_jacobian_mm(self, points_mm: Array) -> Array:
        return np.zeros((len(points_mm), 2))


def ramp(t: Array, sigma: float) -> Array:
    """Return the integral of a Gaussian step: t Phi(t / sigma) + sigma phi(t / sigma)."""
    phi = np.exp(-0.5 * (t / sigma) ** 2) / math.sqrt(2 * math.pi)
    step = np.array([0.5 * (1 + math.erf(v / sigma / math.sqrt(2))) for v in t.ravel()])
    return t * step.reshape(t.shape) + sigma * phi


def profile(count: int, low_px: float, high_px: float, sigma: float) -> Array:
    """Return (count,) blurred coverage of [low, high] by pixels of unit width at 0, 1, 2, ..."""
    at = np.arange(count, dtype=float)

    def step(edge: float) -> Array:
        return ramp(at + 0.5 - edge, sigma) - ramp(at - 0.5 - edge, sigma)

    return step(low_px) - step(high_px)


def coverage(surface: FlatSurface, box: Box, sigma: float) -> Array:
    """Return (h, w) blurred coverage of a box (x0, y0, x1, y1) in mm."""
    x0, y0, x1, y1 = box
    if x1 <= x0 or y1 <= y0:
        return np.zeros(surface.size[::-1])
    (u0, v0), (u1, v1) = surface.px_from_mm(np.array([[x0, y1], [x1, y0]]))
    width, height = surface.size
    return np.outer(profile(height, v0, v1, sigma), profile(width, u0, u1, sigma))


def steady(surface: FlatSurface, seed: int) -> Array:
    """Return (h, w) a random field that varies over 4 mm, standard deviation 1."""
    columns, rows = surface.size
    width = 4.0 / surface.pitch_mm
    field = np.random.default_rng(seed).normal(0, 1, (rows, columns))
    smooth = cv2.GaussianBlur(field, (0, 0), width / 2, borderType=cv2.BORDER_REFLECT)
    return np.asarray((smooth - smooth.mean()) / smooth.std())


def grown(box: Box, by: float, shift: tuple[float, float]) -> Box:
    x0, y0, x1, y1 = box
    return x0 - by + shift[0], y0 - by + shift[1], x1 + by + shift[0], y1 + by + shift[1]


def common(a: Box, b: Box) -> Box:
    return max(a[0], b[0]), max(a[1], b[1]), min(a[2], b[2]), min(a[3], b[3])


BOXES: tuple[Box, ...] = ((8.0, 8.0, 40.0, 30.0), (14.0, 33.0, 34.0, 40.0))
KERF = 0.2


def artwork(layers: str = "both", boxes: tuple[Box, ...] = BOXES) -> Artwork:
    """Return rectangles, filled, outlined or both, in page millimetres."""
    strokes, areas, features = [], [], []
    for number, (x0, y0, x1, y1) in enumerate(boxes):
        ring = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        if layers != "fill":
            strokes.append(Stroke("outline", ring, True, number))
        if layers != "outline":
            areas.append(Area((ring,), number))
        features.append(Feature(f"box {number}", (x0, y0, x1, y1), 0))
    return Artwork(tuple(strokes), tuple(areas), tuple(features), 1, 0.01)


def capture(
    surface: FlatSurface,
    fill: tuple[float, float] | None,
    outline: tuple[float, float] | None,
    *,
    burn_fill: float = 0.5,
    burn_outline: float = 0.7,
    noise: float = 0.0,
    sigma: float = 0.9,
    seed: int = 0,
    texture: Array | None = None,
    boxes: tuple[Box, ...] = BOXES,
    uneven: float = 0.0,
) -> View:
    """Draw a capture with each layer displaced by (x, y) mm; negative burns are lighter.

    `uneven` is the standard deviation of either burn's strength over some millimetres.

    Mitred corners: a rectangle grown by half a kerf; the round ones that a beam leaves differ by
    0.002 mm^2 each.
    """
    through = np.ones(surface.size[::-1])
    rng = np.random.default_rng(seed)
    fill_strength, outline_strength = (
        burn * (1 + uneven * steady(surface, seed + number) if uneven else 1.0)
        for number, burn in ((7001, burn_fill), (9001, burn_outline))
    )
    for box in boxes:
        half = KERF / 2
        area = None if fill is None else grown(box, half, fill)
        if area is not None:
            through -= fill_strength * coverage(surface, area, sigma)
        if outline is None:
            continue
        outer, inner = grown(box, half, outline), grown(box, -half, outline)
        frame = coverage(surface, outer, sigma) - coverage(surface, inner, sigma)
        through -= outline_strength * frame
        if area is not None:
            both = coverage(surface, common(area, outer), sigma)
            both -= coverage(surface, common(area, inner), sigma)
            # What the fill left is burned again; a full burn takes all light, or makes it 4.2 fold.
            full = 1.0 if burn_fill > 0 else -3.2
            through += fill_strength * outline_strength / full * both
    light = 0.35 if min(burn_fill, burn_outline) > 0 else 0.12
    height, width = through.shape
    slope = 1 + 0.05 * np.linspace(-1, 1, width)[None] - 0.04 * np.linspace(-1, 1, height)[:, None]
    linear = light * slope * through
    if texture is not None:
        linear = linear * texture
    grey = grey_from_linear(linear.astype(np.float32))
    grey = np.clip(grey + rng.normal(0, noise, grey.shape), 0, 255).astype(np.float32)
    encoded = grey / 255
    back = np.where(encoded > 0.04045, ((encoded + 0.055) / 1.055) ** 2.4, encoded / 12.92).astype(
        np.float32
    )
    return View(back, grey, np.ones_like(grey), surface)


STILL = Rigid(0.0, 0.0, 0.0)


def one_exposure(views: list[View]) -> View:
    """Return what a camera sees that takes all of these captures of one surface in one exposure."""
    linear = np.mean([view.linear for view in views], axis=0)
    return View(linear, grey_from_linear(linear), views[0].usable, views[0].surface)
