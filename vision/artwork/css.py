"""The part of CSS that decides what a drawing paints: attributes, rules, style attributes."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from lxml import etree

from vision.artwork.document import local_name

# What decides whether and how an element is burned (SVG 2, appendix on properties).
INHERITED = {
    "fill": "black",
    "stroke": "none",
    "fill-rule": "nonzero",
    "fill-opacity": "1",
    "stroke-opacity": "1",
    "visibility": "visible",
    "marker": "none",
    "marker-start": "none",
    "marker-mid": "none",
    "marker-end": "none",
}
_OWN = {
    "display": "inline",
    "opacity": "1",
    "clip-path": "none",
    "mask": "none",
    "filter": "none",
    "overflow": "",
    "transform": "",
    "transform-origin": "",
    "d": "",
    "x": "",
    "y": "",
    "width": "",
    "height": "",
    "rx": "",
    "ry": "",
    "cx": "",
    "cy": "",
    "r": "",
}
PROPERTIES = INHERITED | _OWN

_COMMENT = re.compile(r"/\*.*?\*/|<!--|-->", re.DOTALL)
_IDENTIFIER = r"-?[A-Za-z_\u0080-\U0010ffff][-\w\u0080-\U0010ffff]*"
_SELECTOR = re.compile(rf"(\*|{_IDENTIFIER})?((?:[.#]{_IDENTIFIER})*)")
_RULE = re.compile(r"\s*([^{}]*)\{([^{}]*)\}")
# Blocks that hold no rules for elements of a drawing.
_HARMLESS = re.compile(r"\s*@(?:charset|namespace|font-face|keyframes)\b", re.IGNORECASE)
_AT_BLOCK = re.compile(r"\s*@[^{};]*(?:;|\{(?:[^{}]*\{[^{}]*\})*[^{}]*\})")
_ZERO = r"0*\.?0+%?"
# Colours whose alpha is nothing (CSS Color 4, sections 4 and 5).
_CLEAR = re.compile(
    rf"#[0-9a-f]{{3}}0|#[0-9a-f]{{6}}00"
    rf"|(?:rgb|hsl)a?\((?:(?:[^,]*,){{3}}|[^/]*/)\s*{_ZERO}\s*\)"
)
_DECLARATION = re.compile(r"""((?:[^;"'(]|"[^"]*"|'[^']*'|\((?:[^()"']|"[^"]*"|'[^']*')*\))+)""")


@dataclass(frozen=True)
class _Rule:
    tag: str
    ids: frozenset[str]
    classes: frozenset[str]
    declarations: Mapping[str, tuple[str, bool]]

    @property
    def specificity(self) -> tuple[int, int, int]:
        return len(self.ids), len(self.classes), int(self.tag != "")

    def matches(self, tag: str, identifier: str, classes: set[str]) -> bool:
        return (
            self.tag in ("", tag)
            and self.classes <= classes
            and (not self.ids or self.ids == {identifier})
        )


@dataclass(frozen=True)
class StyleSheet:
    """The rules of all <style> elements, weakest first."""

    rules: tuple[_Rule, ...] = ()

    def declared(self, element: etree._Element) -> dict[str, str]:
        """Return the properties that are declared for an element, after the cascade.

        Presentation attributes are weakest, then rules by specificity and order, then the style
        attribute; "!important" goes over all (CSS Cascading and Inheritance 4, section 6).
        """
        attributes = ((str(name), str(value)) for name, value in element.items())
        found = {name: value.strip() for name, value in attributes if name in PROPERTIES}
        tag, identifier = local_name(element), element.get("id", "")
        classes = set(element.get("class", "").split())
        layers = [
            rule.declarations for rule in self.rules if rule.matches(tag, identifier, classes)
        ]
        style = element.get("style", "")
        if style:
            layers.append(_declarations(style))
        for urgent in (False, True):
            for layer in layers:
                found.update({k: value for k, (value, loud) in layer.items() if loud is urgent})
        return found


def parse_style_sheets(texts: Iterable[str]) -> StyleSheet:
    """Read the text of <style> elements.

    Selectors may name a tag, classes and an id of one element. Raises ValueError for a rule that
    decides about painting behind any other selector, or within @media and the like.
    """
    rules = []
    for text in texts:
        rest = _COMMENT.sub(" ", text)
        while rest.strip():
            block = _AT_BLOCK.match(rest)
            if block is not None:
                if _HARMLESS.match(rest) is None:
                    raise ValueError(f"the style rule '{block[0].strip()[:30]}' is not understood")
                rest = rest[block.end() :]
                continue
            match = _RULE.match(rest)
            if match is None:
                raise ValueError(f"the style '{rest.strip()[:30]}' is not understood")
            rest = rest[match.end() :]
            declarations = _declarations(match[2])
            if declarations:
                rules += [_rule(one.strip(), declarations) for one in match[1].split(",")]
    return StyleSheet(tuple(sorted(rules, key=lambda rule: rule.specificity)))


def is_painted(paint: str, opacity: str) -> bool:
    """Whether a paint leaves a mark: any colour or gradient that is not wholly transparent."""
    text = paint.strip().lower()
    return (
        text not in ("none", "transparent", "")
        and _CLEAR.fullmatch(text) is None
        and not is_zero(opacity)
    )


def is_zero(number: str) -> bool:
    """Whether an opacity is exactly nothing; anything else burns in full."""
    return re.fullmatch(rf"\s*[-+]?{_ZERO}\s*", number) is not None


def _rule(selector: str, declarations: Mapping[str, tuple[str, bool]]) -> _Rule:
    match = _SELECTOR.fullmatch(selector)
    if match is None or not selector:
        raise ValueError(f"the style selector '{selector[:30]}' is not understood")
    names = re.findall(rf"([.#])({_IDENTIFIER})", match[2])
    return _Rule(
        tag="" if match[1] in (None, "*") else match[1],
        ids=frozenset(name for mark, name in names if mark == "#"),
        classes=frozenset(name for mark, name in names if mark == "."),
        declarations=declarations,
    )


def _declarations(text: str) -> dict[str, tuple[str, bool]]:
    """Return the known properties of a block of declarations, each with "is it important"."""
    found: dict[str, tuple[str, bool]] = {}
    for part in _DECLARATION.findall(_COMMENT.sub(" ", text)):
        name, _, value = part.partition(":")
        name = name.strip().lower()
        plain = re.sub(r"\s*!\s*important\s*$", "", value, flags=re.IGNORECASE)
        if name in PROPERTIES and plain.strip():
            found[name] = (plain.strip(), plain != value)
    return found
