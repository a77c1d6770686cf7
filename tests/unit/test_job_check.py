"""A whole job, from captures to the verdict, on simulated captures with a known camera."""

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.bed import COUNT, Bed, FocusPlane
from calibration.burn_files import Burning, gcode
from calibration.lens import Lens
from calibration.marks import register_marks
from calibration.marks_file import marks_from_json
from calibration.pose import Pose
from calibration.target import lay_out
from calibration.target_fit import solve_target
from samples.jobs import draw_spec, drawing_of, make_job
from samples.simulator.camera import pool_camera
from samples.simulator.machine import Machine, target_photo
from vision.artwork.svg import read_svg
from vision.capture.photo import Photo
from vision.job import Job, check_job
from vision.result import CalibrationRow

TOLERANCE_MM = 0.25
HAPPENED = {
    "in place": {},
    "bumped": {"bump_after_outline": (0.35, -0.2, 0.0)},
    "placed wrong": {"misplacement": (0.6, -0.5, 0.0)},
    "nudged before": {"place_error": (0.7, 0.4, 0.0)},
    "moved after": {"moved_after_job": (2.1, 1.3, 0.7)},
}
LOOK = {
    "art": "label",
    "texture": "painted",
    "bed": "sheet",
    "camera_index": 2,
    "sheet_mm": (60.0, 40.0),
    "contrast_levels": 80.0,
    "noise_levels": 1.5,
    "hatch_angles_deg": (0.0, 90.0),
    "order": "outline_first",
}
VERDICTS = {
    "in place": "pass",
    "bumped": "fail",
    "placed wrong": "fail",
    "nudged before": "fail",
    "moved after": "pass",
}
FOUND = {
    "in place": "none",
    "bumped": "work_moved",
    "placed wrong": "placement",
    "nudged before": "placed_wrong_on_work",
    "moved after": "moved_after_job",
}


def bed_of(truth, marks, before):
    """Return the true map of a simulated camera, with the marks as it saw them before."""
    camera = truth["camera"]
    names = ("k1", "k2", "p1", "p2", "k3")
    k = np.array(camera["K"])
    lens = Lens.from_values(
        tuple(camera["size"]),
        fx=k[0, 0],
        fy=k[1, 1],
        cx=k[0, 2],
        cy=k[1, 2],
        **dict(zip(names, camera["dist"], strict=True)),
    )
    pose = Pose.from_vectors(camera["rvec"], camera["tvec"])
    field = (0.0, 0.0, 400.0, 300.0)
    bed = Bed(
        lens, pose, np.zeros((COUNT, COUNT)), (0.0, 0.0, 0.0), field, 0.05, "true", "2020-01-01"
    )
    return register_marks(bed, marks_from_json(marks, "marks"), [before.grey])[0]


def as_job(simulated, folder):
    spec, truth = simulated.spec, simulated.truth
    path = folder / "artwork.svg"
    path.write_text(simulated.svg, "utf-8")
    before = Photo(simulated.before, "before", "")
    return Job(
        name="job",
        order=None,
        piece=None,
        after=(Photo(simulated.after, "after", ""),),
        before=(before,),
        bed=bed_of(truth, simulated.marks, before),
        artwork=read_svg(path),
        at_mm=spec.at_mm,
        turn_deg=spec.turn_deg,
        anchor=None,
        mirror=False,
        at_u=(0.0, 0.0),
        height_mm=spec.thickness_mm,
        height_u_mm=0.0,
        depth_mm=0.0,
        kerf_mm=spec.kerf_mm,
        hatch_mm=spec.hatch_mm,
        negative=False,
        put_back=False,
        so_far=False,
        tolerance_mm=TOLERANCE_MM,
        inputs={},
        calibration=CalibrationRow("true", None, None, "drawn"),
    )


@pytest.fixture(scope="module")
def jobs(tmp_path_factory):
    """Return, by what happened, the job and its truth; each is drawn when it is first wanted."""
    drawn = {}

    def job(happened):
        if happened not in drawn:
            simulated = make_job(draw_spec(41, **LOOK, **HAPPENED[happened]))
            drawn[happened] = as_job(simulated, tmp_path_factory.mktemp("job")), simulated.truth
        return drawn[happened]

    return job


