"""The words of the pack, one catalogue a language, with its numbers and dates."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from peatwright.model.errors import Fault, RuleError

HERE = Path(__file__).parent
LANGUAGES = ("en", "de")
NOT_KNOWN = "–"


class Words:
    """All words in one language: `w("card.peg")`, lists by `each`, counts by `count`."""

    def __init__(self, language: str, held: dict[str, Any]) -> None:
        self.language = language
        self._held = held

    def _find(self, key: str) -> Any:
        at: Any = self._held
        for step in key.split("."):
            at = at[step]
        return at

    def __call__(self, key: str, /, **values: object) -> str:
        """Return the text of a key such as `card.peg`, with its places filled in."""
        text = self._find(key)
        return str(text).format(**values) if values else str(text)

    def each(self, key: str, /, **values: object) -> list[str]:
        """Return the texts of a list, each with its places filled in."""
        return [str(t).format(**values) if values else str(t) for t in self._find(key)]

    def said(self, group: str, name: str) -> str:
        """Return the word for a value of a table, such as a method; unknown ones as they are."""
        return str(self._find(group).get(name, name))

    def number(self, value: float, digits: int = 0, unit: str = "") -> str:
        """Return a number with this language's marks, or a dash when it is not known."""
        if value is None or not np.isfinite(value):
            return NOT_KNOWN
        shown = f"{value:,.{digits}f}"
        if float(shown.replace(",", "")) == 0:
            shown = shown.lstrip("-")
        marks = {",": self("format.thousands"), ".": self("format.decimal")}
        shown = "".join(marks.get(c, c) for c in shown)
        return f"{shown} {unit}" if unit else shown

    def count(self, how_many: float, key: str) -> str:
        """Return a number with its noun, as `1 dam` or `12 dams`."""
        one, many = self._find(f"count.{key}")
        return f"{self.number(how_many)} {one if how_many == 1 else many}"

    def date(self, text: str) -> str:
        """Return a year-month-day date as this language writes it; other texts as they are."""
        try:
            day = dt.date.fromisoformat(text)
        except ValueError:
            return text
        months = self._find("format.months")
        return self("format.date", day=day.day, month=months[day.month - 1], year=day.year)

    def compass(self, bearing_deg: float) -> str:
        """Return the nearest of eight points of the compass, or nothing when not known."""
        if not np.isfinite(bearing_deg):
            return ""
        points: Sequence[str] = self._find("format.compass")
        return points[int((bearing_deg % 360 + 22.5) // 45) % 8]

    def texts(self) -> dict[str, Any]:
        """Return every key with its text or list, for checking one language against another."""
        out: dict[str, Any] = {}

        def walk(prefix: str, at: Any) -> None:
            if isinstance(at, dict):
                for name, value in at.items():
                    walk(f"{prefix}.{name}" if prefix else name, value)
            else:
                out[prefix] = at

        walk("", self._held)
        return out


@cache
def words(language: str = "en") -> Words:
    """Return the words of a language, one of `LANGUAGES`.

    Raises:
        RuleError: there is no such catalogue.

    """
    if language not in LANGUAGES:
        fix = "Choose one of these, or add a catalogue beside them."
        raise RuleError(Fault("language", "", repr(language), ", ".join(LANGUAGES), fix))
    text = (HERE / f"{language}.toml").read_text(encoding="utf-8")
    return Words(language, tomllib.loads(text))
