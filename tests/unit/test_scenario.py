import io

import numpy as np
import pytest
from PIL import Image

from samples import scenario
from samples.jobs import make_job
from samples.make import QUALITY
from samples.simulator.board import save_photo
from samples.simulator.svg import write_svg
from samples.truth import rounded


def test_the_shipped_folder_is_small():
    entries = [entry for entry in scenario.data_folder().iterdir() if entry.is_file()]
    assert len(entries) <= 24
    assert sum(len(entry.read_bytes()) for entry in entries) < 10_000_000


def test_every_file_that_the_scenario_names_is_there():
    content = scenario.load()
    names = [content["board"], content["marks"], content["bed_photo"]["file"]]
    names += content["lens_photos"]
    for piece in content["pieces"]:
        names += [piece[key] for key in ("before", "after", "artwork") if piece[key]]
    for name in names:
        assert (scenario.data_folder() / name).is_file(), name


def test_the_shipped_pictures_are_plain_rgb_without_exif():
    content = scenario.load()
    for name in [*content["lens_photos"], content["pieces"][0]["after"]]:
        picture = Image.open(io.BytesIO((scenario.data_folder() / name).read_bytes()))
        assert picture.size == (1920, 1080)
        assert picture.mode == "RGB"
        assert not picture.getexif()


def test_the_six_pieces_are_the_ones_of_the_story():
    rows = {row["name"]: row for row in scenario.load()["pieces"]}
    assert len(rows) == 6
    worst = {name: row["truth"]["worst"] for name, row in rows.items()}
    assert worst["in-place"]["placement_on_work"] < 1e-6
    assert worst["bumped"]["fill_to_outline"] == pytest.approx(0.3, abs=0.002)
    assert rows["turned"]["truth"]["fill_to_outline"]["rotation_deg"] == pytest.approx(0.4)
    assert worst["moved-after"]["placement_on_work"] < 1e-6
    assert rows["moved-after"]["truth"]["part_movement"]["rotation_deg"] == pytest.approx(2.2)


def test_each_expected_verdict_follows_from_the_truth_by_a_clear_margin():
    for row in scenario.load()["pieces"]:
        clauses = [row["truth"]["worst"][key] for key in ("fill_to_outline", "placement_on_work")]
        if row["expected_verdict"] == "fail":
            decided = row["truth"]["worst"][row["decided_by"]]
            assert decided > 1.4 * row["tolerance_mm"]
        else:
            assert max(clauses) < 0.1 * row["tolerance_mm"]


def test_the_artworks_are_those_that_were_burned():
    for name, drawing in scenario.drawings().items():
        assert (scenario.data_folder() / name).read_text("utf-8") == write_svg(drawing)


@pytest.mark.slow
def test_the_command_makes_the_shipped_captures_again(tmp_path):
    piece = scenario.pieces()[2]
    job = make_job(piece.spec)
    row = next(row for row in scenario.load()["pieces"] if row["name"] == piece.name)
    assert rounded(job.truth) == row["truth"]
    data = (scenario.data_folder() / row["after"]).read_bytes()
    shipped = np.asarray(Image.open(io.BytesIO(data)), float)
    save_photo(tmp_path / "again.jpg", job.after, QUALITY)
    again = np.asarray(Image.open(tmp_path / "again.jpg"), float)
    # Another JPEG library or processor may round otherwise; another picture would differ by more.
    assert np.abs(shipped - again).mean() < 0.3
