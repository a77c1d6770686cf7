"""From linear light to an 8-bit picture: light field, point spread, noise, sRGB, JPEG."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from samples.simulator.camera import Grid

Picture = NDArray[np.uint8]

_STRIP_ROWS = 32


@dataclass(frozen=True)
class Light:
    """The light field over the picture.

    Attributes
    ----------
    tilt
        Relative change from the middle to the right and to the lower edge.
    bow
        Relative loss from the middle to the corners.
    gain
        Overall exposure.
    warmth
        Colour of the light: red gains, blue loses.
    haze
        Share of the light replaced by even smoke glow.
    glare
        (u, v, radius px, linear light added in the middle) or None.
    """

    tilt: tuple[float, float] = (0.0, 0.0)
    bow: float = 0.0
    gain: float = 1.0
    warmth: float = 0.0
    haze: float = 0.0
    glare: tuple[float, float, float, float] | None = None


@dataclass(frozen=True)
class Optics:
    """What blurs and disturbs a picture.

    Attributes
    ----------
    psf_px
        Sigma of the Gaussian point spread (the pixel's own box comes on top).
    noise_levels
        Standard deviation of the grey picture's noise at mid grey.
    motion_px
        Length and direction (rad, image) of motion blur.
    jpeg_quality
        Quality of the JPEG that the picture has gone through; None for none.
    """

    psf_px: float = 0.9
    noise_levels: float = 2.0
    motion_px: tuple[float, float] = (0.0, 0.0)
    jpeg_quality: int | None = 90


def linear_from_level(level: float) -> float:
    """Decode an 8-bit sRGB level (IEC 61966-2-1) to linear light 0 to 1."""
    value = level / 255
    return value / 12.92 if value <= 0.04045 else float(((value + 0.055) / 1.055) ** 2.4)


def level_from_linear(light: Grid) -> Grid:
    """Encode linear light as sRGB levels (IEC 61966-2-1), not yet rounded."""
    held = np.clip(light, 0.0, 1.0)
    bright = np.asarray(cv2.pow(held, 1 / 2.4), np.float32)
    bright *= np.float32(1.055 * 255)
    bright -= np.float32(0.055 * 255)
    return np.asarray(np.where(held <= 0.0031308, held * np.float32(12.92 * 255), bright))


def spread(fine_picture: Grid, fine: int, optics: Optics) -> Grid:
    """Blur a supersampled picture by the optics and add it up to pixels."""
    blurred: Grid = np.asarray(
        cv2.GaussianBlur(fine_picture, (0, 0), optics.psf_px * fine), np.float32
    )
    length, direction = optics.motion_px
    if length:
        blurred = _smear(blurred, length * fine, direction)
    rows, columns = fine_picture.shape[:2]
    if fine == 1:
        return np.asarray(blurred)
    return np.asarray(
        cv2.resize(blurred, (columns // fine, rows // fine), interpolation=cv2.INTER_AREA)
    )


def _smear(picture: Grid, length: float, direction: float) -> Grid:
    """Average over a straight movement, symmetric about the middle of the exposure."""
    count = max(2 * math.ceil(length), 3)
    total = np.zeros_like(picture)
    for share in (np.arange(count) + 0.5) / count - 0.5:
        move = np.array(
            [
                [1, 0, share * length * math.cos(direction)],
                [0, 1, share * length * math.sin(direction)],
            ]
        )
        total += cv2.warpAffine(
            picture, move, picture.shape[1::-1], borderMode=cv2.BORDER_REPLICATE
        )
    return np.asarray(total / count, np.float32)


def expose(linear: Grid, light: Light, optics: Optics, rng: np.random.Generator) -> Picture:
    """Turn (rows, columns, 3) reflectance into the 8-bit RGB picture."""
    rows, columns = linear.shape[:2]
    picture = np.empty((rows, columns, 3), np.uint8)
    # Strips that fit the processor's cache take half the time of the whole picture at once.
    for first in range(0, rows, _STRIP_ROWS):
        strip = slice(first, min(first + _STRIP_ROWS, rows))
        seen = _lit(linear[strip], light, first, rows)
        _add_noise(seen, optics.noise_levels, rng)
        picture[strip] = np.rint(level_from_linear(seen))
    return through_jpeg(picture, optics.jpeg_quality)


def _lit(linear: Grid, light: Light, first_row: int, rows: int) -> Grid:
    """Return a strip of reflectance under the light field of a picture `rows` high."""
    high, columns = linear.shape[:2]
    u = np.linspace(-1, 1, columns, dtype=np.float32)[None, :]
    v = np.linspace(-1, 1, rows, dtype=np.float32)[first_row : first_row + high, None]
    field = (1 + light.tilt[0] * u) * (1 + light.tilt[1] * v)
    field *= light.gain * (1 - light.haze) * (1 - light.bow * (u * u + v * v) / 2)
    seen = np.asarray(linear * field[..., None], np.float32)
    if light.haze:
        seen += np.float32(0.35 * light.haze)
    if light.glare:
        gu, gv, radius, strength = light.glare
        across = np.exp(-((np.arange(columns, dtype=np.float32) - gu) ** 2) / (2 * radius**2))
        places = np.arange(first_row, first_row + high, dtype=np.float32)
        down = np.exp(-((places - gv) ** 2) / (2 * radius**2))
        seen += (strength * np.outer(down, across))[..., None]
    seen *= np.array([1 + light.warmth, 1.0, 1 - light.warmth], np.float32)
    return seen


def _add_noise(seen: Grid, noise_levels: float, rng: np.random.Generator) -> None:
    """Add photon and read-out noise to linear light, in place.

    Variance a L + b, 85 % of it from photons at mid grey (linear 0.216, slope of the sRGB curve
    there 273 levels). Luminance noise is common to the colours, with less of it in each alone.
    """
    middle = 0.216
    slope = 255 * 1.055 / 2.4 * middle ** (1 / 2.4 - 1)
    variance = (noise_levels / slope) ** 2
    brightness = np.maximum(seen.mean(axis=2), 0)
    sigma = np.sqrt(brightness * (0.85 * variance / middle) + 0.15 * variance)
    # 0.95^2 + 0.45^2 x (0.299^2 + 0.587^2 + 0.114^2) = 1: the grey picture has the stated sigma.
    common = 0.95 * rng.standard_normal(sigma.shape, dtype=np.float32)
    for channel in range(3):
        own = rng.standard_normal(sigma.shape, dtype=np.float32)
        own *= 0.4665
        own += common
        own *= sigma
        seen[..., channel] += own


def through_jpeg(picture: Picture, quality: int | None) -> Picture:
    """Return an RGB picture as it comes back from a JPEG of the given quality."""
    if quality is None:
        return picture
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise RuntimeError("the JPEG encoder refused the picture")
    decoded = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
    return np.ascontiguousarray(decoded[..., ::-1])


def relit(light: Light, rng: np.random.Generator, amount: float) -> Light:
    """Return the light after it changed: exposure, tilt and colour by a relative amount."""
    change = rng.uniform(-amount, amount, 4)
    return replace(
        light,
        gain=light.gain * (1 + float(change[0])),
        tilt=(light.tilt[0] + float(change[1]) / 2, light.tilt[1] + float(change[2]) / 2),
        warmth=light.warmth + float(change[3]) / 4,
    )
