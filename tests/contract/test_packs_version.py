"""Codes on pages: a card from an old layout is told from a new one."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from packs_layout import make

from peatwright.packs.version import (
    CODE_LETTERS,
    LETTERS,
    check_code,
    layout_codes,
    next_issue,
    read_history,
    write_history,
)

Tables = dict[str, pd.DataFrame]


@pytest.fixture
def tables() -> Tables:
    return make(4, 60.0)[0]


def _changed(tables: Tables, drain: str, column: str, by: object) -> Tables:
    items = tables["items"].copy()
    row = items.index[(items["drain_id"] == drain) & (items["kind"] == "dam")][0]
    items.loc[row, column] = by
    return {**tables, "items": items}


def test_codes_are_short_and_readable(tables: Tables) -> None:
    whole, cards = layout_codes(tables)
    assert set(cards) == set(tables["drains"]["drain_id"])
    for code in (whole, *cards.values()):
        assert len(code) == CODE_LETTERS
        assert set(code) <= set(LETTERS)
    assert len({whole, *cards.values()}) == 1 + len(cards)
    # Crockford's base 32 leaves out the letters that are taken for digits (memory).
    assert not set("ILOU") & set(LETTERS)


def test_only_the_changed_drain_gets_a_new_code(tables: Tables) -> None:
    whole, cards = layout_codes(tables)
    new_whole, new = layout_codes(_changed(tables, "D001", "buckets", 9.0))
    assert new_whole != whole
    assert {d for d in cards if cards[d] != new[d]} == {"D001"}


def test_what_nobody_builds_by_makes_no_new_card(tables: Tables) -> None:
    codes = layout_codes(tables)
    assert layout_codes(_changed(tables, "D001", "why", "another reason")) == codes
    x = float(tables["items"]["x_m"].iloc[0])
    same = tables["items"].copy()
    same["x_m"] += 1e-7
    assert layout_codes({**tables, "items": same}) == codes
    assert layout_codes(_changed(tables, "D001", "x_m", x + 0.01)) != codes


def _pack(folder: Path, old: Path | None, tables: Tables, date: str) -> tuple[str, dict[str, str]]:
    folder.mkdir()
    issue, history = next_issue(read_history(old), tables, date)
    write_history(folder, history)
    return issue.code, dict(issue.cards)


def test_old_cards_are_told_from_new_ones(tmp_path: Path, tables: Tables) -> None:
    old, new = tmp_path / "one", tmp_path / "two"
    first, cards = _pack(old, None, tables, "2031-03-01")
    assert check_code(old, first).state == "current"
    assert check_code(old, cards["D001"]).state == "current"
    second, now = _pack(new, old, _changed(tables, "D001", "dig_depth_m", 1.1), "2031-03-09")
    assert check_code(new, first).state == "superseded"
    assert "pack 2" in check_code(new, first).words
    assert check_code(new, second).state == "current"
    assert check_code(new, cards["D001"]).state == "superseded"
    assert check_code(new, now["D001"]).state == "current"
    # The layout as a whole is new, but nothing changed on this drain: its card stays good.
    assert check_code(new, cards["D002"], "D002").state == "current"
    assert check_code(new, cards["D002"], "D001").state == "unknown"
    assert check_code(new, "ZZZZZZ").state == "unknown"
    told = (new / "VERSION.txt").read_text(encoding="utf-8")
    assert f"pack 2, layout code {second}" in told
    assert "1: D001" in told


def test_codes_may_be_typed_as_people_do(tmp_path: Path, tables: Tables) -> None:
    code, _ = _pack(tmp_path / "p", None, tables, "2031-03-01")
    typed = f" {code[:3].lower()}-{code[3:]} ".replace("0", "o").replace("1", "l")
    assert check_code(tmp_path / "p", typed).state == "current"


def test_the_same_layout_is_no_new_pack(tmp_path: Path, tables: Tables) -> None:
    _pack(tmp_path / "a", None, tables, "2031-03-01")
    issue, history = next_issue(read_history(tmp_path / "a"), tables, "2031-04-01")
    assert (issue.number, issue.date, len(history)) == (1, "2031-03-01", 1)


def test_going_back_to_an_old_layout_makes_its_cards_good_again(
    tmp_path: Path, tables: Tables
) -> None:
    first, cards = _pack(tmp_path / "a", None, tables, "2031-03-01")
    _pack(tmp_path / "b", tmp_path / "a", _changed(tables, "D001", "buckets", 9.0), "2031-03-02")
    _pack(tmp_path / "c", tmp_path / "b", tables, "2031-03-03")
    assert len(read_history(tmp_path / "c")) == 3
    assert check_code(tmp_path / "c", first).state == "current"
    assert check_code(tmp_path / "c", cards["D001"]).state == "current"


def test_no_pack_and_an_edited_history(tmp_path: Path, tables: Tables) -> None:
    assert check_code(tmp_path, "ABC123").state == "unknown"
    assert read_history(None) == []
    _pack(tmp_path / "a", None, tables, "2031-03-01")
    with (tmp_path / "a" / "codes.csv").open("a", encoding="utf-8") as file:
        file.write("someone,wrote,here\n,,,\n")
    assert len(read_history(tmp_path / "a")) == 1


def test_an_empty_layout_has_a_code() -> None:
    tables, _ = make(0)
    whole, cards = layout_codes(tables)
    assert len(whole) == CODE_LETTERS
    assert cards == {}
