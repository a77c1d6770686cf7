from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from calibration.errors import WitmarkError
from cli.app import run
from vision.capture.photo import read_photo


def bomb() -> bytes:
    """A PNG of a few hundred bytes whose header claims 60000 x 60000 pixels."""

    def chunk(name: bytes, data: bytes) -> bytes:
        body = name + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 0, 0, 0, 0)
    data = zlib.compress(b"\0" * 1000)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")
    )


def half_a_jpeg() -> bytes:
    import io

    stream = io.BytesIO()
    noise = np.random.default_rng(0).integers(0, 255, (200, 300, 3), dtype=np.uint8)
    Image.fromarray(noise).save(stream, "JPEG")
    return stream.getvalue()[:5000]


HOSTILE = {
    "empty.jpg": (b"", "is empty"),
    "text.jpg": (b"not a picture at all", "not a picture"),
    "cut.jpg": (half_a_jpeg(), "cut off or damaged"),
    "bomb.png": (bomb(), "million pixels"),
    "header.png": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "cut off or damaged"),
    "drawing.svg": (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "not a picture"),
    "page.eps": (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n", "not a picture"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_unreadable_photo_is_one_line(name: str, tmp_path: Path) -> None:
    data, told = HOSTILE[name]
    (tmp_path / name).write_bytes(data)
    with pytest.raises(WitmarkError, match=told) as caught:
        read_photo(tmp_path / name)
    assert "\n" not in caught.value.line
    assert caught.value.exit_status == 2


def test_bed_command_refuses_an_unreadable_photo_and_writes_nothing(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "bed.json"
    for name, (data, told) in HOSTILE.items():
        (tmp_path / name).write_bytes(data)
        assert (
            run(["calibrate", "bed", str(tmp_path / name), *bench.bed_options, "--out", str(out)])
            == 2
        )
        said = capsys.readouterr()
        assert told in said.err
        assert said.out == ""
    assert (
        run(["calibrate", "bed", str(tmp_path / "no"), *bench.bed_options, "--out", str(out)]) == 2
    )
    assert "no such file" in capsys.readouterr().err
    assert not out.exists()


def test_lens_command_names_bad_photos_and_goes_on_with_the_good(
    bench: Any,
    tmp_path: Path,
    draw: Callable[[Path, np.ndarray], Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "cut.jpg").write_bytes(HOSTILE["cut.jpg"][0])
    draw(tmp_path / "empty.png", np.full((960, 1280), 90, np.uint8))
    draw(tmp_path / "small.png", np.full((480, 640), 90, np.uint8))
    sharp = np.array(Image.open(bench.folder / "lens" / "p0.png"))
    import cv2

    draw(tmp_path / "soft.png", cv2.GaussianBlur(sharp, (0, 0), 5))
    draw(tmp_path / "flipped.png", np.ascontiguousarray(sharp[:, ::-1]))
    out = tmp_path / "lens.json"
    options = ["--board", str(bench.folder / "board.json"), "--out", str(out), "--json"]
    assert run(["calibrate", "lens", str(bench.folder / "lens"), str(tmp_path), *options]) == 0
    told = json.loads(capsys.readouterr().out)
    why = {Path(p["name"]).name: p["why"] for p in told["photos"] if not p["used"]}
    assert sorted(why) == ["cut.jpg", "empty.png", "flipped.png", "small.png", "soft.png"]
    assert "cut off" in why["cut.jpg"]
    assert "no contrast" in why["empty.png"]
    assert "is 640 x 480 pixels, the others are 1280 x 960" in why["small.png"]
    assert "blurred" in why["soft.png"]
    assert "mirrored" in why["flipped.png"]


def test_photo_of_another_size_than_the_lens_is_refused(
    bench: Any,
    tmp_path: Path,
    draw: Callable[[Path, np.ndarray], Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    whole = np.array(Image.open(bench.folder / "bed.png"))
    for name, grey, told in (
        ("crop.png", whole[:, :1000], "cropped"),
        ("half.png", whole[::2, ::2], "smaller or larger"),
        ("turned.png", np.rot90(whole), "quarter"),
    ):
        photo = draw(tmp_path / name, np.ascontiguousarray(grey))
        out = str(tmp_path / "b.json")
        assert run(["calibrate", "bed", str(photo), *bench.bed_options, "--out", out]) == 2
        assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda grey: np.full_like(grey, 120), "almost no contrast"),
        (lambda grey: np.ascontiguousarray(grey[:, ::-1]), "mirrored"),
        (lambda grey: 255 - grey, "black and white are exchanged"),
        (lambda grey: np.where(np.arange(grey.shape[1]) > 200, 70, grey), "not in view"),
    ],
    ids=["blank", "mirrored", "negative", "covered"],
)
def test_bed_photo_that_shows_no_board_says_why(
    spoil: Callable[[np.ndarray], np.ndarray],
    told: str,
    bench: Any,
    tmp_path: Path,
    draw: Callable[[Path, np.ndarray], Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    grey = np.array(Image.open(bench.folder / "bed.png"))
    photo = draw(tmp_path / "spoiled.png", spoil(grey).astype(np.uint8))
    out = tmp_path / "bed.json"
    assert run(["calibrate", "bed", str(photo), *bench.bed_options, "--out", str(out)]) == 2
    assert told in capsys.readouterr().err
    assert not out.exists()
