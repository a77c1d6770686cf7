"""What lies in front of the work and covers part of it: found where bare ground should be seen.

A machine's head, a clamp or a finger shows as an area of unlike grey, several millimetres wide,
where neither layer was to burn: whatever a layer does that lies a little elsewhere is narrower, and
what was not burned looks like the ground. From there it is followed over the mark (hysteresis, as
of edges: Canny, IEEE PAMI 8, 1986), and what looks like it all between two parts belongs to it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.register.fitted import Fit
from vision.register.scene import Scene
from vision.register.tone import grey_from_linear
from vision.register.view import View

Mask = NDArray[np.bool_]

# No narrower than what the layers are looked for beside each other, lest a layer be taken for it.
_WIDTH_MM = 3.6
# Once found it is followed over parts of this width, and its blurred rim belongs to it.
_FOLLOWED_MM = 1.6
_RIM_MM = 0.5
# Grey levels by which it differs, in standard deviations of the residuals and at least and at most
# in shares of what the strongest layer adds: where it begins, and where it is followed.
_BEGINS = (6.0, 0.25, 0.4)
_FOLLOWS = (4.0, 0.08, 0.2)
# Where a layer adds less than this share nothing was to burn.
_BARE = 0.1
# So much like the ground as a share of that is no cover.
_LIKE_GROUND = 0.15
# Grey levels as unlike as this are still one thing, in standard deviations and at least.
_ONE_THING, _ONE_THING_LEVELS = 4.0, 6.0
# So much of what lies between two of its parts must look like them, if it is one with them.
_SOLID, _MOST_PARTS = 0.9, 8
# It is there where this share of it stays unexplained, and is one thing up to this share of all.
_UNEXPLAINED, _MOST = 0.5, 0.5
# Fits in a row, and those of them with even light, unless it is found sooner.
_ROUNDS, _EVEN_ROUNDS = 7, 2


def covered(
    scene: Scene, together: Callable[[Scene], Fit | None], apart: Callable[[Scene], Fit | None]
) -> Mask | None:
    """Return (rows, columns) which pixels show something in front of the work; None where none do.

    Parameters
    ----------
    scene
        The pixels, about half a millimetre wide.
    together, apart
        Fit all layers with one motion, and each with its own.
    """
    nothing = np.zeros(scene.region.shape, np.bool_)
    mask, begins, level = nothing, nothing, 0.0
    # Light that bends would follow what covers the work: it may slope once that is known roughly.
    order = 0
    for number in range(_ROUNDS):
        usable = scene.usable * (~mask).astype(np.float32)
        seen = together(replace(scene, usable=usable, light_order=order))
        if seen is None:
            return None
        found, begins = _found(seen)
        level = _level(seen)
        same = bool((found == mask).all())
        if same and (order == 1 or not mask.any()):
            break
        if same or number >= _EVEN_ROUNDS:
            order = 1
        # The first fit may have taken what covers the work for its ground.
        mask = nothing if found.mean() > _MOST else found
    if not mask.any():
        return None
    # A layer that lies far beside the other is no cover: with it the model explains the picture.
    whole = apart(replace(scene, light_order=1))
    if whole is not None:
        unexplained = np.abs(whole.residual) > _LIKE_GROUND * level
        if unexplained[begins].mean() < _UNEXPLAINED:
            return None
    return mask


def without(view: View, scene: Scene, mask: Mask) -> View:
    """Return a capture in which the pixels of a scene's mask do not count."""
    region = scene.region
    rows, columns = region.frame
    size = (columns * region.bin, rows * region.bin)
    shown = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    # Of the capture's rectangle less than one wide pixel may be left over.
    whole = cv2.copyMakeBorder(shown, 0, region.bin, 0, region.bin, cv2.BORDER_REPLICATE)
    usable = view.usable.copy()
    part = usable[region.top :, region.left :][: whole.shape[0], : whole.shape[1]]
    part[whole[: part.shape[0], : part.shape[1]] > 0] = 0.0
    return replace(view, usable=usable)


