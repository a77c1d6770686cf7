"""Find a burned artwork in a capture and measure each layer's place: coarse to fine, or refuse."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.surface import Surface
from vision.artwork.placing import Rigid
from vision.artwork.sampling import outline_points
from vision.artwork.strokes import Artwork, Layer
from vision.register.coarse import Candidate, search
from vision.register.distance import DistanceMap, layer_distance
from vision.register.fit import Fit, fit_layers
from vision.register.local import LocalOffset, local_offsets, square_cells
from vision.register.noise import autocovariance_spectrum, carry_through, padded
from vision.register.rectified import rectify
from vision.register.region import Region, region_around
from vision.register.scene import Scene, nudge
from vision.register.starts import Shift, other_places

Array = NDArray[np.float64]
Image = NDArray[np.float32]

LAYERS: tuple[Layer, ...] = ("outline", "fill", "cut")

# The coarse fit works on pixels about this large: big enough to be quick, small enough that its
# result lies within the reach of the fine fit.
_COARSE_PIXEL_MM = 0.55
COARSE_PITCH_MM = 0.12
COARSE_REACH_MM = 2.5
# How far beside an edge pixels are fitted.
_REACH_MM = 1.0
_REACH_PX = 4.5
_NOISE_REACH_PX = 24
_CELL_MM = 7.0
_OTHER_LAYER_REACH_MM = 3.5
# Tiles of the fine fit: the margin holds four sigma of a usual blur.
_TILE_PX = 24
_TILE_MARGIN_PX = 5
# Lever of a turn, as a share of a layer's radius, below which only its flattening is seen.
_ROUND = 0.03
# A place of a layer is tried where it explains this share of what the present one does.
_WORTH_A_TRY = 0.7
# Below this scale the ground's variation is texture that a burn may wipe out; above it is light.
_TEXTURE_SCALE_MM = 4.0


@dataclass(frozen=True, eq=False)
class View:
    """One capture ready for measuring.

    Attributes
    ----------
    linear
        (h, w) linear luminance, 0 to 1.
    grey
        (h, w) the same in the camera's tone curve, 0 to 255.
    usable
        (h, w) 1 where a pixel may count, 0 where it is saturated.
    surface
        The capture's map to surface millimetres.
    """

    linear: Image
    grey: Image
    usable: Image
    surface: Surface


@dataclass(frozen=True, eq=False)
class Mark:
    """A burned artwork that was found and measured.

    Attributes
    ----------
    layers
        Names of the layers, in the order of `covariance`.
    poses
        bed <- page, by layer.
    pivot_mm
        Surface place about which the rotations are told.
    covariance
        (3 n, 3 n) statistical covariance of (x mm, y mm, turn rad) of each layer about the pivot.
    fit, scene, maps
        The last fit, its pixels, and the layers' distance maps.
    contrast
        Mean grey levels that each layer adds where it is burned (negative: darker).
    significance
        Each layer's strength in standard deviations of what chance would give.
    local
        Local offsets of each layer against its own fit.
    inflation
        Ratio of the real to the white-noise variance of the shifts.
    rivals
        Other places (bed <- page) that explain the picture nearly as well.
    round_layers
        Layers whose turn cannot be seen (a ring); they are told with the turn of the others.
    """

    layers: tuple[Layer, ...]
    poses: dict[str, Rigid]
    pivot_mm: tuple[float, float]
    covariance: Array
    fit: Fit
    scene: Scene
    maps: tuple[DistanceMap, ...]
    contrast: dict[str, float]
    significance: dict[str, float]
    local: tuple[LocalOffset, ...]
    inflation: float
    rivals: tuple[Rigid, ...]
    round_layers: tuple[str, ...]


@dataclass(frozen=True)
class NotFound:
    """The artwork was not found, and why; false, so that it cannot be taken for a mark."""

    why: str
    outside_view: bool = False

    def __bool__(self) -> bool:
        """Return False."""
        return False


@dataclass(frozen=True, eq=False)
class _Tried:
    candidate: Candidate
    fit: Fit
    scene: Scene


def locate(
    view: View,
    ground: Image | None,
    artwork: Artwork,
    expected: Rigid,
    anywhere: bool,
    kerf_mm: float,
    negative: bool = False,
    reach_mm: float = 24.0,
    reach_rad: float = math.radians(11.0),
) -> tuple[Rigid, tuple[Rigid, ...]] | NotFound:
    """Find where about the artwork lies.

    Parameters
    ----------
    view
        The capture.
    ground
        (h, w) linear light of the same pixels before the burn, or None.
    artwork
        What was intended.
    expected
        Where it should be; only its turn counts where `anywhere` is set.
    anywhere
        Look over the whole picture.
    kerf_mm
        Width of the burned line.
    negative
        The ground is burned, and the mark is what was left standing.
    reach_mm, reach_rad
        How far from the expected place and turn to look.

    Returns
    -------
    The best common pose of all layers, and other poses that are nearly as good.
    """
    x0, y0, x1, y1 = artwork.box_mm
    # Maps of an artwork of many metres would not fit into the memory.
    if math.hypot(x1 - x0, y1 - y0) > math.dist(*_visible_mm(view.surface)):
        return NotFound("the artwork is larger than what the camera sees", outside_view=True)
    maps = layer_maps(artwork, COARSE_PITCH_MM, COARSE_REACH_MM)
    half = half_widths(maps, kerf_mm, negative)
    box = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    middle = box.mean(axis=0)
    pixel = _pixel_mm(view.surface, expected.apply(middle[None]), anywhere)
    if pixel is None:
        return NotFound("the artwork's place is outside the camera's view", outside_view=True)
    if anywhere:
        low, high = _visible_mm(view.surface)
        pitch = max(0.8, 1.5 * pixel)
    else:
        corners = expected.apply(box)
        slack = reach_mm + 3.0 + math.sin(reach_rad) * float(np.hypot(x1 - x0, y1 - y0)) / 2
        low, high = corners.min(axis=0) - slack, corners.max(axis=0) + slack
        pitch = max(0.5, 1.2 * pixel)
    values = np.log(np.maximum(view.linear, 0.0) + np.float32(0.01))
    if ground is not None:
        values = values - np.log(np.maximum(ground, 0.0) + np.float32(0.01))
    picture = rectify(values.astype(np.float32), view.surface, low, high, pitch)
    radius = float(np.hypot(x1 - x0, y1 - y0)) / 2
    step = max(math.radians(0.75), min(math.radians(2.0), 1.2 * pitch / radius))
    count = math.ceil(reach_rad / step)
    turns = np.asarray(step * np.arange(-count, count + 1), np.float64)
    candidates = search(picture, maps, middle, expected, turns, kerf_mm, 8)
    goal = expected.apply(middle[None])[0]
    tried = []
    for candidate in candidates[:6]:
        one = _coarse_fit(view, ground, candidate, maps, half, box)
        if one is None:
            continue
        turn = math.remainder(one.fit.state.poses[0].angle_rad - expected.angle_rad, 2 * math.pi)
        off = np.abs(_centre(one, middle) - goal)
        # A fit that left what was searched holds on to something else.
        if abs(turn) <= reach_rad + step and (anywhere or off.max() <= reach_mm + 1.0):
            tried.append(one)
    if not tried:
        return NotFound("nothing in the capture looks like the artwork")
    tried.sort(key=lambda t: -t.fit.explained)
    best = tried[0]
    near = [t for t in tried if t.fit.explained > max(0.08, 0.75 * best.fit.explained)]
    if not near:
        return NotFound("nothing in the capture looks like the artwork")
    if not anywhere:
        near.sort(key=lambda t: float(np.hypot(*(_centre(t, middle) - goal))))
        best = near[0]
    own = _centre(best, middle)
    others = tuple(
        t.fit.state.poses[0]
        for t in near
        if float(np.hypot(*(_centre(t, middle) - own))) > max(1.0, 3 * pitch)
    )
    return best.fit.state.poses[0], others


def measure(
    view: View,
    ground: Image | None,
    artwork: Artwork,
    start: Rigid,
    rivals: tuple[Rigid, ...],
    kerf_mm: float,
    negative: bool = False,
) -> Mark | NotFound:
    """Measure every layer of an artwork, each with its own rigid motion, from a start near by."""
    x0, y0, x1, y1 = artwork.box_mm
    box = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    pivot = start.apply(box).mean(axis=0)
    pivot_mm = (float(pivot[0]), float(pivot[1]))
    pixel = _pixel_mm(view.surface, pivot[None], False)
    if pixel is None:
        return NotFound("the artwork's place is outside the camera's view", outside_view=True)
    corners = start.apply(box)
    binning = max(1, round(_COARSE_PIXEL_MM / pixel))
    coarse_maps = layer_maps(artwork, COARSE_PITCH_MM, COARSE_REACH_MM)
    names: tuple[Layer, ...] = tuple(m.layer for m in coarse_maps)
    scene = _scene(view, ground, corners, binning, 2)
    if scene is None:
        return NotFound("the artwork's place is outside the camera's view", outside_view=True)
    half = half_widths(coarse_maps, kerf_mm, negative)
    blind = tuple(is_round(artwork, name) for name in names)
    first = _separate(scene, coarse_maps, start, pivot_mm, half, blind)
    if first is None:
        return NotFound("too few usable pixels where the artwork should be")
    reach = max(_REACH_MM, _REACH_PX * pixel)
    maps = layer_maps(artwork, min(0.05, 0.2 * pixel + 0.01), reach)
    # First with few sub-samples, blur and kerf as usual; then these free; then with enough of
    # them, from so close by that a few steps do.
    poses, fit, fine = first.state.poses, None, None
    enough = _sub_samples(pixel, kerf_mm)
    for sub, free, iterations in ((2, False, 6), (2, True, 14), (enough, True, 5)):
        if sub == enough and sub == 2 and iterations == 5:
            break
        if fine is None or fine.region.sub != sub:
            fine = _scene(view, ground, corners, 1, sub, (maps, first.state.poses))
        if fine is None:
            return NotFound("the artwork's place is outside the camera's view", outside_view=True)
        fit = fit_layers(
            fine,
            maps,
            poses,
            half,
            pivot_mm=pivot_mm,
            start=None if fit is None else fit.state,
            trusted=fit.weight if fit is not None and iterations == 5 else None,
            iterations=iterations,
            robust=free,
            free=free,
            blind=blind,
        )
        if fit is None:
            return NotFound("too few usable pixels where the artwork should be")
        poses = fit.state.poses
    assert fit is not None
    assert fine is not None
    covariance, inflation = _covariance(fit, fine.region)
    settled, covariance = _settle_round(fit, maps, covariance, blind, start)
    local = local_offsets(fine, fit, list(fit.added), square_cells(fine, _CELL_MM), inflation)
    return Mark(
        names,
        settled,
        pivot_mm,
        covariance,
        fit,
        fine,
        maps,
        {name: _contrast(added) for name, added in zip(names, fit.added, strict=True)},
        {name: _significance(fit, fine, index, inflation) for index, name in enumerate(names)},
        tuple(local),
        inflation,
        rivals,
        tuple(name for name, held in zip(names, blind, strict=True) if held),
    )


@lru_cache(maxsize=12)
def layer_maps(artwork: Artwork, pitch_mm: float, reach_mm: float) -> tuple[DistanceMap, ...]:
    """Return the distance maps of the layers that the artwork has."""
    maps = (layer_distance(artwork, layer, pitch_mm, reach_mm) for layer in LAYERS)
    return tuple(m for m in maps if m is not None)


def half_widths(maps: tuple[DistanceMap, ...], kerf_mm: float, negative: bool) -> tuple[float, ...]:
    """Return how far each layer's mark reaches beyond its line or edge."""
    return tuple(-kerf_mm / 2 if negative and m.layer == "fill" else kerf_mm / 2 for m in maps)


