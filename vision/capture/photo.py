"""Photos at the edge: read, checked, brought to 8-bit RGB in the sensor's own orientation."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from calibration.errors import WitmarkError
from calibration.files import read_bytes, sha256
from calibration.light import LINEAR

Bytes = NDArray[np.uint8]

MAX_PIXELS = 80_000_000
FORMATS = ("JPEG", "PNG", "TIFF", "BMP", "WEBP", "PPM")
SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp", ".pgm", ".ppm")

_EXIF_ORIENTATION = 0x0112
# Standard deviation of the grey levels below which a picture shows nothing: even an evenly lit,
# empty bed spreads by ten and more (common practice, no source).
_ONE_TONE_LEVELS = 1.0
# Weights of linear red, green and blue in luminance: ITU-R BT.709-6, section 3.
_LUMINANCE = (0.2126, 0.7152, 0.0722)


@dataclass(frozen=True, eq=False)
class Photo:
    """One photo as the sensor took it.

    Attributes
    ----------
    rgb
        (h, w, 3) uint8.
    name
        File name as the user gave it.
    sha256
        Hash of the file.
    notes
        What was done on reading that the user should know.
    """

    rgb: Bytes
    name: str
    sha256: str
    notes: tuple[str, ...] = ()

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        height, width = self.rgb.shape[:2]
        return width, height

    @cached_property
    def grey(self) -> Bytes:
        """(h, w) uint8 coded luma (ITU-R BT.601-7), for finding corners and markers."""
        return np.asarray(cv2.cvtColor(self.rgb, cv2.COLOR_RGB2GRAY), np.uint8)

    @cached_property
    def linear(self) -> NDArray[np.float32]:
        """(h, w) float32 luminance in linear light, 0 to 1."""
        return linear_luminance(self.rgb)


def read_photo(path: Path) -> Photo:
    """Read one photo.

    The pixels stay as the sensor stored them: an EXIF orientation is not applied, because the
    lens belongs to the sensor and not to the way the picture is held. Sixteen bits are brought to
    eight, grey to three equal channels, transparency is laid on white.

    Raises
    ------
    WitmarkError
        Where the file is missing, empty, cut off, no image, or larger than MAX_PIXELS.
    """
    where = str(path)
    data = read_bytes(path)
    if not data:
        raise WitmarkError(where, "is empty", "copy the photo again from the camera")
    notes: list[str] = []
    try:
        with warnings.catch_warnings():
            # Our own limit on the number of pixels is checked before anything is decoded.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=FORMATS) as image:
                _check_pixels(where, image.size)
                if image.getexif().get(_EXIF_ORIENTATION, 1) != 1:
                    notes.append(
                        f"{path.name} carries a rotation for viewers; its pixels were used as the "
                        "camera stored them"
                    )
                rgb = _to_rgb(image, notes)
    except Image.DecompressionBombError as error:
        raise _too_large(where) from error
    except UnidentifiedImageError as error:
        raise WitmarkError(
            where, "is not a picture that can be read", "give a JPEG, PNG or TIFF photo"
        ) from error
    except (OSError, SyntaxError, ValueError, EOFError) as error:
        raise WitmarkError(
            where, f"is cut off or damaged ({error})", "copy the photo again from the camera"
        ) from error
    return Photo(rgb, str(path), sha256(data), tuple(notes))


def check_shows_something(photo: Photo) -> None:
    """Refuse a photo that is one tone all over: lens covered, no light, or far too much of it."""
    spread = float(cv2.meanStdDev(photo.grey)[1].item())
    if spread < _ONE_TONE_LEVELS:
        raise WitmarkError(
            photo.name,
            f"shows nothing: it is one tone all over (grey level {int(photo.grey[0, 0])} of 255)",
            "uncover the lens, set light and exposure, and take it again",
        )


def check_size(photo: Photo, image_size: tuple[int, int], calibration: str) -> None:
    """Refuse a photo of another size or crop than the calibration's.

    Parameters
    ----------
    image_size
        Width and height that the calibration saw.
    calibration
        The calibration's name in the complaint.
    """
    if photo.size == image_size:
        return
    (width, height), (asked_width, asked_height) = photo.size, image_size
    what = f"is {width} x {height} pixels, {calibration} was made at {asked_width} x {asked_height}"
    if (width, height) == (asked_height, asked_width):
        mend = "the photo was turned by a quarter; give it as the camera stored it"
    elif width * asked_height == height * asked_width:
        mend = "it was made smaller or larger; take it at the calibration's size"
    else:
        mend = "it was cropped or taken in another mode; give the whole picture"
    raise WitmarkError(photo.name, what, mend)


def photos_of(paths: list[Path]) -> list[Path]:
    """Return the photos that files and folders name, folders in the order of their names."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() in SUFFIXES)
            if not inside:
                raise WitmarkError(str(path), "holds no photos", "give a folder of JPEG or PNG")
            found.extend(inside)
        else:
            found.append(path)
    return found


def linear_luminance(rgb: Bytes) -> NDArray[np.float32]:
    """Return (h, w) luminance in linear light, 0 to 1, of (h, w, 3) sRGB bytes.

    The curve is that of IEC 61966-2-1 (sRGB), the weights those of ITU-R BT.709.
    """
    out = np.zeros(rgb.shape[:2], np.float32)
    for channel, weight in zip(cv2.split(rgb), _LUMINANCE, strict=True):
        out += cv2.LUT(channel, LINEAR * np.float32(weight))
    return out


def _to_rgb(image: Image.Image, notes: list[str]) -> Bytes:
    """Decode an opened image to (h, w, 3) uint8; says in notes what it changed."""
    image.load()
    if image.mode.startswith(("I", "F")):
        grey = _eight_bits(np.asarray(image))
        notes.append("the picture has more than 8 bits per pixel; it was brought to 8")
        return np.repeat(grey[:, :, None], 3, axis=2)
    if image.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in image.info:
        rgba = image.convert("RGBA")
        white = Image.new("RGBA", rgba.size, "white")
        notes.append("the picture has transparent parts; they were laid on white")
        return np.array(Image.alpha_composite(white, rgba).convert("RGB"))
    return np.array(image.convert("RGB"))


def _eight_bits(samples: NDArray[np.generic]) -> Bytes:
    """Scale grey samples of more than 8 bits to 8: floats up to 1 or 255, integers up to 65535."""
    values = samples.astype(np.float32)
    if not np.isfinite(values).all():
        raise ValueError("it holds numbers that are not finite")
    if samples.dtype.kind == "f":
        scale = 255.0 if values.max() <= 1.0 else 1.0
    else:
        scale = 255.0 / 65535.0
    return np.asarray(np.clip(np.rint(values * scale), 0, 255), np.uint8)


def _check_pixels(where: str, size: tuple[int, int]) -> None:
    if size[0] * size[1] > MAX_PIXELS:
        raise _too_large(where)


def _too_large(where: str) -> WitmarkError:
    return WitmarkError(
        where,
        f"has more than {MAX_PIXELS // 1_000_000} million pixels",
        "take the photo at the size that the calibration was made at",
    )
