from __future__ import annotations

import math
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calibration.errors import WitmarkError
from vision.artwork.strokes import Artwork, Points
from vision.artwork.svg import read_svg

MM = 25.4 / 96.0
Read = Callable[..., Artwork]

# A label as a workshop would draw it: frame, cross-hatched leaf with a vein left free, digits.
LABEL = """
<g id="label">
  <rect id="outline" x="0.5" y="0.5" width="59" height="39" rx="3" class="thin"/>
  <g id="fill"><path id="leaf" fill-rule="evenodd" d="M10 20 C14 8 30 8 34 20 C30 32 14 32 10 20 z
    M14 19.5 L30 19.5 30 20.5 14 20.5 z"/></g>
  <g id="number" transform="translate(42 12)">
    <path d="M0 0 h8 v14 h-8 z m2 2 v10 h4 v-10 z"/></g>
</g>"""


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def drawn(
        body: str, size: str = 'width="100mm" height="50mm" viewBox="0 0 100 50"', **options: float
    ) -> Artwork:
        path = tmp_path / "drawing.svg"
        path.write_text(
            f'<svg xmlns="http://www.w3.org/2000/svg" '
            f'xmlns:xlink="http://www.w3.org/1999/xlink" {size}>{body}</svg>',
            encoding="utf-8",
        )
        return read_svg(path, **options)

    return drawn


def signed_area(ring: Points) -> float:
    (x, y), (x1, y1) = ring.T, np.roll(ring, -1, axis=0).T
    return float(np.sum(x * y1 - x1 * y) / 2.0)


def burned_area(artwork: Artwork) -> float:
    return sum(signed_area(ring) for area in artwork.areas for ring in area.rings_mm)


def kinds(artwork: Artwork) -> tuple[list[str], int]:
    return [stroke.layer for stroke in artwork.strokes], len(artwork.areas)


# Page and viewport


def test_the_origin_is_the_lower_left_corner_with_y_up(read: Read) -> None:
    assert read('<rect x="10" y="5" width="20" height="8"/>').box_mm == pytest.approx(
        (10, 37, 30, 45)
    )


def test_without_width_and_height_the_view_box_counts_at_96_per_inch(read: Read) -> None:
    box = read('<rect width="96" height="48"/>', 'viewBox="0 0 192 96"').box_mm
    assert box == pytest.approx((0, 12.7, 25.4, 25.4))
    assert read('<rect width="96" height="48"/>', 'width="100%" viewBox="0 0 192 96"').box_mm == box


def test_a_missing_side_follows_from_the_other(read: Read) -> None:
    for size in ('width="100mm"', 'height="50mm"'):
        box = read('<rect width="200" height="100"/>', f'{size} viewBox="0 0 200 100"').box_mm
        assert box == pytest.approx((0, 0, 100, 50))


def test_without_a_view_box_units_are_px(read: Read) -> None:
    assert read('<rect width="10" height="1in"/>', 'width="2in" height="2in"').box_mm == (
        pytest.approx((0, 25.4, 10 * MM, 50.8))
    )


def test_a_view_box_may_begin_anywhere(read: Read) -> None:
    box = read(
        '<rect x="-50" y="-25" width="100" height="50"/>',
        'width="100mm" height="50mm" viewBox="-50 -25 100 50"',
    ).box_mm
    assert box == pytest.approx((0, 0, 100, 50))


@pytest.mark.parametrize(
    ("ratio", "expected"),
    [
        # A square viewBox in a viewport of 100 x 50 mm: SVG 2, section 8.2.
        ("", (25, 0, 75, 50)),
        ("xMidYMid", (25, 0, 75, 50)),
        ("xMinYMin meet", (0, 0, 50, 50)),
        ("xMaxYMax meet", (50, 0, 100, 50)),
        ("none", (0, 0, 100, 50)),
        ("xMidYMid slice", (0, -25, 100, 75)),
        ("xMidYMin slice", (0, -50, 100, 50)),
        ("xMidYMax slice", (0, 0, 100, 100)),
    ],
)
def test_preserve_aspect_ratio(read: Read, ratio: str, expected: tuple[float, ...]) -> None:
    size = f'width="100mm" height="50mm" viewBox="0 0 8 8" preserveAspectRatio="{ratio}"'
    assert read('<rect width="8" height="8"/>', size).box_mm == pytest.approx(expected)


