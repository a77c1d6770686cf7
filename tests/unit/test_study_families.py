"""The study's jobs: equal seeds give equal jobs, and each family is what its name says."""

from __future__ import annotations

import pytest

from samples.jobs import job_truth
from samples.simulator.bed import BEDS
from samples.simulator.material import MATERIALS
from tests.studies.families import FAMILIES, draw_case

SEEDS = range(30)


def test_equal_seeds_give_equal_jobs_and_families_differ() -> None:
    for family in FAMILIES:
        assert draw_case(family, 7) == draw_case(family, 7)
    own = [family for family in FAMILIES if family != "averaged"]
    assert len({draw_case(family, 7).spec.seed for family in own}) == len(own)


@pytest.mark.parametrize("family", FAMILIES)
def test_even_and_odd_seeds_both_meet_every_texture_and_bed(family: str) -> None:
    for parity in (0, 1):
        specs = [draw_case(family, seed).spec for seed in range(parity, 80, 2)]
        assert {spec.texture for spec in specs} == set(MATERIALS)
        assert {spec.bed for spec in specs} == set(BEDS)
        assert all(40 <= spec.contrast_levels <= 120 for spec in specs)
        most = 4 / 3 if family == "averaged" else 4
        assert all(most / 4 <= spec.noise_levels <= most for spec in specs)


def test_in_place_nothing_moved() -> None:
    for seed in SEEDS:
        worst = job_truth(draw_case("in_place", seed).spec)["worst"]
        assert all(not length for length in worst.values())


def test_averaged_jobs_are_those_in_place_with_less_noise_and_a_capture_before() -> None:
    for seed in SEEDS:
        plain, quiet = draw_case("in_place", seed), draw_case("averaged", seed)
        assert quiet.with_before
        assert quiet.spec.noise_levels == pytest.approx(plain.spec.noise_levels / 3)
        assert quiet.spec.at_mm == plain.spec.at_mm
        assert quiet.spec.texture == plain.spec.texture


def test_bad_jobs_are_worse_than_the_limit_by_what_the_check_can_see() -> None:
    kinds = set()
    for seed in SEEDS:
        case = draw_case("bad", seed)
        worst = job_truth(case.spec)["worst"]
        off = worst["fill_to_outline"] or worst["placement_on_work"]
        assert 0.239 <= off <= 1.001
        kinds.add(case.kind)
        if case.kind == "nudged before":
            assert case.with_before
            assert worst["placement"] == pytest.approx(0.0, abs=1e-9)
    assert kinds == {"bumped", "turned", "placed wrong", "nudged before", "moved within"}


def test_work_moved_after_the_job_bears_a_good_mark() -> None:
    for seed in SEEDS:
        case = draw_case("after", seed)
        worst = job_truth(case.spec)["worst"]
        assert case.with_before
        assert worst["placement_on_work"] == pytest.approx(0.0, abs=1e-9)
        assert worst["placement"] > 0.05


def test_bumped_jobs_are_off_by_what_was_drawn() -> None:
    lengths = []
    for seed in SEEDS:
        case = draw_case("offsets", seed)
        if case.kind == "bumped":
            x, y, turn = case.spec.bump_after_outline
            lengths.append((x * x + y * y) ** 0.5)
            assert abs(turn) <= 0.5
    assert 0.05 <= min(lengths) < 0.3
    assert 1.2 < max(lengths) <= 1.5


def test_effects_differ_from_what_the_check_is_told_as_the_budget_states() -> None:
    errors = [draw_case("effects", seed).height_error_mm for seed in range(150)]
    inside = sum(abs(error) <= 0.2 for error in errors) / len(errors)
    # 95 % within the 0.2 mm that the budget assumes; binomial slack of 150 draws.
    assert 0.89 <= inside <= 0.99
    assert any(draw_case("effects", seed).spec.depth_mm > 0 for seed in SEEDS)
