"""The burned target: what is burned, and what its files say."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import svgpathtools

from calibration.burn_files import Burning, burn_minutes, gcode, strokes_of, svg, swept_box
from calibration.errors import WitmarkError
from calibration.target import lay_out, read_pattern, target_from_json
from cli.app import run
from samples.simulator.machine import Machine
from vision.artwork.svg import read_svg

TARGET = lay_out((0.0, 0.0, 400.0, 300.0), 30.0, 7.0, 16.0, "DICT_4X4_50", 0)
BURNING = Burning(300.0, 3000.0, 6000.0, 0.2, 7.0)


def test_a_full_bed_is_burned_within_ten_minutes_and_within_its_box() -> None:
    strokes = strokes_of(TARGET, BURNING)
    # The time of the lengths alone, at constant speed, is a bound from below.
    burned = sum(np.hypot(*(np.array(s.end) - s.start)) for s in strokes)
    assert burned / 3000 < burn_minutes(strokes, BURNING) <= 10
    x0, y0, x1, y1 = swept_box(strokes)
    assert 0 <= x0 < x1 <= 400
    assert 0 <= y0 < y1 <= 300


def test_the_program_burns_every_cross_and_mark_and_nothing_else() -> None:
    """Run by the simulator's machine, which reads RS-274 words by itself."""
    burned = Machine().strokes(gcode(TARGET, BURNING))
    assert len(burned) == len(strokes_of(TARGET, BURNING))
    crosses = np.array([stroke.points_mm for stroke in burned[: 2 * len(TARGET.crosses_mm)]])
    middles = np.unique(crosses.mean(axis=1).round(3), axis=0)
    np.testing.assert_allclose(middles, TARGET.crosses_mm[np.lexsort(TARGET.crosses_mm.T[::-1])])
    marks = np.concatenate([s.points_mm for s in burned[2 * len(TARGET.crosses_mm) :]])
    for number, (x, y) in TARGET.markers_mm.items():
        near = np.abs(marks - [x, y]).max(axis=1) <= 8.0
        assert near.any(), number
        marks = marks[~near]
    assert len(marks) == 0


def test_strokes_are_approached_from_either_side_in_turn() -> None:
    """Lost motion shifts neighbours against each other, along both axes, and nothing else."""
    lost = Machine(reversal_mm=(0.2, -0.1))
    count = len(TARGET.crosses_mm)
    straight, shifted = (
        np.array([s.points_mm for s in machine.strokes(gcode(TARGET, BURNING))[: 2 * count]])
        for machine in (Machine(), lost)
    )
    away = (shifted - straight)[:, 0]
    upright = np.ptp(straight[:, :, 0], axis=1) < 1e-9
    for strokes, axis, value in ((upright, 0, 0.2), (~upright, 1, -0.1)):
        places = straight[strokes].mean(axis=1)
        numbers = [int(np.argmin(((TARGET.crosses_mm - p) ** 2).sum(axis=1))) for p in places]
        np.testing.assert_allclose(
            away[strokes][:, axis], TARGET.approach[numbers] * value / 2, atol=1e-9
        )
    signs = TARGET.approach.reshape(len(TARGET.rows_mm), -1)
    assert (signs[1:] == -signs[:-1]).all()
    assert (signs[:, 1:] == -signs[:, :-1]).all()


def test_the_program_states_units_mode_power_speed_box_and_cautions() -> None:
    text = gcode(TARGET, replace(BURNING, power=450.0, speed_mm_min=2500.0))
    head = text[: text.index("G0")]
    for word in ("G21", "G90", "G94", "M5", "eyewear", "extraction", "fire", "manual", "PVC"):
        assert word in head
    assert re.search(r"X 13\.0 to 387\.0, Y 8\.0 to 292\.0 mm", head)
    assert re.search(r"About \d+ min at F2500, S450", head)
    assert set(re.findall(r"S\d+", text)) == {"S450"}
    assert set(re.findall(r"F\d+", text)) == {"F2500"}
    # RS-274 has no nested comments, and the laser is off wherever the head travels.
    assert all(line.count("(") <= 1 for line in text.splitlines())
    on = False
    for line in text.splitlines():
        on = line.startswith("M3") or (on and not line.startswith("M5"))
        assert not (on and line.startswith("G0"))
    assert text.rstrip().endswith("M2")


