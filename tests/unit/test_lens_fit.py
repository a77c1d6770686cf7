from __future__ import annotations

import json
from functools import cache
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

from calibration.board import Board
from calibration.coverage import coverage_grid, missing_parts
from calibration.errors import WitmarkError
from calibration.lens import Lens
from calibration.lens_choice import fit_lens
from calibration.lens_fit import LensFit
from calibration.lens_solve import View
from calibration.pose import Pose

SIZE = (1280, 720)
BOARD = Board("charuco", 9, 7, 20.0, 14.0, "DICT_5X5_250")
IDS = np.arange(BOARD.corner_count)
LENS = Lens.from_values(
    SIZE, fx=1000, fy=1002, cx=645, cy=352, k1=-0.25, k2=0.12, p1=0.0008, p2=-0.0005, k3=-0.06
)


def views(count: int = 9, sigma: float = 0.05, flat_on: bool = False) -> list[View]:
    rng = np.random.default_rng(2)
    flat = np.c_[BOARD.points_mm(), np.zeros(len(IDS))]
    found: list[View] = []
    while len(found) < count:
        lean = rng.normal(0, 0.02 if flat_on else 0.35, 3)
        turn = Pose.from_vectors(lean, [0, 0, 0]).rotation
        depth = rng.uniform(230, 420)
        middle = depth * np.array([rng.uniform(-0.5, 0.5), rng.uniform(-0.28, 0.28), 1.0])
        px = LENS.project(Pose(turn, middle - turn @ np.array([90.0, 70.0, 0.0])).apply(flat))
        inside = (px > 3).all(axis=1) & (px < np.array(SIZE) - 3).all(axis=1)
        if inside.sum() >= 15:
            noisy = px[inside] + rng.normal(0, sigma, (int(inside.sum()), 2))
            found.append(View(f"photo{len(found)}.jpg", "0" * 64, IDS[inside], noisy))
    return found


@cache
def good_fit() -> LensFit:
    return fit_lens(BOARD, SIZE, views())


def test_known_lens_is_found_within_its_uncertainty() -> None:
    fit = good_fit()
    off = (fit.lens.parameters - LENS.parameters)[:9]
    chi2 = off @ np.linalg.solve(fit.lens.covariance[:9, :9], off)
    # 99.9 % quantile of chi-square with 9 degrees of freedom: 27.9.
    assert chi2 < 27.9
    assert fit.sigma_px == pytest.approx(0.05, rel=0.1)
    assert fit.rejected == ()


def test_exact_corners_give_the_exact_lens() -> None:
    fit = fit_lens(BOARD, SIZE, views(sigma=0.0))
    np.testing.assert_allclose(fit.lens.parameters, LENS.parameters, rtol=1e-5, atol=1e-6)


def test_photo_that_does_not_fit_is_named_and_left_out() -> None:
    several = views()
    bad = several[4]
    rng = np.random.default_rng(0)
    smeared = View(bad.name, "", bad.ids, bad.px + rng.normal(0, 2.0, bad.px.shape))
    fit = fit_lens(BOARD, SIZE, [*several[:4], smeared, *several[5:]])
    assert [view.name for view in fit.rejected] == ["photo4.jpg"]
    assert "does not fit the other photos" in (fit.rejected[0].why or "")
    assert fit.rms_px < 0.1


def test_single_wrong_corner_is_left_out_and_its_photo_kept() -> None:
    several = views()
    px = several[2].px.copy()
    px[7] += [0.9, -0.7]
    fit = fit_lens(BOARD, SIZE, [*several[:2], View("x", "", several[2].ids, px), *several[3:]])
    assert fit.rejected == ()
    assert fit.views[2].dropped == 1
    assert several[2].ids[7] not in fit.views[2].ids


def test_too_few_photos_are_refused_with_the_reasons_of_the_others() -> None:
    none = (np.zeros(0, np.int64), np.zeros((0, 2)))
    with pytest.raises(WitmarkError, match=r"only 2 of 3 .*c.jpg: blurred"):
        fit_lens(BOARD, SIZE, [*views(2), View("c.jpg", "", *none, "blurred")])


def test_terms_that_the_photos_do_not_determine_are_held() -> None:
    few = [
        View(v.name, "", v.ids[near], v.px[near])
        for v in views(12, sigma=0.2)
        for near in [np.hypot(*(v.px - np.array([645, 352])).T) < 200]
        if near.sum() > 12
    ]
    fit = fit_lens(BOARD, SIZE, few)
    assert "k3" in fit.held
    assert fit.lens.parameters[8] == 0.0
    assert fit.lens.covariance[8, 8] == 0.0


def test_missing_parts_are_told_in_words() -> None:
    u, v = np.meshgrid(np.arange(330, 1280, 10), np.arange(0, 720, 10))
    grid = coverage_grid(np.stack([u.ravel(), v.ravel()], axis=1), SIZE)
    assert missing_parts(grid) == ("upper left", "middle left", "lower left")
    assert missing_parts(np.zeros((4, 4), np.int64))[4] == "centre"
    assert len(missing_parts(np.zeros((4, 4), np.int64))) == 9


def test_lens_file_holds_to_its_schema() -> None:
    schema = json.loads((files("calibration.schemas") / "lens.json").read_text())
    content = json.loads(json.dumps(good_fit().to_json("2026-01-01")))
    jsonschema.Draft202012Validator(schema).validate(content)
    assert len(content["photos"][0]["corners"]) == len(good_fit().views[0].ids)
