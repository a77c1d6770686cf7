"""An edge in both captures is the work's where the work is on its inner side in both."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from vision.register.edge_motion import pair_edges
from vision.register.edges import SIDES, Edge, Side
from vision.register.work import Blank


def blank(inner: dict[Side, float]) -> Blank:
    """Return a blank of 60 x 40 mm whose edges have such light on their inner side."""
    middles = {"right": (30, 0), "top": (0, 20), "left": (-30, 0), "bottom": (0, -20)}
    edges = {
        side: Edge(
            side,
            middles[side],
            SIDES.index(side) * math.pi / 2,
            15.0,
            np.diag([1e-4, 1e-7]),
            0.28,
            0.2,
            0.3,
            light,
            0.0,
        )
        for side, light in inner.items()
    }
    return Blank(edges, 0.0, (0.0, 0.0), 50.0, None)


def paired(before: dict[Side, float], after: dict[Side, float]) -> list[Side]:
    return [pair.side for pair in pair_edges(blank(before), blank(after))]


DARK: dict[Side, float] = dict.fromkeys(SIDES, 0.033)
BRIGHT: dict[Side, float] = dict.fromkeys(SIDES, 0.45)


@pytest.mark.parametrize(("light", "kept"), [(1.025, True), (0.975, True), (0.8, False)])
def test_on_dark_work_other_light_inside_of_an_edge_is_not_the_work(
    light: float, kept: bool
) -> None:
    after = {**DARK, "left": 0.033 * light}
    assert ("left" in paired(DARK, after)) == kept
    assert {"right", "top", "bottom"} <= set(paired(DARK, after))


def test_of_two_edges_that_contradict_each_other_neither_is_believed() -> None:
    two: dict[Side, float] = {"left": 0.033, "top": 0.036}
    assert paired(two, {"left": 0.0266, "top": 0.036}) == []
    assert paired(two, {"left": 0.0328, "top": 0.0362}) == ["left", "top"]


def test_light_that_changed_all_over_changes_nothing() -> None:
    assert len(paired(DARK, {side: 1.3 * light for side, light in DARK.items()})) == 4


def test_bright_work_may_look_a_little_different_as_it_moves() -> None:
    assert "left" in paired(BRIGHT, {**BRIGHT, "left": 0.40})
    assert "left" not in paired(BRIGHT, {**BRIGHT, "left": 0.36})


def test_an_edge_against_which_the_bed_steps_otherwise_is_another_line() -> None:
    before, after = blank(DARK), blank(DARK)
    after.edges["left"] = replace(after.edges["left"], contrast=-0.3)
    assert [pair.side for pair in pair_edges(before, after)] == ["right", "top", "bottom"]
