"""The bed from a photo of a burned target: machine and photo simulated, G-code our own."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from calibration.bed import read_bed
from calibration.burn_files import Burning, gcode
from calibration.errors import WitmarkError
from calibration.lens import Lens
from calibration.plane import PlaneSurface
from calibration.target import Target, lay_out
from calibration.target_fit import TargetFit, solve_target
from cli.app import run
from samples.simulator.camera import Camera, drawn_camera
from samples.simulator.machine import Machine, target_photo
from samples.simulator.picture import Picture
from vision.capture.photo import Photo

Array = NDArray[np.float64]

HEIGHT_MM = 3.0
SIZE = (1280, 720)
TARGET = lay_out((80.0, 60.0, 320.0, 240.0), 30.0, 7.0, 16.0, "DICT_4X4_50", 0)
# Of a machine whose X runs along the bed's Y.
UPRIGHT = lay_out((60.0, 80.0, 240.0, 320.0), 30.0, 7.0, 16.0, "DICT_4X4_50", 0)
BURNING = Burning(300.0, 3000.0, 6000.0, 0.2, 7.0)
LOST = Machine(reversal_mm=(0.12, -0.08), scatter_mm=0.005)
# 75 degrees wide, 30 degrees from upright.
CAMERA = drawn_camera(4, SIZE)


@lru_cache(maxsize=2)
def photographed(machine: Machine, upright: bool = False, material: str = "painted") -> Picture:
    return target_photo(
        gcode(UPRIGHT if upright else TARGET, BURNING),
        CAMERA,
        machine,
        HEIGHT_MM,
        7,
        material,
        noise_levels=1.5,
    )


def solved(rgb: Picture, target: Target = TARGET, **how: Any) -> TargetFit:
    lens = how.pop("lens", None)
    return solve_target(
        target, lens, [("photo", Photo(rgb, "photo", "").grey)], HEIGHT_MM, "2026-01-01", **how
    )


def errors(
    fit: TargetFit, machine: Machine, target: Target = TARGET, camera: Camera = CAMERA
) -> tuple[Array, Array]:
    """Return (n,) how far told machine places are off in the map, mm, and the map's U95 there."""
    x0, y0, x1, y1 = target.box_mm
    x, y = np.meshgrid(np.linspace(x0, x1, 7), np.linspace(y0, y1, 5))
    told = np.stack([x.ravel(), y.ravel()], axis=1)
    px = camera.project(np.c_[machine.on_bed(told), np.full(len(told), HEIGHT_MM)])
    want = fit.axes.bed_from_machine(told)
    off = fit.fit.bed.mm_from_px(px, HEIGHT_MM) - want
    return np.hypot(*off.T), PlaneSurface(fit.fit.bed, HEIGHT_MM).calibration_u95_mm(want)


def test_one_photo_without_a_lens_file_maps_the_machines_own_millimetres() -> None:
    fit = solved(photographed(LOST))
    off, u95 = errors(fit, LOST)
    assert fit.crosses == (48,)
    assert off.max() < 0.12
    assert (off <= u95).mean() > 0.9
    assert u95.max() < 0.4
    for told, true in zip(fit.reversal_mm, LOST.reversal_mm, strict=True):
        assert told.value == pytest.approx(true, abs=0.03)
        assert abs((told.value or 0.0) - true) <= 1.5 * (told.u95 or 0.0)
    assert fit.fit.bed.traceability.startswith("the machine's own millimetres")
    assert "a lens file" in fit.notes[-1]


@pytest.mark.parametrize(
    ("axes", "origin", "upright", "words"),
    [
        (((-1.0, 0.0), (0.0, -1.0)), (400.0, 300.0), False, 0),
        (((1.0, 0.0), (0.0, -1.0)), (0.0, 300.0), False, 1),
        (((0.0, 1.0), (1.0, 0.0)), (0.0, 0.0), True, 1),
    ],
)
def test_the_machines_axes_are_told_whichever_way_they_run(
    axes: tuple[tuple[float, float], tuple[float, float]],
    origin: tuple[float, float],
    upright: bool,
    words: int,
) -> None:
    target = UPRIGHT if upright else TARGET
    machine = Machine(axes, origin, reversal_mm=(0.1, 0.0))
    fit = solved(photographed(machine, upright, "anodised_black"), target)
    assert fit.axes.axes == axes
    assert fit.fit.bed.machine == fit.axes
    # The bed's millimetres cover the range that the machine's do.
    low, high = np.array(target.box_mm[:2]), np.array(target.box_mm[2:])
    corners = fit.axes.bed_from_machine(np.array([low, high]))
    order = [1, 0] if upright else [0, 1]
    np.testing.assert_allclose(np.sort(corners, axis=0), np.array([low, high])[:, order])
    assert sum("mirrored" in note for note in fit.notes) == words
    assert errors(fit, machine, target)[0].max() < 0.1
    assert fit.reversal_mm[0].value == pytest.approx(0.1, abs=0.03)


def test_a_picture_that_hangs_upside_down_gives_the_same_bed() -> None:
    rgb = photographed(LOST)
    upside_down = np.ascontiguousarray(rgb[::-1, ::-1])
    one, other = solved(rgb), solved(upside_down, top="near")
    assert one.axes == other.axes
    places = np.array([[100.0, 100.0], [300.0, 200.0]])
    px = one.fit.bed.px_from_mm(places, HEIGHT_MM)
    turned = np.array(SIZE) - 1.0 - px
    np.testing.assert_allclose(other.fit.bed.mm_from_px(turned, HEIGHT_MM), places, atol=0.05)


