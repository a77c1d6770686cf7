"""Captures of a textured rectangle on a bed, drawn from formulas, with a camera known exactly."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.bed import COUNT, Bed
from calibration.lens import Lens
from calibration.plane import PlaneSurface
from calibration.pose import Pose
from vision.artwork.placing import Rigid
from vision.register.tone import grey_from_linear
from vision.register.view import View

SIZE = (640, 480)
FINE = 3
STILL = Rigid(0.0, 0.0, 0.0)
LIES = Rigid(100.0, 75.0, 0.03)


def camera(tilt_deg: float = 8.0, bump_rad: float = 0.0) -> PlaneSurface:
    """Look down on (100, 75) mm from 400 mm: about 0.3 mm per pixel."""
    lens = Lens.from_values(SIZE, fx=1330.0, fy=1330.0, cx=318.0, cy=241.0, k1=-0.08)
    tilt = math.radians(180.0 - tilt_deg) + bump_rad
    rotation = np.array(
        [
            [1.0, 0.0, 0.0],
            [0.0, math.cos(tilt), -math.sin(tilt)],
            [0.0, math.sin(tilt), math.cos(tilt)],
        ]
    )
    centre = np.array([100.0, 75.0 - 400.0 * math.tan(math.radians(tilt_deg)), 400.0])
    zero = np.zeros((COUNT, COUNT))
    bed = Bed(
        lens,
        Pose(rotation, -rotation @ centre),
        zero,
        (0.0, 0.0, 0.0),
        (0.0, 0.0, 200.0, 150.0),
        0.05,
        "drawn",
        "2020-01-01",
    )
    return PlaneSurface(bed, 0.0)


@dataclass(frozen=True)
class Drawn:
    """What is drawn: a work of some size and texture on a bed."""

    half_mm: tuple[float, float] = (30.0, 20.0)
    lies: Rigid = LIES
    texture: str = "printed"
    bed: str = "honeycomb"
    level: float = 0.5
    noise: float = 0.004
    seed: int = 1
    grain: int = 1
    mark: bool = False
    gone: bool = False
    light: float = 1.0
    glow: float = 0.0

    def capture(self, surface: PlaneSurface, motion: Rigid = STILL) -> View:
        """Draw it after the work has gone through a motion."""
        width = SIZE[0]
        x, y = _places(surface)
        value = _bed(self.bed, x, y)
        if not self.gone:
            u, v = _back(self.lies, *_back(motion, x, y))
            inside = (np.abs(u) < self.half_mm[0]) & (np.abs(v) < self.half_mm[1])
            face = self.level * _texture(self.texture, u, v, self.grain)
            if self.mark:
                burned = (np.abs(u) < 12) & (np.abs(v) < 8) & (np.floor(u / 1.5) % 2 == 0)
                face = np.where(burned, 0.35 * face, face)
            value = np.where(inside, face, value)
        soft = cv2.GaussianBlur(value.astype(np.float32), (0, 0), 0.8 * FINE)
        seen = cv2.resize(soft, SIZE, interpolation=cv2.INTER_AREA)
        rng = np.random.default_rng(self.seed)
        across = np.linspace(-0.04, 0.04, width, dtype=np.float32)[None, :]
        seen = seen * np.float32(self.light) * (1 + across) + np.float32(self.glow)
        seen = seen + np.float32(self.noise) * rng.standard_normal(seen.shape, dtype=np.float32)
        linear = np.clip(seen, 0.0, 1.0).astype(np.float32)
        return View(linear, grey_from_linear(linear), np.ones_like(linear), surface)

    def later(self, **changes: object) -> Drawn:
        """Return it with some things changed, and with other noise."""
        return replace(self, seed=self.seed + 1000, **changes)  # type: ignore[arg-type]


def corners(drawn: Drawn, half: tuple[float, float] = (14.0, 10.0)) -> NDArray[np.float64]:
    """Return the corners of an artwork in the middle of the work."""
    return drawn.lies.apply(box(*half))


def box(half_x_mm: float, half_y_mm: float) -> NDArray[np.float64]:
    """Return the corners of a rectangle about the origin."""
    return np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array([half_x_mm, half_y_mm])


def touched(surface: PlaneSurface, places_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return the pixels within a polygon."""
    pixels = np.round(surface.px_from_mm(places_mm)).astype(np.int32)
    mask = np.zeros(SIZE[::-1], np.uint8)
    cv2.fillPoly(mask, [pixels], 1)
    return mask > 0


def about(place_mm: tuple[float, float], dx: float, dy: float, turn_rad: float) -> Rigid:
    """Return a turn about a place, followed by a shift."""
    place = np.array(place_mm)
    shift = place + np.array([dx, dy]) - Rigid(0.0, 0.0, turn_rad).apply(place[None])[0]
    return Rigid(float(shift[0]), float(shift[1]), turn_rad)


def _places(surface: PlaneSurface) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the places that the sub-samples of all pixels look at: a polynomial through nodes."""
    count = 12
    nodes = np.cos(np.pi * (np.arange(count) + 0.5) / count)
    u, v = ((nodes + 1) / 2 * side - 0.5 for side in SIZE)
    grid = np.stack([a.ravel() for a in np.meshgrid(u, v)], 1)
    exact = surface.mm_from_px(grid).reshape(count, count, 2)
    fit = np.linalg.inv(np.polynomial.chebyshev.chebvander(nodes, count - 1))
    across, down = (
        np.polynomial.chebyshev.chebvander(
            (2 * np.arange(side * FINE) + 1) / (side * FINE) - 1, count - 1
        )
        for side in SIZE
    )
    x, y = ((down @ fit @ exact[..., k] @ fit.T @ across.T).astype(np.float32) for k in (0, 1))
    return x, y


def _back(
    motion: Rigid, x: NDArray[np.float32], y: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    c, s = math.cos(motion.angle_rad), math.sin(motion.angle_rad)
    dx, dy = x - motion.x_mm, y - motion.y_mm
    return c * dx + s * dy, -s * dx + c * dy


def _bed(kind: str, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    if kind == "slats":
        return np.where((y + 3.0) % 18.0 < 10.0, 0.55, 0.03).astype(np.float32)
    if kind == "honeycomb":
        wave = np.cos(x * 0.9) + np.cos(0.45 * x + 0.78 * y) + np.cos(0.45 * x - 0.78 * y)
        return (0.02 + 0.25 * (wave < -0.9)).astype(np.float32)
    return (0.3 + 0.01 * np.sin(x / 3.1) * np.sin(y / 2.3)).astype(np.float32)


def _texture(
    kind: str, u: NDArray[np.float32], v: NDArray[np.float32], grain: int
) -> NDArray[np.float32]:
    rng = np.random.default_rng(grain)
    if kind == "plain":
        return np.ones_like(u)
    if kind == "brushed":
        rows = 1 + 0.06 * rng.standard_normal((4000, 60)).astype(np.float32)
        return np.asarray(
            cv2.remap(
                cv2.GaussianBlur(rows, (0, 0), 1.5, sigmaY=1.0),
                ((u + 100) / 4).astype(np.float32),
                ((v + 100) / 0.1).astype(np.float32),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REFLECT,
            )
        )
    # Cells of 0.1 mm from (-40, -30) on.
    blots = np.ones((600, 800), np.float32)
    for _ in range(90):
        i, j = int(rng.integers(600)), int(rng.integers(800))
        blots[i : i + int(rng.integers(4, 20)), j : j + int(rng.integers(6, 40))] = 0.7
    at = ((u + 40) * 10).astype(np.float32), ((v + 30) * 10).astype(np.float32)
    return np.asarray(cv2.remap(blots, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT))