def test_percentages_refer_to_the_view_box(read: Read) -> None:
    assert read('<rect x="10%" y="20%" width="50%" height="40%"/>').box_mm == pytest.approx(
        (10, 20, 60, 40)
    )
    # A radius refers to the diagonal over the square root of two: SVG 2, section 8.9.
    circle = read('<circle cx="50%" cy="50%" r="10%"/>', chord_error_mm=1e-4).box_mm
    radius = 0.1 * math.hypot(100, 50) / math.sqrt(2)
    assert circle == pytest.approx((50 - radius, 25 - radius, 50 + radius, 25 + radius), abs=1e-3)


def test_nested_viewports_scale_and_shift(read: Read) -> None:
    nested = '<svg x="10" y="5" width="40" height="20" viewBox="0 0 4 4">{}</svg>'
    body = nested.format('<rect width="4" height="4"/>')
    assert read(body).box_mm == pytest.approx((20, 25, 40, 45))
    twice = nested.format('<svg width="50%" height="50%"><rect width="100%" height="100%"/></svg>')
    assert read(twice).box_mm == pytest.approx((20, 35, 30, 45))


def test_a_symbol_is_drawn_where_it_is_used_and_nowhere_else(read: Read) -> None:
    body = """<symbol id="s" viewBox="0 0 10 10"><rect width="10" height="10"/></symbol>
      <use href="#s" id="first" x="10" y="20" width="20" height="20"/>
      <use xlink:href="#s" id="second" x="60" y="20" width="10" height="10"/>"""
    artwork = read(body)
    assert [feature.name for feature in artwork.features] == ["first", "second"]
    assert artwork.features[0].box_mm == pytest.approx((10, 10, 30, 30))
    assert artwork.features[1].box_mm == pytest.approx((60, 20, 70, 30))


def test_a_use_shifts_after_its_transform_and_hands_down_its_paint(read: Read) -> None:
    body = """<defs><path id="p" d="M0 0 h10"/></defs>
      <use href="#p" x="5" y="1" transform="translate(10 10) scale(2)" stroke="red" fill="none"/>"""
    artwork = read(body)
    assert artwork.strokes[0].points_mm == pytest.approx(np.array([[20, 38], [40, 38]]))
    assert kinds(artwork) == (["outline"], 0)


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    turn=st.floats(-180, 180),
    scale=st.floats(0.1, 5),
    x=st.floats(-50, 50),
    y=st.floats(-50, 50),
)
def test_nested_transforms_turn_the_other_way_on_a_page_with_y_up(read, turn, scale, x, y) -> None:
    artwork = read(
        f'<g transform="translate({x} {y})"><g transform="rotate({turn})">'
        f'<path transform="scale({scale})" d="M0 0 L7 0 7 3" fill="none" stroke="red"/></g></g>'
    )
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    down = scale * np.array([(0, 0), (7, 0), (7, 3)]) @ np.array([[c, s], [-s, c]]) + (x, y)
    assert artwork.strokes[0].points_mm == pytest.approx(down * (1, -1) + (0, 50), abs=1e-9)


def test_content_beyond_the_edge_of_the_page_is_kept(read: Read) -> None:
    assert read('<rect x="-10" width="200" height="50"/>').box_mm == pytest.approx(
        (-10, 0, 190, 50)
    )


# Shapes


def test_basic_shapes_have_their_areas(read: Read) -> None:
    body = """<rect width="10" height="8" rx="2"/> <circle cx="20" cy="5" r="4"/>
      <ellipse cx="40" cy="5" rx="6" ry="3"/> <polygon points="60,0 70,0 60,10"/>"""
    artwork = read(body, chord_error_mm=1e-4)
    found = [signed_area(area.rings_mm[0]) for area in artwork.areas]
    rounded = 80 - (4 - math.pi) * 2**2
    assert found == pytest.approx([rounded, 16 * math.pi, 18 * math.pi, 50], rel=1e-4)


def test_corner_radii_are_limited_to_half_the_side(read: Read) -> None:
    pill = read('<rect width="20" height="8" rx="50" ry="9"/>', chord_error_mm=1e-4)
    assert burned_area(pill) == pytest.approx(math.pi * 10 * 4, rel=1e-4)


def test_shapes_without_size_draw_nothing(read: Read) -> None:
    body = '<rect width="5"/><circle r="0"/><polyline points=""/><path d="none"/><path d="M1 1"/>'
    artwork = read(body + '<rect width="1" height="1" ry="auto"/>')
    assert kinds(artwork) == ([], 1)


def test_a_line_has_no_inside(read: Read) -> None:
    assert kinds(read('<line x2="10" y2="5" stroke="red"/>')) == (["outline"], 0)


# Meaning


