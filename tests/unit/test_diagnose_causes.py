"""Findings, doubts and the one sentence, from measured displacements alone."""

import math
from dataclasses import replace

import numpy as np
import pytest

from calibration.quantity import Quantity
from calibration.tracking import Refocus
from vision.diagnose.causes import Evidence, findings_of, summary_of
from vision.diagnose.doubts import doubts_of
from vision.diagnose.verdict import Condition, judge
from vision.diagnose.words import degrees, direction, millimetres, seen_to_differ, turned
from vision.measure.offsets import Offset, displacement
from vision.measure.scale import Strain
from vision.measure.trust import LayerTrust
from vision.measure.warp import Warp, unsure_mm
from vision.result import CameraMovement, Displacement

POINTS = np.array([[80.0, 60.0], [120.0, 60.0], [120.0, 90.0], [80.0, 90.0]])
AT = np.array([100.0, 75.0])
CLEAR = (
    LayerTrust("outline", 300.0, -60.0, 0.02, 1.0, 0.0, 0.0, None),
    LayerTrust("fill", 300.0, -50.0, 0.02, 1.0, 0.0, 0.0, None),
)


def moved(dx=0.0, dy=0.0, turn_deg=0.0, sigma=0.01):
    covariance = np.diag([sigma**2, sigma**2, (sigma / 20) ** 2])
    vector = np.array([dx, dy, math.radians(turn_deg)])
    return displacement(Offset(vector, AT, covariance, np.zeros((3, 3))), POINTS)


def evidence(**changes):
    still = moved()
    whole = Evidence(
        placement={"outline": still, "fill": still, "all": still},
        fill_to_outline=still,
        placement_on_work=still,
        part_movement=still,
        trust=CLEAR,
        rivals=0,
        put_back=False,
        not_found=None,
        light_changed=None,
    )
    return replace(whole, **changes)


def kinds(found):
    return [finding.kind for finding in found]


def sentence(given, tolerance=0.2):
    clause = Condition("a", "a", given.fill_to_outline.worst_mm, "")
    return summary_of(given, judge([clause], tolerance, doubts_of(given, False)))


def test_where_nothing_moved_nothing_is_found():
    assert kinds(findings_of(evidence(), ())) == ["none"]
    assert doubts_of(evidence(), False) == ()


def test_a_bump_between_the_passes_names_which_pass_came_first():
    given = evidence(
        placement={"outline": moved(0.3), "fill": moved(), "all": Displacement.missing("differ")},
        fill_to_outline=moved(-0.3),
        part_movement=moved(0.3),
        placement_on_work=Displacement.missing("differ"),
    )
    first = findings_of(given, ())[0]
    assert first.kind == "work_moved"
    assert first.confidence == "sure"
    assert first.when == {"pass": "between outline and fill"}
    assert "0.30" in first.summary
    assert "right of the fill" in first.summary
    assert not first.rivals


def test_without_proof_a_bump_has_rivals_and_a_capture_that_would_decide():
    given = evidence(placement={}, fill_to_outline=moved(-0.3), part_movement=None)
    first = findings_of(given, ())[0]
    assert (first.kind, first.confidence) == ("work_moved", "likely")
    assert any("lost steps" in rival for rival in first.rivals)
    assert "before capture" in first.next_capture


def test_a_turn_about_the_middle_is_a_turn_and_no_shift():
    given = evidence(fill_to_outline=moved(turn_deg=-0.4), placement={}, part_movement=None)
    first = findings_of(given, ())[0]
    assert first.kind == "work_turned"
    assert "0.40" in first.summary
    assert "counter-clockwise" in first.summary  # the outline, seen from the fill


def test_work_moved_after_the_job_is_no_fault_of_the_mark():
    gone = moved(2.0, 1.0)
    given = evidence(placement={"outline": gone, "fill": gone, "all": gone}, part_movement=gone)
    found = kinds(findings_of(given, ()))
    assert "moved_after_job" in found
    assert "placement" not in found


def test_work_nudged_before_the_first_stroke_is_placed_wrong_on_the_work():
    given = evidence(part_movement=moved(0.5), placement_on_work=moved(-0.5))
    assert kinds(findings_of(given, ())) == ["placed_wrong_on_work"]


