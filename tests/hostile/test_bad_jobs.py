"""Everything that can be wrong with a job, through the real entry point.

Either one clear line, exit status 2 and nothing written, or a report that says `undecided` and why,
with status 3. Never a traceback, and never a pass.
"""

from __future__ import annotations

import json
import os
import resource
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from cli.app import run
from samples.jobs import make_job
from samples.scenario import data_folder, load, pieces

Picture = np.ndarray
# Options of `check` that are true of the scenario's first label, at half of its captures' size.
TRUE = {
    "--at": "177.38,132.49",
    "--at-u": "0.05,0.02",
    "--height": "0.6",
    "--height-u": "0.1",
    "--kerf": "0.18",
    "--tolerance": "0.3",
}


@dataclass(frozen=True)
class Workshop:
    """The scenario at half size, calibrated by the real commands; made once, never written to.

    Attributes
    ----------
    folder
        `lens.json`, `bed.json`, `after.png`, `before.png`, `label.svg`.
    after, before
        The captures, (540, 960, 3) BGR.
    """

    folder: Path
    after: Picture
    before: Picture


@dataclass(frozen=True)
class Outcome:
    """What one run left behind."""

    status: int
    out: str
    err: str
    new: tuple[str, ...]
    report: dict[str, Any] | None


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    folder, scenario, data = tmp_path_factory.mktemp("workshop"), load(), Path(str(data_folder()))

    def half(name: str) -> Path:
        path = folder / f"{Path(name).stem}.png"
        picture = cv2.imread(str(data / name))
        small = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        assert cv2.imwrite(str(path), small)
        return path

    board = ["--board", str(data / scenario["board"])]
    lens, bed, place = folder / "lens.json", folder / "bed.json", scenario["bed_photo"]
    photos = [str(half(name)) for name in scenario["lens_photos"]]
    assert run(["calibrate", "lens", *photos, *board, "--out", str(lens)]) == 0
    lies = ["--at", "{},{}".format(*place["at_mm"]), "--turn", str(place["turn_deg"])]
    lies += ["--height", str(place["height_mm"]), "--at-u", "0.05,0.01"]
    files = ["--lens", str(lens), "--marks", str(data / scenario["marks"]), "--out", str(bed)]
    assert run(["calibrate", "bed", str(half(place["file"])), *board, *lies, *files]) == 0
    first = scenario["pieces"][0]
    half(first["after"]).rename(folder / "after.png")
    half(first["before"]).rename(folder / "before.png")
    (folder / "label.svg").write_text((data / first["artwork"]).read_text())
    pictures = [cv2.imread(str(folder / name)) for name in ("after.png", "before.png")]
    return Workshop(folder, *pictures)


Check = Callable[..., Outcome]