@pytest.mark.parametrize(
    ("paint", "expected"),
    [
        ("", ([], 1)),
        ('stroke="red"', (["outline"], 1)),
        ('stroke="red" fill="none"', (["outline"], 0)),
        ('style="stroke:#123;fill:none"', (["outline"], 0)),
        ('stroke="red" style="stroke:none !important"', ([], 1)),
        ('stroke="rgba(0, 0, 0, 0)"', ([], 1)),
        ('stroke="rgb(0,0,0)"', (["outline"], 1)),
        ('stroke="rgb(0 0 0 / 0%)"', ([], 1)),
        ('stroke="#0000"', ([], 1)),
        ('stroke="#000"', (["outline"], 1)),
        ('stroke="red" stroke-width="0"', (["outline"], 1)),
        ('stroke="red" stroke-opacity="0.0"', ([], 1)),
        ('stroke="red" stroke-opacity="0.05"', (["outline"], 1)),
        ('fill="url(#fade)"', ([], 1)),
        ('class="thin"', (["outline"], 0)),
        ('class="other thin"', (["outline"], 0)),
        ('class="thin" style="fill:currentColor"', (["outline"], 1)),
        ('class="thin" fill="red"', (["outline"], 0)),
        ('id="special"', (["outline"], 1)),
        ('id="special" class="thin"', (["outline"], 1)),
    ],
)
def test_paint_decides_between_outline_and_fill(
    read: Read, paint: str, expected: tuple[list[str], int]
) -> None:
    body = f"""<defs><linearGradient id="fade"/></defs>
      <style><![CDATA[ @font-face {{ font-family: x; src: url(data:,;) }}
        /* comment {{ */ .thin {{ fill: none; stroke: black; stroke-width: .1 }}
        #special {{ stroke: red; fill: blue }} ]]></style>
      <rect width="10" height="10" {paint}/>"""
    assert kinds(read(body)) == expected


def test_paint_is_inherited_from_groups_and_from_the_root(read: Read) -> None:
    size = 'width="100mm" height="50mm" viewBox="0 0 100 50" fill="none" stroke="black"'
    body = '<path d="M0 0 h9v9z"/><g fill="red" stroke="none"><path d="M20 0 h9v9z"/></g>'
    assert kinds(read(body, size)) == (["outline"], 1)


CLOSED = '<path d="M0 0 h9v9z" {}/>'
OPEN = '<path d="M0 0 h9v9" {}/>'


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ('<g id="outline">' + CLOSED.format('fill="red"') + "</g>", (["outline"], 0)),
        ('<g id="cut">' + CLOSED.format('fill="none"') + "</g>", (["cut"], 0)),
        ('<g id="Cut-2">' + CLOSED.format('stroke="red"') + "</g>", (["cut"], 0)),
        (CLOSED.format('id="outline_1" fill="red" stroke="red"'), (["outline"], 0)),
        ('<g id="fill">' + CLOSED.format('fill="none" stroke="red"') + "</g>", ([], 1)),
        ('<g id="fill">' + CLOSED.format('fill="red" stroke="red"') + "</g>", ([], 1)),
        ('<g id="fill">' + OPEN.format('fill="none" stroke="red"') + "</g>", (["fill"], 0)),
        ('<g id="fill">' + OPEN.format('fill="red"') + "</g>", ([], 1)),
        ('<g id="fill"><line x2="9" stroke="red"/></g>', (["fill"], 0)),
        # The innermost id counts; a longer word is no layer.
        ('<g id="fill"><g id="cut">' + CLOSED.format("") + "</g></g>", (["cut"], 0)),
        ('<g id="cutlery">' + CLOSED.format("") + "</g>", ([], 1)),
        ('<g id="filler">' + CLOSED.format('fill="none" stroke="red"') + "</g>", (["outline"], 0)),
    ],
)
def test_ids_override_paint(read: Read, body: str, expected: tuple[list[str], int]) -> None:
    assert kinds(read(body)) == expected


def test_what_is_not_shown_is_not_burned(read: Read) -> None:
    hidden = '<rect width="5" height="5" {}/>'
    body = "".join(
        hidden.format(how)
        for how in (
            'display="none"',
            'style="display:none"',
            'visibility="hidden"',
            'opacity="0"',
            'fill="none"',
            'transform="scale(0)"',
        )
    )
    body += f'<g display="none">{hidden.format("")}<text>x</text></g>'
    body += '<g visibility="hidden"><rect x="50" width="5" height="5" visibility="visible"/></g>'
    artwork = read(body + "<defs><rect width='9' height='9'/></defs><text> </text>")
    assert artwork.box_mm == pytest.approx((50, 45, 55, 50))


def test_a_switch_draws_its_first_plain_child(read: Read) -> None:
    body = """<switch><foreignObject requiredExtensions="x"/><g><rect width="5" height="5"/></g>
      <rect width="50" height="50"/></switch>"""
    assert read(body).box_mm == pytest.approx((0, 45, 5, 50))


