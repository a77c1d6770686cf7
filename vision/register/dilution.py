"""What the earlier capture's own noise does to how the ground's texture seems to fare under a burn.

The texture is taken from the capture before the burn, noise and all. A burn under which it fades
further lets less of that noise into the model, so that least squares lean that way: an error in the
variables, which dilutes a regression's slope (W. A. Fuller, Measurement Error Models, 1987, section
1.2). Lines of 0.2 mm on wood were fitted with three times the fading that they had, and pulled
aside by three of their standard deviations. What the noise adds to the sum of squares on average is
known, and is taken away.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.register.scene import Seen, Setting, State
from vision.register.tone import grey_from_linear, grey_slope

Image = NDArray[np.float32]

# Ground of which a burn takes less than this is bare.
_BARE = 0.02
_FEWEST = 200
# No more of what the texture seems to tell is taken for noise: what is left of a texture that is
# mostly noise would tell its survival worse than the noise does (painted work).
_MOST = 0.3


@dataclass(frozen=True)
class Dilution:
    """The earlier capture's share in a sum of squares, by the survival of the texture.

    Attributes
    ----------
    cost
        What it adds on average, beyond what it adds to bare ground.
    pull, bend
        Half of how fast that falls with the survival, and half of its second derivative.
    """

    cost: float
    pull: float
    bend: float


def dilution(setting: Setting, state: State, seen: Seen, weight: Image) -> Dilution:
    """Return what the earlier capture's noise does to a fit's sum of squares."""
    noise2 = setting.burn.earlier_noise2
    if not setting.scene.textured or not noise2:
        return Dilution(0.0, 0.0, 0.0)
    taken = 1 - seen.through
    left = 1 - np.float32(state.survival) * taken
    share = _share(seen, weight)
    parts = (share * left * left - weight, share * taken * left, share * taken * taken)
    return Dilution(*(noise2 * float(part.sum(dtype=np.float64)) for part in parts))


def earlier_noise2(setting: Setting, seen: Seen, weight: Image, noise2: float) -> float:
    """Return the variance of the earlier capture's noise, of that of a fit's residuals.

    Both captures are as noisy, but for what carrying the earlier one to the later one's pixels has
    smoothed; under a burn less of it is left.
    """
    if not setting.scene.textured:
        return 0.0
    bare = (weight > 0.5) & (np.abs(1 - seen.through) < _BARE)
    if np.count_nonzero(bare) < _FEWEST:
        return 0.0
    rough, earlier = (
        float(np.square(_roughness(grey)[bare]).mean(dtype=np.float64))
        for grey in (setting.scene.grey, grey_from_linear(seen.bare))
    )
    kept = min(1.0, earlier / max(rough, 1e-9))
    share, taken = _share(seen, weight), 1 - seen.through
    pixels, left, bend = (
        float(part.sum(dtype=np.float64))
        for part in (weight, share * seen.through**2, share * taken**2)
    )
    texture = grey_slope(seen.linear) * seen.field * setting.scene.texture * taken
    told = float(np.sum(weight * texture**2, dtype=np.float64))
    return min(noise2 * kept * pixels / (pixels + kept * left), _MOST * told / max(bend, 1e-9))


def _roughness(grey: Image) -> Image:
    """Return (rows, columns) what no plane explains of 3 x 3 pixels.

    As in J. Immerkaer, Computer Vision and Image Understanding 64, 1996.
    """
    mask = np.outer((1, -2, 1), (1, -2, 1)).astype(np.float32)
    return np.asarray(cv2.filter2D(grey, cv2.CV_32F, mask, borderType=cv2.BORDER_REFLECT_101))


def _share(seen: Seen, weight: Image) -> Image:
    """Return the pixels' weights times how much more a change of the ground's light shows there."""
    return np.asarray(weight * np.square(grey_slope(seen.linear) / grey_slope(seen.bare)))
