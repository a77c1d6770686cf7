"""Bed files and their records of older releases stay readable for ever.

`data/bed-1.json` and `data/bed-1.verified.json` were written once, before bed files could hold a
focus plane and records a change of the focal length. They are never written again.
"""

import hashlib
import json
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest

from calibration.bed import read_bed
from calibration.verification import last_verified, read_looks, record_path

OLD = Path(__file__).parent / "data" / "bed-1.json"
DIGESTS = {
    "bed": "060c8a5e43ba10e414c1b12abac14e8233f7311641e3f9df82d48c6955b5b3eb",
    "verified": "d471a4de8f7e189a4ea5bd4452fd8ab956683b34cbbf43fbfa1302168c73bbe1",
}


@pytest.mark.parametrize("kind", ["bed", "verified"])
def test_the_old_file_is_the_one_that_was_kept_and_meets_its_schema(kind):
    path = OLD if kind == "bed" else record_path(OLD)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == DIGESTS[kind]
    schema = json.loads((files("calibration.schemas") / f"{kind}.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(json.loads(path.read_text("utf-8")))


def test_a_bed_of_version_1_is_read_and_keeps_its_identity():
    bed = read_bed(OLD)
    assert bed.id == json.loads(OLD.read_text("utf-8"))["id"]
    assert bed.focus is None
    assert len(bed.marks) == 4
    assert "focus_plane" not in bed.to_json()


def test_a_record_of_version_1_is_read():
    identity = read_bed(OLD).id
    held, stale = read_looks(OLD, identity)
    assert (held.verdict, stale.verdict) == ("holds", "stale")
    assert stale.focal_percent is None
    date, warning = last_verified(OLD, identity)
    assert date == held.date
    assert "did not hold" in warning
