import pytest

from cli.report.table import terminal_table
from cli.report.words import amount, ascii_only, number, plain, when_text


@pytest.mark.parametrize("width", [60, 80, 100, 140])
@pytest.mark.parametrize("unicode", [True, False])
def test_lines_fit_the_terminal(make_job, width, unicode):
    for name in ("bumped", "in_place", "too_faint", "not_judged"):
        for line in terminal_table(make_job(name), width, unicode).splitlines():
            assert len(line) <= max(width, 70), line


def test_eighty_columns_hold_a_row_per_displacement_even_in_ascii(make_job):
    lines = terminal_table(make_job("bumped"), 80, False).splitlines()
    row = next(line for line in lines if line.startswith("Fill - outline"))
    assert "+0.33 +- 0.04" in row
    assert row.endswith("0.37 (0.32 to 0.42)")


def test_ascii_output_is_ascii_and_unicode_output_is_not(any_job):
    assert terminal_table(any_job, 80, False).isascii()
    if any_job.fill_to_outline.measured:
        assert "±" in terminal_table(any_job, 80, True)


def test_the_sentence_comes_first_and_the_verdict_next(make_job):
    text = terminal_table(make_job("bumped"), 200, True)
    lines = text.splitlines()
    assert lines[0] == make_job("bumped").summary
    assert lines[2] == "FAIL  (tolerance 0.20 mm)"
    assert "UNDECIDED, mark on the work: 0.21 mm, 95 % interval 0.16 to 0.26 mm" in text


def test_the_size_of_the_whole_mark_is_told_with_the_lift_that_would_look_like_it(make_job):
    lines = terminal_table(make_job("bumped"), 200, True).splitlines()
    (size,) = [line for line in lines if line.startswith("Scale of")]
    assert size.startswith("Scale of the whole mark: X longer by 0.05 ± 0.10 %; Y shorter by 0.01")
    assert "Lift that would look like this scale: higher than stated by 1.20 ± 0.40 mm." in lines


def test_what_was_not_measured_says_why_once(make_job):
    text = " ".join(terminal_table(make_job("too_faint"), 80, True).split())
    assert text.count("Not measured:") == 1
    assert "Why: the mark has too little contrast" in text


def test_no_tolerance_is_said(make_job):
    assert "NOT JUDGED  (no tolerance given)" in terminal_table(make_job("not_judged"), 80, True)


def test_pieces_are_told_by_name(make_job):
    text = terminal_table(make_job("hostile"), 200, True)
    assert "=HYPERLINK(1): PASS. Fill − outline 0.37 (0.32 to 0.42)" in text
    assert "All on bed not measured" in text
    assert "Pieces" not in terminal_table(make_job("bumped"), 200, True)


def test_no_name_reaches_the_terminal_as_a_command(make_job):
    text = terminal_table(make_job("hostile"), 80, True)
    assert all(char == "\n" or char.isprintable() for char in text)


def test_the_place_of_the_report_is_told(make_job, tmp_path):
    text = terminal_table(make_job("bumped"), 80, True, {"html": tmp_path / "report.html"})
    assert str(tmp_path / "report.html") in text


@pytest.mark.parametrize(
    ("quantity", "unit", "text"),
    [
        ({"value": 0.314, "u95": 0.042}, "mm", "0.31 ± 0.04 mm"),
        ({"value": -0.314, "u95": 0.042}, "mm", "−0.31 ± 0.04 mm"),
        ({"value": -0.0004, "u95": 0.042}, "mm", "0.00 ± 0.04 mm"),
        ({"value": 0.0123, "u95": 0.0042}, "mm", "0.012 ± 0.004 mm"),
        ({"value": 0.4, "u95": 0.03}, "°", "0.40 ± 0.03°"),
        ({"value": 0.03, "u95": 0.06, "low": 0.0, "high": 0.09}, "mm", "0.03 mm (0.00 to 0.09)"),
        ({"value": 71.2, "u95": 3.1}, "grey", "71 ± 3"),
        ({"value": 0.04, "u95": None}, "mm", "0.04 mm"),
        ({"value": None, "u95": None, "why": "dark"}, "mm", "not measured"),
        (None, "mm", "does not apply"),
    ],
)
def test_numbers_read_as_in_a_workshop(quantity, unit, text):
    assert amount(quantity, unit).replace("\u00a0", " ") == text


def test_a_plus_sign_stands_only_where_it_is_wanted():
    assert number(0.31, 2, sign=True) == "+0.31"
    assert number(0.004, 2, sign=True) == "0.00"
    assert number(0.31, 2) == "0.31"


def test_plain_text_keeps_letters_of_all_scripts():
    assert plain("Bohnenkübel № 7 – 豆") == "Bohnenkübel № 7 – 豆"
    assert plain("a\tb\nc\x00d\u202ee") == "a b c\ufffdd\ufffde"
    assert ascii_only("0.31 ± 0.04 mm, 豆") == "0.31 +- 0.04 mm, ?"


@pytest.mark.parametrize(
    ("when", "text"),
    [
        (None, ""),
        ({}, ""),
        ({"burn_fraction": {"from": 0.55, "to": 0.68}}, "at 55 to 68 % of the burn"),
        ({"burn_fraction": {"from": 0.62, "to": 0.62}}, "at 62 % of the burn"),
        ({"time_s": 41, "lines": [120, 180], "pass": 2}, "after 41 s, lines 120 to 180, in pass 2"),
        ({"time_s": {"from": 40, "to": 44}}, "after 40 to 44 s"),
    ],
)
def test_the_moment_is_told_in_words(when, text):
    assert when_text(when).replace("\u00a0", " ") == text
