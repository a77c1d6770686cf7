import base64
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely

from cli.report import raster
from cli.report.drawing import PENS, arrow, nice_below, path_data
from cli.report.pictures import figures
from cli.report.raster import Window
from cli.report.sheet import LEFT, TOP, Sheet, window_of
from vision.artwork.placing import Rigid
from vision.artwork.strokes import Stroke


class StraightCamera:
    """4 px per mm, 400 x 300 px, v down; sees nothing right of `edge_mm`."""

    image_size = (400, 300)

    def __init__(self, edge_mm=np.inf):
        self.edge_mm = edge_mm

    def px_from_mm(self, points_mm):
        px = np.column_stack([4 * points_mm[:, 0], 299 - 4 * points_mm[:, 1]]).astype(float)
        px[points_mm[:, 0] > self.edge_mm] = np.nan
        return px

    def mm_from_px(self, points_px):
        return np.column_stack([points_px[:, 0] / 4, (299 - points_px[:, 1]) / 4])

    def jacobian_px_per_mm(self, points_mm):
        return np.tile(np.array([[4.0, 0.0], [0.0, -4.0]]), (len(points_mm), 1, 1))


def svgs(job):
    return {figure.name: figure.svg for figure in figures(job.picture)}


def points_of(svg, colour):
    """Return the vertices of the lines drawn in one colour, (n, 2) sheet units."""
    # The first such path is the drawing, a later one its sample in the legend.
    data = re.search(rf'<path d="([^"]+)"[^>]* stroke="{colour}"', svg).group(1)
    pairs = re.findall(r"[ML]([-\d.]+) ([-\d.]+)", data)
    return np.array(pairs, dtype=float)


def distance_to(points, line, closed):
    """Return the distance of each point from a polyline, by an independent library."""
    line = np.concatenate([line, line[:1]]) if closed else line
    return shapely.distance(shapely.points(points), shapely.LineString(line))


def test_a_spot_lands_where_its_millimetres_say(make_job):
    surface = make_job("bumped").picture.surface_after
    wide, high = surface.image_size
    window = Window(150.0, 100.0, 80.0, 50.0)
    spots = np.array([[163.2, 111.7], [190.0, 125.0], [222.4, 141.3]])
    v, u = np.mgrid[0:high, 0:wide]
    image = np.zeros((high, wide), np.float64)
    for pu, pv in surface.px_from_mm(spots):
        image += 250 * np.exp(-((u - pu) ** 2 + (v - pv) ** 2) / (2 * 2.0**2))
    seen = raster.straightened(image.astype(np.uint8), surface, window, 1200).astype(float)
    scale = 1200 / window.width_mm
    for x_mm, y_mm in spots:
        column = (x_mm - window.x_mm) * scale - 0.5
        row = (window.y_mm + window.height_mm - y_mm) * scale - 0.5
        top, left = int(row) - 60, int(column) - 60
        part = seen[top : top + 121, left : left + 121]
        rows, columns = np.mgrid[top : top + 121, left : left + 121]
        found = np.array([(part * columns).sum(), (part * rows).sum()]) / part.sum()
        assert np.hypot(*(found - [column, row])) < 0.012 * scale  # 12 micrometres


def test_shrinking_keeps_fine_hatches_grey():
    # Stripes of one pixel shown at a quarter of the size: their mean, not false stripes.
    image = np.tile(np.array([0, 255], np.uint8), (300, 200))
    seen = raster.straightened(image, StraightCamera(), Window(5.0, 5.0, 80.0, 50.0), 80)
    assert seen.shape == (50, 80)
    assert np.ptp(seen[5:-5, 5:-5]) < 30
    assert abs(float(seen[5:-5, 5:-5].mean()) - 127.5) < 3


def test_what_the_camera_cannot_see_is_plain_grey():
    image = np.full((300, 400), 40, np.uint8)
    seen = raster.straightened(image, StraightCamera(50.0), Window(10.0, 10.0, 80.0, 50.0), 800)
    assert (seen[:, 430:] == 200).all()
    assert (seen[:, 10:370] == 40).all()
    nothing = raster.straightened(image, StraightCamera(-1.0), Window(10.0, 10.0, 80.0, 50.0), 80)
    assert (nothing == 200).all()


def test_no_change_is_middle_grey_and_signs_are_kept():
    before = np.full((60, 80), 100, np.uint8)
    after = before.copy()
    after[10:30, 10:30] = 60
    after[10:30, 50:70] = 130
    change, reach = raster.signed_difference(after, before)
    assert reach == 40
    assert (change[40:] == 128).all()
    assert (change[10:30, 10:30] == 1).all()
    assert (change[10:30, 50:70] == round(128 + 30 * 127 / 40)).all()


