import base64
import re
import shutil
import subprocess

import pytest
from lxml import etree, html

from cli.report.document import report_document
from cli.report.page import html_page
from cli.report.pictures import figures

ORDER = (
    "clauses",
    "numbers",
    "budget",
    "findings",
    "pieces",
    "features",
    "pictures",
    "sources",
    "cautions",
)


@pytest.fixture(scope="module")
def page_of(make_job):
    pages = {}

    def render(name):
        if name not in pages:
            job = make_job(name)
            pages[name] = html_page(report_document(job), figures(job.picture))
        return pages[name]

    return render


@pytest.fixture(params=["bumped", "in_place", "too_faint", "not_judged", "hostile"])
def name(request):
    return request.param


def tree_of(page):
    return html.document_fromstring(page.encode("utf-8"), parser=html.HTMLParser(encoding="utf-8"))


def test_the_page_is_well_formed(page_of, name):
    page = page_of(name)
    assert page.startswith("<!DOCTYPE html>\n")
    # The tags also nest as XML wants once the void elements and entities are spelt its way.
    text = re.sub(r"<(meta|br)([^>]*)>", r"<\1\2/>", page.removeprefix("<!DOCTYPE html>\n"))
    etree.fromstring(text.replace("&nbsp;", "&#160;").encode("utf-8"))


def test_the_page_names_its_language_and_the_job(page_of, name):
    tree = tree_of(page_of(name))
    assert tree.get("lang") == "en"
    assert tree.findtext(".//title").strip()
    assert len(tree.findall(".//h1")) == 1


def test_ids_are_unique_and_labels_point_to_something(page_of, name):
    tree = tree_of(page_of(name))
    ids = tree.xpath("//@id")
    assert len(ids) == len(set(ids))
    for names in tree.xpath("//@aria-labelledby"):
        assert set(names.split()) <= set(ids)
    for reference in re.findall(r"url\(#([^)]+)\)", page_of(name)):
        assert reference in ids


def test_nothing_is_fetched_and_nothing_runs(page_of, name):
    tree = tree_of(page_of(name))
    assert not tree.xpath("//script | //link | //iframe | //object | //@onload | //@onclick")
    for address in tree.xpath("//@src | //@href"):
        assert address.startswith("data:image/")
    style = tree.findtext(".//style")
    assert "url(" not in style
    assert "@import" not in style


def test_the_sentence_and_the_verdict_come_before_all_else(page_of, make_job):
    tree = tree_of(page_of("bumped"))
    main = tree.find(".//main")
    first = main[0]
    assert first.findtext("h1") == make_job("bumped").summary
    assert "FAIL" in first.text_content()
    headings = main.xpath(".//h2/@id")
    assert headings == [key for key in ORDER if key in headings]
    assert {"clauses", "numbers", "budget", "pictures", "sources", "cautions"} <= set(headings)


@pytest.mark.parametrize(
    ("name", "word", "sign"),
    [
        ("in_place", "PASS", "circle"),
        ("bumped", "FAIL", "path"),
        ("too_faint", "UNDECIDED", "path"),
        ("not_judged", "NOT JUDGED", "rect"),
    ],
)
def test_a_state_is_a_word_and_a_shape(page_of, name, word, sign):
    badge = tree_of(page_of(name)).xpath("//p[@class='verdict']/span[1]")[0]
    assert badge.text_content().strip() == word
    assert badge.find("svg")[0].tag == sign


def test_names_with_markup_stay_text(page_of, make_job):
    page = page_of("hostile")
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    text = tree_of(page).text_content()
    assert '<script>alert("x")</script> & "quoted"' in text


def test_several_pieces_have_rows_of_their_own_and_one_has_not(page_of):
    tree = tree_of(page_of("hostile"))
    rows = tree.xpath("//section[@aria-labelledby='pieces']//tbody/tr")
    states = [row.find("td").text_content().strip() for row in rows]
    assert states == ["FAIL", "PASS", "UNDECIDED"]
    assert rows[1].find("th").text == "=HYPERLINK(1)"
    assert "0.37 (0.32 to 0.42)" in rows[1].text_content()
    assert "not measured" in rows[1].text_content()
    assert not tree_of(page_of("bumped")).xpath("//section[@aria-labelledby='pieces']")