def within(told, true):
    """Tell whether a displacement holds its truth in every number that it tells."""
    for axis in ("dx_mm", "dy_mm", "rotation_deg"):
        quantity = getattr(told, axis)
        if abs(quantity.value - true[axis]) > quantity.u95:
            return False
    return True


@pytest.mark.slow
@pytest.mark.parametrize("happened", list(HAPPENED))
def test_a_job_is_measured_judged_and_explained(jobs, happened):
    job, truth = jobs(happened)
    result = check_job(job)
    assert result.verdict.state == VERDICTS[happened]
    assert FOUND[happened] in [finding.kind for finding in result.findings]
    assert within(result.fill_to_outline, truth["fill_to_outline"])
    worst = result.fill_to_outline.worst_mm
    assert worst.interval[0] <= truth["worst"]["fill_to_outline"] + 0.005
    assert worst.interval[1] >= truth["worst"]["fill_to_outline"] - 0.005
    assert abs(result.fill_to_outline.dx_mm.value - truth["fill_to_outline"]["dx_mm"]) < 0.04
    assert abs(result.fill_to_outline.dy_mm.value - truth["fill_to_outline"]["dy_mm"]) < 0.04
    assert within(result.part_movement, truth["part_movement"])
    for layer in ("outline", "fill"):
        assert within(result.placement[layer], truth["placement"][layer])
    if happened != "bumped":
        assert within(result.placement_on_work, truth["placement_on_work"]["outline"])


@pytest.mark.slow
def test_without_a_before_capture_the_bed_is_judged_and_what_is_not_known_is_told(jobs):
    job, truth = jobs("moved after")
    result = check_job(replace(job, before=()))
    assert result.placement_on_work is None
    assert result.part_movement is None
    assert any("no before capture" in warning for warning in result.warnings)
    assert within(result.fill_to_outline, truth["fill_to_outline"])
    assert result.verdict.state == "fail"  # 2.5 mm beside its place on the bed
    (finding,) = [f for f in result.findings if f.kind == "placement"]
    assert "the work moved after the last stroke" in finding.rivals


@pytest.mark.slow
def test_without_a_place_fill_against_outline_is_judged_alone(jobs):
    job, truth = jobs("in place")
    result = check_job(replace(job, at_mm=None))
    assert [clause.quantity for clause in result.verdict.clauses] == ["fill_to_outline"]
    assert result.verdict.state == "pass"
    assert within(result.fill_to_outline, truth["fill_to_outline"])
    assert any("--at" in warning for warning in result.warnings)


@pytest.mark.slow
def test_what_was_only_assumed_makes_the_verdict_wider(jobs):
    job, _ = jobs("in place")
    vague = check_job(replace(job, at_u=None, height_u_mm=None))
    assert vague.verdict.state == "undecided"
    names = {term.name for term in vague.budget if term.kind == "assumed"}
    assert "place of the artwork as typed" in names
    assert any("--at-u" in reason for reason in vague.verdict.reasons)


@pytest.mark.slow
def test_a_height_told_from_the_focus_plane_is_the_same_height_known_less_well(jobs):
    job, _ = jobs("in place")
    thickness = job.height_mm
    plane = FocusPlane(thickness + 1.0, 0.0, True)
    exact = check_job(job)
    same = check_job(replace(job, focus=plane, height_mm=-1.0, thickness_mm=thickness))
    for axis in ("dx_mm", "dy_mm"):
        one, other = (getattr(result.placement["all"], axis) for result in (same, exact))
        assert (one.value, one.u95) == pytest.approx((other.value, other.u95))
    assert not any("--thickness" in warning for warning in same.warnings)
    vague = check_job(replace(job, focus=replace(plane, u95_mm=2.0), height_mm=-1.0))
    (term,) = [
        row
        for row in vague.budget
        if row.name == "height of the focus plane" and row.quantity == "placement.all"
    ]
    assert term.u95_mm > 0.05
    assert vague.placement["all"].dx_mm.u95 > exact.placement["all"].dx_mm.u95
    assert any("5 mm is assumed" in warning for warning in vague.warnings)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("right_mm", "turned_deg", "mirror"),
    [(60.0, 0.0, False), (0.0, 180.0, False), (0.0, 90.0, False), (5.0, 0.0, True)],
)
def test_a_mark_far_from_its_place_is_named_where_it_lies_and_not_judged(
    jobs, right_mm, turned_deg, mirror
):
    job, _ = jobs("in place")
    x, y = job.at_mm
    turn = job.turn_deg + turned_deg
    result = check_job(replace(job, at_mm=(x - right_mm, y), turn_deg=turn, mirror=mirror))
    assert result.verdict.state == "undecided"
    (finding,) = result.findings
    assert finding.kind == "not_found"
    told = re.search(
        r"--at were (.*),(.*) and --turn ([-.\d]*)( without --mirror)?", finding.next_capture
    )
    assert [float(number) for number in told.groups()[:3]] == pytest.approx(
        [x, y, job.turn_deg], abs=0.3
    )
    assert (told[4] is not None) == mirror


