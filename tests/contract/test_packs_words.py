"""The catalogue of words: the same keys and places in every language, and none without use."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import peatwright.packs
from peatwright.model.errors import RuleError
from peatwright.model.layers import ITEM_KINDS, LIMIT_KINDS, METHODS, SIDES
from peatwright.packs.cards.guide import STEPS
from peatwright.packs.words import LANGUAGES, words

PLACES = re.compile(r"\{(\w+)\}")
OTHERS = [language for language in LANGUAGES if language != "en"]


def _parts(text: object) -> list[str]:
    return [str(t) for t in text] if isinstance(text, list) else [str(text)]


@pytest.mark.parametrize("language", OTHERS)
def test_every_language_says_the_same(language: str) -> None:
    english, other = words("en").texts(), words(language).texts()
    assert set(english) == set(other)
    for key, text in english.items():
        a, b = _parts(text), _parts(other[key])
        assert len(a) == len(b), key
        for one, two in zip(a, b, strict=True):
            assert set(PLACES.findall(one)) == set(PLACES.findall(two)), key
            assert two, key


@pytest.mark.parametrize("language", OTHERS)
def test_it_is_another_language(language: str) -> None:
    english, other = words("en").texts(), words(language).texts()
    long = [k for k, t in english.items() if isinstance(t, str) and len(t) > 25]
    same = [k for k in long if english[k] == other[k]]
    assert same == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_value_of_the_tables_has_a_word(language: str) -> None:
    held = words(language).texts()
    for group, names in (
        ("methods", (*METHODS, *(k for k in ITEM_KINDS if k.startswith("spoil")))),
        ("limits", LIMIT_KINDS), ("sides", SIDES),
    ):  # fmt: skip
        for name in names:
            assert f"{group}.{name}" in held


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_step_has_a_picture(language: str) -> None:
    assert set(STEPS) == set(METHODS)
    w = words(language)
    for method, pictures in STEPS.items():
        assert len(w.texts()[f"guide.methods.{method}.steps"]) == len(pictures)
        assert w.texts()[f"guide.methods.{method}.donts"]
        assert w.texts()[f"guide.methods.{method}.checks"]


def test_no_word_without_use() -> None:
    folder = Path(peatwright.packs.__file__).parent
    files = [*folder.rglob("*.py"), *folder.rglob("*.typ")]
    source = "\n".join(p.read_text(encoding="utf-8") for p in files)
    # Groups whose names come from the tables or from files.
    by_name = ("cautions", "hazards", "purposes", "limits", "methods", "guide.methods", "bill.unit",
               "card.outfall", "readme.labels")  # fmt: skip
    # Keys put together in the source, such as `facts_{name}`.
    built = tuple(set(re.findall(r"\b([a-z]+_)\{", source)))
    lost = []
    for key in words("en").texts():
        name = key.split(".")[-1]
        if not key.startswith(by_name) and name not in source and not name.startswith(built):
            lost.append(key)
    assert lost == []


def test_numbers_and_dates_by_language() -> None:
    """Decimal comma and day before month in German (DIN 1333 and DIN 5008; memory)."""
    en, de = words("en"), words("de")
    assert en.number(1234.5, 1, "m") == "1 234.5 m"
    assert de.number(1234.5, 1, "m") == "1 234,5 m"
    assert de.number(float("nan"), 1, "m") == "–"
    assert en.number(-0.0004, 2) == "0.00"
    assert en.date("2031-03-03") == "3 March 2031"
    assert de.date("2031-03-03") == "3. März 2031"
    assert en.date("some day") == "some day"
    assert en.count(1, "dam") == "1 dam"
    assert de.count(12, "dam") == "12 Dämme"


@pytest.mark.parametrize(
    ("bearing", "en", "de"),
    [(0, "N", "N"), (44, "NE", "NO"), (90, "E", "O"), (180, "S", "S"), (337, "NW", "NW"),
     (338, "N", "N"), (360, "N", "N"), (float("nan"), "", "")],
)  # fmt: skip
def test_compass(bearing: float, en: str, de: str) -> None:
    assert words("en").compass(bearing) == en
    assert words("de").compass(bearing) == de


def test_unknown_language_is_refused() -> None:
    with pytest.raises(RuleError, match="en, de"):
        words("xx")
