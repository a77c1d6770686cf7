"""Where about on the bed the artwork lies: masked correlation over places and turns.

The score is the correlation coefficient between the picture and a rendered template within the
neighbourhood of the strokes only (masked normalised cross-correlation; Padfield, IEEE TIP 21,
2012), in either polarity; what lies beside the artwork (honeycomb, old burns, a neighbour) does
not count.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.average import local_mean
from vision.register.distance import DistanceMap
from vision.register.rectified import Rectified

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_SEPARATE_MM = 1.5
_SUB = 3
# What is smoother than this is light or glare where pictures are flattened.
_SMOOTH_MM = 2.0


@dataclass(frozen=True)
class Candidate:
    """A place where the artwork may lie.

    Attributes
    ----------
    pose
        bed <- page.
    score
        Correlation coefficient, -1 to 1; negative where the mark is lighter than the ground.
    layers
        Names of the layers that the template was made of.
    """

    pose: Rigid
    score: float
    layers: tuple[str, ...]


def search(
    picture: Rectified,
    maps: tuple[DistanceMap, ...],
    pivot_page_mm: Array,
    start: Rigid,
    turns_rad: Array,
    kerf_mm: float,
    most: int,
    flattened: bool = False,
) -> list[Candidate]:
    """Return the best places, best first, at least a few millimetres or degrees apart.

    Parameters
    ----------
    picture
        Rectified capture (logarithm of light, or of its ratio to the before capture).
    maps
        The layers' distance maps.
    pivot_page_mm
        Page place about which the artwork is turned.
    start
        Pose whose turn (and mirroring) the turns are added to; its place does not matter.
    turns_rad
        Turns to try.
    kerf_mm
        Width of the burned line.
    most
        Number of candidates wanted.
    flattened
        Whether all that is smooth over a few millimetres is taken out of picture and templates.
    """
    if flattened:
        flat = _flattened(picture.values, picture.seen, picture.pitch_mm)
        picture = replace(picture, values=flat)
    sets: list[tuple[DistanceMap, ...]] = [maps]
    if len(maps) > 1:
        sets.extend((layer,) for layer in maps)
    found: list[Candidate] = []
    for chosen in sets:
        names = tuple(m.layer for m in chosen)
        peaks: list[Candidate] = []
        for turn in turns_rad:
            pose = Rigid(0.0, 0.0, start.angle_rad + float(turn), start.mirrored)
            template, mask, corner = _template(chosen, pose, picture.pitch_mm, kerf_mm)
            if flattened:
                template = _flattened(template, np.ones_like(template), picture.pitch_mm)
            scores = _correlate(picture, template, mask)
            if scores is None:
                continue
            for i, j, score in _peaks(scores, picture.pitch_mm, most):
                place = np.array(picture.origin_mm) + picture.pitch_mm * np.array([j, i]) - corner
                peaks.append(
                    Candidate(
                        Rigid(float(place[0]), float(place[1]), pose.angle_rad, pose.mirrored),
                        score,
                        names,
                    )
                )
        found.extend(_distinct(peaks, pivot_page_mm, most))
    return _distinct(found, pivot_page_mm, most)


def _flattened(values: Image, seen: Image, pitch_mm: float) -> Image:
    """Return values less their mean about each place, of what is seen."""
    mean = local_mean(values, seen, _SMOOTH_MM / pitch_mm, cv2.BORDER_REPLICATE)
    return np.asarray((values - mean) * seen)


def _template(
    maps: tuple[DistanceMap, ...], pose: Rigid, pitch_mm: float, kerf_mm: float
) -> tuple[Image, Image, Array]:
    """Render layers at a turn; return template, mask and the place of its first node."""
    corners = []
    for layer in maps:
        rows, columns = layer.stack.shape[:2]
        far = np.array(layer.origin_mm) + layer.pitch_mm * np.array([columns - 1, rows - 1])
        x0, y0 = layer.origin_mm
        corners.append(pose.apply(np.array([[x0, y0], [far[0], y0], [x0, far[1]], far])))
    every = np.concatenate(corners)
    low = every.min(axis=0)
    columns, rows = (math.ceil(v) + 1 for v in (every.max(axis=0) - low) / pitch_mm)
    fine = pitch_mm / _SUB
    offset = (np.arange(columns * _SUB) - (_SUB - 1) / 2) * fine
    offset_y = (np.arange(rows * _SUB) - (_SUB - 1) / 2) * fine
    x, y = np.meshgrid(low[0] + offset, low[1] + offset_y)
    places = np.dstack([x, y]).astype(np.float32)
    total = np.zeros(x.shape, np.float32)
    nearest = np.full(x.shape, np.inf, np.float32)
    for layer in maps:
        distance = layer.distance_at(pose, places)
        total = np.maximum(total, np.clip((kerf_mm / 2 - distance) / fine + 0.5, 0, 1))
        nearest = np.minimum(nearest, distance)
    size = (columns, rows)
    template = cv2.resize(total, size, interpolation=cv2.INTER_AREA)
    near = cv2.resize(nearest, size, interpolation=cv2.INTER_AREA)
    reach = min(layer.reach_mm for layer in maps)
    # A little blur: the template must match a mark that lies between nodes and turns.
    template = cv2.GaussianBlur(template, (0, 0), 0.7)
    return np.asarray(template), (near < reach - fine).astype(np.float32), low


def _correlate(picture: Rectified, template: Image, mask: Image) -> Image | None:
    """Return the correlation coefficient of the template at every place where it fits in."""
    rows, columns = template.shape
    if picture.values.shape[0] < rows or picture.values.shape[1] < columns:
        return None
    total = float(mask.sum())
    centred = (template - float((template * mask).sum()) / total) * mask
    energy = float((centred * centred).sum())
    mean = float(picture.values[picture.seen > 0].mean()) if picture.seen.any() else 0.0
    values = (picture.values - np.float32(mean)) * picture.seen
    cross = cv2.matchTemplate(values, centred.astype(np.float32), cv2.TM_CCORR)
    first = cv2.matchTemplate(values, mask, cv2.TM_CCORR)
    second = cv2.matchTemplate(values * values, mask, cv2.TM_CCORR)
    inside = cv2.matchTemplate(picture.seen, mask, cv2.TM_CCORR)
    variance = second - first * first / np.float32(total)
    floor = 1e-6 * total
    scores = cross / np.sqrt(np.maximum(variance, floor) * np.float32(max(energy, 1e-9)))
    return np.asarray(np.where(inside > 0.9 * total, scores, 0.0), np.float32)


def _peaks(scores: Image, pitch_mm: float, most: int) -> list[tuple[int, int, float]]:
    strength = np.abs(scores)
    size = 2 * max(1, round(_SEPARATE_MM / pitch_mm)) + 1
    top = cv2.dilate(strength, np.ones((size, size), np.uint8))
    rows, columns = np.nonzero((strength >= top) & (strength > 0.05))
    order = np.argsort(-strength[rows, columns])[:most]
    return [(int(rows[k]), int(columns[k]), float(scores[rows[k], columns[k]])) for k in order]


def _distinct(candidates: list[Candidate], pivot_page_mm: Array, most: int) -> list[Candidate]:
    """Keep the best of each neighbourhood."""
    kept: list[Candidate] = []
    centres: list[Array] = []
    for candidate in sorted(candidates, key=lambda c: -abs(c.score)):
        centre = candidate.pose.apply(pivot_page_mm[None])[0]
        if all(np.hypot(*(centre - other)) > _SEPARATE_MM for other in centres):
            kept.append(candidate)
            centres.append(centre)
        if len(kept) == most:
            break
    return kept