@pytest.mark.slow
@pytest.mark.parametrize("read", [72 / 96, 96 / 72, 90 / 96, 25.4 / 96])
def test_a_drawing_read_in_other_units_than_it_was_burned_in_is_named(jobs, read):
    job, _ = jobs("in place")
    result = check_job(replace(job, artwork=job.artwork.scaled(read)))
    assert result.verdict.state == "undecided"
    (finding,) = result.findings
    assert finding.kind == "not_found"
    told = re.search(r"is (.*) times as large, (.*) x (.*) mm instead", finding.next_capture)
    x0, y0, x1, y1 = job.artwork.box_mm
    assert float(told[1]) == pytest.approx(1 / read, rel=0.01)
    assert [float(told[2]), float(told[3])] == pytest.approx([x1 - x0, y1 - y0], abs=0.06)


@pytest.mark.slow
def test_work_much_nearer_than_what_the_map_was_made_on_is_warned_of(jobs):
    job, _ = jobs("in place")
    far = replace(job.bed, pivot_mm=(0.0, 0.0, -600.0))
    near, usual = (check_job(replace(job, bed=bed)).warnings for bed in (far, job.bed))
    assert any("half as far from the camera" in warning for warning in near)
    assert not any("half as far from the camera" in warning for warning in usual)


@pytest.mark.slow
@pytest.mark.parametrize("higher_mm", [3.0, -3.0])
def test_a_sheet_at_another_height_than_stated_looks_larger_or_smaller(jobs, higher_mm):
    job, _ = jobs("in place")
    result = check_job(replace(job, height_mm=job.height_mm - higher_mm))
    lift = result.lift["height_mm"]
    assert abs(lift.value - higher_mm) < lift.u95
    assert lift.u95 < 1.0
    (finding,) = [f for f in result.findings if f.kind == "lifted"]
    assert "larger" in finding.rivals[0]
    assert ("higher" if higher_mm > 0 else "lower") in finding.summary


@pytest.mark.slow
def test_a_mark_as_large_as_its_artwork_is_told_so(jobs):
    job, _ = jobs("in place")
    result = check_job(job)
    assert set(result.scale) == {"outline", "fill", "all"}
    for told in result.scale.values():
        for quantity in told.values():
            assert abs(quantity.value) < quantity.u95
    assert abs(result.lift["height_mm"].value) < result.lift["height_mm"].u95
    assert not {"lifted", "scale", "skew"} & {finding.kind for finding in result.findings}


@pytest.mark.slow
def test_a_job_that_is_not_in_the_picture_is_refused_and_not_judged(jobs):
    job, _ = jobs("in place")
    result = check_job(replace(job, at_mm=(2000.0, 2000.0)))
    assert result.verdict.state == "undecided"
    assert result.findings[0].kind == "not_found"
    assert result.fill_to_outline.dx_mm.value is None
    assert result.reference_point_mm is None or len(result.reference_point_mm) == 2


def test_each_layer_is_placed_on_the_work_by_its_own_strokes(tmp_path):
    # A small fill within a large frame: turned by the nudge, the frame's corners would be far off.
    spec = draw_spec(60, art="separate", bump_after_outline=(-0.9, 0.1, 1.2), order="outline_first")
    simulated = make_job(spec)
    result = check_job(as_job(simulated, tmp_path))
    told = result.placement_on_work.worst_mm
    true = simulated.truth["worst"]["placement_on_work"]
    low, high = told.interval
    assert low <= true <= high
    assert result.placement_on_work.dx_mm.why


