import math
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from samples.jobs import STILL, draw_spec, drawing_of, job_truth, make_job
from samples.simulator.camera import pool_camera
from samples.simulator.font import text_lines
from samples.simulator.material import MATERIALS
from samples.simulator.motion import Motion, about, placed
from samples.simulator.shapes import ARTS, label
from samples.simulator.svg import write_svg
from samples.truth import BurnedPart, describe

QUIET = {
    "noise_levels": 0.3,
    "jpeg_quality": None,
    "unevenness": 0.0,
    "contrast_levels": 70.0,
    "texture": "none",
    "bed": "sheet",
    "camera_index": 3,
    "hatch_mm": 0.06,
    "hatch_angles_deg": (0.0, 90.0),
}


def seen_shift(still, moved, camera, height_mm, box):
    """Return how far the darkness in a box (bed mm) moved, from its centroids."""
    places = []
    for job in (still, moved):
        loss = job.before.astype(float).mean(axis=2) - job.after.astype(float).mean(axis=2)
        v, u = np.indices(loss.shape)
        low = camera.project(np.array([[box[0], box[3], height_mm]]))[0].astype(int)
        high = camera.project(np.array([[box[2], box[1], height_mm]]))[0].astype(int)
        part = (slice(low[1], high[1]), slice(low[0], high[0]))
        weight = np.where(loss[part] > 6, loss[part], 0)
        pixel = [(u[part] * weight).sum() / weight.sum(), (v[part] * weight).sum() / weight.sum()]
        places.append(camera.to_bed(np.array([pixel]), height_mm)[0])
    return places[1] - places[0]


@pytest.mark.slow
@pytest.mark.parametrize(
    "happened",
    [
        {"bump_after_outline": (0.5, -0.3, 0.0)},
        {"misplacement": (0.4, 0.6, 0.0)},
        {"moved_after_job": (1.2, -0.7, 0.0)},
        {"place_error": (0.5, 0.5, 0.0)},
    ],
)
def test_the_fill_is_seen_where_the_truth_says(happened):
    spec = draw_spec(
        5, art="only_fill", order="outline_first", sheet_mm=(160.0, 120.0), turn_deg=0.0, **QUIET
    )
    still, moved = make_job(spec), make_job(replace(spec, **happened))
    camera = pool_camera(3)
    x, y = still.truth["reference_point_mm"]
    # The work's own rim stays out of the box.
    shift = seen_shift(still, moved, camera, spec.thickness_mm, (x - 45, y - 35, x + 45, y + 35))
    expected = moved.truth["placement"]["fill"]
    assert shift == pytest.approx([expected["dx_mm"], expected["dy_mm"]], abs=0.03)


def test_a_bump_after_the_outline_displaces_the_outline_and_leaves_the_fill():
    truth = job_truth(
        draw_spec(
            1,
            art="label",
            order="outline_first",
            bump_after_outline=(0.3, -0.1, 0.2),
        )
    )
    outline, fill = truth["placement"]["outline"], truth["placement"]["fill"]
    assert fill == pytest.approx({"dx_mm": 0.0, "dy_mm": 0.0, "rotation_deg": 0.0}, abs=1e-12)
    assert outline == pytest.approx({"dx_mm": 0.3, "dy_mm": -0.1, "rotation_deg": 0.2})
    between = truth["fill_to_outline"]
    assert between == pytest.approx({"dx_mm": -0.3, "dy_mm": 0.1, "rotation_deg": -0.2})
    assert truth["part_movement"] == pytest.approx(outline)
    # The customer sees the outline in place and the fill beside it.
    assert truth["placement_on_work"]["outline"] == pytest.approx(
        {"dx_mm": 0.0, "dy_mm": 0.0, "rotation_deg": 0.0}, abs=1e-9
    )
    assert truth["placement_on_work"]["fill"] == pytest.approx(between)
    assert truth["worst"]["fill_to_outline"] > math.hypot(0.3, 0.1)


