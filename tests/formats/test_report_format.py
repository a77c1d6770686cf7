"""Reports of older releases stay readable for ever.

`data/report-1.json` was written once by the writer of version 1, from a drawn job. It is never
written again: a change of the writer must not change what old files mean.
"""

import hashlib
import json
from importlib.resources import files
from pathlib import Path

import jsonschema

from cli.report.page import html_page
from cli.report.read import read_report
from cli.report.rows import feature_rows

OLD = Path(__file__).parent / "data" / "report-1.json"


def test_the_old_report_is_the_one_that_was_kept():
    digest = hashlib.sha256(OLD.read_bytes()).hexdigest()
    assert digest == "51aef5106794c62eb250daddbe1e9ce3ae9f53a3b565a033071d449a6e791144"


def test_a_report_of_version_1_is_read():
    report = read_report(OLD)
    assert report["schema"] == "witmark.report/1"
    assert report["verdict"]["state"] == "fail"
    assert report["fill_to_outline"]["dx_mm"] == {"value": 0.33, "u95": 0.036}
    assert report["placement"]["all"]["dx_mm"]["why"].startswith("outline and fill moved apart")
    assert report["slip"] is None


def test_a_report_of_version_1_meets_its_schema():
    schema = json.loads(files("cli.report").joinpath("schemas", "report.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(read_report(OLD))


def test_a_report_of_version_1_can_be_shown_again():
    report = read_report(OLD)
    page = html_page(report, ())
    assert report["summary"] in page
    assert feature_rows(report).count("\r\n") == 1 + len(report["features"])


def test_a_report_without_a_schema_line_counts_as_version_1(tmp_path):
    report = json.loads(OLD.read_text("utf-8"))
    del report["schema"]
    path = tmp_path / "report.json"
    path.write_text(json.dumps(report), "utf-8")
    assert read_report(path)["schema"] == "witmark.report/1"
