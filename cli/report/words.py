"""Numbers and terms in workshop words, so that page and terminal say the same."""

from __future__ import annotations

import math
from typing import Any

Json = dict[str, Any]

# A state is always a word and a shape; colour only repeats it.
STATE_WORDS = {
    "pass": "PASS",
    "fail": "FAIL",
    "undecided": "UNDECIDED",
    "not_judged": "NOT JUDGED",
}
STATE_MEANINGS = {
    "pass": "the whole 95 % interval lies inside the tolerance",
    "fail": "the whole 95 % interval lies outside the tolerance",
    "undecided": "the 95 % interval touches the limit, or the capture cannot be trusted",
    "not_judged": "measured, but no tolerance was given",
}
LAYERS = ("outline", "fill", "cut")
LABELS = {
    "fill_to_outline": "Fill against outline",
    "placement.outline": "Outline on the bed",
    "placement.fill": "Fill on the bed",
    "placement.cut": "Cut on the bed",
    "placement.all": "Whole mark on the bed",
    "placement_on_work": "Mark on the work",
    "part_movement": "Work, after against before",
}
MEANINGS = {
    "fill_to_outline": "fill minus outline",
    "placement.outline": "where it is, minus where it should be",
    "placement.fill": "where it is, minus where it should be",
    "placement.cut": "where it is, minus where it should be",
    "placement.all": "where it is, minus where it should be",
    "placement_on_work": "what the customer sees on the piece",
    "part_movement": "how far the piece itself moved",
}
# Numbers of scale, lift and warp, whose keys are too terse for a page.
NAMES = {
    "x_percent": "X longer by",
    "y_percent": "Y longer by",
    "skew_deg": "out of square by",
    "height_mm": "higher than stated by",
    "peak_mm": "largest",
    "rms_mm": "typically (rms)",
}
# The same of what is less than nothing, told without its sign.
_LESS = {
    "x_percent": "X shorter by",
    "y_percent": "Y shorter by",
    "height_mm": "lower than stated by",
}
_WHOLE = {"all": "whole mark"}
# What a row about one piece of several tells.
PIECE_COLUMNS = ("fill_to_outline", "placement.all", "placement_on_work", "part_movement")
_ASCII = str.maketrans(
    {
        "−": "-",
        "±": "+-",
        "×": "x",
        "°": " deg",
        "–": "-",
        "—": "-",
        "…": "...",
        "→": "->",
        "‘": "'",
        "’": "'",
        "“": '"',
        "”": '"',
        "\u00a0": " ",
        "\u202f": " ",
        "µ": "u",
    }
)


def plain(text: str) -> str:
    """Return text that any file, page and terminal can carry.

    Line breaks and tabs become spaces. Control characters (a name could hold terminal commands),
    direction overrides and half surrogates (from file names that are not UTF-8) become the
    replacement character.
    """
    text = text.translate({9: " ", 10: " ", 13: " "})
    return "".join(char if _printable(char) else "\ufffd" for char in text)


def ascii_only(text: str) -> str:
    """Return the text in ASCII for terminals that know no more; unknown letters become '?'."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def number(value: float, decimals: int, sign: bool = False) -> str:
    """Return a number with a true minus sign and without a negative zero."""
    rounded = round(value, decimals) + 0.0
    text = f"{abs(rounded):.{decimals}f}"
    if rounded < 0:
        return "−" + text
    return "+" + text if sign and rounded > 0 else text


def decimals_for(spread: float | None) -> int:
    """Return the decimals that a number with this U95 deserves: two, or three where it is finer."""
    return 3 if spread is not None and 0 < spread < 0.0095 else 2


def amount(quantity: Json | None, unit: str, sign: bool = False) -> str:
    """Return a quantity as "0.31 ± 0.04 mm", or with its interval where that is not symmetric.

    Parameters
    ----------
    quantity
        The report's form: value, u95, perhaps low, high, why; None where it does not apply.
    unit
        "mm", "°" or "%"; "" where the heading of a column says it; "grey" for whole grey levels,
        likewise without unit.
    sign
        Whether positive numbers bear a plus sign.
    """
    if quantity is None:
        return "does not apply"
    value, u95 = quantity["value"], quantity["u95"]
    if value is None:
        return "not measured"
    low, high = quantity.get("low"), quantity.get("high")
    spread = u95
    if low is not None and high is not None:
        spread = (high - low) / 2
    decimals = 0 if unit == "grey" else decimals_for(spread)
    tail = {"": "", "grey": "", "°": "°"}.get(unit, f"\u00a0{unit}")
    text = number(value, decimals, sign)
    if low is not None or high is not None:
        ends = (_end(low, value, u95, -1), _end(high, value, u95, 1))
        return f"{text}{tail} ({number(ends[0], decimals)} to {number(ends[1], decimals)})"
    if u95 is None:
        return f"{text}{tail}"
    return f"{text}\u00a0±\u00a0{number(u95, decimals)}{tail}"


def place(point_mm: list[float] | None) -> str:
    """Return a place on the surface as "X 120.4, Y 88.0"."""
    if point_mm is None:
        return ""
    return f"X\u00a0{number(point_mm[0], 1)}, Y\u00a0{number(point_mm[1], 1)}"


def label(key: str) -> str:
    """Return the plain name of a result by its dotted key in the report."""
    if key in LABELS:
        return LABELS[key]
    head, _, rest = key.partition(".")
    index, _, inner = rest.partition(".")
    if head == "pieces" and index.isdecimal() and inner:
        return f"Piece {int(index) + 1}: {label(inner)}"
    return plain_key(key).replace(".", ", ")


def plain_key(key: str) -> str:
    """Return a key of the report as words: "left_mm" as "left"."""
    return key.removesuffix("_mm").replace("_", " ")


def piece_name(report: Json, index: int) -> str:
    """Return the name of a piece by its index; its number where the report has no row for it."""
    pieces = report["pieces"]
    return str(pieces[index]["name"]) if index < len(pieces) else str(index + 1)


def piece_numbers(piece: Json) -> list[str]:
    """Return the worst points that tell a piece's story, in the order of PIECE_COLUMNS."""
    told = {
        key: "—" if moved is None else amount(moved["worst_mm"], "")
        for key, moved in displacements(piece)
    }
    return [told[key] for key in PIECE_COLUMNS]