def test_work_that_the_user_put_back_did_not_move():
    gone = moved(2.0, 1.0)
    given = evidence(part_movement=gone, put_back=True)
    assert "moved_after_job" not in kinds(findings_of(given, ()))
    assert "moved" not in sentence(given)


def test_a_mark_beside_its_place_is_a_wrong_placement():
    off = moved(0.8)
    given = evidence(
        placement={"outline": off, "fill": off, "all": off},
        part_movement=None,
        placement_on_work=None,
    )
    (found,) = findings_of(given, ())
    assert found.kind == "placement"
    assert found.rivals == ("the work moved after the last stroke",)
    proven = findings_of(replace(given, part_movement=moved(), placement_on_work=off), ())
    assert proven[0].confidence == "sure"


def test_a_lift_that_would_show_the_same_place_is_a_rival():
    off = moved(0.8)
    given = evidence(
        placement={"outline": off, "fill": off, "all": off},
        placement_on_work=off,
        lift_instead=Quantity(1.2, 0.1),
    )
    [found] = findings_of(given, ())
    assert (found.kind, found.confidence) == ("placement", "likely")
    assert found.rivals == ("the surface lies 1.2 ± 0.1 mm higher than stated",)


def test_what_chance_explains_is_no_movement():
    """One still job in a thousand may be called moved: chi-square 16.27, three degrees."""
    rng = np.random.default_rng(6)
    called = sum(
        seen_to_differ(moved(*rng.normal(0, 0.01, 2), math.degrees(rng.normal(0, 0.0005))))
        for _ in range(4000)
    )
    assert called <= 12
    assert seen_to_differ(moved(0.05))
    assert not seen_to_differ(None)
    assert not seen_to_differ(Displacement.missing("faint"))


@pytest.mark.parametrize(
    ("layer", "words"),
    [
        (replace(CLEAR[1], significance=5.0), "too faint"),
        (replace(CLEAR[1], covered_share=0.6), "covers 60 % of the fill"),
        (replace(CLEAR[1], white_share=0.4), "40 % of the fill lies where the picture is white"),
        (replace(CLEAR[1], seen_share=0.5), "50 % of the fill is not seen"),
        (replace(CLEAR[1], displaced_share=0.3, displaced_mm=0.4), "30 % of the fill lies"),
    ],
)
def test_a_layer_that_cannot_be_trusted_raises_a_doubt(layer, words):
    given = evidence(trust=(CLEAR[0], layer))
    (doubt,) = doubts_of(given, False)
    assert words in doubt
    assert sentence(given).endswith("undecided at a tolerance of 0.2 mm.")


def test_a_faint_layer_is_a_finding_that_says_what_would_decide():
    given = evidence(trust=(CLEAR[0], replace(CLEAR[1], significance=5.0)))
    found = {finding.kind: finding for finding in findings_of(given, ())}
    assert "light" in found["cannot_tell"].next_capture


def test_a_layer_that_moved_within_itself_is_a_finding_with_its_place():
    layer = replace(CLEAR[1], displaced_share=0.3, displaced_mm=0.42, displaced_at_mm=(101.0, 77.0))
    first = findings_of(evidence(trust=(CLEAR[0], layer)), ())[0]
    assert first.kind == "moved_within_pass"
    for words in ("0.42 mm", "X 101, Y 77", "fill"):
        assert words in first.summary


def test_rivals_and_an_uncorrected_camera_are_doubts():
    assert "more than one place" in doubts_of(evidence(rivals=2), False)[0]
    assert "camera may have moved" in doubts_of(evidence(), True)[0]


def test_a_camera_that_was_corrected_is_told_and_is_no_doubt():
    camera = CameraMovement("reference marks", Quantity(1.2, 0.1), True, "it moved by 1.2 mm")
    found = findings_of(evidence(), (("after", camera),))
    assert kinds(found) == ["camera_moved"]
    assert "after capture" in found[0].summary