def _found(fit: Fit) -> tuple[Mask, Mask]:
    """Return (rows, columns) what covers the work beside the fit, and where it surely does."""
    scene, residual = fit.setting.scene, fit.residual
    pitch, level = scene.region.pitch_mm, _level(fit)
    bare = np.max([np.abs(levels) for levels in fit.added], axis=0) < _BARE * level
    begins = np.zeros(residual.shape, np.bool_)
    follows = begins.copy()
    for side in (residual, -residual):
        begins |= _opened(bare & (side > _unlike(fit, _BEGINS)), _WIDTH_MM / pitch)
        follows |= _opened(side > _unlike(fit, _FOLLOWS), _FOLLOWED_MM / pitch)
    if not begins.any():
        return begins, begins
    ground = np.abs(scene.grey - grey_from_linear(fit.seen.bare)) < _LIKE_GROUND * level
    grey = scene.grey[begins]
    own = float(np.median(grey))
    spread = max(1.4826 * float(np.median(np.abs(grey - own))), _noise(fit))
    near = min(_ONE_THING * spread + _ONE_THING_LEVELS, _FOLLOWS[2] * level)
    alike = np.abs(scene.grey - own) < near
    between = _opened(_between(begins, alike | follows), _FOLLOWED_MM / pitch)
    sure = begins | (between & ~ground)
    whole = _grown(sure | (follows & ~ground), _RIM_MM / pitch)
    _, label = cv2.connectedComponents(whole.astype(np.uint8))
    mask = np.isin(label, np.unique(label[sure]))
    # What is followed over most of the picture is no longer one thing in front of it.
    return (mask if mask.mean() <= _MOST else _grown(sure, _RIM_MM / pitch)), begins


def _between(parts: Mask, same: Mask) -> Mask:
    """Return what lies between two parts of a mask where nearly all of that looks like them."""
    out = parts.copy()
    count, label = cv2.connectedComponents(parts.astype(np.uint8))
    for one, other in itertools.combinations(range(1, min(count, _MOST_PARTS + 1)), 2):
        corners = np.argwhere((label == one) | (label == other))[:, ::-1].astype(np.int32)
        hull = np.zeros(parts.shape, np.uint8)
        cv2.fillConvexPoly(hull, cv2.convexHull(corners), 1)
        if same[hull > 0].mean() > _SOLID:
            out |= hull > 0
    return out


def _unlike(fit: Fit, limits: tuple[float, float, float]) -> float:
    """Return by how many grey levels a pixel differs: standard deviations, least and most share."""
    sigmas, least, most = limits
    return float(np.clip(sigmas * _noise(fit), least * _level(fit), most * _level(fit)))


def _level(fit: Fit) -> float:
    """Return the grey levels that the strongest layer adds."""
    return float(max(np.abs(levels).max() for levels in fit.added))


def _noise(fit: Fit) -> float:
    return max(fit.noise, 1.0)


def _opened(mask: Mask, side: float) -> Mask:
    """Return the parts of a mask that a square of some pixels fits into; it goes on outside."""
    size = max(1, round(side))
    border = (size, size, size, size)
    wide = cv2.copyMakeBorder(mask.astype(np.uint8), *border, cv2.BORDER_REPLICATE)
    kernel, middle = np.ones((size, size), np.uint8), size // 2
    # Of an even square the middle lies to one side, and for the way back to the other.
    kept = cv2.erode(wide, kernel, anchor=(middle, middle))
    opened = cv2.dilate(kept, kernel, anchor=(size - 1 - middle,) * 2)
    return np.asarray(opened[size:-size, size:-size] > 0)


def _grown(mask: Mask, by: float) -> Mask:
    side = 2 * max(1, round(by)) + 1
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((side, side), np.uint8)) > 0)
