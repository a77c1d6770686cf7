"""Units and geometry of SVG against published definitions and an independent reader."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import svgpathtools

from vision.artwork.affine import Affine, parse_transform
from vision.artwork.flatten import Pen, draw_path
from vision.artwork.svg import read_svg
from vision.artwork.units import parse_length

SVG = '<svg xmlns="http://www.w3.org/2000/svg" '

# CSS Values and Units Module Level 4, section 6.2 "Absolute Lengths":
# 1in = 2.54cm = 25.4mm = 101.6Q = 72pt = 6pc = 96px.
ONE_INCH = ["1in", "2.54cm", "25.4mm", "101.6Q", "72pt", "6pc", "96px", "96", "1IN", "101.6q"]

# Lengths and boxes on which svgpathtools and a second reader agreed to 1e-10: the path examples
# of the SVG specification and of a widely read tutorial on paths.
PUBLISHED = [
    ("M0,0 A50,50 0 0 1 100,0", 157.0796326795, (0, 100, -50, 0)),
    ("M100,200 C100,100 250,100 250,200", 237.8736494481, (100, 250, 125, 200)),
    ("M300 200 h-150 a150 150 0 1 0 150-150 z", 1006.8583470577, (150, 450, 50, 350)),
    ("M80 80 A45 45 0 0 0 125 125 L125 80 Z", 160.6858347058, (80, 125, 80, 125)),
    ("M200,300 Q400,50 600,300 T1000,300", 975.5421877910, (200, 1000, 175, 425)),
]

# SVG 2, section 9: the arc examples, arcs too small for their ends, compact flags, shorthand.
HARD_PATHS = [
    "M10 315 L 110 215 A 36 60 0 0 1 150.71 170.29 L 172.55 152.45 A 30 50 -45 0 1 215.1 109.9",
    "M600,350 l 50,-25 a25,25 -30 0,1 50,-25 l 50,-25 a25,50 -30 0,1 50,-25 l 50,-25",
    "M0 0a25,10 30 11 20,30",
    "M0 0 a25,10 30 1020,30 1 1 0 0 1 7 -8",
    "M 5 5 A 1 1 20 0 0 45 5",
    "m1,1 c10-20 30-20 40,0 s30 20 40 0 S 90 50 50 60 z m 5 5 h10 v10 h-10 z",
    "M1e1.5-3.5.25L+7-2",
]


def polylines(data: str, chord_error: float) -> list[np.ndarray]:
    pen = Pen(Affine(), chord_error)
    draw_path(data, pen)
    return [
        np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
        for line in pen.polylines
    ]


def length(lines: list[np.ndarray]) -> float:
    return sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines)


@pytest.mark.parametrize("text", ONE_INCH)
def test_every_absolute_unit_makes_an_inch_of_96_px(text: str) -> None:
    assert parse_length(text, None) == pytest.approx(96.0, rel=1e-12)


@pytest.mark.parametrize("text", ONE_INCH)
def test_a_page_of_one_inch_in_any_unit_is_25_4_mm_wide(tmp_path: Path, text: str) -> None:
    path = tmp_path / "inch.svg"
    path.write_text(
        f'{SVG} width="{text}" height="{text}" viewBox="0 0 7 7"><rect width="7" height="7"/></svg>'
    )
    assert read_svg(path).box_mm == pytest.approx((0.0, 0.0, 25.4, 25.4), rel=1e-12)


@pytest.mark.parametrize(("data", "known", "box"), PUBLISHED)
def test_lengths_and_boxes_agree_with_two_libraries(
    data: str, known: float, box: tuple[float, ...]
) -> None:
    lines = polylines(data, 1e-6)
    assert length(lines) == pytest.approx(known, rel=1e-7)
    points = np.vstack(lines)
    found = (points[:, 0].min(), points[:, 0].max(), points[:, 1].min(), points[:, 1].max())
    assert found == pytest.approx(box, abs=2e-6)


@pytest.mark.parametrize("data", [*(row[0] for row in PUBLISHED), *HARD_PATHS])
def test_every_point_of_an_independent_reader_lies_within_the_chord_error(data: str) -> None:
    import shapely

    chord_error = 0.01
    ours = shapely.MultiLineString(polylines(data, chord_error))
    reference = svgpathtools.parse_path(data)
    dense = [segment.point(t) for segment in reference for t in np.linspace(0.0, 1.0, 400)]
    points = shapely.points([(point.real, point.imag) for point in dense])
    assert shapely.distance(points, ours).max() <= chord_error * 1.001
    # And the other way about: no vertex of ours is off the reference.
    theirs = shapely.MultiPoint([(point.real, point.imag) for point in dense])
    vertices = shapely.points(np.vstack(polylines(data, 1e-4)))
    step = max(segment.length() for segment in reference) / 399
    assert shapely.distance(vertices, theirs).max() <= step


@pytest.mark.parametrize(
    "text",
    [
        "translate(3) scale(2,-1.5) rotate(30)",
        "rotate(-12.5, 40, 7)skewX(20) , skewY(-5)",
        "matrix(1.1 .2-.3 .9,5,-6) scale(3)",
    ],
)
def test_transforms_agree_with_an_independent_reader(text: str) -> None:
    parse = svgpathtools.parser.parse_transform
    reference = np.asarray(parse(text.replace(".2-.3", ".2 -.3")))
    a, b, c, d, e, f = parse_transform(text)
    assert np.allclose([[a, c, e], [b, d, f], [0, 0, 1]], reference, atol=1e-9)


def test_a_whole_drawing_agrees_with_an_independent_reader(tmp_path: Path) -> None:
    text = f"""{SVG} width="100mm" height="80mm" viewBox="0 0 100 80">
      <g transform="translate(10 5) rotate(10)" fill="none" stroke="black">
        <g transform="scale(1.5 0.8)"><path d="M0 0 C10 20 30 -10 40 10"/></g>
        <circle cx="20" cy="30" r="8"/> <ellipse cx="50" cy="40" rx="12" ry="5"/>
        <rect x="5" y="50" width="20" height="10"/> <line x1="1" y1="2" x2="30" y2="4"/>
        <polyline points="60,10 70,15 65,25"/> <polygon points="80 10 90,15 85-5"/>
      </g></svg>"""
    path = tmp_path / "drawing.svg"
    path.write_text(text)
    artwork = read_svg(path, 1e-4)
    document = svgpathtools.Document.from_svg_string(text)
    reference = document.paths()
    assert len(reference) == len(artwork.strokes) == 7
    ours = sorted(
        length([np.vstack([s.points_mm, s.points_mm[:1]]) if s.closed else s.points_mm])
        for s in artwork.strokes
    )
    theirs = sorted(path.length(error=1e-6) for path in reference)
    assert ours == pytest.approx(theirs, rel=1e-5)
    boxes = np.array([path.bbox() for path in reference])
    low_x, high_x, low_y, high_y = (
        boxes[:, 0].min(),
        boxes[:, 1].max(),
        boxes[:, 2].min(),
        boxes[:, 3].max(),
    )
    assert artwork.box_mm == pytest.approx((low_x, 80 - high_y, high_x, 80 - low_y), abs=1e-3)


def test_nested_viewports_follow_the_published_example(tmp_path: Path) -> None:
    # SVG 2, section 8.2: a viewBox of 0 0 1500 1000 in a viewport of 300 x 200 px is a scale of
    # 0.2 (the example of SVG 1.1, section 7.7); a blue rectangle at 0,0 fills the viewport.
    path = tmp_path / "viewbox.svg"
    path.write_text(
        f'{SVG} width="300px" height="200px" viewBox="0 0 1500 1000">'
        '<rect width="1500" height="1000"/></svg>'
    )
    mm = 25.4 / 96.0
    assert read_svg(path).box_mm == pytest.approx((0, 0, 300 * mm, 200 * mm))
