from __future__ import annotations

import json
import os
import pickle
from pathlib import Path

import pytest

from calibration.errors import BAD_INPUT, WitmarkError
from calibration.files import (
    read_bytes,
    read_json,
    sha256,
    write_bytes,
    write_files,
    write_json,
    write_text,
)


def test_hash_is_sha256() -> None:
    # FIPS 180-4, example values of NIST.
    assert sha256(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256(b"") == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def test_folders_are_made_and_nothing_else_is_left(tmp_path: Path) -> None:
    path = tmp_path / "a" / "b" / "x.txt"
    write_text(path, "Grüße\n")
    assert path.read_text(encoding="utf-8") == "Grüße\n"
    assert list(path.parent.iterdir()) == [path]


def test_file_gets_the_permissions_of_an_ordinary_one(tmp_path: Path) -> None:
    umask = os.umask(0o022)
    try:
        write_bytes(tmp_path / "x", b"1")
    finally:
        os.umask(umask)
    assert (tmp_path / "x").stat().st_mode & 0o777 == 0o644


def test_old_file_stays_whole_where_the_new_one_cannot_be_put(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.json"
    write_json(path, {"a": 1})

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(WitmarkError, match="No space left"):
        write_json(path, {"a": 2})
    assert json.loads(path.read_text()) == {"a": 1}
    assert list(tmp_path.iterdir()) == [path]


def test_nan_is_never_written(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_json(tmp_path / "x.json", {"a": float("nan")})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{", "not valid JSON"),
        ("[" * 100_000, "not valid JSON"),
        ("[1]", "not a JSON object"),
        ('{"a": NaN}', "NaN is not a JSON number"),
        ('{"schema": "witmark.lens/1"}', "not a bed file"),
        ('{"schema": "witmark.bed/2"}', "newer witmark"),
        ('{"schema": "witmark.bed/one"}', "not a bed file"),
        ('{"schema": 7}', "not a bed file"),
    ],
)
def test_what_is_no_bed_file_is_refused_on_one_line(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "x.json"
    path.write_text(text)
    with pytest.raises(WitmarkError, match=told) as caught:
        read_json(path, "bed")
    assert caught.value.exit_status == BAD_INPUT
    assert "\n" not in caught.value.line
    assert str(path) in caught.value.line


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    (tmp_path / "x.json").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(WitmarkError, match="not valid JSON"):
        read_json(tmp_path / "x.json", "bed")


def test_missing_schema_is_version_one_and_a_byte_order_mark_is_no_error(tmp_path: Path) -> None:
    (tmp_path / "x.json").write_bytes(b'\xef\xbb\xbf{"a": 1}')
    assert read_json(tmp_path / "x.json", "bed") == {"a": 1}


def test_missing_file_and_folder_in_its_place_are_told(tmp_path: Path) -> None:
    with pytest.raises(WitmarkError, match="no such file"):
        read_bytes(tmp_path / "nothing")
    with pytest.raises(WitmarkError, match="cannot be read"):
        read_bytes(tmp_path)


def test_files_that_belong_together_are_written_all_or_none(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    with pytest.raises(WitmarkError, match=r"b: cannot be written \(Is a directory\)"):
        write_files({tmp_path / "a": b"1", tmp_path / "b": b"2"})
    assert [path.name for path in tmp_path.iterdir()] == ["b"]
    write_files({tmp_path / "a": b"1", tmp_path / "c" / "d": b"2"})
    assert (tmp_path / "a").read_bytes() == b"1"
    assert (tmp_path / "c" / "d").read_bytes() == b"2"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b", "c"]


def test_an_error_of_another_process_says_the_same() -> None:
    error = WitmarkError("bed.json", "is broken", "make it again", 3)
    again = pickle.loads(pickle.dumps(error))
    assert (again.line, again.exit_status) == (error.line, 3)