@pytest.fixture
def check(
    workshop: Workshop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> Iterator[Check]:
    """Return a function that runs `check` on the true job with some options changed.

    An option that is None is left out; `extra` comes last. Afterwards the workshop must be as it
    was.
    """

    def listing(folder: Path) -> dict[str, bytes]:
        return {str(p): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}

    def go(photo: Path | None, options: dict[str, Any], *extra: str) -> Outcome:
        given: dict[str, Any] = {
            "--before": workshop.folder / "before.png",
            "--bed": workshop.folder / "bed.json",
            "--artwork": workshop.folder / "label.svg",
            "--out": tmp_path / "report",
            **TRUE,
            **options,
        }
        arguments = ["check", *([] if photo is None else [str(photo)])]
        for name, value in given.items():
            arguments += [] if value is None else [name, str(value)]
        before = {str(path) for path in tmp_path.rglob("*")}
        capsys.readouterr()
        status = run([*arguments, *extra])
        said = capsys.readouterr()
        new = sorted({str(path) for path in tmp_path.rglob("*")} - before)
        report = tmp_path / "report" / "report.json"
        content = json.loads(report.read_text()) if report.is_file() else None
        return Outcome(status, said.out, said.err, tuple(new), content)

    untouched = listing(workshop.folder)
    yield go
    assert listing(workshop.folder) == untouched


def refused(outcome: Outcome, told: str) -> None:
    """One line that says what, where and how to mend it; status 2; nothing written."""
    assert outcome.status == 2, outcome.err
    assert told in outcome.err
    assert outcome.err.startswith("witmark: ")
    assert outcome.err.count("\n") == 1
    assert outcome.err.endswith("\n")
    assert outcome.out == ""
    assert outcome.new == ()


def undecided(outcome: Outcome, told: str) -> dict[str, Any]:
    """A whole report whose verdict is undecided and says why; status 3; nothing else said."""
    assert outcome.status == 3, outcome.err
    assert outcome.err == ""
    assert outcome.report is not None
    assert sorted(Path(name).name for name in outcome.new) == [
        "report",
        "report.csv",
        "report.html",
        "report.json",
    ]
    verdict = outcome.report["verdict"]
    assert verdict["state"] == "undecided"
    assert told in "; ".join(verdict["reasons"])
    assert "UNDECIDED" in outcome.out
    return outcome.report


def draw(path: Path, picture: Picture) -> Path:
    assert cv2.imwrite(str(path), picture)
    return path


def in_place(outcome: Outcome) -> dict[str, Any]:
    """The verdict that is true of the scenario's first label."""
    assert outcome.status == 0, outcome.err
    assert outcome.report is not None
    assert outcome.report["verdict"]["state"] == "pass"
    return outcome.report


# Photos that are unusual but good ------------------------------------------------------------


def exif_turned(path: Path, workshop: Workshop) -> Path:
    exif = Image.Exif()
    exif[0x0112] = 6  # Orientation: turned by 90 degrees for viewers (EXIF 2.32, table 4)
    rgb = cv2.cvtColor(workshop.after, cv2.COLOR_BGR2RGB)
    Image.fromarray(rgb).save(path / "turned.jpg", quality=97, exif=exif)
    return path / "turned.jpg"


GOOD: dict[str, tuple[Callable[[Path, Workshop], Path], str]] = {
    "grey": (
        lambda path, w: draw(path / "grey.png", cv2.cvtColor(w.after, cv2.COLOR_BGR2GRAY)),
        "",
    ),
    "16-bit grey": (
        lambda path, w: draw(
            path / "deep.png", cv2.cvtColor(w.after, cv2.COLOR_BGR2GRAY).astype(np.uint16) * 257
        ),
        "more than 8 bits",
    ),
    "16-bit colour": (
        lambda path, w: draw(path / "deep.tif", w.after.astype(np.uint16) * 257),
        "",
    ),
    "alpha": (
        lambda path, w: draw(path / "alpha.png", cv2.cvtColor(w.after, cv2.COLOR_BGR2BGRA)),
        "transparent",
    ),
    "EXIF": (exif_turned, "rotation for viewers"),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", GOOD)
def test_unusual_photo_of_a_good_job_passes_and_what_was_done_is_told(
    kind: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    make, told = GOOD[kind]
    # At half size the captures do not tell whether the work moved; its place on the bed they do.
    report = in_place(check(make(tmp_path, workshop), {"--before": None}))
    assert told in "; ".join(report["warnings"])


# Photos that cannot be used ------------------------------------------------------------------


def header_bomb() -> bytes:
    """A PNG of a few hundred bytes whose header claims 60000 x 60000 pixels."""

    def chunk(name: bytes, data: bytes) -> bytes:
        body = name + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    header = chunk(b"IHDR", struct.pack(">IIBBBBB", 60000, 60000, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", zlib.compress(b"\0" * 999))


UNREADABLE: dict[str, tuple[Callable[[Workshop], bytes], str]] = {
    "empty": (lambda w: b"", "is empty"),
    "no picture": (lambda w: b"smoke", "not a picture"),
    "cut off": (lambda w: (w.folder / "after.png").read_bytes()[:30_000], "cut off or damaged"),
    "bomb": (lambda w: header_bomb(), "million pixels"),
}


@pytest.mark.parametrize("role", ["after", "before"])
@pytest.mark.parametrize("kind", UNREADABLE)
def test_photo_that_cannot_be_read_is_refused(
    kind: str, role: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    make, told = UNREADABLE[kind]
    bad, good = tmp_path / "photo.png", workshop.folder / "after.png"
    bad.write_bytes(make(workshop))
    outcome = check(bad, {}) if role == "after" else check(good, {"--before": bad})
    refused(outcome, told)
    assert str(bad) in outcome.err


@pytest.mark.parametrize("role", ["after", "before"])
def test_photo_that_is_not_there_is_refused(
    role: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    for bad, told in ((tmp_path / "none.png", "no such file"), (tmp_path, "Is a directory")):
        good = workshop.folder / "after.png"
        refused(check(bad, {}) if role == "after" else check(good, {"--before": bad}), told)


@pytest.mark.parametrize("role", ["after", "before"])
@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda picture: picture[:, :900], "cropped"),
        (lambda picture: picture[::2, ::2], "smaller or larger"),
        (lambda picture: np.rot90(picture), "turned by a quarter"),
    ],
    ids=["crop", "size", "quarter"],
)
def test_photo_of_another_size_is_refused(
    change: Callable[[Picture], Picture],
    told: str,
    role: str,
    check: Check,
    workshop: Workshop,
    tmp_path: Path,
) -> None:
    bad = draw(tmp_path / "photo.png", change(workshop.after))
    good = workshop.folder / "after.png"
    refused(check(bad, {}) if role == "after" else check(good, {"--before": bad}), told)


@pytest.mark.parametrize("role", ["after", "before"])
@pytest.mark.parametrize("level", [0, 128, 255])
def test_photo_of_one_tone_is_refused(
    level: int, role: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    bad = draw(tmp_path / "photo.png", np.full_like(workshop.after, level))
    good = workshop.folder / "after.png"
    outcome = check(bad, {}) if role == "after" else check(good, {"--before": bad})
    refused(outcome, f"one tone all over (grey level {level} of 255)")


# Photos that can be read and do not answer ---------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    "options",
    [{}, {"--before": None}, {"--before": None, "--at": None}],
    ids=["before", "alone", "anywhere"],
)
def test_blank_work_is_undecided(options: dict[str, Any], check: Check, workshop: Workshop) -> None:
    report = undecided(check(workshop.folder / "before.png", options), "was not found")
    assert report["fill_to_outline"]["worst_mm"]["value"] is None
    assert "not_found" in [finding["kind"] for finding in report["findings"]]


@pytest.mark.slow
def test_noise_alone_is_undecided(check: Check, workshop: Workshop, tmp_path: Path) -> None:
    noise = np.random.default_rng(3).normal(60, 30, workshop.after.shape)
    photo = draw(tmp_path / "noise.png", np.clip(noise, 0, 255).astype(np.uint8))
    undecided(check(photo, {}), "")


@pytest.mark.slow
def test_almost_dark_photo_is_undecided(check: Check, workshop: Workshop, tmp_path: Path) -> None:
    dark = workshop.after // 24
    assert dark.max() < 12
    undecided(check(draw(tmp_path / "dark.png", dark), {}), "")


@pytest.mark.slow
def test_captures_given_the_wrong_way_round_are_undecided(check: Check, workshop: Workshop) -> None:
    folder = workshop.folder
    undecided(check(folder / "before.png", {"--before": folder / "after.png"}), "")


@pytest.mark.slow
def test_one_photo_given_as_both_captures_is_undecided(check: Check, workshop: Workshop) -> None:
    photo = workshop.folder / "after.png"
    undecided(check(photo, {"--before": photo}), "too faint to judge")


@pytest.mark.slow
@pytest.mark.parametrize("change", ["upside down", "mirrored"])
def test_turned_or_mirrored_photo_is_undecided(
    change: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    whole = workshop.after
    photo = np.rot90(whole, 2) if change == "upside down" else whole[:, ::-1]
    undecided(check(draw(tmp_path / "photo.png", np.ascontiguousarray(photo)), {}), "")


@pytest.fixture(scope="session")
def covered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The after capture of the scenario's first label with the machine's head in front of it."""
    after = make_job(replace(pieces()[0].spec, occluder=True)).after[..., ::-1]
    small = cv2.resize(after, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return draw(tmp_path_factory.mktemp("covered") / "after.png", small)


@pytest.mark.slow
@pytest.mark.parametrize("options", [{}, {"--before": None}], ids=["before", "alone"])
def test_head_in_front_of_the_mark_is_undecided(
    options: dict[str, Any], check: Check, covered: Path
) -> None:
    undecided(check(covered, options), "")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("at", "told"),
    [
        ("2000,2000", "outside the camera's view"),
        ("90000,-90000", "outside the camera's view"),
        ("200,-3000", "outside the camera's view"),  # behind the camera
        ("77,132", "was not found"),  # in view, and nothing is burned there
        ("-40,132", ""),  # half of it in view
    ],
)
def test_artwork_that_does_not_lie_where_it_should_be_seen_is_undecided(
    at: str, told: str, check: Check, workshop: Workshop
) -> None:
    undecided(check(workshop.folder / "after.png", {"--at": at}), told)


# Artwork -------------------------------------------------------------------------------------

PAGE = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="30mm" viewBox="0 0 40 30">'
    "{}</svg>"
)
LAUGHS = "".join(f"<!ENTITY a{k} '{f'&a{k - 1};' * 10}'>" for k in range(1, 12))

DRAWINGS = {
    "no strokes": (PAGE.format(""), "no strokes and no areas"),
    "too small": (PAGE.format('<path d="M0 0 L 1e-9 0 1e-9 1e-9z"/>'), "no strokes and no areas"),
    "NaN": (PAGE.format('<path d="M0 0 L NaN 5 9 9z"/>'), "plain numbers"),
    "endless": (PAGE.format('<path d="M0 0 L 1e999 5 9 9z"/>'), "too large"),
    "huge": (PAGE.format('<path d="M0 0 L 1e7 5 9 9z"/>'), "10 m"),
    "text": (PAGE.format("<text>SEEDS</text>"), "convert it to paths"),
    "external entity": (
        '<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/hostname">]>' + PAGE.format("&x;"),
        "declares an XML entity",
    ),
    "billion laughs": (
        f"<!DOCTYPE svg [<!ENTITY a0 'ha'>{LAUGHS}]>" + PAGE.format("<text>&a11;</text>"),
        "declares an XML entity",
    ),
    "cut off": (PAGE.format('<path d="M0 0')[:-30], "not valid XML"),
    "empty": ("", "is empty"),
    "photo": ("\x89PNG\r\n\x1a\n", "not valid XML"),
}


@pytest.mark.parametrize("kind", DRAWINGS)
def test_artwork_that_cannot_be_used_is_refused(
    kind: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    content, told = DRAWINGS[kind]
    (tmp_path / "art.svg").write_text(content, encoding="utf-8")
    outcome = check(workshop.folder / "after.png", {"--artwork": tmp_path / "art.svg"})
    refused(outcome, told)


@pytest.mark.slow
@pytest.mark.parametrize("at", ["177.38,132.49", None])
def test_artwork_of_many_metres_needs_no_memory_of_its_size(
    at: str | None, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    (tmp_path / "art.svg").write_text(PAGE.format('<path d="M0 0 L 9000 0 9000 9000z"/>'))
    options = {"--artwork": tmp_path / "art.svg", "--at": at}
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    undecided(check(workshop.folder / "after.png", options), "larger than what the camera sees")
    # In kilobytes; a map of 9 x 9 m at the pitch of the coarse search has 20 GB.
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 500_000


@pytest.mark.slow
@pytest.mark.parametrize(
    "body",
    [
        '<path fill="none" stroke="red" d="M1 1 L 1.00001 1"/>',
        '<path fill="none" stroke="red" d="M1 1 L 20 1"/>',
        "".join(f'<rect x="{k % 40}" y="{k // 40}" width=".4" height=".4"/>' for k in range(1200)),
    ],
    ids=["a point", "a line", "1200 squares"],
)
def test_artwork_that_says_little_or_something_else_never_passes(
    body: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    (tmp_path / "art.svg").write_text(PAGE.format(body))
    outcome = check(workshop.folder / "after.png", {"--artwork": tmp_path / "art.svg"})
    # A straight line may well be found somewhere: then it lies in the wrong place.
    assert outcome.status in (1, 3)
    assert outcome.err == ""
    assert outcome.report is not None
    assert outcome.report["verdict"]["state"] in ("fail", "undecided")


# Calibration ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"schema": "witmark.bed/2"}, "written by a newer witmark"),
        ({"schema": "witmark.lens/1"}, "is a 'witmark.lens/1' file, not a bed file"),
        ({"schema": "bed"}, "not a bed file"),
        ({"lens": None}, "no usable lens"),
        ({"covariance": [[1.0]]}, "19 x 19"),
        ({"camera_from_bed": {"rvec_rad": [0, 0, 0], "tvec_mm": [0, 0, 1]}}, "below the bed"),
        ({"field_mm": [0, 1]}, "no usable bed"),
        ({"marks": "four"}, "no usable bed"),
        ({"focus_plane": "near"}, "no usable bed"),
        ({"focus_plane": {"height_mm": 1, "u95_mm": -1, "stated": True}}, "no usable bed"),
        ({"focus_plane": {"height_mm": 1}}, "field 'u95_mm' is missing"),
        ({"created": "yesterday"}, "has no date"),
        ({"bed_from_machine": {"axes": [[2, 0], [0, 1]]}}, "bed_from_machine"),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_bed_file_that_cannot_be_used_is_refused(
    change: dict[str, Any], told: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    content = json.loads((workshop.folder / "bed.json").read_text())
    (tmp_path / "bed.json").write_text(json.dumps({**content, **change}))
    outcome = check(workshop.folder / "after.png", {"--bed": tmp_path / "bed.json"})
    refused(outcome, told)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "not valid JSON"),
        ("{", "not valid JSON"),
        ("[1]", "not a JSON object"),
        ("{}", "is missing"),
        ('{"sigma_px": NaN}', "NaN is not a JSON number"),
        ("[" * 100_000, "not valid JSON"),
    ],
    ids=["empty", "broken", "list", "fields", "NaN", "deep"],
)
def test_bed_file_that_is_no_json_is_refused(
    text: str, told: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    (tmp_path / "bed.json").write_text(text)
    outcome = check(workshop.folder / "after.png", {"--bed": tmp_path / "bed.json"})
    refused(outcome, told)


def test_files_in_each_others_places_are_refused(check: Check, workshop: Workshop) -> None:
    folder = workshop.folder
    photo = folder / "after.png"
    refused(check(photo, {"--bed": folder / "lens.json"}), "not a bed file")
    refused(check(photo, {"--bed": photo}), "not valid JSON")
    refused(check(photo, {"--bed": folder / "none.json"}), "no such file")
    refused(check(photo, {"--artwork": photo}), "not valid XML")
    refused(check(photo, {"--artwork": folder / "none.svg"}), "no such file")
    refused(check(photo, {"--marks": folder / "bed.json"}), "not a marks file")
    refused(check(folder / "label.svg", {}), "not a picture")


# Options -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"--at": "nonsense"}, "--at nonsense: is not two numbers"),
        ({"--at": "1"}, "is not two numbers"),
        ({"--at": "1,2,3"}, "is not two numbers"),
        ({"--at": "nan,1"}, "is not two numbers"),
        ({"--at": "1e400,1"}, "is not two numbers"),
        ({"--at": "1e300,1"}, "--at 1e+300: is out of range"),
        ({"--at-u": "-1,2"}, "--at-u -1: is out of range"),
        ({"--at-u": "1e300,1"}, "is out of range"),
        ({"--at-u": "1,nan"}, "is not two numbers"),
        ({"--turn": "inf"}, "--turn inf: is out of range"),
        ({"--turn": "left"}, "--turn"),
        ({"--height": "nan"}, "is out of range"),
        ({"--height": "500"}, "above the camera"),
        ({"--height-u": "-1"}, "is out of range"),
        ({"--height-from": "table"}, "--height-from table: is unknown"),
        ({"--height-from": "focus"}, "says nothing of a focus plane"),
        ({"--thickness": "3"}, "--thickness: is for --height-from focus"),
        ({"--height-from": "focus", "--thickness": "-3"}, "--thickness -3: is out of range"),
        ({"--depth": "-0.1"}, "is out of range"),
        ({"--kerf": "-0.2"}, "--kerf -0.2: is out of range"),
        ({"--kerf": "nan"}, "is out of range"),
        ({"--tolerance": "0"}, "is out of range"),
        ({"--tolerance": "-0.1"}, "is out of range"),
        ({"--tolerance": "nan"}, "is out of range"),
        ({"--tolerance": "tight"}, "--tolerance"),
        ({"--anchor": "somewhere"}, "use one of centre"),
        ({"--anchor": "somewhere", "--at": None}, "use one of centre"),
        ({"--bed": None}, "--bed: is missing"),
        ({"--artwork": None}, "--artwork: is missing"),
        ({"--colour": "red"}, "--colour"),
    ],
    ids=lambda value: " ".join(map(str, value.items())) if isinstance(value, dict) else "",
)
def test_option_that_cannot_be_is_refused(
    options: dict[str, Any], told: str, check: Check, workshop: Workshop
) -> None:
    refused(check(workshop.folder / "after.png", options), told)


def test_check_without_a_photo_is_refused(check: Check) -> None:
    refused(check(None, {}), "PHOTO: is missing")


# The report's folder -------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("inside", ["", "deeper"])
def test_file_in_the_place_of_the_report_folder_is_refused(
    inside: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    (tmp_path / "taken").write_text("mine")
    options = {"--out": tmp_path / "taken" / inside}
    refused(check(workshop.folder / "after.png", options), "cannot be written")
    assert (tmp_path / "taken").read_text() == "mine"


@pytest.mark.slow
@pytest.mark.parametrize("name", ["report.json", "report.csv", "report.html"])
def test_report_of_which_one_file_cannot_be_written_is_not_written_at_all(
    name: str, check: Check, workshop: Workshop, tmp_path: Path
) -> None:
    (tmp_path / "report" / name).mkdir(parents=True)
    refused(check(workshop.folder / "before.png", {"--before": None}), "cannot be written")


@pytest.mark.slow
def test_disk_that_is_full_leaves_the_older_report_as_it_was(
    check: Check, workshop: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = ("report.json", "report.csv", "report.html")
    (tmp_path / "older").mkdir()
    for name in names:
        (tmp_path / "older" / name).write_text("older")
    written: list[int] = []

    def full(descriptor: int) -> None:
        written.append(descriptor)
        if len(written) == len(names):
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    options = {"--before": None, "--out": tmp_path / "older"}
    refused(check(workshop.folder / "before.png", options), "No space left on device")
    assert {path.read_text() for path in (tmp_path / "older").iterdir()} == {"older"}
    assert len(written) == len(names)