def test_a_nudge_before_the_first_stroke_leaves_the_bed_placement_perfect():
    truth = job_truth(draw_spec(2, art="label", place_error=(0.4, 0.2, 0.0)))
    assert truth["worst"]["placement"] < 1e-9
    assert truth["worst"]["placement_on_work"] == pytest.approx(math.hypot(0.4, 0.2))
    assert truth["worst"]["fill_to_outline"] < 1e-9


def test_work_moved_after_the_job_displaces_both_alike_and_nothing_on_the_work():
    truth = job_truth(draw_spec(3, art="label", moved_after_job=(2.0, 1.0, 3.0)))
    assert truth["placement"]["fill"] == pytest.approx(truth["placement"]["outline"])
    assert truth["placement"]["fill"]["rotation_deg"] == pytest.approx(3.0)
    assert truth["worst"]["placement_on_work"] < 1e-9
    assert truth["worst"]["fill_to_outline"] < 1e-9


def test_a_layer_that_moved_within_itself_has_no_single_displacement():
    truth = job_truth(
        draw_spec(
            4,
            art="label",
            moved_within=("fill", 0.6, (0.5, 0.0, 0.0)),
            order="fill_first",
        )
    )
    assert truth["placement"]["fill"] is None
    first, second = truth["moved_within_pass"]["fill"]
    assert first["dx_mm"] - second["dx_mm"] == pytest.approx(0.5)
    assert (first["to_fraction"], second["from_fraction"]) == (0.6, 0.6)


def test_the_worst_point_is_the_farthest_of_all():
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    turned = about((5.0, 5.0), 0.0, 0.0, 1.0)
    parts = (
        BurnedPart("outline", Motion(), square),
        BurnedPart("fill", turned, square / 2 + 2.5),
    )
    worst = describe(parts, Motion(), np.array([5.0, 5.0]))["worst"]
    assert worst["fill_to_outline"] == pytest.approx(2 * math.sin(math.radians(0.5)) * 50**0.5)
    assert worst["placement"] == pytest.approx(worst["fill_to_outline"] / 2)


def test_motions_compose_and_invert():
    first, second = placed((3.0, -2.0), 20.0), about((10.0, 5.0), 1.0, 2.0, -7.0)
    points = np.array([[1.0, 2.0], [-4.0, 9.0]])
    assert second.after(first).apply(points) == pytest.approx(second.apply(first.apply(points)))
    assert first.inverse().apply(first.apply(points)) == pytest.approx(points)
    assert second.apply(np.array([10.0, 5.0])) == pytest.approx([11.0, 7.0])


def test_equal_specifications_give_equal_jobs():
    spec = draw_spec(7, size=(480, 270))
    first, again = make_job(spec), make_job(draw_spec(7, size=(480, 270)))
    assert (first.after == again.after).all()
    assert first.svg == again.svg
    assert first.truth == again.truth


def test_random_specifications_reach_every_kind_and_keep_the_artwork_on_the_work():
    specs = [draw_spec(seed) for seed in range(120)]
    assert {spec.art for spec in specs} == set(ARTS)
    assert {spec.texture for spec in specs} == set(MATERIALS)
    assert {spec.bed for spec in specs} == {"honeycomb", "slats", "sheet"}
    assert all(spec.place_error == STILL for spec in specs)
    assert all(40 <= spec.contrast_levels <= 120 for spec in specs)


@pytest.mark.parametrize("texture", ["anodised", "wood", "painted"])
def test_marks_stand_out_by_the_stated_grey_levels(texture):
    spec = draw_spec(
        3,
        art="rectangle",
        art_size_mm=30.0,
        sheet_mm=(160.0, 120.0),
        **{**QUIET, "texture": texture},
    )
    job = make_job(spec)
    camera = pool_camera(spec.camera_index)
    place = np.array([[*job.truth["reference_point_mm"], spec.thickness_mm]])
    u, v = np.round(camera.project(place)[0]).astype(int)
    grey = [
        (picture[v - 6 : v + 7, u - 6 : u + 7] @ np.array([0.299, 0.587, 0.114])).mean()
        for picture in (job.before, job.after)
    ]
    light_mark = MATERIALS[texture].light_mark
    assert (grey[1] > grey[0]) == light_mark
    # The light field and overlapping hatch lines change it by some tens of percent.
    assert abs(grey[1] - grey[0]) == pytest.approx(70, rel=0.35)