def test_the_drawing_holds_the_same_strokes_at_true_size(tmp_path: Path) -> None:
    path = tmp_path / "target.svg"
    path.write_text(svg(TARGET, BURNING))
    strokes = strokes_of(TARGET, BURNING)
    # Outside check: another reader's lengths (svgpathtools, from the registry).
    paths, _ = svgpathtools.svg2paths(str(path))
    told = sum(abs(piece.end - piece.start) for one in paths for piece in one)
    burned = sum(float(np.hypot(*(np.array(s.end) - s.start))) for s in strokes)
    assert told == pytest.approx(burned, rel=1e-4)
    # And our own reader puts them where the machine burns them.
    artwork = read_svg(path)
    x0, y0, x1, y1 = TARGET.box_mm
    assert artwork.box_mm == pytest.approx((x0, y0, x1, y1), abs=0.01)


def test_marks_are_numbered_by_the_layout_so_that_another_file_is_not_this_ones() -> None:
    """The file of a target of another pitch would make a map of another scale, without a trace."""
    area = (0.0, 0.0, 400.0, 300.0)
    made = [lay_out(area, pitch, 7.0, 16.0, "DICT_4X4_50") for pitch in (29.0, 30.0, 31.0)]
    made.append(lay_out((10.0, 0.0, 410.0, 300.0), 30.0, 7.0, 16.0, "DICT_4X4_50"))
    for one in made:
        assert len(one.markers_mm) == 5
        # The default numbers of reference marks are left free.
        assert not set(one.markers_mm) & set(range(10, 20))
        for other in made:
            shared = set(one.markers_mm) & set(other.markers_mm)
            assert (one is other) == (len(shared) >= 3)
    assert lay_out(area, 30.0, 7.0, 16.0, "DICT_4X4_50") == made[1]


def test_the_file_goes_there_and_back_and_keeps_to_its_schema(tmp_path: Path) -> None:
    path = tmp_path / "target.json"
    path.write_text(json.dumps(TARGET.to_json()))
    assert read_pattern(path) == TARGET
    schema = json.loads((files("calibration") / "schemas" / "board.json").read_text())
    jsonschema.validate(TARGET.to_json(), schema)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"columns_mm": [0, 30]}, "rising"),
        ({"columns_mm": [0, 30, 20, 60]}, "rising"),
        ({"rows_mm": [0, 30, 60, float("nan")]}, "rising"),
        ({"rows_mm": [0, 30, 60, 1e9]}, "finite"),
        ({"arm_mm": 0}, "above 0"),
        ({"dictionary": "NONE"}, "not one of OpenCV's"),
        ({"markers_mm": {"0": [1, 2]}}, "three marks"),
        ({"markers_mm": {"70": [1, 2], "0": [3, 4], "1": [5, 6]}}, "0 to 49"),
        ({"markers_mm": [1, 2]}, "no burned target"),
        ({"extra": 1}, "unknown field 'extra'"),
    ],
)
def test_a_file_that_describes_no_target_is_refused(changes: dict[str, object], told: str) -> None:
    with pytest.raises(WitmarkError, match=re.escape(told)):
        target_from_json({**TARGET.to_json(), **changes}, "target.json")


def test_the_command_writes_three_files_and_tells_time_box_and_cautions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["board", "--burn", "--power", "300", "--out", str(tmp_path), "--json"]) == 0
    said = capsys.readouterr()
    told = json.loads(said.out)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["target.json", "target.nc", "target.svg"]
    assert told["crosses"] == 130
    assert 0 < told["minutes"] <= 10
    assert told["box_mm"] == pytest.approx([13, 8, 387, 292])
    for word in ("eyewear", "blind", "Stay beside", "PVC", "X 13.0 to 387.0"):
        assert word in said.err
