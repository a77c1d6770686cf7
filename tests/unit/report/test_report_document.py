import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

from calibration.quantity import Quantity
from calibration.tracking import Refocus
from cli.report.document import report_document
from vision.result import Displacement, Verdict

# The keys that the contract of the files names, in its order.
CONTRACT = (
    "schema",
    "job",
    "inputs",
    "captures",
    "calibration",
    "reference_point_mm",
    "placement",
    "fill_to_outline",
    "placement_on_work",
    "part_movement",
    "margins",
    "scale",
    "slip",
    "lift",
    "warp",
    "pieces",
    "features",
    "findings",
    "budget",
    "verdict",
    "summary",
    "warnings",
)
DISPLACEMENT = (
    "dx_mm",
    "dy_mm",
    "rotation_deg",
    "distance_mm",
    "worst_mm",
    "worst_at_mm",
    "covariance",
)


@pytest.fixture(scope="module")
def validator():
    schema = json.loads(files("cli.report").joinpath("schemas", "report.json").read_text("utf-8"))
    kind = jsonschema.Draft202012Validator
    kind.check_schema(schema)
    return kind(schema, format_checker=kind.FORMAT_CHECKER)


def test_every_job_meets_the_schema(any_job, validator):
    validator.validate(report_document(any_job))


def test_every_key_of_the_contract_is_there(any_job):
    document = report_document(any_job)
    assert set(CONTRACT) <= document.keys()
    assert set(document["placement"]) == {"outline", "fill", "cut", "all"}
    assert tuple(document["fill_to_outline"]) == DISPLACEMENT
    assert document["slip"] is None
    assert document["lift"] is None or set(document["lift"]) == {"height_mm"}


@pytest.mark.parametrize("key", CONTRACT)
def test_the_schema_refuses_a_report_without_a_key(make_job, validator, key):
    document = report_document(make_job("bumped"))
    del document[key]
    assert not validator.is_valid(document)


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("verdict", "state"), "passed"),
        (("fill_to_outline", "dx_mm"), {"value": None, "u95": None}),
        (("fill_to_outline", "dx_mm"), {"value": 0.1}),
        (("fill_to_outline", "dx_mm"), {"value": 0.1, "u95": -0.1}),
        (("fill_to_outline", "dx_mm"), {"value": 0.1, "u95": 0.1, "sigma": 0.05}),
        (("captures",), []),
        (("unknown",), 1),
    ],
)
def test_the_schema_refuses_what_the_contract_does_not_allow(make_job, validator, where, value):
    document = report_document(make_job("bumped"))
    holder = document
    for key in where[:-1]:
        holder = holder[key]
    holder[where[-1]] = value
    assert not validator.is_valid(document)


def test_a_displacement_that_was_not_measured_says_why_in_each_quantity(make_job):
    moved = report_document(make_job("too_faint"))["fill_to_outline"]
    why = "the mark has too little contrast (4 grey levels, noise 2)"
    for key in DISPLACEMENT[:5]:
        assert moved[key] == {"value": None, "u95": None, "why": why}
    assert moved["worst_at_mm"] is None
    assert moved["covariance"] is None


def test_what_does_not_apply_is_null_and_what_the_core_left_out_too(make_job):
    job = make_job("bumped")
    document = report_document(replace(job, placement={"outline": job.placement["outline"]}))
    assert document["placement"]["outline"] is not None
    assert document["placement"]["fill"] is None
    assert document["placement"]["all"] is None


def test_rounding_makes_no_interval_narrower(make_job):
    rng = np.random.default_rng(5)
    for value, u95 in zip(rng.normal(0, 0.3, 200), rng.uniform(1e-6, 0.1, 200), strict=True):
        low, high = value - 0.8 * u95, value + 1.3 * u95
        quantity = Quantity(value, u95, low, high)
        moved = replace(_displacement(make_job), worst_mm=quantity)
        told = report_document(replace(make_job("bumped"), fill_to_outline=moved))
        worst = told["fill_to_outline"]["worst_mm"]
        assert worst["low"] <= low + 1e-8
        assert worst["high"] >= high - 1e-8
        assert worst["u95"] >= u95 - 1e-8
        assert abs(worst["value"] - value) <= 0.0005 + 1e-12
        assert worst["high"] - high < 0.0011
        assert low - worst["low"] < 0.0011