def test_the_close_up_holds_the_cameras_own_pixels():
    image = np.arange(40 * 50 * 3, dtype=np.uint32).reshape(40, 50, 3).astype(np.uint8)
    part, column, row = raster.true_pixels(image, np.array([20.4, 11.6]), (10, 6))
    assert (column, row) == (15, 9)
    assert (part == image[9:15, 15:25]).all()
    part, column, row = raster.true_pixels(image, np.array([49.0, 0.0]), (10, 6))
    assert (column, row) == (40, 0)
    part, column, row = raster.true_pixels(image, np.array([3.0, 3.0]), (500, 500))
    assert part.shape == image.shape


def test_intended_lines_lie_where_the_artwork_should_be(make_job):
    picture = make_job("bumped").picture
    sheet = Sheet(window_of(picture))
    drawn = points_of(svgs(make_job("bumped"))["overview"], PENS["intended"].colour)
    mm = np.column_stack(
        [
            sheet.window.x_mm + (drawn[:, 0] - LEFT) / sheet.units_per_mm,
            sheet.window.y_mm + (TOP + sheet.height - drawn[:, 1]) / sheet.units_per_mm,
        ]
    )
    lines = [(s.points_mm, s.closed) for s in picture.artwork.strokes]
    lines += [(ring, True) for area in picture.artwork.areas for ring in area.rings_mm]
    away = np.min(
        [distance_to(mm, picture.intended.apply(line), closed) for line, closed in lines], axis=0
    )
    assert len(mm) > 50
    assert away.max() < 0.05


@pytest.mark.parametrize("layer", ["outline", "fill"])
def test_close_up_lines_lie_where_each_layer_was_found(make_job, layer):
    picture = make_job("bumped").picture
    svg = svgs(make_job("bumped"))["close-up"]
    drawn = points_of(svg, PENS[layer].colour)
    centre = picture.surface_after.px_from_mm(np.array([picture.worst_at_mm]))[0]
    _, column, row = raster.true_pixels(picture.after, centre, (60, 36))
    px = drawn * 60 / 1000 - 0.5 + [column, row]
    mm = picture.surface_after.mm_from_px(px)
    lines = [(s.points_mm, s.closed) for s in picture.artwork.strokes if s.layer == layer]
    if layer == "fill":
        lines = [(ring, True) for area in picture.artwork.areas for ring in area.rings_mm]
    place = picture.found[layer]
    away = np.min([distance_to(mm, place.apply(line), closed) for line, closed in lines], axis=0)
    assert len(mm) > 3
    assert away.max() < 0.05


def test_arrows_are_as_long_as_the_picture_says(make_job):
    job = make_job("bumped")
    here = np.array([[200.0, 150.0, 0.3, 0.0], [230.0, 160.0, 0.0, -0.15]])
    picture = replace(job.picture, local_mm=here, local_layer=("outline", "fill"))
    figure = next(figure for figure in figures(picture) if figure.name == "offsets")
    factor = float(re.search(r"Arrows ([\d.]+)×", figure.caption).group(1))
    units = Sheet(window_of(picture)).units_per_mm
    shafts = re.findall(r'r="2.4" fill="(#\w+)"/><path d="M([-\d.]+) ([-\d.]+)L', figure.svg)
    tips = re.findall(r'stroke-width="1.9"[^>]*/><path d="M([-\d.]+) ([-\d.]+)L', figure.svg)
    steps = [
        np.array(tip, float) - np.array(foot[1:], float)
        for foot, tip in zip(shafts, tips, strict=True)
    ][:2]
    np.testing.assert_allclose(steps[0], [0.3 * factor * units, 0], atol=0.11)
    # Toward the operator is down on the sheet.
    np.testing.assert_allclose(steps[1], [0, 0.15 * factor * units], atol=0.11)
    assert f"(arrows {factor:g}×)" in figure.svg


def test_noise_is_not_blown_up_without_bound(make_job):
    job = make_job("bumped")
    tiny = np.array([[200.0, 150.0, 1e-6, 0.0]])
    picture = replace(job.picture, local_mm=tiny, local_layer=("outline",))
    figure = next(figure for figure in figures(picture) if figure.name == "offsets")
    assert "Arrows 200×" in figure.caption


def test_layers_differ_by_more_than_colour():
    assert len({pen.dash for pen in PENS.values()}) == len(PENS)
    filled = arrow(np.zeros(2), np.array([40.0, 0.0]), PENS["outline"], filled=True)
    opened = arrow(np.zeros(2), np.array([40.0, 0.0]), PENS["outline"], filled=False)
    assert 'fill="#fff"' in opened
    assert 'fill="#fff"' not in filled


def test_what_cannot_be_drawn_says_why(make_job):
    picture = make_job("too_faint").picture
    shown = {figure.name: figure for figure in figures(picture)}
    assert shown["close-up"].svg is None
    assert shown["offsets"].svg is None
    assert "was not found" in shown["overview"].caption
    away = replace(picture, worst_at_mm=(5000.0, 0.0))
    shown = {figure.name: figure for figure in figures(away)}
    assert "outside of the capture" in shown["close-up"].caption