@pytest.mark.parametrize(("rule", "holes"), [("evenodd", 2), ("nonzero", 1)])
def test_fill_rules_decide_about_holes(read: Read, rule: str, holes: int) -> None:
    artwork = read(f'<path fill-rule="{rule}" d="M0 0h20v20h-20z M5 5h10v10h-10z"/>')
    assert len(artwork.areas[0].rings_mm) == holes
    assert burned_area(artwork) == pytest.approx(300 if holes == 2 else 400)


def test_rings_keep_their_sense_under_any_transform(read: Read) -> None:
    for transform in ("", "scale(-1 1)", "rotate(130) scale(1 -2)"):
        artwork = read(
            f'<path transform="{transform}" fill-rule="evenodd" '
            'd="M0 0h20v20h-20z M5 5h10v10h-10z"/>'
        )
        outer, hole = artwork.areas[0].rings_mm
        assert signed_area(outer) > 0 > signed_area(hole)


def test_overlapping_fills_are_burned_once(read: Read) -> None:
    artwork = read('<rect width="10" height="10"/><rect x="5" width="10" height="10"/>')
    assert burned_area(artwork) == pytest.approx(150)


# Whole drawings


def test_a_label_reads_as_frame_leaf_and_number(read: Read) -> None:
    style = "<style>.thin{fill:none;stroke:#000;stroke-width:0.1px}</style>"
    artwork = read(style + LABEL, 'width="60mm" height="40mm" viewBox="0 0 60 40"')
    assert [feature.name for feature in artwork.features] == ["outline", "leaf", "number"]
    assert artwork.box_mm == pytest.approx((0.5, 0.5, 59.5, 39.5))
    assert [len(area.rings_mm) for area in artwork.areas] == [2, 2]
    assert kinds(artwork) == (["outline"], 2)
    assert artwork.piece_count == 1
    assert artwork.chord_error_mm == 0.01


def test_a_sheet_of_labels_is_one_piece_per_frame(read: Read) -> None:
    style = "<style>.thin{fill:none;stroke:#000}</style>"
    body = (
        style
        + f"<defs>{LABEL}</defs>"
        + "".join(
            f'<use href="#label" id="row-{k}" x="{70 * (k % 3)}" y="{50 * (k // 3)}"/>'
            for k in range(6)
        )
    )
    artwork = read(body, 'width="200mm" height="90mm" viewBox="0 0 200 90"')
    assert artwork.piece_count == 6
    assert [feature.piece for feature in artwork.features] == [k // 3 for k in range(18)]


def test_elements_of_other_vocabularies_are_left_alone(read: Read) -> None:
    body = '<x:view xmlns:x="urn:x"><rect width="9"/></x:view><title>t</title><metadata/>'
    assert kinds(read(body + '<rect width="5" height="5"/>')) == ([], 1)


def test_a_document_type_without_entities_is_accepted(tmp_path: Path) -> None:
    path = tmp_path / "old.svg"
    path.write_bytes(
        '<?xml version="1.0" encoding="UTF-16"?><!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" '
        '"http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd"><svg viewBox="0 0 9 9" '
        'xmlns="http://www.w3.org/2000/svg"><rect id="größe" width="9" height="9"/></svg>'.encode(
            "utf-16"
        )
    )
    assert read_svg(path).features[0].name == "größe"


def test_two_thousand_elements_are_read_quickly(read: Read) -> None:
    body = "".join(
        f'<path transform="translate({k % 50 * 4} {k // 50 * 4})" fill-rule="evenodd" '
        f'd="M0 0c1 0 2 1 2 2s-1 1-2 1z M.5 1h.5v.5z" stroke="red"/>'
        for k in range(2000)
    )
    read('<rect width="5" height="5"/>')
    start = time.process_time()
    artwork = read(body, 'width="200mm" height="200mm" viewBox="0 0 200 200"')
    # About a second on one free core; a busy machine is given more.
    assert time.process_time() - start < 4.0
    assert len(artwork.features) == 2000


def test_importing_the_reader_is_light() -> None:
    code = (
        "import sys, vision.artwork.svg; "
        "print([m for m in ('cv2', 'scipy', 'shapely', 'skimage') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


def test_an_error_is_one_line_that_names_the_element(read: Read) -> None:
    with pytest.raises(WitmarkError) as caught:
        read('\n<g>\n<path id="vein" d="M0 0 L1"/></g>')
    line = caught.value.line
    assert '<path id="vein"> on line 3' in line
    assert "\n" not in line
