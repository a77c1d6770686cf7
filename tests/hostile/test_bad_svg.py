"""Files that are broken or meant to do harm: one clear line, status 2, and quickly."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import BAD_INPUT, WitmarkError
from vision.artwork.document import MAX_BYTES
from vision.artwork.svg import read_svg

HEAD = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
PAGE = HEAD + 'width="100mm" height="100mm" viewBox="0 0 100 100">'
BOX = '<rect width="5" height="5"/>'

LAUGHS = (
    "<!DOCTYPE svg [<!ENTITY a0 'ha'>"
    + "".join(f"<!ENTITY a{k} '{f'&a{k - 1};' * 10}'>" for k in range(1, 12))
    + "]>"
)

# content, what the line must say
DOCUMENTS = {
    "empty": ("", "is empty"),
    "blank": (" \n\t", "is empty"),
    "text": ("burn this", "not valid XML"),
    "binary": ("\x00\x01\x02PNG", "not valid XML"),
    "truncated": (PAGE + '<path d="M0 0 L', "not valid XML"),
    "unclosed": (PAGE + BOX, "not valid XML"),
    "undefined entity": (PAGE + "&nbsp;" + BOX + "</svg>", "not valid XML"),
    "unbound prefix": (PAGE + "<x:y/>" + BOX + "</svg>", "not valid XML"),
    "other root": ("<html><body/></html>", "not an SVG drawing"),
    "other vocabulary": ('<svg xmlns="urn:other"/>', "not an SVG drawing"),
    "billion laughs": (LAUGHS + PAGE + f"<text>&a11;</text>{BOX}</svg>", "declares an XML entity"),
    "laughs in an attribute": (LAUGHS + PAGE + '<path d="&a11;"/></svg>', "declares an XML entity"),
    "unused entity": ('<!DOCTYPE svg [<!ENTITY x "y">]>' + PAGE + BOX + "</svg>", "XML entity"),
    "parameter entity": (
        '<!DOCTYPE svg [<!ENTITY % x SYSTEM "file:///etc/hostname"> %x;]>' + PAGE + "</svg>",
        "declares an XML entity",
    ),
    "external entity": (
        '<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/hostname">]>' + PAGE + "&x;</svg>",
        "declares an XML entity",
    ),
    "no size": (HEAD + ">" + BOX + "</svg>", "the page has no size"),
    "only a width": (HEAD + 'width="5mm">' + BOX + "</svg>", "the page has no size"),
    "zero width": (HEAD + 'width="0" height="5">' + BOX + "</svg>", "the page has no size"),
    "negative height": (HEAD + 'width="5" height="-5">' + BOX + "</svg>", "the page has no size"),
    "empty viewBox": (HEAD + 'viewBox="0 0 0 9">' + BOX + "</svg>", "has no size"),
    "short viewBox": (HEAD + 'viewBox="0 0 9">' + BOX + "</svg>", "four numbers"),
    "NaN viewBox": (HEAD + 'viewBox="0 0 NaN 9">' + BOX + "</svg>", "four numbers"),
    "endless viewBox": (HEAD + 'viewBox="0 0 1e999 9">' + BOX + "</svg>", "too large"),
    "font units": (HEAD + 'width="9em" height="9em">' + BOX + "</svg>", "the unit of '9em'"),
    "half a window": (HEAD + 'width="50%" height="50%">' + BOX + "</svg>", "share of nothing"),
    "huge page": (HEAD + 'width="11m" height="9mm">' + BOX + "</svg>", "the unit of"),
    "huge page in mm": (
        HEAD + 'width="10001mm" height="9mm">' + BOX + "</svg>",
        "larger than 10 m",
    ),
    "odd ratio": (
        HEAD + 'viewBox="0 0 9 9" preserveAspectRatio="middle">' + BOX + "</svg>",
        "preserveAspectRatio",
    ),
    "turned root": (
        HEAD + 'viewBox="0 0 9 9" transform="rotate(9)">' + BOX + "</svg>",
        "outermost",
    ),
}

BODIES = {
    "nothing": ("", "no strokes and no areas"),
    "only moves": ('<path d="M1 1 M2 2"/>', "no strokes and no areas"),
    "all hidden": ('<g display="none">' + BOX + "</g>", "hidden elements: 1"),
    "no paint": ('<rect width="5" height="5" fill="none"/>', "no strokes and no areas"),
    "NaN": ('<path d="M0 0 L NaN 5 9 9z"/>', "plain numbers"),
    "infinity": ('<path d="M0 0 L Infinity 5 9 9z"/>', "plain numbers"),
    "endless number": ('<path d="M0 0 L 1e999 5 9 9z"/>', "too large"),
    "huge number": ('<path d="M0 0 L 1e7 5 9 9z"/>', "10 m"),
    "huge by transform": ('<g transform="scale(1e6)">' + BOX + "</g>", "10 m"),
    "huge radius": ('<path stroke="red" d="M0 0 A1e12 1e12 0 0 0 5 5"/>', "10 m"),
    "NaN length": ('<rect width="nan" height="5"/>', "not a length"),
    "endless length": ('<rect width="1e999" height="5"/>', "too large"),
    "negative length": ('<rect width="-5" height="5"/>', "negative"),
    "broken path": ('<path id="vein" d="M0 0 L1 1 oops"/>', '<path id="vein"> on line 1'),
    "path without a move": ('<path d="L1 1"/>', "move"),
    "broken transform": ('<g transform="turn(5)">' + BOX + "</g>", "'turn' is not a transform"),
    "css transform": ('<g style="transform:rotate(5deg)">' + BOX + "</g>", "plain numbers"),
    "transform origin": ('<g transform-origin="5 5">' + BOX + "</g>", "transform-origin"),
    "odd points": ('<polygon points="0,0 5,5 9"/>', "sets of 2"),
    "text": ('<text id="t">SEEDS</text>', '<text id="t"> on line 1 is text; convert it to paths'),
    "image": ('<image xlink:href="file:///etc/hostname"/>', "is a picture; trace it"),
    "foreign": ("<foreignObject/>", "not drawn in SVG"),
    "clip": ('<clipPath id="c"/><g clip-path="url(#c)">' + BOX + "</g>", "has a clip-path"),
    "clip by class": (
        '<style>.c{clip-path:url(#c)}</style><g class="c">' + BOX + "</g>",
        "has a clip-path",
    ),
    "mask": ('<g style="mask:url(#m)">' + BOX + "</g>", "has a mask"),
    "filter": ('<rect width="5" height="5" filter="url(#f)"/>', "has a filter"),
    "marker": ('<path d="M0 0L5 5" stroke="red" marker-end="url(#m)"/>', "carries markers"),
    "pattern": (
        '<pattern id="p"/><rect width="5" height="5" fill="url(#p)"/>',
        "painted with a pattern",
    ),
    "style of descendants": ("<style>g path{fill:none}</style>" + BOX, "'g path'"),
    "style by media": ("<style>@media print{path{fill:none}}</style>" + BOX, "'@media"),
    "broken style": ("<style>path{fill:none</style>" + BOX, "is not understood"),
    "use of nothing": ('<use href="#gone"/>', "'#gone', which is not in this file"),
    "use of a file": ('<use href="other.svg#a"/>', "which is not in this file"),
    "use of itself": ('<use id="a" href="#a"/>', "uses itself"),
    "use in a circle": ('<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>', "itself"),
    "cut off": (
        '<svg width="5" height="5"><rect width="9" height="3"/></svg>',
        "cut off by the edge",
    ),
    "deep": ("<g>" * 200 + BOX + "</g>" * 200, "levels"),
    "deeper": ("<g>" * 5000 + BOX + "</g>" * 5000, "not valid XML"),
    "clones of clones": (
        '<defs><g id="u0">'
        + BOX
        + "</g>"
        + "".join(f'<g id="u{k}">' + f'<use href="#u{k - 1}"/>' * 10 + "</g>" for k in range(1, 12))
        + '</defs><use href="#u11"/>',
        "cloned elements",
    ),
}


def refuse(path: Path, chord_error_mm: float = 0.01) -> str:
    with pytest.raises(WitmarkError) as caught:
        read_svg(path, chord_error_mm)
    error = caught.value
    assert error.exit_status == BAD_INPUT
    assert "\n" not in error.line
    assert len(error.line) < 400
    assert error.line.startswith(str(path))
    assert error.mend
    return error.line


@pytest.mark.parametrize("name", DOCUMENTS)
def test_a_bad_document_is_refused_on_one_line(tmp_path: Path, name: str) -> None:
    content, message = DOCUMENTS[name]
    path = tmp_path / "bad.svg"
    path.write_text(content, encoding="utf-8")
    assert message in refuse(path)


@pytest.mark.parametrize("name", BODIES)
def test_a_bad_drawing_is_refused_on_one_line(tmp_path: Path, name: str) -> None:
    body, message = BODIES[name]
    path = tmp_path / "bad.svg"
    path.write_text(PAGE + body + "</svg>", encoding="utf-8")
    assert message in refuse(path)


def test_the_same_page_without_the_fault_is_read(tmp_path: Path) -> None:
    path = tmp_path / "good.svg"
    path.write_text(PAGE + BOX + "</svg>")
    assert len(read_svg(path).areas) == 1


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    assert "no such file" in refuse(tmp_path / "gone.svg")
    assert "cannot be read" in refuse(tmp_path)


def test_a_compressed_drawing_is_refused_without_unpacking(tmp_path: Path) -> None:
    path = tmp_path / "drawing.svgz"
    path.write_bytes(gzip.compress((PAGE + BOX + "</svg>").encode()))
    assert "compressed" in refuse(path)


def test_a_huge_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "huge.svg"
    with path.open("wb") as stream:
        stream.truncate(MAX_BYTES + 1)
    assert "larger than 20 MB" in refuse(path)


def test_too_many_points_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "dense.svg"
    circles = '<circle cx="50" cy="50" r="50"/>' * 3
    path.write_text(PAGE + circles + "</svg>")
    # 2 pi sqrt(r / 8 e) points to a circle: 1.1 million at this chord error.
    assert "2,000,000 points" in refuse(path, 2e-10)


RICH = (
    PAGE
    + """<style>.a{fill:none;stroke:#000} #b{fill:red}</style>
    <defs><symbol id="s" viewBox="0 0 9 9"><rect width="9" height="9" rx="2"/></symbol></defs>
    <g id="outline" transform="rotate(10 5,5)">
    <path class="a" d="M1 2c3-4 5 6 7,8s1 1 2 2q3 4-5-6t1 1A5 6 7 0 1 8 9z m1 1h3v4l-1-1z"/></g>
    <use href="#s" x="5%" width="2cm" height="1in"/><circle id="b" cx="50" cy="50" r="10%"/>
    <polygon points="1,2 3 4-5,6" style="fill-rule:evenodd;stroke:rgb(1 2 3 / 50%)"/></svg>"""
)


def test_a_drawing_with_changed_characters_is_read_or_refused_on_one_line(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    path = tmp_path / "changed.svg"
    path.write_text(RICH)
    assert [feature.name for feature in read_svg(path).features] == ["feature 1", "b"]
    alphabet = list("0123456789.,-+eE%#()<>/=\"' :;{}MmLlCcAaZzxyNaN")
    lines = []
    for _ in range(400):
        characters = list(RICH)
        for place in rng.integers(len(PAGE), len(characters), rng.integers(1, 4)):
            characters[place] = str(rng.choice(alphabet))
        path.write_text("".join(characters))
        try:
            read_svg(path)
        except WitmarkError as error:
            lines.append(error.line)
    assert 100 < len(lines) < 400
    assert not any("\n" in line for line in lines)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "iso-8859-1"])
def test_entities_are_found_in_every_encoding(tmp_path: Path, encoding: str) -> None:
    declaration = "" if encoding == "utf-8-sig" else f'<?xml version="1.0" encoding="{encoding}"?>'
    path = tmp_path / "hidden.svg"
    text = declaration + '<!DOCTYPE svg [<!ENTITY x "y">]>' + PAGE + BOX + "</svg>"
    path.write_bytes(text.encode(encoding))
    assert "declares an XML entity" in refuse(path)
