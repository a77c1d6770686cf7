"""A steel rule on the bed, simulated: its lines found, its millimetres held against the map's."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from calibration.bed import COUNT, FORM, SCALE, Bed, read_bed, write_bed
from calibration.errors import WitmarkError
from calibration.form import form_matrix
from calibration.lens import Lens
from calibration.pose import Pose
from calibration.rule import RuleLook, look_at_rule
from calibration.rule_fit import tie_to_rule
from cli.app import run
from samples.simulator.board import bed_board_photo
from samples.simulator.camera import pool_camera
from samples.simulator.picture import Picture
from samples.simulator.rule import rule_photo
from vision.capture.photo import Photo

Grey = NDArray[np.uint8]

CAMERA = pool_camera(1)
HEIGHT_MM = 0.6
# Zero line's place, turn, length: along X, along Y, aslant.
PLACES = (((60.0, 140.0), 1.0, 250), ((215.0, 50.0), 89.0, 200), ((110.0, 60.0), 38.0, 250))


def exact_bed() -> Bed:
    """Return the map of the simulator's camera."""
    names = ("k1", "k2", "p1", "p2", "k3")
    lens = Lens.from_values(
        CAMERA.size,
        None,
        fx=CAMERA.focal_px[0],
        fy=CAMERA.focal_px[1],
        cx=CAMERA.centre_px[0],
        cy=CAMERA.centre_px[1],
        **dict(zip(names, CAMERA.lens, strict=True)),
    )
    pose = Pose.from_vectors(CAMERA.rvec, CAMERA.tvec)
    field = (0.0, 0.0, 400.0, 300.0)
    nothing = np.zeros((COUNT, COUNT))
    return Bed(lens, pose, nothing, (118.0, 212.0, 0.3), field, 0.05, "a print's", "2026-01-01")


def formed_bed() -> Bed:
    """Return a map in the millimetres of a machine whose axes are off, as its target told them."""
    covariance = np.zeros((COUNT, COUNT))
    covariance[FORM, FORM] = np.eye(2) * 1e-8
    return replace(exact_bed(), covariance=covariance, form=(0.004, -0.006), id="")


@lru_cache(maxsize=3)
def picture(way: int) -> Picture:
    at, turn, length = PLACES[way]
    return rule_photo(CAMERA, at, turn, HEIGHT_MM, way, length, noise_levels=1.5)


def grey(rgb: Picture) -> Grey:
    return Photo(rgb, "photo", "").grey


_looked: dict[tuple[str, int], RuleLook] = {}


def looks(bed: Bed, ways: tuple[int, ...] = (0, 1, 2)) -> list[tuple[str, RuleLook]]:
    for way in ways:
        if (bed.id, way) not in _looked:
            _looked[bed.id, way] = look_at_rule(grey(picture(way)), bed, HEIGHT_MM)
    return [(f"rule {way}", _looked[bed.id, way]) for way in ways]


@pytest.mark.parametrize("way", [0, 1, 2])
def test_a_rule_is_found_and_a_true_map_agrees_with_it(way: int) -> None:
    [(_, look)] = looks(exact_bed(), (way,))
    at, turn, length = PLACES[way]
    assert look.why is None
    told = math.degrees(math.atan2(look.direction[1], look.direction[0]))
    assert (told - turn + 90) % 180 - 90 == pytest.approx(0.0, abs=0.5)
    along = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    np.testing.assert_allclose(look.middle_mm, at + along * length / 2, atol=6.0)
    assert length - 12 <= look.length_mm <= length
    # 0.01 % of 200 mm are 0.02 mm.
    assert abs(look.stretch) < 1e-4
    assert abs(look.stretch) < 3 * math.hypot(look.own_sigma, 5e-5)


