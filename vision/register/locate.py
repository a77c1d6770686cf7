"""Where about an artwork lies: coarse search, then a coarse fit of the best candidates."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork
from vision.register.coarse import Candidate, search
from vision.register.distance import DistanceMap
from vision.register.fit import fit_layers
from vision.register.fitted import Fit
from vision.register.layers import COARSE_PITCH_MM, COARSE_REACH_MM, half_widths, layer_maps
from vision.register.pixels import scene_about
from vision.register.rectified import rectify
from vision.register.scene import Scene
from vision.register.view import NotFound, View, pixel_mm, visible_mm

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# The coarse fit works on pixels about this large: big enough to be quick, small enough that its
# result lies within the reach of the fine fit.
COARSE_PIXEL_MM = 0.55
# A fit that explains so much holds on to the artwork, ...
_EXPLAINED = 0.9
# ... and what correlates as near to it as this but turned by more is its shadow.
_SHADOW_MM, _SHADOW_RAD = 3.0, math.radians(3.0)
# What correlates so well in a flattened picture, and so much better than all else, is the artwork.
_STANDS_OUT, _ALONE = 0.5, 1.25
# How far from the place and the turn that were told the artwork is looked for.
REACH_MM = 24.0
REACH_RAD = math.radians(11.0)


@dataclass(frozen=True)
class Located:
    """Where an artwork was found.

    Attributes
    ----------
    pose
        Best common pose of all layers, bed <- page.
    rivals
        Other poses that are nearly as good.
    explained
        Share of the picture's sum of squares about it that the artwork explains there.
    """

    pose: Rigid
    rivals: tuple[Rigid, ...]
    explained: float


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
    most: int = 6,
    reach_rad: float = REACH_RAD,
    flattened: bool = False,
) -> Located | NotFound:
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
    most
        How many of the best candidates are fitted.
    reach_rad
        How far from the turn that is expected it is looked for.
    flattened
        Whether all that is smooth over a few millimetres, such as glare, does not count; found is
        then only what stands out from all other places.
    """
    x0, y0, x1, y1 = artwork.box_mm
    # Maps of an artwork of many metres would not fit into the memory.
    if math.hypot(x1 - x0, y1 - y0) > math.dist(*visible_mm(view.surface)):
        return NotFound("the artwork is larger than what the camera sees", outside_view=True)
    maps = layer_maps(artwork, COARSE_PITCH_MM, COARSE_REACH_MM)
    half = half_widths(maps, kerf_mm, negative)
    box = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    middle = box.mean(axis=0)
    pixel = pixel_mm(view.surface, expected.apply(middle[None]), anywhere)
    if pixel is None:
        return NotFound("the artwork's place is outside the camera's view", outside_view=True)
    if anywhere:
        low, high = visible_mm(view.surface)
        pitch = max(0.8, 1.5 * pixel)
    else:
        corners = expected.apply(box)
        slack = REACH_MM + 3.0 + math.sin(reach_rad) * float(np.hypot(x1 - x0, y1 - y0)) / 2
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
    candidates = search(picture, maps, middle, expected, turns, kerf_mm, 8, flattened)
    if flattened:
        return _standing_out(view, ground, candidates, maps, half, box)
    goal = expected.apply(middle[None])[0]
    tried: list[_Tried] = []
    for candidate in candidates[:most]:
        # A place that correlates half as well as one that already explains the picture is no rival.
        weak = abs(candidate.score) < 0.5 * abs(candidates[0].score)
        if weak and any(t.fit.explained > 0.5 for t in tried):
            break
        if any(_is_shadow(candidate, t, middle) for t in tried):
            continue
        one = _coarse_fit(view, ground, candidate, maps, half, box)
        if one is None:
            continue
        turn = math.remainder(one.fit.state.poses[0].angle_rad - expected.angle_rad, 2 * math.pi)
        off = np.abs(_centre(one, middle) - goal)
        within = abs(turn) <= reach_rad + step
        # A fit that left what was searched holds on to something else; where the place is not
        # known one that explains nearly all does not.
        if anywhere:
            within = within or one.fit.explained > _EXPLAINED
        else:
            within = within and off.max() <= REACH_MM + 1.0
        if within:
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
    return Located(best.fit.state.poses[0], others, best.fit.explained)


def _standing_out(
    view: View,
    ground: Image | None,
    candidates: list[Candidate],
    maps: tuple[DistanceMap, ...],
    half_mm: tuple[float, ...],
    box: Array,
) -> Located | NotFound:
    """Return the best place of a flattened picture where no other comes near it."""
    scores = [abs(candidate.score) for candidate in candidates] + [0.0, 0.0]
    if scores[0] < _STANDS_OUT or scores[0] < _ALONE * scores[1]:
        return NotFound("nothing in the capture stands out as the artwork")
    best = candidates[0]
    middle = box.mean(axis=0)
    fitted = _coarse_fit(view, ground, best, maps, half_mm, box)
    pose, explained = best.pose, scores[0] ** 2
    if fitted is not None:
        off = _centre(fitted, middle) - pose.apply(middle[None])[0]
        # What is left of the glare may draw the fit away.
        if float(np.hypot(*off)) < _SHADOW_MM / 2:
            pose = fitted.fit.state.poses[0]
            explained = max(explained, fitted.fit.explained)
    return Located(pose, (), explained)


def _coarse_fit(
    view: View,
    ground: Image | None,
    candidate: Candidate,
    maps: tuple[DistanceMap, ...],
    half_mm: tuple[float, ...],
    box: Array,
) -> _Tried | None:
    corners = candidate.pose.apply(box)
    pixel = pixel_mm(view.surface, corners.mean(axis=0)[None], False)
    if pixel is None:
        return None
    scene = scene_about(view, ground, corners, max(1, round(COARSE_PIXEL_MM / pixel)), 1)
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
        uneven=False,
        free=False,
    )
    return None if fit is None else _Tried(candidate, fit, scene)


def _is_shadow(candidate: Candidate, tried: _Tried, middle_page_mm: Array) -> bool:
    """Tell whether a candidate is but what a mark found before looks like when turned a little."""
    off = candidate.pose.apply(middle_page_mm[None])[0] - _centre(tried, middle_page_mm)
    turn = candidate.pose.angle_rad - tried.fit.state.poses[0].angle_rad
    near = float(np.hypot(*off)) < _SHADOW_MM
    turned = abs(math.remainder(turn, 2 * math.pi)) > _SHADOW_RAD
    return tried.fit.explained > _EXPLAINED and near and turned


def _centre(tried: _Tried, middle_page_mm: Array) -> Array:
    return np.asarray(tried.fit.state.poses[0].apply(middle_page_mm[None])[0])