def test_a_camera_that_too_few_marks_show_to_have_moved_is_told():
    camera = CameraMovement(
        "reference marks", Quantity.missing("2 of 4"), False, "2 of 4, and elsewhere"
    )
    [found] = findings_of(evidence(), (("after", camera),))
    assert (found.kind, found.confidence) == ("camera_moved", "likely")
    assert found.summary == "The after capture: 2 of 4, and elsewhere."


def test_a_refocus_is_told_as_surely_as_it_is_with_its_rivals():
    focal = Quantity(1.1, 0.2)
    for refocus, wanted in (
        (Refocus("sure", focal, False), ["camera_refocused"]),
        (Refocus("likely", focal, False, ("it came nearer",)), ["camera_refocused"]),
        (Refocus("sure", focal, True), ["camera_refocused", "camera_moved"]),
        (Refocus("sure", focal, False, cropped=True), ["picture_cropped"]),
    ):
        camera = CameraMovement(
            "reference marks", Quantity(1.2, 0.1), True, "it refocused", refocus
        )
        found = findings_of(evidence(), (("before", camera),))
        assert kinds(found) == wanted
        assert {one.confidence for one in found} == {refocus.confidence}
        assert found[0].rivals == refocus.rivals
        assert found[0].summary == "The before capture: it refocused."
        assert ("without a zoom" if refocus.cropped else "autofocus off") in found[0].next_capture


def test_artwork_that_was_not_found_is_all_that_is_said():
    missing = Displacement.missing("covered")
    given = evidence(
        not_found="covered",
        trust=(),
        fill_to_outline=missing,
        part_movement=None,
        placement={"all": missing},
        placement_on_work=None,
    )
    assert doubts_of(given, False) == ("the artwork was not found: covered",)
    assert kinds(findings_of(given, ())) == ["not_found"]
    assert sentence(given) == "The artwork was not found in the capture: covered."


@pytest.mark.parametrize(
    ("given", "parts"),
    [
        (evidence(), ("utline and fill lie on each other", "it passes")),
        (evidence(fill_to_outline=moved(-0.4)), ("outline sits 0.40", "right of", "it fails")),
        (evidence(fill_to_outline=moved(0.0, 0.4)), ("to the front", "it fails")),
    ],
)
def test_the_sentence_says_what_how_far_and_what_follows(given, parts):
    text = sentence(given)
    for part in parts:
        assert part in text
    assert text[0].isupper()
    assert text.endswith("0.2 mm.")


@pytest.mark.parametrize(
    ("dx", "dy", "words"),
    [
        (1.0, 0.0, "right"),
        (-1.0, 0.2, "left"),
        (0.1, 1.0, "to the back"),
        (0.0, -1.0, "to the front"),
        (1.0, -1.0, "right and to the front"),
    ],
)
def test_directions_are_those_of_the_person_at_the_machine(dx, dy, words):
    assert direction(dx, dy) == words


def test_numbers_in_words():
    assert millimetres(Quantity(0.314, 0.042)) == "0.31 ± 0.04 mm"
    assert millimetres(Quantity(0.01, 0.02, low=0.0, high=0.05)) == "at most 0.05 mm"
    assert "covered" in millimetres(Quantity.missing("covered"))
    assert degrees(Quantity(-0.4, 0.03)) == "0.40 ± 0.03 degrees clockwise"
    assert turned(moved(turn_deg=0.4))
    assert not turned(moved(turn_deg=0.03))
    assert not turned(None)


@pytest.mark.parametrize(("surely", "told"), [(True, "moved_within_pass"), (False, "none")])
def test_a_fill_that_surely_looks_doubled_is_told_as_moved_within_the_pass(surely, told):
    outline, fill = CLEAR
    doubled = replace(fill, doubled_mm=0.27, surely_doubled=surely)
    (finding,) = findings_of(evidence(trust=(outline, doubled)), ())
    assert finding.kind == told
    assert ("0.27 mm apart" in finding.summary) == surely


