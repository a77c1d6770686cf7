from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import lxml.etree
import numpy as np
import pytest
from PIL import Image

from calibration.bed import FocusPlane, read_bed
from calibration.board import BoardPlace, read_board
from calibration.errors import WitmarkError
from calibration.lens import read_lens
from calibration.plane import PlaneSurface
from calibration.tracking import resolve_camera
from calibration.verification import last_verified, record_path
from cli.app import run
from cli.options import with_doubt
from vision.capture.photo import read_photo


def test_lens_command_tells_and_writes(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "lens.json"
    photos = sorted(str(p) for p in (bench.folder / "lens").iterdir())
    board = ["--board", str(bench.folder / "board.json"), "--out", str(out), "--json"]
    assert run(["calibrate", "lens", *photos, *board]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["rms_px"] < 0.1
    assert [photo["used"] for photo in told["photos"]] == [True] * 6
    assert set(told["coverage"]) == {"share", "grid", "missing"}
    lens = read_lens(out)
    sigma = np.sqrt(lens.covariance[0, 0])
    # The pinhole of the pictures has 1250 px and no distortion.
    assert abs(lens.parameters[0] - 1250.0) < 4 * sigma + 0.5
    assert told["parameters"]["fx"]["u95"] == pytest.approx(1.959964 * sigma)
    assert told["model"] == lens.model == "brown-conrady"
    assert {trial["model"] for trial in told["models_tried"]} == {
        "brown-conrady",
        "fisheye",
        "rational",
    }
    assert told["next_photo"]["then_u95_px"] < told["next_photo"]["u95_px"]


def test_lens_text_names_the_photos_and_the_field(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    board = ["--board", str(bench.folder / "board.json"), "--out", str(tmp_path / "l.json")]
    assert run(["calibrate", "lens", str(bench.folder / "lens"), *board]) == 0
    said = capsys.readouterr()
    assert "from 6 of 6 photos" in said.out
    assert "parts of the picture" in said.out
    assert "p5.png" in said.out
    assert "Next photo: the board in the" in said.out
    assert "brown-conrady: foretells photos left out best" in said.out
    assert "(6 of 6)" in said.err


def test_bed_command_finds_the_camera_and_the_marks(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "bed.json"
    photo = str(bench.folder / "bed.png")
    options = [*bench.bed_options, "--marks", str(bench.folder / "marks.json"), "--at-u", "0.1,0.1"]
    assert run(["calibrate", "bed", photo, *options, "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["notes"] == []
    bed = read_bed(out)
    assert told["id"] == bed.id
    assert bed.place_measured
    np.testing.assert_allclose(bed.pose.camera_mm, bench.camera.camera_mm, atol=1.5)
    centres = {mark.id: mark.centre_mm for mark in bed.marks}
    for number, true in {10: (30, 30), 11: (320, 30), 12: (320, 250), 13: (30, 250)}.items():
        assert centres[number] == pytest.approx(true, abs=0.15)
    history = json.loads(out.read_text())["history"]
    assert history["photos"][0]["sha256"] == read_photo(Path(photo)).sha256

    # A later capture by a nudged camera: noticed, told and corrected.
    solved, moved = resolve_camera(bed, read_photo(bench.folder / "nudged.png").grey)
    assert moved.moved
    assert moved.shift_mm.value == pytest.approx(0.4, abs=0.3)
    nudge = bench.camera.step_to(solved.pose)
    np.testing.assert_allclose(nudge[:3], [0.002, -0.001, 0.001], atol=5e-3)


def test_one_photo_of_a_printed_board_needs_no_lens_file_and_says_what_it_cannot_tell(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = bench.bed_options.index("--lens")
    options = [*bench.bed_options[:at], *bench.bed_options[at + 2 :], "--at-u", "0,0", "--json"]
    beds = {}
    for name, more in (
        ("alone", []),
        ("tape", ["--camera-height", f"{bench.camera.camera_mm[2]:.1f},1"]),
        ("lens", ["--lens", str(bench.folder / "lens.json")]),
    ):
        out = tmp_path / f"{name}.json"
        command = ["calibrate", "bed", str(bench.folder / "bed.png"), *options, *more]
        assert run([*command, "--out", str(out)]) == 0
        notes = json.loads(capsys.readouterr().out)["notes"]
        assert any("solved together" in note for note in notes) == (name != "lens")
        beds[name] = read_bed(out)
    # Where the board lay all agree; far above it the photo alone hardly tells, and says so.
    middle = np.array([np.array(beds["alone"].pivot_mm[:2])])
    px = beds["lens"].px_from_mm(middle, 0.0)
    surely = {}
    for name, bed in beds.items():
        u95 = PlaneSurface(bed, 0.0).calibration_u95_mm(middle)[0]
        assert np.hypot(*(bed.mm_from_px(px, 0.0) - middle)[0]) < u95 + 0.02
        surely[name] = PlaneSurface(bed, 30.0).calibration_u95_mm(middle + 100)[0]
    assert surely["alone"] > 1.2 * surely["tape"]
    assert surely["tape"] > surely["lens"]


def test_a_cameras_height_beside_a_lens_file_is_refused(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = str(bench.folder / "bed.png")
    options = [*bench.bed_options, "--camera-height", "450", "--out", str(tmp_path / "bed.json")]
    assert run(["calibrate", "bed", photo, *options]) == 2
    assert "--camera-height: is for a bed without a lens file" in capsys.readouterr().err


def test_bed_text_splits_the_uncertainty_by_name(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = str(bench.folder / "bed.png")
    assert run(["calibrate", "bed", photo, *bench.bed_options, "--out", str(tmp_path / "b")]) == 0
    said = capsys.readouterr().out
    for word in ("lens", "camera pose", "place of the board", "scale of the board", "lower left"):
        assert word in said
    assert "a camera that moves later cannot be corrected" in said


def test_a_picture_of_the_uncertainty_all_over_the_bed_agrees_with_the_table(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, picture = tmp_path / "bed.json", tmp_path / "map.svg"
    options = [*bench.bed_options, "--out", str(out), "--map", str(picture), "--json"]
    assert run(["calibrate", "bed", str(bench.folder / "bed.png"), *options]) == 0
    told = json.loads(capsys.readouterr().out)
    known = told["u95_map"]
    assert len(known["u95_mm"]) == len(known["y_mm"])
    assert {len(row) for row in known["u95_mm"]} == {len(known["x_mm"])}
    numbers = [value for row in known["u95_mm"] for value in row if value is not None]
    # The table's parts are independent; each of them alone is smaller than all together.
    middle = next(place for place in told["places"] if place["name"] == "middle")
    assert max(middle["u95_mm"].values()) < max(numbers)
    assert min(numbers) < 1.5 * sum(middle["u95_mm"].values())
    svg = picture.read_text("utf-8")
    assert svg.count("<rect") == len(numbers) + 2
    assert f">{numbers[0]:.2f}<" in svg
    assert lxml.etree.fromstring(svg.encode()) is not None


def test_a_picture_that_cannot_be_written_leaves_no_bed_file(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "bed.json"
    (tmp_path / "file").write_text("in the way")
    options = [*bench.bed_options, "--out", str(out), "--map", str(tmp_path / "file" / "map.svg")]
    assert run(["calibrate", "bed", str(bench.folder / "bed.png"), *options]) == 2
    assert "map.svg" in capsys.readouterr().err
    assert not out.exists()


def test_a_picture_in_the_bed_files_place_is_refused(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "bed.json"
    beside = tmp_path / "x" / ".." / "bed.json"
    (tmp_path / "x").mkdir()
    options = [*bench.bed_options, "--out", str(out), "--map", str(beside)]
    assert run(["calibrate", "bed", str(bench.folder / "bed.png"), *options]) == 2
    assert "is the bed file itself" in capsys.readouterr().err
    assert not out.exists()


def touched_corners(bench: Any) -> list[str]:
    """Return --touch options for three corners of the board as it lies in `bed.png`."""
    board = read_board(bench.folder / "board.json")
    width, height = (side * board.print_scale for side in board.size_mm)
    own = {"top-left": (0.0, 0.0), "top-right": (width, 0.0), "bottom-right": (width, height)}
    place = BoardPlace(*_told_place(bench))
    bed = place.bed_points(np.array(list(own.values())))
    pairs = zip(own, bed, strict=True)
    return [part for name, (x, y, _) in pairs for part in ("--touch", f"{name}={x:.3f},{y:.3f}")]


def _told_place(bench: Any) -> tuple[tuple[float, float], float, float]:
    options = bench.bed_options
    x, y = (float(v) for v in options[options.index("--at") + 1].split(","))
    turn, height = (float(options[options.index(name) + 1]) for name in ("--turn", "--height"))
    return (x, y), turn, height


def _without_place(bench: Any) -> list[str]:
    options = list(bench.bed_options)
    for name in ("--at", "--turn"):
        at = options.index(name)
        del options[at : at + 2]
    return options


def test_touched_corners_stand_for_the_place_and_its_uncertainty(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo, by_place, by_touch = (
        str(bench.folder / "bed.png"),
        tmp_path / "place.json",
        tmp_path / "touch.json",
    )
    told = [*bench.bed_options, "--at-u", "0.3,0.15", "--out", str(by_place)]
    assert run(["calibrate", "bed", photo, *told]) == 0
    touched = [*_without_place(bench), *touched_corners(bench), "--out", str(by_touch)]
    assert run(["calibrate", "bed", photo, *touched]) == 0
    said = capsys.readouterr()
    assert "the touched corners put the board at" in said.err
    assert "U95 0.28 mm and 0.10 degrees" in said.err
    one, other = read_bed(by_place), read_bed(by_touch)
    np.testing.assert_allclose(one.pose.camera_mm, other.pose.camera_mm, atol=0.02)
    assert other.place_measured
    assert len(json.loads(by_touch.read_text())["history"]["touched"]) == 3


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--at", "1,2"], "--at: is given beside --touch"),
        (["--touch", "middle=1,2"], "no corner of the board"),
        (["--touch", "top-left=1,2"], "is given twice"),
        (["--touch", "bottom-left"], "names no corner"),
        (["--touch", "bottom-left=1"], "is not two numbers"),
        (["--touch", "bottom-left=nan,2"], "is not two numbers"),
        (["--touch", "bottom-left=400,2"], "bottom-left does not fit the others"),
        (["--touch-u", "0"], "is no useful uncertainty"),
    ],
)
def test_touches_that_cannot_be_believed_are_refused_in_one_line(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], told: str
) -> None:
    out = tmp_path / "bed.json"
    touched = [*_without_place(bench), *touched_corners(bench), *more, "--out", str(out)]
    assert run(["calibrate", "bed", str(bench.folder / "bed.png"), *touched]) == 2
    said = capsys.readouterr().err
    assert told in said
    assert len(said.strip().splitlines()) == 1
    assert not out.exists()


def test_how_well_nothing_is_touched_is_refused(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = [*bench.bed_options, "--touch-u", "0.2", "--out", str(tmp_path / "bed.json")]
    assert run(["calibrate", "bed", str(bench.folder / "bed.png"), *options]) == 2
    assert "without --touch" in capsys.readouterr().err


def test_options_may_be_given_once_per_photo(bench: Any, tmp_path: Path) -> None:
    photo = str(bench.folder / "bed.png")
    twice = [*bench.bed_options, "--at", "90.0,200.0", "--turn", "4"]
    arguments = ["calibrate", "bed", photo, photo, *twice, "--out", str(tmp_path / "b.json")]
    assert run(arguments) == 0
    assert len(json.loads((tmp_path / "b.json").read_text())["history"]["photos"]) == 2


@pytest.fixture
def marked_bed(bench: Any, tmp_path: Path) -> Path:
    out = tmp_path / "bed.json"
    options = [*bench.bed_options, "--marks", str(bench.folder / "marks.json")]
    photo = str(bench.folder / "bed.png")
    assert run(["calibrate", "bed", photo, *options, "--out", str(out)]) == 0
    return out


def test_verify_says_in_one_line_that_the_calibration_holds_and_keeps_it_beside_the_bed(
    bench: Any, marked_bed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = marked_bed.read_bytes()
    capsys.readouterr()
    photo = str(bench.folder / "bed.png")
    assert run(["calibrate", "verify", photo, "--bed", str(marked_bed)]) == 0
    said = capsys.readouterr().out.strip()
    assert said.startswith("The calibration holds: ")
    assert "\n" not in said
    assert marked_bed.read_bytes() == before
    content = json.loads(record_path(marked_bed).read_text())
    schema = json.loads((files("calibration.schemas") / "verified.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(content)
    date, warning = last_verified(marked_bed, read_bed(marked_bed).id)
    assert date == content["looks"][0]["date"]
    assert warning is None


def test_verify_finds_a_nudged_camera_and_checks_warn_of_it_until_it_holds_again(
    bench: Any, marked_bed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    nudged, still = (str(bench.folder / name) for name in ("nudged.png", "bed.png"))
    capsys.readouterr()
    assert run(["calibrate", "verify", nudged, still, "--bed", str(marked_bed), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "stale"
    assert [one["verdict"] for one in told["looks"]] == ["stale", "holds"]
    assert told["looks"][0]["shift_mm"] == pytest.approx(0.4, abs=0.3)
    identity = read_bed(marked_bed).id
    assert last_verified(marked_bed, identity)[1] is None  # the later one held
    assert run(["calibrate", "verify", nudged, "--bed", str(marked_bed)]) == 1
    assert "does not hold" in capsys.readouterr().out
    date, warning = last_verified(marked_bed, identity)
    assert date is not None
    assert "did not hold" in str(warning)
    # A bed that was calibrated anew has not been verified yet.
    assert last_verified(marked_bed, "another") == (None, None)


def test_verify_names_a_refocus_and_how_much_longer_the_focal_length_is(
    bench: Any, marked_bed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # A longer focal length enlarges the picture of a camera without distortion about its middle.
    picture = Image.open(bench.folder / "bed.png")
    width, height = picture.size
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    factor = 1.015
    x, y = middle + 0.5 - (middle + 0.5) / factor
    about = (1 / factor, 0.0, float(x), 0.0, 1 / factor, float(y))
    longer = picture.transform(
        picture.size, Image.Transform.AFFINE, about, resample=Image.Resampling.BICUBIC
    )
    longer.save(tmp_path / "longer.png")
    capsys.readouterr()
    command = ["calibrate", "verify", str(tmp_path / "longer.png"), "--bed", str(marked_bed)]
    assert run([*command, "--json"]) == 1
    [look] = json.loads(capsys.readouterr().out)["looks"]
    assert look["verdict"] == "stale"
    assert look["focal_percent"] == pytest.approx(1.5, abs=look["focal_u95_percent"])
    assert run(command) == 1
    said = capsys.readouterr().out
    assert "does not hold: the camera" in said
    assert "refocused" in said
    assert "autofocus and zoom off" in said
    content = json.loads(record_path(marked_bed).read_text())
    schema = json.loads((files("calibration.schemas") / "verified.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(content)


def test_a_focus_plane_is_kept_in_the_bed_file_and_told(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "bed.json"
    command = ["calibrate", "bed", str(bench.folder / "bed.png"), *bench.bed_options]
    for typed, plane in (
        ("8,0.3", FocusPlane(8.0, 0.3, True)),
        ("-2.5", FocusPlane(-2.5, 0.5, False)),
    ):
        assert run([*command, f"--focus-height={typed}", "--out", str(out)]) == 0
        told = f"focuses {plane.height_mm:g} +- {plane.u95_mm:g} mm above"
        assert told in capsys.readouterr().out
        assert read_bed(out).focus == plane
        content = json.loads(out.read_text())
        schema = json.loads((files("calibration.schemas") / "bed.json").read_text())
        jsonschema.Draft202012Validator(schema).validate(content)


@pytest.mark.parametrize("typed", ["high", "1,2,3", "nan", "1e9", "8,-1", "8,1e3"])
def test_a_focus_plane_that_cannot_be_is_refused_in_one_line(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str], typed: str
) -> None:
    out = tmp_path / "bed.json"
    options = [*bench.bed_options, f"--focus-height={typed}", "--out", str(out)]
    assert run(["calibrate", "bed", str(bench.folder / "bed.png"), *options]) == 2
    said = capsys.readouterr().err
    assert f"--focus-height {typed}" in said
    assert len(said.strip().splitlines()) == 1
    assert not out.exists()


def test_how_well_a_height_is_known_is_the_usual_where_it_is_not_typed() -> None:
    assert with_doubt("450", "--camera-height", 10.0) == (450.0, 10.0, False)
    assert with_doubt("450,2", "--camera-height", 10.0) == (450.0, 2.0, True)
    for typed in ("none", "inf", ""):
        with pytest.raises(WitmarkError, match=f"^--camera-height {typed}: is not a number"):
            with_doubt(typed, "--camera-height", 10.0)


def test_verify_cannot_tell_without_marks_in_view(
    bench: Any, marked_bed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = np.asarray(Image.open(bench.folder / "bed.png")).copy()
    picture[:, : picture.shape[1] // 2] = 128
    Image.fromarray(picture).save(tmp_path / "half.png")
    capsys.readouterr()
    status = run(["calibrate", "verify", str(tmp_path / "half.png"), "--bed", str(marked_bed)])
    assert status == 3
    assert "cannot be told" in capsys.readouterr().out


@pytest.mark.parametrize("spoiled", ["{", '{"looks": [{"bed": "x"}]}', '{"looks": 3}'])
def test_a_spoiled_record_is_named_and_kept(
    bench: Any, marked_bed: Path, spoiled: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = record_path(marked_bed)
    path.write_text(spoiled.replace('"x"', json.dumps(read_bed(marked_bed).id)))
    kept = path.read_text()
    capsys.readouterr()
    status = run(["calibrate", "verify", str(bench.folder / "bed.png"), "--bed", str(marked_bed)])
    said = capsys.readouterr().err
    assert status == 2
    assert path.name in said
    assert path.read_text() == kept


def test_a_bed_without_marks_cannot_be_verified(
    bench: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "bare.json"
    photo = str(bench.folder / "bed.png")
    assert run(["calibrate", "bed", photo, *bench.bed_options, "--out", str(out)]) == 0
    capsys.readouterr()
    assert run(["calibrate", "verify", photo, "--bed", str(out)]) == 2
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert "no reference marks" in said
    assert "--marks" in said
    assert not record_path(out).exists()