def test_a_job_without_any_place_shows_all_that_the_camera_sees(make_job):
    picture = replace(make_job("too_faint").picture, intended=None, before=None)
    shown = {figure.name: figure for figure in figures(picture)}
    assert shown["overview"].svg is not None
    assert "nothing said where it should be" in shown["overview"].caption
    window = window_of(picture)
    corner = picture.surface_after.mm_from_px(np.array([[0.0, 0.0]]))[0]
    assert window.x_mm <= corner[0] <= window.x_mm + window.width_mm
    assert shown["change"].caption == "There is no before capture to compare with."


@pytest.mark.parametrize("across", np.linspace(20.0, 60.0, 9))
def test_before_and_after_are_compared_in_a_window_of_any_shape(make_job, across):
    picture = make_job("bumped").picture
    frame = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, across], [0.0, across]])
    strokes = (Stroke("outline", frame, True, 0),)
    shown = figures(replace(picture, artwork=replace(picture.artwork, strokes=strokes, areas=())))
    assert shown[3].svg is not None


def test_equal_captures_show_no_change(make_job):
    picture = make_job("bumped").picture
    figure = figures(replace(picture, before=picture.after))[3]
    data = base64.b64decode(
        re.search(r'href="data:image/jpeg;base64,([^"]+)"', figure.svg).group(1)
    )
    change = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert (np.abs(change.astype(int) - 128) <= 1).all()


def test_a_camera_that_moved_between_the_captures_cancels_out(make_job):
    # The before capture of another camera, straightened by its own map, differs little.
    picture = make_job("in_place").picture
    other = make_job("in_place", 1200).picture
    window = Window(100.0, 80.0, 60.0, 40.0)  # bed beside the label
    views = [
        raster.grey_of(raster.straightened(p.after, p.surface_after, window, 300)).astype(float)
        for p in (picture, other)
    ]
    assert np.abs(views[0] - views[1]).mean() < 6
    assert np.corrcoef(views[0].ravel(), views[1].ravel())[0, 1] > 0.8


def test_smooth_curves_lose_only_points_that_nobody_sees():
    t = np.linspace(0, 200, 60_000)
    curve = np.column_stack([500 + t * np.cos(t), 400 + t * np.sin(t)])
    data, complete = path_data([(curve, False)])
    assert complete
    assert data.count("L") < 6_000
    ends = re.findall(r"[\d.]+ [\d.]+", data)
    np.testing.assert_allclose(
        [np.array(ends[k].split(), float) for k in (0, -1)], curve[[0, -1]], atol=0.06
    )


def test_wild_artwork_is_cut_to_its_largest_lines_and_says_so(make_job):
    rng = np.random.default_rng(1)
    wild = [(rng.uniform(0, 900, (200, 2)), False) for _ in range(400)]
    small = [(rng.uniform(0, 60, (200, 2)), False) for _ in range(40)]
    data, complete = path_data([*small, *wild])
    assert not complete
    assert len(data) < 400_000
    assert data.count("M") == 100
    picture = make_job("bumped").picture
    strokes = tuple(Stroke("outline", rng.uniform(2, 58, (200, 2)), False, 0) for _ in range(150))
    shown = figures(replace(picture, artwork=replace(picture.artwork, strokes=strokes)))
    assert "the smallest are left out" in shown[0].caption
    assert sum(len(figure.svg) for figure in shown) < 2_400_000


def test_a_picture_of_pure_noise_keeps_the_page_small(make_job):
    picture = make_job("bumped").picture
    noise = np.random.default_rng(2).integers(0, 255, picture.after.shape).astype(np.uint8)
    shown = figures(replace(picture, after=noise, before=noise[::-1].copy()))
    assert sum(len(figure.svg) for figure in shown) < 2_400_000


def test_a_mirrored_artwork_is_drawn_mirrored(make_job):
    job = make_job("bumped")
    mirrored = Rigid(236.0, 132.0, 0.0, mirrored=True)
    picture = replace(job.picture, intended=mirrored, found={})
    window = window_of(picture)
    assert window.x_mm < 177.5
    assert window.x_mm + window.width_mm > 234.5
    drawn = points_of(figures(picture)[0].svg, PENS["intended"].colour)
    sheet = Sheet(window)
    # The leaf's tip at page x = 8 lies on the right now.
    tip = sheet.units(mirrored.apply(np.array([[8.0, 22.0]])))[0]
    assert np.hypot(*(drawn - tip).T).min() < 1.0


@pytest.mark.parametrize(
    ("value", "step"), [(1.0, 1), (1.99, 1), (2.0, 2), (4.9, 2), (7, 5), (12, 10), (0.34, 0.2)]
)
def test_scales_are_round_numbers(value, step):
    assert nice_below(value) == pytest.approx(step)