def displacements(holder: Json) -> list[tuple[str, Json | None]]:
    """Return (dotted key, displacement) of a report or of one of its pieces, in reading order."""
    rows: list[tuple[str, Json | None]] = [("fill_to_outline", holder["fill_to_outline"])]
    rows += [(f"placement.{layer}", holder["placement"][layer]) for layer in ("all", *LAYERS)]
    rows += [(key, holder[key]) for key in ("placement_on_work", "part_movement")]
    return rows


def clause_text(clause: Json) -> str:
    """Return a clause's number, interval and limit in one line."""
    if clause["value_mm"] is None:
        return "not measured"
    low, high = clause["low_mm"], clause["high_mm"]
    known = low is not None and high is not None
    decimals = decimals_for((high - low) / 2 if known else None)
    text = f"{number(clause['value_mm'], decimals)}\u00a0mm"
    if known:
        text += f", 95\u00a0% interval {number(low, decimals)} to {number(high, decimals)}\u00a0mm"
    return text


def tolerance(limit_mm: float) -> str:
    """Return a limit as typed, with two decimals at least."""
    return f"{limit_mm:.2f}\u00a0mm" if round(limit_mm, 2) == limit_mm else f"{limit_mm:g}\u00a0mm"


def when_text(when: Json | None) -> str:
    """Return the moment in the burn in words, or an empty text where nothing is known."""
    if not when:
        return ""
    parts = []
    fraction = when.get("burn_fraction")
    if fraction:
        start, end = 100 * fraction["from"], 100 * fraction["to"]
        between = f"{number(start, 0)} to {number(end, 0)}"
        parts.append(
            f"at {between}\u00a0% of the burn"
            if end - start >= 1
            else f"at {number(start, 0)}\u00a0% of the burn"
        )
    names = {"time_s": "after {} s", "lines": "lines {}", "pass": "in pass {}"}
    for key, pattern in names.items():
        value = when.get(key)
        if value is None:
            continue
        if isinstance(value, dict) and set(value) >= {"from", "to"}:
            value = f"{value['from']} to {value['to']}"
        elif isinstance(value, list):
            value = " to ".join(str(item) for item in value)
        parts.append(pattern.format(value))
    return ", ".join(parts)


def largest_share(terms: list[Json]) -> str:
    """Say which influence rules a budget and what would be left without it; "" if none does.

    Terms add in quadrature (GUM, JCGM 100:2008, equation 10, for uncorrelated inputs).
    """
    total = math.sqrt(sum(term["u95_mm"] ** 2 for term in terms))
    biggest = max(terms, key=lambda term: term["u95_mm"], default=None)
    if biggest is None or biggest["u95_mm"] ** 2 < 0.5 * total**2 or not biggest["advice"]:
        return ""
    rest = math.sqrt(max(0.0, total**2 - biggest["u95_mm"] ** 2))
    return (
        f"{number(biggest['u95_mm'], 3)} of the {number(total, 3)}\u00a0mm is the "
        f"{biggest['name']}; without it {number(rest, 3)}\u00a0mm would be left."
    )


def _printable(char: str) -> bool:
    code = ord(char)
    control = code < 32 or 127 <= code < 160 or code in (0x2028, 0x2029, 0xFEFF)
    direction = 0x202A <= code <= 0x202E or 0x2066 <= code <= 0x2069
    noncharacter = code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF
    return not (control or direction or noncharacter or 0xD800 <= code <= 0xDFFF)


def _end(end: float | None, value: float, u95: float | None, side: int) -> float:
    return end if end is not None else value + side * (u95 or 0.0)


def plain_numbers(document: Json) -> list[tuple[str, list[str]]]:
    """Return (name, numbers in words) of what is not a displacement: margins, scale, lift, warp."""
    groups = [("Margins to the work’s edges", document["margins"])]
    scales = document["scale"] or {}
    if "all" in scales and len(scales) == 2:
        # One layer alone is the whole mark.
        scales = {"all": scales["all"]}
    groups += [(f"Scale of the {_WHOLE.get(name, name)}", scale) for name, scale in scales.items()]
    groups.append(("Lift that would look like this scale", document["lift"]))
    groups.append(("Warp", document["warp"]))
    return [
        (name, [_in_words(key, quantity) for key, quantity in quantities.items()])
        for name, quantities in groups
        if quantities
    ]


def _in_words(key: str, quantity: Json) -> str:
    unit = _unit(key)
    if key in _LESS and quantity["value"] is not None and quantity["value"] < 0:
        return f"{_LESS[key]}\u00a0{amount({**quantity, 'value': -quantity['value']}, unit)}"
    text = amount(quantity, unit, sign=unit == "°")
    why = f" ({quantity['why']})" if quantity["value"] is None else ""
    return f"{NAMES.get(key, plain_key(key))}\u00a0{text}{why}"


def _unit(key: str) -> str:
    return {"percent": "%", "deg": "°"}.get(key.rpartition("_")[2], "mm")