def test_a_map_from_a_print_of_another_size_is_rescaled_to_the_rule() -> None:
    true = exact_bed()
    pivot = np.array(true.pivot_mm)
    # A board that was printed 0.4 % larger than its file says makes millimetres that are too long.
    shrunk = true.pose.translation_mm / 1.004 + (1 / 1.004 - 1) * true.pose.rotation @ pivot
    wrong = replace(true, pose=replace(true.pose, translation_mm=shrunk), id="")
    places = np.array([[30.0, 30.0], [370.0, 30.0], [370.0, 270.0], [118.0, 212.0]])
    px = true.px_from_mm(places, 0.3)
    assert np.hypot(*(wrong.mm_from_px(px, 0.3) - places).T).max() > 0.8
    fit = tie_to_rule(wrong, looks(wrong, (0,)), HEIGHT_MM)
    assert not fit.burned
    assert fit.x_percent.value == pytest.approx(0.4, abs=0.02)
    off = fit.bed.mm_from_px(px, 0.3) - places
    assert np.hypot(*off.T).max() < 0.06
    assert fit.bed.scale_measured
    assert math.sqrt(fit.bed.covariance[SCALE, SCALE][0, 0]) == pytest.approx(
        (fit.x_percent.u95 or 0.0) / 196, rel=0.1
    )
    assert fit.bed.traceability == "a steel rule's millimetres"
    assert fit.bed.id != wrong.id


def test_a_machines_scales_and_squareness_are_told_and_its_map_is_kept() -> None:
    bed = formed_bed()
    fit = tie_to_rule(bed, looks(bed), HEIGHT_MM)
    assert fit.burned
    assert fit.told == (True, True, True)
    assert fit.x_percent.value == pytest.approx(0.2, abs=0.02)
    assert fit.y_percent.value == pytest.approx(-0.2, abs=0.02)
    assert fit.skew_deg.value == pytest.approx(math.degrees(-0.006), abs=0.02)
    np.testing.assert_array_equal(fit.bed.pose.translation_mm, bed.pose.translation_mm)
    assert re.search(r"by a steel rule its X is \+0\.[12]\d\d", fit.bed.traceability)
    # What no look tells is asked for, not guessed.
    alone = tie_to_rule(bed, looks(bed, (0,)), HEIGHT_MM)
    assert alone.told == (True, False, False)
    assert "along Y and a diagonal" in alone.notes[-1]


def test_machine_axes_the_other_way_round_exchange_the_scales() -> None:
    bed = formed_bed()
    swapped = replace(bed, machine=replace(bed.machine, axes=((0, 1), (-1, 0))), id="")
    fit = tie_to_rule(swapped, looks(swapped), HEIGHT_MM)
    assert fit.x_percent.value == pytest.approx(-0.2, abs=0.02)
    assert fit.y_percent.value == pytest.approx(0.2, abs=0.02)
    assert fit.skew_deg.value == pytest.approx(math.degrees(0.006), abs=0.02)


def test_the_strain_along_a_direction_is_that_of_the_form() -> None:
    """Closed form: the length of an image of a unit vector, to first order."""
    form = np.array([0.004, -0.006])
    for angle in np.linspace(0, math.pi, 7):
        along = np.array([math.cos(angle), math.sin(angle)])
        longer = float(np.linalg.norm(form_matrix(form) @ along)) - 1
        x, y, g = form[0] / 2, -form[0] / 2, form[1] / 2
        first = x * along[0] ** 2 + y * along[1] ** 2 + 2 * g * along[0] * along[1]
        assert longer == pytest.approx(first, abs=2e-5)


def test_looks_that_contradict_each_other_are_named_and_widen_the_answer() -> None:
    bed = formed_bed()
    three = looks(bed)
    name, look = three[0]
    bent = ("bent rule", replace(look, stretch=look.stretch + 0.003))
    honest, worse = tie_to_rule(bed, three, HEIGHT_MM), tie_to_rule(bed, [*three, bent], HEIGHT_MM)
    assert any(note.startswith(("bent rule", name)) for note in worse.notes)
    assert (worse.x_percent.u95 or 0.0) > 2 * (honest.x_percent.u95 or 1.0)


