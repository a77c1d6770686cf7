"""A webcam above the bed: pinhole, Brown-Conrady lens, pose; rays back into the scene.

Frames: image u right, v down, pixel centres at integers; bed X right, Y away from the operator,
Z up; camera x right, y down, z forward. `camera_from_bed`: p_camera = R p_bed + t.

The lens model is Brown's ("Close-range camera calibration", Photogrammetric Engineering 37(8),
1971) in the order k1 k2 p1 p2 k3, or a fisheye's (Kannala and Brandt, IEEE TPAMI 28, 2006: the
field angle's odd powers, k1 k2 k3 k4). It is inverted by Newton's method at Chebyshev nodes; the
way from pixel to plane is smooth, so a tensor-product polynomial carries it to every ray of a
supersampled picture with two small matrix products.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grid = NDArray[np.float32]

BED_MM = (400.0, 300.0)
POOL = 8
_DEGREE = 20


@dataclass(frozen=True)
class Camera:
    """Exact parameters of one camera.

    Attributes
    ----------
    size
        (width, height) in pixels.
    focal_px, centre_px
        (fx, fy) and (cx, cy).
    lens
        (k1, k2, p1, p2, k3), or (k1, k2, k3, k4) of a fisheye.
    rvec, tvec
        camera_from_bed as a rotation vector (rad) and a shift (mm).
    """

    size: tuple[int, int]
    focal_px: tuple[float, float]
    centre_px: tuple[float, float]
    lens: tuple[float, ...]
    rvec: tuple[float, float, float]
    tvec: tuple[float, float, float]
    fisheye: bool = False

    @property
    def matrix(self) -> Array:
        """The (3, 3) camera matrix K."""
        fx, fy = self.focal_px
        cx, cy = self.centre_px
        return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])

    @property
    def rotation(self) -> Array:
        """The (3, 3) rotation of camera_from_bed."""
        return rotation_matrix(np.array(self.rvec))

    @property
    def place_mm(self) -> Array:
        """The (3,) optical centre in bed coordinates."""
        return np.asarray(-self.rotation.T @ np.array(self.tvec))

    def project(self, points_mm: Array) -> Array:
        """Map (n, 3) bed points to (n, 2) pixels."""
        seen = points_mm @ self.rotation.T + np.array(self.tvec)
        bend = bend_fisheye if self.fisheye else distort
        bent = bend(seen[:, :2] / seen[:, 2:], self.lens)
        return np.asarray(bent * np.array(self.focal_px) + np.array(self.centre_px))

    def directions(self, pixels: Array) -> Array:
        """Map (n, 2) pixels to (n, 2) undistorted directions (x/z, y/z) in the camera frame."""
        bent = (pixels - np.array(self.centre_px)) / np.array(self.focal_px)
        return (straighten_fisheye if self.fisheye else undistort)(bent, self.lens)

    def bed_from_ray(self, height_mm: float) -> Array:
        """Return the (3, 3) homography from (x/z, y/z, 1) to the bed's (X, Y, 1) at a height."""
        rotation = self.rotation
        lifted = rotation[:, 2] * height_mm + np.array(self.tvec)
        return plane_from_ray(np.column_stack([rotation[:, 0], rotation[:, 1], lifted]))

    def to_bed(self, pixels: Array, height_mm: float) -> Array:
        """Map (n, 2) pixels to (n, 2) bed points on the plane z = height."""
        return apply_homography(self.bed_from_ray(height_mm), self.directions(pixels))


def plane_from_ray(ray_from_plane: Array) -> Array:
    """Invert the (3, 3) map of plane points (x, y, 1) to camera rays."""
    return np.asarray(np.linalg.inv(ray_from_plane))


def apply_homography(matrix: Array, points: Array) -> Array:
    """Map (n, 2) points by a (3, 3) homography."""
    lifted = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(lifted[:, :2] / lifted[:, 2:])


def rotation_matrix(rvec: Array) -> Array:
    """Return the (3, 3) rotation of a rotation vector (Rodrigues' formula)."""
    angle = float(np.linalg.norm(rvec))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = rvec / angle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + math.sin(angle) * cross + (1 - math.cos(angle)) * cross @ cross)


def rotation_vector(rotation: Array) -> Array:
    """Return the (3,) rotation vector of a (3, 3) rotation, also near half a turn."""
    # The axis is the eigenvector of R + R^T with the largest eigenvalue: well conditioned near
    # pi, where the antisymmetric part vanishes (a camera that looks down is turned by about pi).
    skew = np.array(
        [
            rotation[2, 1] - rotation[1, 2],
            rotation[0, 2] - rotation[2, 0],
            rotation[1, 0] - rotation[0, 1],
        ]
    )
    axis = np.linalg.eigh(rotation + rotation.T)[1][:, -1]
    if axis @ skew < 0:
        axis = -axis
    angle = math.atan2(float(axis @ skew) / 2, (float(np.trace(rotation)) - 1) / 2)
    return np.asarray(axis * angle)