def test_a_number_that_is_already_round_stays_as_it_is(make_job):
    # 0.07 mm is 70.00000000000001 micrometres in binary; rounding outward must not make it 71.
    moved = replace(_displacement(make_job), dx_mm=Quantity(0.29, 0.07, 0.22, 0.36))
    document = report_document(replace(make_job("bumped"), fill_to_outline=moved))
    told = document["fill_to_outline"]["dx_mm"]
    assert told == {"value": 0.29, "u95": 0.07, "low": 0.22, "high": 0.36}


def test_no_negative_zero_reaches_a_file(make_job):
    moved = replace(_displacement(make_job), dx_mm=Quantity(-1e-7, 0.01))
    document = report_document(replace(make_job("bumped"), fill_to_outline=moved))
    assert math.copysign(1.0, document["fill_to_outline"]["dx_mm"]["value"]) == 1.0
    assert "-0.0," not in json.dumps(document)


@pytest.mark.parametrize(("low", "high"), [(0.20004, 0.3), (0.1, 0.19996), (0.19996, 0.20004)])
def test_rounded_clauses_do_not_contradict_their_state(make_job, low, high):
    job = make_job("bumped")
    clause = replace(job.verdict.clauses[0], low_mm=low, value_mm=(low + high) / 2, high_mm=high)
    verdict = Verdict("fail", 0.2, (clause,), (), "rule")
    told = report_document(replace(job, verdict=verdict))["verdict"]["clauses"][0]
    assert (told["low_mm"] >= 0.2) == (low >= 0.2)
    assert (told["high_mm"] <= 0.2) == (high <= 0.2)


def test_covariances_are_those_of_the_job(make_job):
    job = make_job("bumped")
    told = report_document(job)["fill_to_outline"]["covariance"]
    assert told["of"] == ["dx_mm", "dy_mm", "rotation_rad"]
    np.testing.assert_allclose(
        told["systematic"], job.fill_to_outline.covariance_systematic, rtol=1e-5
    )
    np.testing.assert_allclose(
        told["statistical"], job.fill_to_outline.covariance_statistical, rtol=1e-5
    )


def test_control_characters_and_half_surrogates_do_not_reach_a_file(make_job):
    text = json.dumps(report_document(make_job("hostile")), ensure_ascii=False)
    text.encode("utf-8")
    assert "\x1b" not in text
    assert "\\u001b" not in text
    assert "bad\ufffdname.svg" in text


def test_the_date_is_the_callers(make_job):
    job = make_job("bumped")
    assert report_document(job)["written_at"] is None
    written = datetime(2026, 5, 4, 10, 30, 12, 999, tzinfo=UTC)
    assert report_document(job, written)["written_at"] == "2026-05-04T10:30:12+00:00"


def _displacement(make_job) -> Displacement:
    return make_job("bumped").fill_to_outline


def test_a_refocus_is_told_with_its_capture_and_its_absence_too(make_job, validator):
    job = make_job("bumped")
    focal = Quantity(1.1, 0.2)
    told = []
    for refocus in (None, Refocus("likely", focal, False, ("it came nearer",))):
        rows = tuple(
            replace(row, camera_movement=replace(row.camera_movement, refocus=refocus))
            for row in job.captures
        )
        document = report_document(replace(job, captures=rows), None)
        validator.validate(document)
        told.append(document["captures"][0]["camera_movement"]["focal_percent"])
    assert told == [None, {"value": 1.1, "u95": 0.2}]
