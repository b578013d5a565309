"""Words and numbers as they stand in all files of a pack, and text made safe for them."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import pandas as pd

from peatwright.model.columns import Column
from peatwright.model.layers import METHODS

NOT_KNOWN = "–"
SCREENING = (
    "Screening from a terrain model and rules: a competent person checks every item on the ground "
    "and decides. Local rules, consents and owners come first."
)
SAFETY = (
    "Before any machine moves: find buried services and overhead lines with their owners, walk the "
    "route for soft ground, open pools and hidden drains, check slope stability and what lies "
    "downstream, and keep to the season for birds and weather."
)
_UNWANTED = re.compile(
    # control marks, what XML cannot hold, and marks that turn the reading direction
    "[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff\u200e\u200f\u202a-\u202e\u2066-\u2069]"
)


def plain(text: str, longest: int = 0) -> str:
    """Return text on one line without control marks, cut to `longest` letters when given."""
    line = " ".join(_UNWANTED.sub(" ", str(text)).split())
    return line if not longest or len(line) <= longest else line[: longest - 1].rstrip() + "…"


def number(value: float, digits: int = 0, unit: str = "") -> str:
    """Return a number with spaces between thousands, or a dash when it is not known."""
    if value is None or not np.isfinite(value):
        return NOT_KNOWN
    shown = f"{value:,.{digits}f}".replace(",", " ")
    if float(shown.replace(" ", "")) == 0:
        shown = shown.lstrip("-")
    return f"{shown} {unit}" if unit else shown


def count(how_many: int, one: str, many: str = "") -> str:
    """Return `1 dam` or `12 dams`."""
    return f"{number(how_many)} {one if how_many == 1 else many or one + 's'}"


def heading(column: Column, currency: str = "") -> str:
    """Return a column's name in plain words with its unit, as `Pool level [m]`."""
    words = column.name
    for tail in ("_m3", "_m2", "_m", "_t", "_deg", "_ratio"):
        if column.unit and words.endswith(tail):
            words = words[: -len(tail)]
            break
    words = words.replace("_", " ")
    words = {"x": "easting", "y": "northing", "outlet x": "outlet easting",
             "outlet y": "outlet northing", "gap": "spoil moved", "why": "why",
             "fill": "peat in dam", "zip": "zipped"}.get(words, words)  # fmt: skip
    unit = currency if column.unit == "money" and currency else column.unit
    return words[:1].upper() + words[1:] + (f" [{unit}]" if unit and unit != words else "")


def digits_for(column: Column) -> int:
    """Return how many decimals a column is worth."""
    by_unit = {"m": 2, "m²": 1, "m³": 2, "h": 1, "t": 1, "m/m": 3, "ratio": 2}
    return by_unit.get(column.unit, 0)


def methods_present(reaches: pd.DataFrame) -> list[str]:
    """Return the methods in use, in the order in which they are always listed."""
    used = set(reaches["method"]) if len(reaches) else set()
    return [m for m in METHODS if m in used]


def joined(words: Sequence[str]) -> str:
    """Return `a, b and c`."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