def distort(points: Array, lens: tuple[float, ...]) -> Array:
    """Bend (n, 2) ideal directions by the lens."""
    k1, k2, p1, p2, k3 = lens
    x, y = points[:, 0], points[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return np.column_stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ]
    )


def undistort(bent: Array, lens: tuple[float, ...]) -> Array:
    """Invert `distort` for (n, 2) directions by Newton's method."""
    k1, k2, p1, p2, k3 = lens
    points = bent.copy()
    for _ in range(12):
        x, y = points[:, 0], points[:, 1]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = 2 * (k1 + r2 * (2 * k2 + 3 * r2 * k3))
        a = radial + slope * x * x + 2 * p1 * y + 6 * p2 * x
        b = slope * x * y + 2 * p1 * x + 2 * p2 * y
        d = radial + slope * y * y + 6 * p1 * y + 2 * p2 * x
        miss = distort(points, lens) - bent
        det = a * d - b * b
        step = np.column_stack(
            [(d * miss[:, 0] - b * miss[:, 1]) / det, (a * miss[:, 1] - b * miss[:, 0]) / det]
        )
        points = points - step
        if np.abs(step).max() < 1e-13:
            break
    return points


def bend_fisheye(points: Array, lens: tuple[float, ...]) -> Array:
    """Bend (n, 2) ideal directions: the radius becomes t + k1 t^3 + ..., t the field angle."""
    radius = np.hypot(points[:, 0], points[:, 1])
    factor = _angle_seen(np.arctan(radius), lens) / np.maximum(radius, 1e-15)
    return np.asarray(points * np.where(radius > 1e-9, factor, 1.0)[:, None])


def straighten_fisheye(bent: Array, lens: tuple[float, ...]) -> Array:
    """Invert `bend_fisheye` for (n, 2) directions by Newton's method on the field angle."""
    seen = np.hypot(bent[:, 0], bent[:, 1])
    angle = seen.copy()
    for _ in range(12):
        powers = angle[:, None] ** np.array([2, 4, 6, 8])
        slope = 1 + powers @ (np.array([3, 5, 7, 9]) * np.array(lens))
        step = (_angle_seen(angle, lens) - seen) / slope
        angle = angle - step
        if np.abs(step).max() < 1e-14:
            break
    factor = np.tan(angle) / np.maximum(seen, 1e-15)
    return np.asarray(bent * np.where(seen > 1e-9, factor, 1.0)[:, None])


def _angle_seen(angle: Array, lens: tuple[float, ...]) -> Array:
    powers = angle[:, None] ** np.array([2, 4, 6, 8])
    return np.asarray(angle * (1 + powers @ np.array(lens)))


@dataclass(frozen=True)
class Tile:
    """A rectangle of whole pixels: columns u0 <= u < u1, rows v0 <= v < v1."""

    u0: int
    v0: int
    u1: int
    v1: int

    def grown(self, margin: int, size: tuple[int, int]) -> Tile:
        """Return the tile with a margin, clipped to the picture."""
        return Tile(
            max(self.u0 - margin, 0),
            max(self.v0 - margin, 0),
            min(self.u1 + margin, size[0]),
            min(self.v1 + margin, size[1]),
        )


def ray_map(camera: Camera, homography: Array, tile: Tile, fine: int) -> tuple[Grid, Grid]:
    """Carry every ray of a supersampled tile through a homography.

    Parameters
    ----------
    homography
        (3, 3) from ray directions (x/z, y/z, 1), for example to the index of a raster.
    fine
        Rays per pixel and axis; ray i of pixel u passes u - 0.5 + (i + 0.5) / fine.

    Returns
    -------
    tuple
        Two (rows, columns) float32 arrays of the tile's size times `fine`.
    """
    count = _DEGREE + 1
    nodes = np.cos(np.pi * (np.arange(count) + 0.5) / count)
    wide, high = tile.u1 - tile.u0, tile.v1 - tile.v0
    grid_u, grid_v = np.meshgrid(
        tile.u0 - 0.5 + (nodes + 1) / 2 * wide, tile.v0 - 0.5 + (nodes + 1) / 2 * high
    )
    pixels = np.column_stack([grid_u.ravel(), grid_v.ravel()])
    exact = apply_homography(homography, camera.directions(pixels))
    fit = np.linalg.inv(np.polynomial.chebyshev.chebvander(nodes, _DEGREE))
    coefficients = [fit @ exact[:, axis].reshape(count, count) @ fit.T for axis in (0, 1)]
    # Terms too small to matter (a hundred-thousandth of a cell) are left out: most tiles need few.
    size = np.maximum(np.abs(coefficients[0]), np.abs(coefficients[1]))
    needed = np.flatnonzero(np.maximum(size.max(axis=0), size.max(axis=1)) > 1e-5)
    terms = int(needed[-1]) + 1 if len(needed) else 1

    def basis(cells: int) -> Grid:
        places = (2 * np.arange(cells * fine) + 1) / (cells * fine) - 1
        return np.polynomial.chebyshev.chebvander(places, terms - 1).astype(np.float32)

    across, down = basis(wide), basis(high)
    first, second = (
        down @ (part[:terms, :terms].astype(np.float32) @ across.T) for part in coefficients
    )
    return first, second


