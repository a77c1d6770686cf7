import csv
import io

import pytest

from cli.report.document import report_document
from cli.report.rows import COLUMNS, feature_rows


def parsed(job):
    text = feature_rows(report_document(job))
    return text, list(csv.reader(io.StringIO(text, newline=""), strict=True))


def test_there_is_a_heading_and_a_row_per_feature(any_job):
    _, rows = parsed(any_job)
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == 1 + len(any_job.features)
    assert {len(row) for row in rows} == {len(COLUMNS)}


def test_lines_end_as_rfc_4180_wants(make_job):
    # RFC 4180, section 2, rule 1: records end with CRLF.
    text, rows = parsed(make_job("hostile"))
    assert text.count("\r\n") == len(rows)
    assert "\n" not in text.replace("\r\n", "")


def test_quotes_commas_and_markup_survive_the_round_trip(make_job):
    _, rows = parsed(make_job("hostile"))
    assert rows[1][0].startswith('<script>alert("x")</script> & "quoted"')
    assert rows[5][-1] == "a,b"


def test_numbers_come_back_as_they_were(make_job):
    job = make_job("bumped")
    _, rows = parsed(job)
    row = dict(zip(rows[0], rows[1], strict=True))
    assert float(row["dx_mm"]) == job.features[0].dx_mm.value
    assert float(row["dy_mm"]) == -0.08
    assert float(row["distance_high_mm"]) == job.features[0].distance_mm.high
    assert (float(row["centre_x_mm"]), float(row["centre_y_mm"])) == job.features[0].centre_mm
    assert row["layers"] == "outline+fill"


def test_a_missing_number_is_an_empty_cell_with_its_reason_told_once(make_job):
    _, rows = parsed(make_job("bumped"))
    row = dict(zip(rows[0], rows[4], strict=True))
    assert row["dx_mm"] == row["dx_u95_mm"] == row["distance_mm"] == ""
    assert row["note"] == "measured with the frame; too short to measure alone"


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_no_text_begins_like_a_formula(make_job, start):
    _, rows = parsed(make_job("hostile"))
    texts = [row[k] for row in rows[1:] for k in (0, 1, len(COLUMNS) - 1)]
    assert any(text.startswith("'" + start) for text in texts)
    assert not any(text.startswith(start) for text in texts)


def test_negative_numbers_stay_numbers(make_job):
    _, rows = parsed(make_job("bumped"))
    assert rows[3][COLUMNS.index("dx_mm")] == "-0.3"
