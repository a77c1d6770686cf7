"""Errors of neighbouring corners of a board, which share sides."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.board import Board
from calibration.ties import SIDES, neighbours, seen, together

BOARD = Board("chessboard", 7, 6, 10.0)


def test_corners_that_share_a_side_are_neighbours_and_no_others() -> None:
    ids = np.array([6, 0, 1, 13, 5, 7])
    pairs = {frozenset(ids[pair].tolist()) for pair in neighbours(ids, BOARD.corners_x)}
    # Rows of six: 5 ends the first, 6 begins the second.
    assert pairs == {frozenset(pair) for pair in ((0, 1), (0, 6), (1, 7), (6, 7), (7, 13))}


def test_corners_of_one_row_have_neighbours_along_it_alone() -> None:
    assert neighbours(np.array([2, 3, 4]), BOARD.corners_x).tolist() == [[0, 1], [1, 2]]
    assert neighbours(np.array([9]), BOARD.corners_x).shape == (0, 2)


@pytest.mark.parametrize("turn_deg", [0.0, 25.0])
def test_noise_of_sides_does_to_sums_what_is_told(turn_deg: float) -> None:
    """Closed form: e = F s with independent sides s, so that var(J'e) = J'FF'J."""
    ids = np.arange(BOARD.corner_count)
    columns, rows = BOARD.corners_x, BOARD.squares_y - 1
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turn = np.array([[c, -s], [s, c]])
    px = BOARD.points_mm() @ turn.T
    # A line's own error is square to it: rows of sides move corners along v, columns along u.
    effect = np.zeros((len(ids), 2, rows * (columns + 1) + (rows + 1) * columns))
    for corner in ids:
        row, column = divmod(int(corner), columns)
        for end in (0, 1):
            effect[corner, :, row * (columns + 1) + column + end] = turn[:, 1] * 2**-0.5
            down = rows * (columns + 1) + (row + end) * columns + column
            effect[corner, :, down] = turn[:, 0] * 2**-0.5
    jacobian = np.random.default_rng(4).normal(0, 1, (len(ids), 2, 5))
    sides = np.einsum("nip,nis->ps", jacobian, effect)
    told = together(jacobian, px, BOARD.neighbours(ids))
    np.testing.assert_allclose(told, sides @ sides.T, rtol=1e-9, atol=1e-9)


def test_what_varies_slowly_counts_nearly_twice_and_what_alternates_hardly() -> None:
    ids = np.arange(BOARD.corner_count)
    px = BOARD.points_mm()
    row, column = np.divmod(ids, BOARD.corners_x)
    shapes = np.zeros((len(ids), 2, 2))
    shapes[:, :, 0] = 1.0
    shapes[:, :, 1] = ((-1.0) ** (row + column))[:, None]
    counts = np.diag(together(shapes, px, BOARD.neighbours(ids))) / (2 * len(ids))
    assert 1.75 < counts[0] < 2.0
    assert 0.0 < counts[1] < 0.25


def test_what_corners_have_in_common_beyond_their_sides_is_seen_in_residuals() -> None:
    rng = np.random.default_rng(8)
    ids = np.arange(BOARD.corner_count)
    px, pairs = [BOARD.points_mm()] * 400, [BOARD.neighbours(ids)] * 400
    row, column = np.divmod(ids, BOARD.corners_x)
    bent = np.stack([np.cos(column / 3), np.sin(row / 3)], axis=1)
    noise = rng.normal(0, 1, (400, len(ids), 2))
    alone = seen(list(noise), px, pairs)
    assert (alone.across, alone.along) == (SIDES.across, pytest.approx(0, abs=0.02))
    amplitude = rng.normal(0, 3, (400, 1, 2))
    ties = seen(list(noise + amplitude * bent), px, pairs)
    assert ties.across > 0.6
    assert ties.along > 0.4
