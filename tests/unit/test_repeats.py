"""Captures that are averaged must show the same scene; simulated pictures, not real photos."""

import cv2
import numpy as np
import pytest

from calibration.errors import WitmarkError
from vision.capture.photo import Photo
from vision.capture.repeats import check_repeats, difference

SIZE = (480, 640)


def scene():
    """Draw a bed of cells with a plate that bears a mark on it."""
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float32)
    picture = (60 + 30 * np.sin(x / 5) * np.sin(y / 7)).astype(np.uint8)
    picture[120:360, 160:480] = 150
    cv2.putText(picture, "MARK", (210, 260), cv2.FONT_HERSHEY_SIMPLEX, 2.5, 70, 8)
    return cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 0.9)


def moved(picture, right_px, down_px):
    matrix = np.array([[1, 0, right_px], [0, 1, down_px]], np.float32)
    return cv2.warpAffine(
        picture, matrix, picture.shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )


def taken(picture, seed, noise=2.0, quality=85):
    """Return what a camera stores of a scene."""
    noisy = picture + np.random.default_rng(seed).normal(0, noise, picture.shape)
    _, data = cv2.imencode(
        ".jpg", noisy.clip(0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    return cv2.imdecode(data, cv2.IMREAD_GRAYSCALE).astype(np.float32)


@pytest.mark.parametrize("noise", [0.5, 2.0, 5.0])
@pytest.mark.parametrize("quality", [60, 95])
@pytest.mark.parametrize("gain", [1.0, 0.9, 1.05])
def test_noise_compression_and_stronger_light_make_no_difference(noise, quality, gain):
    first = taken(scene(), 1, noise, quality)
    for seed in range(2, 6):
        assert difference(first, taken(gain * scene(), seed, noise, quality)) is None


@pytest.mark.parametrize(
    ("right_px", "down_px"), [(0.6, 0.0), (0.0, -0.6), (3.0, 2.0), (40.0, 0.0)]
)
def test_a_camera_or_a_scene_that_moved_is_noticed(right_px, down_px):
    found = difference(taken(scene(), 1), taken(moved(scene(), right_px, down_px), 2))
    assert found is not None


def test_a_tremble_of_a_twentieth_of_a_pixel_is_none():
    assert difference(taken(scene(), 1), taken(moved(scene(), 0.05, 0.03), 2)) is None


def test_work_that_moved_on_a_bed_that_did_not_is_found_where_it_lies():
    other = scene()
    other[128:320, 192:448] = moved(scene(), 0.8, 0.5)[128:320, 192:448]
    found = difference(taken(scene(), 1), taken(other, 2))
    assert found is not None
    u, v = found
    assert 192 <= u <= 448
    assert 128 <= v <= 320


def test_something_that_came_into_the_picture_is_noticed():
    other = scene()
    cv2.circle(other, (320, 240), 70, 30.0, -1)
    assert difference(taken(scene(), 1), taken(other, 2)) is not None


def test_pictures_without_edges_or_smaller_than_a_block_tell_nothing():
    flat = np.full(SIZE, 90, np.float32)
    assert difference(taken(flat, 1), taken(flat, 2)) is None
    assert difference(flat[:50], taken(scene(), 1)[:50]) is None


def test_repeats_that_differ_are_refused_by_name():
    photos = [
        Photo(np.repeat(taken(picture, 3).astype(np.uint8)[..., None], 3, 2), name, "")
        for name, picture in (
            ("a.png", scene()),
            ("b.png", scene()),
            ("c.png", moved(scene(), 2, 0)),
        )
    ]
    check_repeats(photos[:2])
    with pytest.raises(WitmarkError, match=r"c\.png: does not show the same scene as a\.png"):
        check_repeats(photos)
    with pytest.raises(WitmarkError, match=r"is 640 x 400 pixels, a\.png is 640 x 480"):
        check_repeats([photos[0], Photo(photos[1].rgb[:400], "b.png", "")])