def _coarse_fit(
    view: View,
    ground: Image | None,
    candidate: Candidate,
    maps: tuple[DistanceMap, ...],
    half_mm: tuple[float, ...],
    box: Array,
) -> _Tried | None:
    corners = candidate.pose.apply(box)
    pixel = _pixel_mm(view.surface, corners.mean(axis=0)[None], False)
    if pixel is None:
        return None
    scene = _scene(view, ground, corners, max(1, round(_COARSE_PIXEL_MM / pixel)), 2)
    if scene is None:
        return None
    pivot = corners.mean(axis=0)
    fit = fit_layers(
        scene,
        maps,
        (candidate.pose,) * len(maps),
        half_mm,
        pivot_mm=(float(pivot[0]), float(pivot[1])),
        tied=True,
        iterations=6,
        robust=False,
        free=False,
    )
    return None if fit is None else _Tried(candidate, fit, scene)


def _separate(
    scene: Scene,
    maps: tuple[DistanceMap, ...],
    start: Rigid,
    pivot_mm: tuple[float, float],
    half_mm: tuple[float, ...],
    blind: tuple[bool, ...],
) -> Fit | None:
    """Fit the layers together, then each for itself from several starts; return the best."""
    count = len(maps)

    def fit(poses: tuple[Rigid, ...], tied: bool) -> Fit | None:
        return fit_layers(
            scene,
            maps,
            poses,
            half_mm,
            pivot_mm=pivot_mm,
            tied=tied,
            iterations=8,
            robust=False,
            free=False,
            blind=blind,
        )

    together = fit((start,) * count, True)
    if together is None or count == 1:
        return together
    best = fit(together.state.poses, False)
    if best is None:
        return None
    tried: set[tuple[int, int, int]] = set()
    for base in (together, best):
        for moving in range(count):
            for shift in _elsewhere(scene, base, moving, 3):
                poses = list(base.state.poses)
                step = _shift_mm(scene.region, shift.right_px, shift.down_px)
                poses[moving] = nudge(poses[moving], pivot_mm, step[0], step[1], 0.0)
                where = poses[moving].apply(np.array([pivot_mm])) / scene.region.pitch_mm
                key = (moving, round(float(where[0, 0])), round(float(where[0, 1])))
                if key in tried:
                    continue
                tried.add(key)
                trial = fit(tuple(poses), False)
                if trial is not None and trial.cost < best.cost:
                    best = trial
    return best


