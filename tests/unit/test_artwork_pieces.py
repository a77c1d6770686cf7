from __future__ import annotations

import numpy as np
import pytest

from vision.artwork.flatten import Polyline
from vision.artwork.pieces import Shape, assemble
from vision.artwork.strokes import Artwork


def ring(x: float, y: float, width: float, height: float | None = None) -> Polyline:
    height = width if height is None else height
    corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
    return Polyline(np.array(corners, dtype=float), True)


def line(*points: tuple[float, float]) -> Polyline:
    return Polyline(np.array(points, dtype=float), False)


def outline(*lines: Polyline, name: str = "", groups: tuple[str, ...] = ()) -> Shape:
    return Shape(lines, "outline", None, name, groups)


def filled(*lines: Polyline, name: str = "", groups: tuple[str, ...] = ()) -> Shape:
    return Shape(lines, None, "evenodd", name, groups)


def made(*shapes: Shape) -> Artwork:
    return assemble(shapes, 0.01)


def names(artwork: Artwork) -> list[str]:
    return [feature.name for feature in artwork.features]


def pieces(artwork: Artwork) -> list[int]:
    return [feature.piece for feature in artwork.features]


@pytest.mark.parametrize(("gap", "count"), [(0.0, 1), (0.29, 1), (0.31, 2)])
def test_what_lies_within_three_tenths_is_one_feature(gap: float, count: int) -> None:
    assert len(made(filled(ring(0, 0, 5)), outline(ring(5 + gap, 0, 5))).features) == count


def test_features_chain_through_what_touches_both() -> None:
    artwork = made(filled(ring(0, 0, 5)), filled(ring(20, 0, 5)), outline(line((5, 2), (20, 2))))
    assert len(artwork.features) == 1
    assert artwork.features[0].box_mm == (0.0, 0.0, 25.0, 5.0)


def test_a_frame_is_not_one_with_what_lies_inside() -> None:
    artwork = made(outline(ring(0, 0, 60, 40)), filled(ring(10, 10, 5)))
    assert len(artwork.features) == 2
    assert artwork.piece_count == 1


def test_a_letter_with_a_hole_is_one_feature_filled_or_outlined() -> None:
    for make in (outline, filled):
        artwork = made(make(ring(0, 0, 10), ring(3, 3, 4)))
        assert len(artwork.features) == 1
    assert [len(area.rings_mm) for area in artwork.areas] == [2]


def test_two_letters_of_one_element_are_two_features() -> None:
    artwork = made(filled(ring(0, 0, 5), ring(8, 0, 5), name="word"))
    assert names(artwork) == ["word", "word 2"]


def test_overlapping_fills_are_united_and_do_not_count_twice() -> None:
    artwork = made(filled(ring(0, 0, 10)), filled(ring(5, 5, 10)), filled(ring(40, 0, 1)))
    assert len(artwork.areas) == 2
    x, y = artwork.areas[0].rings_mm[0].T
    assert 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) == pytest.approx(175.0)
    assert [area.feature for area in artwork.areas] == [0, 1]


def test_names_come_from_the_element_then_from_a_group_of_its_own_then_from_the_order() -> None:
    artwork = made(
        filled(ring(0, 0, 5), name="leaf", groups=("all",)),
        filled(ring(10, 0, 5), groups=("number", "all")),
        outline(ring(10, 0, 5), groups=("number", "all")),
        filled(ring(20, 0, 5), groups=("all",)),
    )
    assert names(artwork) == ["leaf", "number", "feature 3"]


def test_names_stay_unique() -> None:
    shapes = [filled(ring(10 * k, 0, 5), name=name) for k, name in enumerate(["a", "a 2", "a"])]
    found = names(made(*shapes))
    assert len(set(found)) == 3
    assert found[:2] == ["a", "a 2"]


def label(x: float, y: float, width: float = 60.0, height: float = 40.0) -> list[Shape]:
    return [outline(ring(x, y, width, height)), filled(ring(x + 2, y + 2, 3))]


def test_equal_frames_beside_each_other_are_blanks_with_what_lies_inside() -> None:
    artwork = made(*label(0, 0), *label(70, 0), *label(0, 50))
    assert artwork.piece_count == 3
    assert pieces(artwork) == [0, 0, 1, 1, 2, 2]


def test_what_lies_outside_every_frame_goes_to_the_nearest() -> None:
    artwork = made(*label(0, 0), *label(70, 0), filled(ring(140, 10, 3)), filled(ring(-9, 3, 3)))
    assert pieces(artwork)[4:] == [1, 0]


def test_unequal_blanks_count_when_each_is_large_and_holds_something() -> None:
    assert made(*label(0, 0, 60, 40), *label(70, 0, 35, 30)).piece_count == 2


def test_empty_frames_of_one_shape_are_blanks_even_when_turned() -> None:
    frames = outline(ring(0, 0, 60, 40)), outline(ring(70, 0, 40, 60))
    assert made(*frames).piece_count == 2


@pytest.mark.parametrize(
    "shapes",
    [
        label(0, 0),
        # A frame around two frames is one sheet.
        [outline(ring(-10, -10, 200, 100)), *label(0, 0), *label(70, 0)],
        # A large frame and a small closed ornament beside it.
        [*label(0, 0), outline(ring(70, 0, 10))],
        # Unequal frames with nothing inside.
        [outline(ring(0, 0, 60, 40)), outline(ring(70, 0, 50, 40))],
        # Small rings of one shape: a border, not blanks.
        [outline(ring(10.0 * k, 0, 9)) for k in range(5)],
        # Small unequal letters with holes of another element.
        [*label(0, 0, 9, 9), *label(20, 0, 12, 14)],
        # Frames that touch cannot have moved apart.
        [*label(0, 0), *label(60, 0)],
        # Fills are no frames.
        [filled(ring(0, 0, 60, 40)), filled(ring(70, 0, 60, 40))],
    ],
)
def test_everything_else_is_one_piece(shapes: list[Shape]) -> None:
    artwork = made(*shapes)
    assert artwork.piece_count == 1
    assert set(pieces(artwork)) == {0}


def test_small_equal_blanks_count_when_each_holds_something() -> None:
    assert made(*label(0, 0, 9, 9), *label(20, 0, 9, 9)).piece_count == 2


def test_strokes_keep_the_order_of_the_file() -> None:
    artwork = made(
        outline(line((0, 0), (1, 0))), outline(line((50, 0), (51, 0)), line((1, 0), (2, 0)))
    )
    assert [stroke.points_mm[0, 0] for stroke in artwork.strokes] == [0.0, 50.0, 1.0]
    assert [stroke.feature for stroke in artwork.strokes] == [0, 1, 0]


def test_nothing_makes_an_empty_artwork() -> None:
    artwork = made()
    assert (artwork.strokes, artwork.areas, artwork.features) == ((), (), ())
