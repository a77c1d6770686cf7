"""The next photo of the board is the one that makes the lens surest."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.lens_fit import fit_model
from calibration.lens_solve import View
from calibration.next_photo import next_photo
from tests.unit.test_lens_choice import BOARD, FLAT, ORDINARY, SIZE, views

SIGMA_PX = 0.05
LEFT = [view for view in views(ORDINARY, 28, count=30) if view.px[:, 0].mean() < 560][:6]


def test_photos_of_one_half_of_the_picture_call_for_the_other() -> None:
    more = next_photo(fit_model(BOARD, SIZE, LEFT, "brown-conrady"))
    assert more is not None
    assert more.where.endswith("right")
    assert more.then_u95_px < 0.8 * more.u95_px


def test_the_photo_that_is_called_for_makes_the_lens_as_sure_as_told() -> None:
    fit = fit_model(BOARD, SIZE, LEFT, "brown-conrady")
    more = next_photo(fit)
    assert more is not None
    rng = np.random.default_rng(3)
    px = ORDINARY.project(more.pose.apply(FLAT))
    inside = ((px > 0) & (px < np.array(SIZE) - 1)).all(axis=1)
    seen = px[inside] + rng.normal(0, SIGMA_PX, (int(inside.sum()), 2))
    then = fit_model(
        BOARD, SIZE, [*LEFT, View("more.jpg", "", np.flatnonzero(inside), seen)], "brown-conrady"
    )
    after = next_photo(then)
    assert after is not None
    # The noise is estimated anew, and the lens has moved a little.
    assert after.u95_px == pytest.approx(more.then_u95_px, rel=0.15)


def test_a_lens_that_is_known_well_gains_little() -> None:
    more = next_photo(fit_model(BOARD, SIZE, views(ORDINARY, 32, count=40), "brown-conrady"))
    assert more is not None
    assert more.then_u95_px > 0.85 * more.u95_px
