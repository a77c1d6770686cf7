"""An XML file as a tree of elements, without anything that reaches outside or blows up."""

from __future__ import annotations

from pathlib import Path
from xml.parsers import expat

from lxml import etree

from calibration.errors import WitmarkError
from calibration.files import read_bytes

MAX_BYTES = 20_000_000
SVG_NAMESPACE = "http://www.w3.org/2000/svg"
_SAVE_AGAIN = "save it again as plain SVG from the drawing program"


class _RootReached(Exception):  # noqa: N818
    """Ends the first look at a file: only what stands before the root can declare entities."""


def read_svg_tree(path: Path) -> etree._Element:
    """Return the root element of an SVG file; raises WitmarkError on one clear line.

    Entities are refused before anything expands them (a document type that only names the
    standard one is accepted), nothing outside the file is read, and files above MAX_BYTES are
    refused.
    """
    where = str(path)
    data = read_bytes(path)
    if len(data) > MAX_BYTES:
        raise WitmarkError(
            where,
            f"is larger than {MAX_BYTES // 1_000_000} MB",
            "leave out pictures and points that the burn does not need",
        )
    if not data.strip():
        raise WitmarkError(where, "is empty", "export the drawing again")
    if data.startswith(b"\x1f\x8b"):
        raise WitmarkError(where, "is a compressed SVG", "save it again as plain SVG")
    _refuse_entities(where, data)
    parser = etree.XMLParser(
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        root = etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError) as error:
        raise WitmarkError(where, f"is not valid XML ({error})", _SAVE_AGAIN) from error
    if local_name(root) != "svg":
        raise WitmarkError(where, f"is not an SVG drawing but <{root.tag}>", "give an SVG file")
    return root


def local_name(element: etree._Element) -> str:
    """Return the name of an SVG element, or "" for an element of another vocabulary."""
    tag = element.tag
    if not isinstance(tag, str):
        return ""
    namespace, _, name = tag.rpartition("}")
    return name if namespace in ("", "{" + SVG_NAMESPACE) else ""


def text_of(element: etree._Element) -> str:
    """Return the text within an element and all that it holds."""
    return "".join(str(text) for text in element.itertext())


def _refuse_entities(where: str, data: bytes) -> None:
    def entity(name: str, *_: object) -> None:
        raise WitmarkError(
            where, f"declares an XML entity ('{name}'), which can hide other files", _SAVE_AGAIN
        )

    def root(*_: object) -> None:
        raise _RootReached

    parser = expat.ParserCreate()
    parser.EntityDeclHandler = entity
    parser.StartElementHandler = root
    try:
        parser.Parse(data, True)
    except _RootReached:
        pass
    except (expat.ExpatError, LookupError, ValueError) as error:
        raise WitmarkError(where, f"is not valid XML ({error})", _SAVE_AGAIN) from error