def looking_at(
    place_mm: Array, target_mm: Array, roll_rad: float
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Return (rvec, tvec) of a camera at a place that looks at a target; roll 0: u along X."""
    forward = (target_mm - place_mm) / np.linalg.norm(target_mm - place_mm)
    right = np.array([1.0, 0.0, 0.0]) - forward[0] * forward
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    turned = math.cos(roll_rad) * right + math.sin(roll_rad) * down
    rotation = np.array([turned, np.cross(forward, turned), forward])
    return _triple(rotation_vector(rotation)), _triple(-rotation @ place_mm)


def _triple(values: Array) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


@lru_cache(maxsize=64)
def pool_camera(index: int, size: tuple[int, int] = (1920, 1080)) -> Camera:
    """Return camera `index` (modulo 8) of the pool: the same exact parameters at every call.

    450 to 500 mm above the bed, tilted by some 3 to 25 degrees, focal length such that the whole
    bed with its reference marks just fits.
    """
    rng = np.random.default_rng([7301, index % POOL, *size])
    tilt = math.radians((6.0, 14.0, 22.0, 3.0, 10.0, 18.0, 25.0, 8.0)[index % POOL])
    side = math.radians(rng.uniform(-35, 35))
    height = rng.uniform(450, 500)
    lean = height * math.tan(tilt) * np.array([math.sin(side), -math.cos(side)])
    roll = math.radians(rng.uniform(-1.5, 1.5))
    k1 = rng.uniform(-0.14, 0.05)
    lens = (
        float(k1),
        float(-0.35 * k1 + rng.uniform(-0.01, 0.01)),
        float(rng.uniform(-6e-4, 6e-4)),
        float(rng.uniform(-6e-4, 6e-4)),
        float(rng.uniform(-0.008, 0.008)),
    )
    width, rows = size
    centre = (
        float((width - 1) / 2 + rng.uniform(-0.008, 0.008) * width),
        float((rows - 1) / 2 + rng.uniform(-0.008, 0.008) * width),
    )
    aspect = float(1 + rng.uniform(-8e-4, 8e-4))
    middle = np.array([BED_MM[0] / 2, BED_MM[1] / 2])
    place = np.append(middle + rng.uniform(-4, 4, 2) + lean, height)
    rim = _bed_rim()
    target = np.append(middle, 0.0)
    camera = Camera(size, (1.0, aspect), centre, lens, *looking_at(place, target, roll))
    # Aim again until the bed sits in the middle of the picture; it does after a few rounds.
    for _ in range(5):
        rvec, tvec = looking_at(place, target, roll)
        camera = _fitted(Camera(size, (1.0, aspect), centre, lens, rvec, tvec), rim)
        seen = camera.project(rim)
        off = (seen.min(axis=0) + seen.max(axis=0) - np.array(size) + 1) / 2
        target[:2] += off * (height / camera.focal_px[0]) * (1.0, -1.0)
    return camera


def _bed_rim() -> Array:
    """Return (n, 3) places all over the bed, its rim among them."""
    x, y = np.linspace(0, BED_MM[0], 9), np.linspace(0, BED_MM[1], 9)
    return np.array([[a, b, 0.0] for a in x for b in y])


def _fitted(camera: Camera, rim_mm: Array) -> Camera:
    """Return a camera of focal length 1 with the largest that keeps a rim 4 px inside."""
    width, rows = camera.size
    cx, cy = camera.centre_px
    aspect = camera.focal_px[1]
    bent = replace(camera, centre_px=(0.0, 0.0)).project(rim_mm)
    room = np.where(bent > 0, [width - 5 - cx, rows - 5 - cy], [4 - cx, 4 - cy])
    # What lies in the very middle limits nothing.
    focal = float((room[bent != 0] / bent[bent != 0]).min())
    return replace(camera, focal_px=(focal, focal * aspect))


def nudged(camera: Camera, shift_px: float, direction_rad: float) -> Camera:
    """Return the camera after a bump that moves the picture by about `shift_px` at its centre."""
    if shift_px == 0.0:
        return camera
    angle = shift_px / camera.focal_px[0]
    bump = angle * np.array([math.cos(direction_rad), math.sin(direction_rad), 0.4])
    rotation = rotation_matrix(bump) @ camera.rotation
    place = camera.place_mm + angle * 60.0 * np.array(
        [math.sin(direction_rad), math.cos(direction_rad), 0.5]
    )
    return replace(
        camera,
        rvec=_triple(rotation_vector(rotation)),
        tvec=_triple(-rotation @ place),
    )


def drawn_camera(seed: int, size: tuple[int, int]) -> Camera:
    """Return a camera drawn from its seed: 60 to 110 degrees wide, up to 35 degrees tilted.

    It hangs so high that it just sees the whole bed.
    """
    rng = np.random.default_rng([7313, seed])
    hung = _Hung.drawn(rng, (60, 110), 35)
    centre = _drawn_centre(rng, size)
    # Wide lenses bend inwards: by up to a fifth at the edge of the picture.
    edge = math.tan(hung.half_rad) ** 2
    bend, more, last = rng.uniform([-0.2, -0.01, -0.004], [0.02, 0.01, 0.004])
    skewed = rng.uniform(-6e-4, 6e-4, 2)
    lens = (
        float(bend / edge),
        float((more - 0.25 * bend) / edge**2),
        float(skewed[0]),
        float(skewed[1]),
        float(last / edge**3),
    )
    return hung.over_bed(size, centre, lens, float(1 + rng.uniform(-8e-4, 8e-4)), False)


def wide_camera(seed: int, size: tuple[int, int]) -> Camera:
    """Return a fisheye drawn from its seed: 100 to 130 degrees wide, up to 20 degrees tilted.

    It hangs so high that it just sees the whole bed.
    """
    rng = np.random.default_rng([7317, seed])
    hung = _Hung.drawn(rng, (100, 130), 20)
    centre = _drawn_centre(rng, size)
    lens = tuple(float(k) for k in rng.uniform(-1, 1, 4) * (0.06, 0.02, 0.006, 0.002))
    return hung.over_bed(size, centre, lens, float(1 + rng.uniform(-8e-4, 8e-4)), True)


def _drawn_centre(rng: np.random.Generator, size: tuple[int, int]) -> tuple[float, float]:
    width, rows = size
    return (
        float((width - 1) / 2 + rng.uniform(-0.01, 0.01) * width),
        float((rows - 1) / 2 + rng.uniform(-0.01, 0.01) * width),
    )


@dataclass(frozen=True)
class _Hung:
    """How a camera hangs: half its width as an angle, its tilt, which way, its roll (rad)."""

    half_rad: float
    tilt_rad: float
    side_rad: float
    roll_rad: float

    @classmethod
    def drawn(
        cls, rng: np.random.Generator, width_deg: tuple[float, float], tilt_deg: float
    ) -> _Hung:
        return cls(
            math.radians(float(rng.uniform(*width_deg)) / 2),
            math.radians(float(rng.uniform(0, tilt_deg))),
            float(rng.uniform(-math.pi, math.pi)),
            math.radians(float(rng.uniform(-3, 3))),
        )

    def over_bed(
        self,
        size: tuple[int, int],
        centre_px: tuple[float, float],
        lens: tuple[float, ...],
        aspect: float,
        fisheye: bool,
    ) -> Camera:
        """Return the camera so high that it is no wider than drawn and sees the whole bed."""
        middle = np.array([BED_MM[0] / 2, BED_MM[1] / 2])
        # Half the picture's width by the straight ray, what the lens bends left out.
        widest = self.half_rad if fisheye else math.tan(self.half_rad)
        height = 0.5 * BED_MM[0] / math.tan(self.half_rad)
        away = np.array([math.sin(self.side_rad), -math.cos(self.side_rad)])
        while True:
            lean = height * math.tan(self.tilt_rad) * away
            place = np.append(middle + lean, height)
            rvec, tvec = looking_at(place, np.append(middle, 0.0), self.roll_rad)
            one = Camera(size, (1.0, aspect), centre_px, lens, rvec, tvec, fisheye)
            camera = _fitted(one, _bed_rim())
            if size[0] / 2 / camera.focal_px[0] <= widest:
                return camera
            height *= 1.05