def _elsewhere(scene: Scene, fit: Fit, moving: int, most: int) -> list[Shift]:
    """Return other places of one layer that could explain more than where the fit has it.

    Those where it would be burned like the strongest layer, darker or lighter, come first: a layer
    of the other polarity mends blurred edges of the others before it is one of its own.
    """
    weight = scene.usable * scene.region.core
    reach = math.ceil(_OTHER_LAYER_REACH_MM / scene.region.pitch_mm)
    left = fit.residual + fit.added[moving]
    shifts = other_places(left, fit.shape[moving], weight, reach, 16)
    leader = max(range(len(fit.layers)), key=lambda k: float((fit.added[k] ** 2).sum()))
    like = np.sign((fit.added[leader] * fit.shape[leader]).sum())
    alike = [s for s in shifts if s.strength * like > 0]
    here = max((s.drop for s in alike if abs(s.right_px) + abs(s.down_px) <= 1), default=0.0)
    away = [s for s in shifts if abs(s.right_px) + abs(s.down_px) > 1]
    first = [s for s in away if s.strength * like > 0 and s.drop > _WORTH_A_TRY * here]
    strongest = max((s.drop for s in shifts), default=0.0)
    then = [s for s in away if s.strength * like <= 0 and s.drop > _WORTH_A_TRY * strongest]
    return [*first[:most], *then[: most // 2]]


def _shift_mm(region: Region, right: int, down: int) -> Array:
    """Return the surface shift that a shift in the region's pixels stands for, at its middle."""
    rows, columns = region.shape
    i, j = rows // 2 * region.sub, columns // 2 * region.sub
    here = region.places_mm[i, j]
    across = region.places_mm[i, j + region.sub] - here
    downward = region.places_mm[i + region.sub, j] - here
    return np.asarray(right * across + down * downward, np.float64)


def _scene(
    view: View,
    ground: Image | None,
    corners: Array,
    binning: int,
    sub: int,
    near: tuple[tuple[DistanceMap, ...], tuple[Rigid, ...]] | None = None,
) -> Scene | None:
    """Return the pixels about an artwork; only those near its edges where these are known."""
    region = region_around(view.surface, corners, 2.5, binning, sub)
    if region is None:
        return None
    if near is not None:
        places = np.dstack(region.centre_places())
        wanted = np.zeros(region.frame, np.bool_)
        for layer, pose in zip(*near, strict=True):
            wanted |= np.abs(layer.distance_at(pose, places)) < layer.reach_mm - layer.pitch_mm
        region = region.tiled(wanted, _TILE_PX, _TILE_MARGIN_PX)
    usable = (region.cut(view.usable) > 0.99).astype(np.float32)
    grey = region.cut(view.grey)
    if ground is None:
        ones = np.ones(region.shape, np.float32)
        return Scene(region, grey, ones, np.zeros_like(ones), usable, 3)
    rows, columns = region.frame
    rectangle = ground[
        region.top : region.top + rows * region.bin,
        region.left : region.left + columns * region.bin,
    ]
    level = np.float32(max(float(np.median(rectangle)), 1e-4))
    spread = _TEXTURE_SCALE_MM / region.pitch_mm * region.bin
    # Nine tenths of the smoothing are done on a small picture.
    small = cv2.resize(rectangle, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), spread / 4)
    wide = cv2.resize(small, rectangle.shape[::-1], interpolation=cv2.INTER_LINEAR)
    whole = np.zeros_like(ground)
    whole[region.top :, region.left :][: rectangle.shape[0], : rectangle.shape[1]] = wide
    smooth = np.asarray(np.maximum(region.cut(whole), np.float32(1e-4)) / level, np.float32)
    base = np.asarray(np.maximum(region.cut(ground), np.float32(1e-4)) / level, np.float32)
    return Scene(region, grey, smooth, np.asarray(base - smooth), usable, 2)


def _covariance(fit: Fit, region: Region) -> tuple[Array, float]:
    """Return the (3n, 3n) covariance of the motions in mm and rad, and the noise inflation."""
    gain = np.linalg.inv(fit.normal)[: fit.motions].astype(np.float32)
    influence = region.spread(np.tensordot(gain, fit.jacobian, 1) * fit.weight)
    residual, weight = region.spread(fit.residual), region.spread(fit.weight)
    spectrum = autocovariance_spectrum(residual, weight, _NOISE_REACH_PX)
    shape = padded(residual.shape, _NOISE_REACH_PX)
    covariance = carry_through(influence, spectrum, shape)
    white = np.array([float((i * i).sum(dtype=np.float64)) for i in influence]) * fit.noise**2
    # Coloured noise estimated from the fit's own residuals is a little too small at long lags,
    # where the light field has eaten it; white noise is the floor.
    inflation = max(1.0, float(np.mean(np.diag(covariance) / np.maximum(white, 1e-30))))
    floor = np.sqrt(np.maximum(1.0, white / np.maximum(np.diag(covariance), 1e-30)))
    covariance = covariance * np.outer(floor, floor)
    used = float((fit.weight > 0.5).sum())
    covariance *= used / max(used - len(fit.normal), 1.0)
    unit = np.ones(fit.motions)
    unit[2::3] = 1.0 / fit.motion_scale_mm
    return covariance * np.outer(unit, unit), inflation


def _settle_round(
    fit: Fit,
    maps: tuple[DistanceMap, ...],
    covariance: Array,
    blind: tuple[bool, ...],
    start: Rigid,
) -> tuple[dict[str, Rigid], Array]:
    """Give a layer whose turn cannot be seen (a ring) the turn of the best seen layer."""
    names = [m.layer for m in maps]
    poses: dict[str, Rigid] = dict(zip(names, fit.state.poses, strict=True))
    if not any(blind):
        return poses, covariance
    seeing = [i for i in range(len(names)) if not blind[i]]
    leader = min(seeing, key=lambda i: covariance[3 * i + 2, 3 * i + 2], default=None)
    angle = start.angle_rad if leader is None else fit.state.poses[leader].angle_rad
    carry = np.eye(len(covariance))
    for i in np.flatnonzero(blind):
        layer, pose = maps[i], fit.state.poses[i]
        near = np.argwhere(layer.stack[..., 0] < layer.pitch_mm)
        centre = np.array(layer.origin_mm) + layer.pitch_mm * near.mean(axis=0)[::-1]
        placed = pose.apply(centre[None])[0]
        turned = Rigid(0.0, 0.0, angle, pose.mirrored).apply(centre[None])[0]
        poses[names[i]] = Rigid(
            float(placed[0] - turned[0]), float(placed[1] - turned[1]), angle, pose.mirrored
        )
        # The centre stays; the shift at the pivot follows from it and from the leader's turn.
        away = placed - np.array(fit.pivot_mm)
        rows = slice(3 * i, 3 * i + 3)
        carry[rows, rows] = [[1, 0, -away[1]], [0, 1, away[0]], [0, 0, 0]]
        if leader is not None:
            carry[rows, 3 * leader + 2] = [away[1], -away[0], 1]
    settled = carry @ covariance @ carry.T
    for i in np.flatnonzero(blind):
        if leader is None:
            settled[3 * i + 2, 3 * i + 2] = 1e-12
    return poses, np.asarray(settled)


def is_round(artwork: Artwork, layer: Layer) -> bool:
    """Tell whether a turn of the layer about its own centre moves none of its edges outwards."""
    points, tangents, _ = outline_points(artwork, layer, 0.5)
    normals = np.stack([tangents[:, 1], -tangents[:, 0]], axis=1)
    away = points - points.mean(axis=0)
    by_turn = normals[:, 1] * away[:, 0] - normals[:, 0] * away[:, 1]
    # What shifts explain of the turn's effect does not count as seen.
    left = by_turn - normals @ np.linalg.lstsq(normals, by_turn, rcond=None)[0]
    radius = float(np.sqrt((away**2).sum(axis=1).mean()))
    return float(np.sqrt((left**2).mean())) < _ROUND * radius


def _contrast(added: Image) -> float:
    """Return the mean grey levels that a layer adds, weighed by how much it adds."""
    weight = np.abs(added)
    total = float(weight.sum())
    return float((added * weight).sum() / total) if total > 0 else 0.0


def _significance(fit: Fit, scene: Scene, index: int, inflation: float) -> float:
    """Return how many standard deviations of noise the layer's strength is away from nothing."""
    added = fit.added[index] * np.sqrt(fit.weight)
    return float(np.sqrt((added * added).sum() / inflation) / max(fit.noise, 0.3))


def _sub_samples(pixel_mm: float, kerf_mm: float) -> int:
    """Return the sub-samples that resolve the kerf (even, 2 to 6)."""
    return int(min(6, max(2, 2 * math.ceil(pixel_mm / kerf_mm))))


def _centre(tried: _Tried, middle_page_mm: Array) -> Array:
    return np.asarray(tried.fit.state.poses[0].apply(middle_page_mm[None])[0])


def _pixel_mm(surface: Surface, place_mm: Array, anywhere: bool) -> float | None:
    """Return the size of a pixel at a place (at the picture's middle where it may be anywhere)."""
    width, height = surface.image_size
    if anywhere:
        place_mm = surface.mm_from_px(np.array([[width / 2.0, height / 2.0]]))
    pixel = surface.px_from_mm(place_mm)[0]
    inside = (
        np.isfinite(pixel).all() and -50 < pixel[0] < width + 50 and -50 < pixel[1] < height + 50
    )
    if not inside:
        return None
    jacobian = surface.jacobian_px_per_mm(place_mm)[0]
    if not np.isfinite(jacobian).all():
        return None
    return 1.0 / math.sqrt(abs(float(np.linalg.det(jacobian))))


def _visible_mm(surface: Surface) -> tuple[Array, Array]:
    """Return the box of surface places that the camera sees."""
    width, height = surface.image_size
    edge = np.linspace(0.0, 1.0, 17)
    ring = np.concatenate(
        [np.stack([edge, np.full(17, v)], 1) for v in (0.0, 1.0)]
        + [np.stack([np.full(17, v), edge], 1) for v in (0.0, 1.0)]
    )
    places = surface.mm_from_px(ring * [width - 1.0, height - 1.0])
    places = places[np.isfinite(places).all(axis=1)]
    return places.min(axis=0), places.max(axis=0)