def test_a_pass_that_is_not_burned_yet_is_no_doubt_where_the_user_says_so(jobs):
    job, truth = jobs("placed wrong")
    whole = draw_spec(41, **LOOK, **HAPPENED["placed wrong"])
    fill = replace(drawing_of(whole), outlines=())
    after = Photo(make_job(replace(whole, drawing=fill)).after, "after", "")
    unsaid = check_job(replace(job, after=(after,)))
    assert unsaid.verdict.state == "undecided"
    said = check_job(replace(job, after=(after,), so_far=True))
    assert said.verdict.state == "fail"
    assert said.fill_to_outline is None
    assert said.placement["outline"] is None
    assert within(said.placement["fill"], truth["placement"]["fill"])
    assert any("not burned yet" in warning for warning in said.warnings)
    assert said.summary.startswith("The outline is not burned yet; ")


def test_so_far_changes_nothing_where_everything_is_burned(jobs):
    job, _ = jobs("bumped")
    plain, said = check_job(job), check_job(replace(job, so_far=True))
    assert said.fill_to_outline.worst_mm == plain.fill_to_outline.worst_mm
    assert said.verdict == plain.verdict


def test_a_capture_that_was_shaken_is_told_and_measured_all_the_same(tmp_path):
    look = {**LOOK, "art": "separate", "art_size_mm": 50.0, "sheet_mm": (80.0, 60.0)}
    simulated = make_job(draw_spec(41, **{**look, "noise_levels": 0.7}, **HAPPENED["bumped"]))
    job = as_job(simulated, tmp_path)
    (sharp,) = job.after
    # A second moment of 0.12 px^2 along u, in the camera's tone curve.
    along = np.array([[0.06, 0.88, 0.06]])
    shaken = replace(sharp, rgb=cv2.filter2D(sharp.rgb, -1, along))
    result = check_job(replace(job, after=(shaken,)))
    assert any("smeared one way" in warning for warning in result.warnings)
    assert within(result.fill_to_outline, simulated.truth["fill_to_outline"])
    assert not any("smeared" in warning for warning in check_job(job).warnings)


@pytest.mark.slow
def test_a_second_direction_of_a_hatch_that_was_burned_elsewhere_does_not_pass(tmp_path):
    # Both directions cover the fill everywhere; in the mean it is off by half of it.
    look = {**LOOK, "art": "only_fill", "moved_within": ("fill", 0.5, (0.2, 0.22, 0.0))}
    simulated = make_job(draw_spec(43, **look))
    result = check_job(as_job(simulated, tmp_path))
    assert result.verdict.state == "undecided"
    assert "moved_within_pass" in [finding.kind for finding in result.findings]
    low, high = result.placement_on_work.worst_mm.interval
    assert low <= simulated.truth["worst"]["placement_on_work"] <= high
    assert any("looks doubled" in reason for reason in result.verdict.reasons)


@pytest.mark.slow
def test_a_map_from_one_photo_of_a_burned_target_places_a_mark_like_the_true_one(jobs):
    job, truth = jobs("in place")
    spec = draw_spec(41, **LOOK, **HAPPENED["in place"])
    target = lay_out((0.0, 0.0, 400.0, 300.0), 30.0, 7.0, 16.0, "DICT_4X4_50")
    rgb = target_photo(
        gcode(target, Burning(300.0, 3000.0, 6000.0, 0.2, 7.0)),
        pool_camera(spec.camera_index, spec.size),
        Machine(),
        spec.thickness_mm,
        seed=3,
        material="painted",
    )
    photos = [("target", Photo(rgb, "target", "").grey)]
    solved = solve_target(target, None, photos, spec.thickness_mm, "2026-01-01")
    result = check_job(replace(job, bed=solved.fit.bed))
    assert result.verdict.state == "pass"
    for layer in ("outline", "fill"):
        told = result.placement[layer]
        assert within(told, truth["placement"][layer])
        assert max(told.dx_mm.u95, told.dy_mm.u95) < 0.15
    assert within(result.fill_to_outline, truth["fill_to_outline"])