def test_numbers_bear_their_uncertainty(page_of):
    text = tree_of(page_of("bumped")).text_content().replace("\u00a0", " ")
    assert "+0.33 ± 0.04" in text
    assert "0.37 (0.32 to 0.42)" in text
    assert "left 1.19 ± 0.09 mm" in text
    assert "bottom not measured (the label's lower edge lies in a reflection)" in text
    assert "Scale of the whole mark" in text
    assert "X longer by 0.05 ± 0.10 %" in text
    assert "out of square by not measured (the mark is too short to tell)" in text
    assert "higher than stated by 1.20 ± 0.40 mm" in text


def test_the_budget_is_sorted_and_names_what_to_do(page_of):
    tree = tree_of(page_of("bumped"))
    tables = tree.xpath("//table[contains(@class, 'budget')]")
    sizes = [[float(cell.text) for cell in table.xpath(".//tbody//td[1]")] for table in tables]
    assert sizes == [sorted(group, reverse=True) for group in sizes]
    caption = tables[1].findtext("caption/em").replace("\u00a0", " ")
    # Root sum of squares of 0.058, 0.024, 0.022, 0.012 and of the last three: 0.0680 and 0.0344
    # (each shown to the micrometre).
    assert caption == (
        "0.058 of the 0.068 mm is the place as typed (--at); without it 0.035 mm would be left."
    )


def test_what_was_not_measured_says_why(page_of):
    text = tree_of(page_of("too_faint")).text_content()
    assert "Not measured: the mark has too little contrast" in text
    assert "Nothing was measured, so there is no worst place to show." in text


def test_a_missing_before_capture_is_said(page_of):
    text = tree_of(page_of("in_place")).text_content()
    assert "There is no before capture to compare with." in text
    assert "mark on the work" in text.lower()


def test_hashes_and_cautions_are_on_the_page(page_of, make_job, name):
    text = tree_of(page_of(name)).text_content()
    for capture in make_job(name).captures:
        assert capture.sha256 in text
    for word in ("never a safety device", "local codes", "Disarm the laser", "no eye protection"):
        assert word in text


def test_pictures_are_embedded_and_described(page_of):
    tree = tree_of(page_of("bumped"))
    drawings = tree.xpath("//figure/svg")
    assert len(drawings) == 4
    for drawing in drawings:
        assert drawing.get("role") == "img"
        assert drawing.findtext("title")
        assert drawing.findtext("desc")
        uri = drawing.xpath(".//image/@href")[0]
        data = base64.b64decode(uri.partition(",")[2])
        assert data[:3] == b"\xff\xd8\xff" or data[:8] == b"\x89PNG\r\n\x1a\n"


def test_the_page_stays_small(page_of, name):
    assert len(page_of(name).encode("utf-8")) <= 2_500_000


def test_a_page_without_pictures_can_be_made_from_the_document_alone(make_job):
    page = html_page(report_document(make_job("bumped")), ())
    assert "figure" not in tree_of(page).xpath("name(//main//figure)")


def test_the_page_prints_on_paper_without_cut_rows(page_of):
    style = tree_of(page_of("bumped")).findtext(".//style")
    printed = style[style.index("@media print") :]
    assert "table.short { break-inside: avoid; }" in printed
    assert "display: table-header-group" in printed


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the chromium browser")
def test_a_browser_shows_the_page_without_complaint(page_of, tmp_path):
    path = tmp_path / "report.html"
    path.write_text(page_of("bumped"), "utf-8")
    picture = tmp_path / "shot.png"
    run = subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--enable-logging=stderr",
         f"--user-data-dir={tmp_path / 'profile'}", "--window-size=1200,1600",
         f"--screenshot={picture}", path.as_uri()],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert picture.stat().st_size > 20_000
    assert "CONSOLE" not in run.stderr
