from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calibration.errors import WitmarkError
from calibration.files import sha256
from vision.capture.photo import Photo, check_size, linear_luminance, photos_of, read_photo


@pytest.fixture
def colours() -> np.ndarray:
    return np.random.default_rng(0).integers(0, 256, (30, 40, 3), dtype=np.uint8)


def save(path: Path, image: Image.Image, **options: object) -> Path:
    image.save(path, **options)
    return path


def test_pixels_name_and_hash_are_those_of_the_file(tmp_path: Path, colours: np.ndarray) -> None:
    path = save(tmp_path / "a.png", Image.fromarray(colours))
    photo = read_photo(path)
    np.testing.assert_array_equal(photo.rgb, colours)
    assert photo.size == (40, 30)
    assert photo.name == str(path)
    assert photo.sha256 == sha256(path.read_bytes())
    assert photo.notes == ()


def test_turned_photo_keeps_the_sensors_orientation(tmp_path: Path) -> None:
    picture = np.zeros((30, 40, 3), np.uint8)
    picture[:15] = 255
    exif = Image.Exif()
    exif[0x0112] = 6
    path = save(tmp_path / "a.jpg", Image.fromarray(picture), exif=exif, quality=95)
    photo = read_photo(path)
    assert photo.size == (40, 30)
    assert photo.rgb[:12].min() > 200
    assert photo.rgb[18:].max() < 50
    assert "as the camera stored them" in photo.notes[0]


def test_sixteen_bits_are_scaled_not_cut(tmp_path: Path) -> None:
    ramp = np.linspace(0, 65535, 40 * 30).reshape(30, 40).astype(np.uint16)
    photo = read_photo(save(tmp_path / "a.png", Image.fromarray(ramp)))
    expected = np.rint(ramp / 257.0)
    np.testing.assert_allclose(photo.rgb[:, :, 1], expected, atol=1)
    assert "more than 8 bits" in photo.notes[0]


def test_float_picture_up_to_one_is_scaled(tmp_path: Path) -> None:
    half = np.full((5, 6), 0.5, np.float32)
    photo = read_photo(save(tmp_path / "a.tif", Image.fromarray(half)))
    assert (photo.rgb == 128).all()


def test_float_picture_with_nan_is_refused(tmp_path: Path) -> None:
    broken = np.full((5, 6), np.nan, np.float32)
    with pytest.raises(WitmarkError, match="not finite"):
        read_photo(save(tmp_path / "a.tif", Image.fromarray(broken)))


@pytest.mark.parametrize("mode", ["L", "1", "P", "CMYK", "YCbCr"])
def test_other_modes_become_rgb(mode: str, tmp_path: Path) -> None:
    suffix = "png" if mode in ("L", "1", "P") else "tif"
    picture = Image.new("RGB", (8, 6), (255, 255, 255)).convert(mode)
    photo = read_photo(save(tmp_path / f"a.{suffix}", picture))
    assert photo.rgb.shape == (6, 8, 3)
    assert photo.rgb.min() >= 250


def test_transparent_parts_are_laid_on_white(tmp_path: Path) -> None:
    rgba = np.zeros((4, 6, 4), np.uint8)
    rgba[:, 3:, 3] = 255
    photo = read_photo(save(tmp_path / "a.png", Image.fromarray(rgba)))
    assert (photo.rgb[:, :3] == 255).all()
    assert (photo.rgb[:, 3:] == 0).all()
    assert "transparent" in photo.notes[0]


def test_linear_light_follows_the_srgb_curve() -> None:
    # IEC 61966-2-1: 0.04045 is where the straight part ends; 0.5 codes 0.21404 in linear light.
    greys = np.array([0, 10, 11, 128, 255], np.uint8)
    rgb = np.repeat(greys[None, :, None], 3, axis=2)
    linear = linear_luminance(rgb)[0]
    coded = greys / 255
    expected = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    np.testing.assert_allclose(linear, expected, rtol=1e-5, atol=1e-7)
    assert linear.dtype == np.float32
    assert linear[3] == pytest.approx(0.21586, abs=1e-4)


def test_luminance_weights_are_those_of_bt_709() -> None:
    pure = np.zeros((1, 3, 3), np.uint8)
    pure[0, 0, 0] = pure[0, 1, 1] = pure[0, 2, 2] = 255
    np.testing.assert_allclose(linear_luminance(pure)[0], [0.2126, 0.7152, 0.0722], rtol=1e-5)


def test_grey_of_a_grey_picture_is_the_picture() -> None:
    grey = np.arange(256, dtype=np.uint8).reshape(16, 16)
    photo = Photo(np.repeat(grey[:, :, None], 3, axis=2), "a", "")
    np.testing.assert_array_equal(photo.grey, grey)


@pytest.mark.parametrize(
    ("size", "told"),
    [((480, 640), "quarter"), ((320, 240), "smaller or larger"), ((640, 360), "cropped")],
)
def test_photo_of_another_size_is_refused_with_the_likely_reason(
    size: tuple[int, int], told: str
) -> None:
    photo = Photo(np.zeros((size[1], size[0], 3), np.uint8), "a.jpg", "")
    with pytest.raises(WitmarkError, match=told) as caught:
        check_size(photo, (640, 480), "bed.json")
    assert "bed.json was made at 640 x 480" in caught.value.line


def test_photo_of_the_calibrations_size_is_accepted() -> None:
    check_size(Photo(np.zeros((480, 640, 3), np.uint8), "a.jpg", ""), (640, 480), "bed.json")


def test_folders_give_their_photos_in_order(tmp_path: Path) -> None:
    for name in ("b.JPG", "a.png", "notes.txt"):
        (tmp_path / name).write_bytes(b"")
    single = tmp_path / "notes.txt"
    assert photos_of([tmp_path, single]) == [tmp_path / "a.png", tmp_path / "b.JPG", single]
    (tmp_path / "empty").mkdir()
    with pytest.raises(WitmarkError, match="holds no photos"):
        photos_of([tmp_path / "empty"])


def test_damage_in_memory_and_on_disk_reads_the_same(tmp_path: Path, colours: np.ndarray) -> None:
    stream = io.BytesIO()
    Image.fromarray(colours).save(stream, "JPEG")
    (tmp_path / "a.jpg").write_bytes(stream.getvalue()[:-200])
    with pytest.raises(WitmarkError, match="cut off or damaged"):
        read_photo(tmp_path / "a.jpg")