def test_axes_that_differ_and_are_not_square_stay_in_the_map_and_are_told() -> None:
    """With the lens known, a machine's own form cannot pass for the camera's."""
    machine = Machine(scale=(0.003, -0.002), skew_rad=math.radians(0.25))
    truth = Lens.from_values(
        SIZE,
        np.diag([0.3**2, 0.3**2, 0.3**2, 0.3**2, *[1e-8] * 5]),
        fx=CAMERA.focal_px[0],
        fy=CAMERA.focal_px[1],
        cx=CAMERA.centre_px[0],
        cy=CAMERA.centre_px[1],
        **dict(zip(("k1", "k2", "p1", "p2", "k3"), CAMERA.lens, strict=True)),
    )
    fit = solved(photographed(machine), lens=truth)
    off, u95 = errors(fit, machine)
    assert off.max() < 0.1
    assert (off <= u95).mean() > 0.9
    for told, true in ((fit.stretch_percent, 0.5), (fit.skew_deg, 0.25)):
        assert abs((told.value or 0.0) - true) < 1.5 * (told.u95 or 0.0)
        assert (told.u95 or 1.0) < 0.15
    # A square machine is told to be square.
    straight = solved(photographed(LOST), lens=truth)
    for told in (straight.stretch_percent, straight.skew_deg):
        assert abs(told.value or 0.0) < 1.5 * (told.u95 or 0.0)


def test_a_tape_to_the_camera_makes_other_heights_better() -> None:
    rgb = photographed(LOST)
    true = float(CAMERA.place_mm[2])
    alone, taped = solved(rgb), solved(rgb, hangs=(true + 3.0, 5.0))
    assert abs(float(taped.fit.bed.camera_mm[2]) - true) < 10.0
    places = np.array([[100.0, 80.0], [300.0, 80.0], [300.0, 220.0]])
    bed_points = np.c_[LOST.on_bed(places), np.full(3, HEIGHT_MM + 10.0)]
    px = CAMERA.project(bed_points)
    off, u95 = {}, {}
    for name, fit in (("alone", alone), ("taped", taped)):
        above = PlaneSurface(fit.fit.bed, HEIGHT_MM + 10.0)
        off[name] = np.hypot(*(above.mm_from_px(px) - places).T)
        u95[name] = above.calibration_u95_mm(places)
        assert (off[name] <= u95[name]).all()
    assert (u95["taped"] < 0.5 * u95["alone"]).all()
    # At the target's own height nothing changes.
    np.testing.assert_allclose(errors(taped, LOST)[0], errors(alone, LOST)[0], atol=0.02)


def test_another_targets_file_is_not_believed() -> None:
    rgb = photographed(LOST)
    other = lay_out((80.0, 60.0, 320.0, 240.0), 28.0, 7.0, 16.0, "DICT_4X4_50", 0)
    with pytest.raises(WitmarkError, match="do not lie to each other as the file says"):
        solved(rgb, other)
    unlike = replace(TARGET, markers_mm={n + 5: xy for n, xy in TARGET.markers_mm.items()})
    with pytest.raises(WitmarkError, match="0 of the target's 5 coded marks"):
        solved(rgb, unlike)


def test_the_command_makes_a_bed_file_that_checks_can_use(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Image.fromarray(photographed(LOST)).save(tmp_path / "photo.png")
    (tmp_path / "target.json").write_text(json.dumps(TARGET.to_json()))
    out = tmp_path / "bed.json"
    told = [str(tmp_path / "photo.png"), "--board", str(tmp_path / "target.json")]
    assert run(["calibrate", "bed", *told, "--height", "3", "--out", str(out)]) == 0
    said = capsys.readouterr()
    assert "X counts to the right, its Y away from you" in said.out
    assert "no test certificate" in said.out
    assert re.search(r"reversal: X \+0\.[01]\d\d \+- 0\.0\d\d mm, Y -0\.[01]", said.out)
    assert "3 mm up" in said.out
    bed = read_bed(out)
    assert bed.form != (0.0, 0.0)
    np.testing.assert_allclose(bed.camera_mm[:2], CAMERA.place_mm[:2], atol=20)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ([], "--height: must be given once"),
        (["--height", "3", "--height", "4"], "--height: must be given once"),
        (["--height", "3", "--at", "1,2"], "--at: is given for a burned target"),
        (["--height", "3", "--touch", "top-left=1,2"], "--touch: is given for a burned target"),
        (["--height", "3", "--top", "up"], "--top up: is no way"),
        (["--height", "3", "--camera-height", "-4"], "--camera-height -4: is no height"),
        (["--height", "3", "--camera-height", "450,x"], "is not two numbers"),
    ],
)
def test_what_a_target_tells_itself_is_not_to_be_typed(
    options: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Image.new("RGB", (64, 48)).save(tmp_path / "photo.png")
    (tmp_path / "target.json").write_text(json.dumps(TARGET.to_json()))
    given = [str(tmp_path / "photo.png"), "--board", str(tmp_path / "target.json")]
    assert run(["calibrate", "bed", *given, *options, "--out", str(tmp_path / "bed.json")]) == 2
    said = capsys.readouterr()
    assert told in said.err
    assert said.err.count("\n") == 1
    assert not (tmp_path / "bed.json").exists()


def test_a_burned_target_is_no_board_for_the_lens(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "target.json").write_text(json.dumps(TARGET.to_json()))
    board = ["--board", str(tmp_path / "target.json"), "--out", str(tmp_path / "lens.json")]
    assert run(["calibrate", "lens", str(tmp_path / "x.png"), *board]) == 2
    assert "is a burned target" in capsys.readouterr().err