def test_the_svg_is_true_to_size_and_flips_y_once():
    drawing = label(50.0, np.random.default_rng(1), 7, "BEANS")
    text = write_svg(drawing)
    width, height = drawing.page_mm
    assert f'width="{width:.1f}mm" height="{height:.1f}mm"' in text
    assert f'viewBox="0 0 {width:.1f} {height:.1f}"' in text
    outline = text[text.index('<g id="outline"') :]
    first = re.search(r'd="M([\d.]+) ([\d.]+)', outline)
    x, y = drawing.outlines[0].points_mm[0]
    assert (float(first[1]), float(first[2])) == pytest.approx((x, height - y), abs=1e-4)
    assert text.count('id="fill"') == 1


@pytest.mark.parametrize("art", sorted(ARTS))
def test_every_artwork_fits_its_page_and_has_valid_rings(art):
    from shapely import Polygon

    for seed in range(6):
        drawing = ARTS[art](47.0, np.random.default_rng(seed))
        x0, y0, x1, y1 = drawing.box_mm
        assert (x0, y0) == pytest.approx((2.0, 2.0), abs=1e-3)
        assert x1 <= drawing.page_mm[0]
        assert y1 <= drawing.page_mm[1]
        for area in drawing.areas:
            assert Polygon(area.rings_mm[0], area.rings_mm[1:]).is_valid


def test_the_head_in_front_of_the_mark_hides_its_middle():
    spec = draw_spec(8, art="only_fill", size=(960, 540), jpeg_quality=None, noise_levels=0.5)
    camera = pool_camera(spec.camera_index, spec.size)
    free, covered = make_job(spec), make_job(replace(spec, occluder=True))
    place = np.array([[*free.truth["reference_point_mm"], spec.thickness_mm]])
    u, v = np.round(camera.project(place)[0]).astype(int)
    part = (slice(v - 3, v + 4), slice(u - 3, u + 4))
    assert (covered.before == free.before).all()
    level = covered.after[part].mean(axis=(0, 1))
    assert np.ptp(level) < 15
    assert np.abs(covered.after[:, :, 1].astype(float) - free.after[:, :, 1]).max() > 30


def test_a_bumped_camera_is_told_and_leaves_the_displacements_as_they_were():
    spec = draw_spec(9, art="label")
    still, bumped = job_truth(spec), job_truth(replace(spec, camera_bump_px=4.0))
    assert bumped["camera"] == still["camera"]
    assert bumped["camera_after"] != bumped["camera"]
    assert bumped["placement"] == still["placement"]


def test_the_stated_camera_projects_as_an_independent_library_does():
    truth = job_truth(draw_spec(9))["camera"]
    points = np.array([[30.0, 40.0, 0.0], [370.0, 260.0, 3.0]])
    other, _ = cv2.projectPoints(
        points,
        np.array(truth["rvec"]),
        np.array(truth["tvec"]),
        np.array(truth["K"]),
        np.array(truth["dist"]),
    )
    camera = pool_camera(draw_spec(9).camera_index)
    assert np.abs(camera.project(points) - other[:, 0]).max() < 1e-8


def test_the_font_draws_every_capital_and_digit_and_refuses_others():
    for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789":
        assert text_lines(letter, (0.0, 0.0), 6.0), letter
    with pytest.raises(ValueError, match="no 'ß'"):
        text_lines("ß", (0.0, 0.0), 6.0)


def test_a_layer_that_was_never_burned_is_in_the_artwork_and_not_in_the_truth():
    spec = draw_spec(11, art="rectangle", unburned="outline")
    truth = job_truth(spec)
    assert list(truth["placement"]) == ["fill"]
    assert truth["fill_to_outline"] is None
    assert drawing_of(spec).outlines
