"""What two layers cover together, against exact area coverage."""

import numpy as np
import pytest

from tests.unit.drawn_scenes import (
    KERF_MM,
    PLATE,
    AffineSurface,
    about,
    artwork_of,
    burned,
    seen_coverage,
)
from vision.register.distance import layer_distance
from vision.register.overlap import overlap_of
from vision.register.region import make_region
from vision.register.rendering import cover, see

SURFACE = AffineSurface()
PIVOT = (20.0, 16.0)
STILL = about(PIVOT, 0.0, 0.0, 0.0)
ARTWORK = artwork_of((PLATE,), (PLATE,))
BESIDE = about(PIVOT, 0.1, -0.07, 0.0)


def covers(moved, sub=2, fill_half=KERF_MM / 2):
    """Return the fill where it should be and the outline at a pose."""
    width, height = SURFACE.size
    region = make_region(SURFACE, (0, 0), (height, width), 1, sub)
    step = region.pitch_mm / sub
    halves = {"fill": (STILL, fill_half), "outline": (moved, KERF_MM / 2)}
    return [
        cover(layer_distance(ARTWORK, name, 0.05, 1.5), pose, PIVOT, region.places_mm, step, half)
        for name, (pose, half) in halves.items()
    ]


@pytest.mark.parametrize("away", [0.0, 0.05, 0.1, 0.2, 0.35])
def test_an_outline_on_its_fills_edge_covers_what_both_cover(away):
    moved = about(PIVOT, away, 0.6 * away, 0.01 * away)
    fill, outline = covers(moved)
    want = seen_coverage(
        burned(PLATE, "fill", STILL).intersection(burned(PLATE, "outline", moved)), SURFACE, 0.9
    )
    got = see(overlap_of(fill, outline, 0.0).mark, 2, 0.9)
    assert got.sum() == pytest.approx(want.sum(), rel=0.012)
    assert np.abs(got - want).max() < 0.03
    product = see(fill.mark * outline.mark, 2, 0.9)
    assert np.abs(got - want).sum() < 0.35 * np.abs(product - want).sum()


def test_with_a_beam_as_soft_as_the_rendering_burns_multiply():
    fill, outline = covers(BESIDE)
    both = overlap_of(fill, outline, fill.softening_mm)
    assert both.mark == pytest.approx(fill.mark * outline.mark, abs=1e-6)


def test_where_one_layer_covers_everything_the_other_counts():
    fill, outline = covers(BESIDE)
    mark = overlap_of(fill, outline, 0.02).mark
    assert mark[fill.mark == 1] == pytest.approx(outline.mark[fill.mark == 1], abs=1e-6)
    assert np.abs(mark[fill.mark == 0]).max() == 0.0


def test_a_layer_and_itself_cover_what_it_covers():
    fill, outline = covers(BESIDE)
    for one in (fill, outline):
        both = overlap_of(one, one, 0.0).mark
        # Where the lines' distance has a direction, and away from the corners.
        assert np.abs(both - one.mark).mean() < 2e-3


@pytest.mark.parametrize("soft", [0.0, 0.03])
def test_derivatives_of_the_common_coverage_are_those_of_it(soft):
    step = 0.004
    fill, outline = covers(BESIDE)
    both = overlap_of(fill, outline, soft)

    def seen(moved, fill_half=KERF_MM / 2, softness=soft):
        return see(overlap_of(*covers(moved, fill_half=fill_half), softness).mark, 2, 0.9)

    def held_against(analytic, forth, back):
        numeric = (forth - back) / (2 * step)
        error = np.linalg.norm(see(analytic, 2, 0.9) - numeric)
        assert error < 0.05 * np.linalg.norm(numeric)

    ends = [about(PIVOT, 0.1 + s, -0.07, 0.0) for s in (step, -step)]
    held_against(outline.weighed(*both.by_second).along_x, *map(seen, ends))
    ends = [KERF_MM / 2 + s for s in (step, -step)]
    held_against(fill.weighed(*both.by_first).edge, *(seen(BESIDE, end) for end in ends))
    if soft:
        ends = [soft + s for s in (step, -step)]
        held_against(both.by_softness, *(seen(BESIDE, softness=end) for end in ends))
