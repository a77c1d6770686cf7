"""What a fit says of its own uncertainty, and of layers whose turn cannot be seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid
from vision.register.distance import DistanceMap
from vision.register.equations import by_cell
from vision.register.fitted import Fit, drop
from vision.register.noise import autocovariance_spectrum, carry_through, padded
from vision.register.priors import held, priors
from vision.register.region import Region
from vision.register.scene import CELLS_ALIKE

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# Residuals hang together as far as the work's grain does: over millimetres, not over pixels. Of
# textured scenes at 0.10 to 0.25 mm per pixel a reach of 24 pixels covered 71 of 78, 48 pixels 74.
_NOISE_REACH_PX = 24
_NOISE_REACH_MM = 7.0
# A layer's motion, width, strength and overlap.
_OWN_PARAMETERS = 6


def motion_covariance(fit: Fit, region: Region) -> tuple[Array, float]:
    """Return the (3n, 3n) covariance of the motions in mm and rad, and the noise inflation."""
    gain = np.linalg.inv(fit.normal)[: fit.motions]
    influence = np.tensordot(gain.astype(np.float32), fit.jacobian, 1) * fit.weight
    covariance, inflation = coloured_covariance(fit, region, influence)
    used = float((fit.weight > 0.5).sum())
    covariance *= used / max(used - len(fit.normal), 1.0)
    # What the priors hold back is off by as much as they say.
    covariance += fit.setting.burn.noise2 * gain @ fit.prior @ gain.T
    unit = np.ones(fit.motions)
    unit[2::3] = 1.0 / fit.motion_scale_mm
    return covariance * np.outer(unit, unit), inflation


def coloured_covariance(fit: Fit, region: Region, influence: Image) -> tuple[Array, float]:
    """Return (n, n) what the residuals' coloured noise does to n results, and the inflation.

    Parameters
    ----------
    fit, region
        The fit, and where its pixels lie.
    influence
        (n, rows, columns) change of each result per grey level of a pixel.
    """
    influence = region.spread(influence)
    residual, weight = region.spread(fit.residual), region.spread(fit.weight)
    reach = max(_NOISE_REACH_PX, round(_NOISE_REACH_MM / region.pitch_mm))
    spectrum = autocovariance_spectrum(residual, weight, reach)
    shape = padded(residual.shape, reach)
    covariance = carry_through(influence, spectrum, shape)
    white = np.array([float((i * i).sum(dtype=np.float64)) for i in influence]) * fit.noise**2
    # Coloured noise estimated from the fit's own residuals is a little too small at long lags,
    # where the light field has eaten it; white noise is the floor.
    inflation = max(1.0, float(np.mean(np.diag(covariance) / np.maximum(white, 1e-30))))
    floor = np.sqrt(np.maximum(1.0, white / np.maximum(np.diag(covariance), 1e-30)))
    return covariance * np.outer(floor, floor), inflation


def burn_covariance(fit: Fit, influence: Image) -> Array:
    """Return (n, n) what a burn as uneven as this one does to n results.

    Parameters
    ----------
    influence
        (n, rows, columns) change of each result per grey level of a pixel.
    """
    setting = fit.setting
    out = np.zeros((len(influence), len(influence)))
    for own, uneven in zip(fit.by_gain, setting.burn.uneven, strict=True):
        answer = by_cell(
            influence.reshape(len(influence), -1),
            own.reshape(1, -1),
            setting.cell.ravel(),
            setting.cells,
        )[:, :, 0]
        out += CELLS_ALIKE * uneven**2 * (answer.T @ answer)
    return out


def held_covariance(fit: Fit, answer: Array) -> Array:
    """Return (n, n) what is off in what was expected of the fit's parameters does to n results.

    Parameters
    ----------
    answer
        (n, p) change of each result per unit of the fit's gradient.
    """
    setting, state = fit.setting, fit.state
    scatter = np.where(held(setting, state, True), 0.0, priors(setting, state).scatter)
    moved = np.sqrt(setting.burn.noise2) * answer @ scatter.T
    return np.asarray(moved @ moved.T)


def settle_round(
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


def mean_contrast(added: Image) -> float:
    """Return the mean grey levels that a layer adds, weighed by how much it adds."""
    weight = np.abs(added)
    total = float(weight.sum())
    return float((added * weight).sum() / total) if total > 0 else 0.0


def significance(fit: Fit, without: Fit, index: int, inflation: float) -> float:
    """Return how many standard deviations of noise better a fit is with a layer than without it.

    Without it everything else is fitted anew: an outline on a fill's edge may be nothing but a fill
    that reaches a little further. What the layer's freedom explains of the noise does not count.
    """
    better = drop(fit, without) / max(fit.noise, 0.3) ** 2 / inflation
    own = fit.by_gain[index] if fit.uneven else np.zeros_like(fit.weight)
    told = np.bincount(fit.setting.cell.ravel(), (fit.weight * own**2).ravel())
    shrunk = told / (told + fit.setting.burn.strength[index])
    freedom = float(np.sum(shrunk * (2 - shrunk))) + _OWN_PARAMETERS
    return float(np.sqrt(max(better - freedom, 0.0)))