def warped(peak_mm, sigma_mm, lift_sensitivity=0.3):
    """Return a warp along X by a parabola, seen from the side by a camera 450 mm above."""
    x = np.linspace(-1.0, 1.0, 21)
    shape = np.zeros((len(x), 2, 14))
    shape[:, 0, 0] = x**2 - np.mean(x**2)
    value = np.zeros(14)
    value[0] = peak_mm / np.abs(shape[:, 0, 0]).max()
    heights = np.zeros((len(x), 5))
    heights[:, 2] = shape[:, 0, 0]
    by_height = np.zeros((14, 5))
    by_height[0, 2] = lift_sensitivity
    covariance = sigma_mm**2 * np.eye(14)
    between = np.zeros((1, 2, 14))
    between[0, 0, 0] = 0.5
    return Warp(
        value,
        covariance,
        shape,
        heights,
        by_height,
        lift_sensitivity,
        between,
        lift_sensitivity / 4,
        20.0,
    )


def test_a_sure_warp_is_named_and_what_is_told_of_places_is_no_more_than_possible():
    bent = evidence(
        warp=warped(0.2, 0.01), placement_on_work=moved(0.4), placement={"all": moved(0.4)}
    )
    found = findings_of(bent, ())
    assert kinds(found) == ["placement", "warp"]
    assert found[0].confidence == "possible"
    assert any("bows" in rival for rival in found[0].rivals)
    assert "0.20 ± 0.0" in found[1].summary
    assert "bows by 1.05 ± 0.0" in found[1].evidence[1]
    assert "the mark is bent by 0.20" in sentence(bent)


def test_a_warp_that_chance_explains_is_not_named():
    straight = evidence(warp=warped(0.02, 0.01))
    assert kinds(findings_of(straight, ())) == ["none"]
    assert "bent" not in sentence(straight)
    assert unsure_mm(warped(0.02, 0.01), lifted_by(0.1)) == 0.0


def test_a_warp_that_is_hardly_known_is_not_told():
    vague = warped(9.0, 1.0)
    assert vague.quantities["peak_mm"].value is None
    assert not vague.surely


def lifted_by(lift_mm, sigma_mm=0.25):
    """Return the strain of a sheet that lies higher, seen from 450 mm."""
    by_lift = np.array([1 / 450, 1 / 450, 0.0])
    sigma = sigma_mm / 450
    covariance = sigma**2 * np.diag([2.0, 2.0, 1.0])
    return Strain(lift_mm * by_lift, covariance, np.zeros((3, 3)), by_lift, 0.0)


def test_a_bowed_sheet_may_lie_as_much_higher_as_the_size_of_the_mark_allows():
    bowed, straight = warped(0.2, 0.01), warped(0.0, 0.01)
    assert lifted_by(1.0).lift_mm.u95 == pytest.approx(0.49, abs=0.01)
    assert unsure_mm(bowed, lifted_by(0.6)) == pytest.approx(0.3 * (0.6 + 0.49), abs=0.003)
    assert unsure_mm(bowed, lifted_by(0.0, 0.05)) == pytest.approx(bowed.peak_mm)
    assert unsure_mm(None, None) == 0.0
    # A warp that no bow explains says nothing of lift, nor does a size that chance explains.
    other = replace(bowed, by_height=np.zeros((14, 5)))
    assert other.bow_mm is None
    assert unsure_mm(other, lifted_by(0.6)) == pytest.approx(other.peak_mm)
    assert unsure_mm(straight, lifted_by(0.6)) == 0.0
    # A lift that is sure needs no warp.
    assert lifted_by(2.0).looks_lifted
    assert unsure_mm(straight, lifted_by(2.0)) == pytest.approx(0.3 * 2.49, abs=0.003)
    # Layers that share their places are moved alike; these do so in part.
    assert unsure_mm(straight, lifted_by(2.0), True) == pytest.approx(0.3 / 4 * 2.49, abs=0.002)
    # Where a lift moves them alike, edges that share their places still trade what is stretched.
    small_lift = replace(straight, between_by_lift=0.0)
    assert unsure_mm(small_lift, lifted_by(2.0), True) == pytest.approx(20 * 2 / 450)
    assert unsure_mm(bowed, lifted_by(0.0, 0.05), True) == pytest.approx(bowed.apart_mm)
    assert bowed.apart_mm == pytest.approx(0.5 * bowed.value[0], abs=0.02)