def test_stated_uncertainties_cover_what_the_picture_and_the_map_do() -> None:
    """Monte Carlo: noise of each look, and errors of the map that are common to all of them."""
    rng = np.random.default_rng(11)
    covariance = np.zeros((COUNT, COUNT))
    covariance[FORM, FORM] = np.diag([4e-4, 3e-4]) ** 2
    bed = replace(exact_bed(), covariance=covariance, id="")
    angles = np.radians([1.0, 89.0, 38.0, 125.0])
    inside = np.zeros(3)
    draws = 300
    for _ in range(draws):
        form = rng.normal(0, [4e-4, 3e-4])
        true = rng.normal(0, [2e-3, 2e-3, 1e-3])
        rule = rng.normal(0, 0.05 / 196)
        seen = []
        for k, angle in enumerate(angles):
            u = np.array([math.cos(angle), math.sin(angle)])
            by_map = np.zeros(FORM.stop)
            by_map[FORM] = [(u[0] ** 2 - u[1] ** 2) / 2, u[0] * u[1]]
            stretch = true @ [u[0] ** 2, u[1] ** 2, 2 * u[0] * u[1]] + rule
            stretch += by_map[FORM] @ form + rng.normal(0, 2e-4)
            look = RuleLook(u, np.array([200.0, 150.0]), 200.0, float(stretch), 2e-4, by_map)
            seen.append((f"rule {k}", look))
        fit = tie_to_rule(bed, seen, HEIGHT_MM, height_u_mm=1e-6)
        told = (fit.x_percent, fit.y_percent, fit.skew_deg)
        truth = (100 * true[0], 100 * true[1], math.degrees(2 * true[2]))
        inside += [
            low <= t <= high
            for (low, high), t in zip((q.interval for q in told), truth, strict=True)
        ]
    # 95 % of 300 within three standard deviations of a count.
    assert (inside >= 0.91 * draws).all()
    assert (inside <= 0.99 * draws).all()


@pytest.mark.parametrize("bed", ["sheet", "honeycomb", "slats"])
def test_a_bed_without_a_rule_shows_none(bed: str) -> None:
    rgb = bed_board_photo(1, (118.0, 212.0), 3.0, 0.3, 5, bed=bed)
    assert look_at_rule(grey(rgb), exact_bed(), HEIGHT_MM).why


def test_lines_that_are_smeared_are_not_measured() -> None:
    at, turn, length = PLACES[0]
    rgb = rule_photo(CAMERA, at, turn, HEIGHT_MM, 0, length, psf_px=2.6)
    assert look_at_rule(grey(rgb), exact_bed(), HEIGHT_MM).why


def test_the_command_tells_and_writes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photos = []
    for way in range(3):
        photos.append(str(tmp_path / f"rule-{way}.png"))
        Image.fromarray(picture(way)).save(photos[-1])
    bed, out = tmp_path / "bed.json", tmp_path / "tied.json"
    write_bed(bed, formed_bed(), {})
    options = ["--bed", str(bed), "--height", "0.6", "--out", str(out)]
    assert run(["calibrate", "scale", *photos, *options]) == 0
    said = capsys.readouterr()
    words = r"the machine's X is 0\.[12]\d\d .* % too long and its Y 0\.[12]\d\d .* % too short"
    assert re.search(words, said.out)
    assert "Squareness: Y leans toward X by -0.3" in said.out
    assert "no test certificate" in said.out
    assert read_bed(out).traceability.startswith("the machine's own millimetres")
    assert run(["calibrate", "scale", photos[0], *options, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["y_percent"] is None
    assert told["x_percent"]["u95"] < 0.1
    assert told["photos"][0]["length_mm"] > 200


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--height", "nan"], "is no height"),
        (["--height", "0.6", "--rule-u", "-1"], "is no useful uncertainty"),
        (["--height", "0.6", "--height-u", "inf"], "is no useful uncertainty"),
        (["--height", "900"], "lies above the camera"),
    ],
)
def test_bad_options_are_refused_and_nothing_is_written(
    options: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bed, out = tmp_path / "bed.json", tmp_path / "tied.json"
    write_bed(bed, exact_bed(), {})
    Image.fromarray(picture(0)).save(tmp_path / "rule.png")
    given = [str(tmp_path / "rule.png"), "--bed", str(bed), "--out", str(out)]
    assert run(["calibrate", "scale", *given, *options]) == 2
    assert told in capsys.readouterr().err
    assert not out.exists()


def test_a_photo_without_a_rule_is_refused_by_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bed = tmp_path / "bed.json"
    write_bed(bed, exact_bed(), {})
    Image.fromarray(bed_board_photo(1, (118.0, 212.0), 3.0, 0.3, 5)).save(tmp_path / "bed.png")
    given = [str(tmp_path / "bed.png"), "--bed", str(bed), "--height", "0.6"]
    assert run(["calibrate", "scale", *given]) == 2
    said = capsys.readouterr().err.splitlines()[-1]
    assert "bed.png" in said
    assert "lay the rule flat" in said


def test_an_error_of_the_product_is_no_error_of_the_input() -> None:
    with pytest.raises(WitmarkError, match="above the camera"):
        look_at_rule(grey(picture(0)), exact_bed(), 1000.0)
