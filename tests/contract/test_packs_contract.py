"""Contract papers: formulas against the price and a spreadsheet program, documents opened again."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
from pathlib import Path

import docx
import numpy as np
import openpyxl
import pandas as pd
import pytest
from packs_layout import ODD_NAME, make

from peatwright.model.ground_layers import GROUND_LAYERS
from peatwright.model.rates import Rates
from peatwright.model.rules import Rules
from peatwright.packs.contract.bill import QUANTITIES, quantities_by_drain, write_bill
from peatwright.packs.contract.papers import Papers
from peatwright.packs.info import PackInfo
from peatwright.packs.version import next_issue
from peatwright.packs.words import LANGUAGES, words
from peatwright.works.price import price

INFO = PackInfo("Test Moss", True, "Ground made by a formula.", "2031-03-03", "a1b2c3d4e5", "0.1")
CRS = "EPSG:27700"
Tables = dict[str, pd.DataFrame]


def priced_tables(drains: int = 7, length_m: float = 120.0) -> Tables:
    tables, _ = make(drains, length_m)
    tables["quantities"] = price(tables["items"], tables["reaches"], tables["drains"], Rules())
    return tables


def bill(path: Path, tables: Tables, *, priced: bool, rules: Rules | None = None,
         language: str = "en", info: PackInfo = INFO) -> Path:  # fmt: skip
    issue, _ = next_issue([], tables, info.date)
    write_bill(path, tables, rules or Rules(), info, issue, words(language), priced=priced)
    return path


def cells_of(path: Path, sheet: str, *, values: bool) -> list[tuple[object, ...]]:
    book = openpyxl.load_workbook(path, data_only=values)
    return list(book[sheet].iter_rows(values_only=True))


def total_of(path: Path, words_of_it: str = "Total without tax") -> float:
    for row in cells_of(path, "Bill", values=True):
        if row[1] == words_of_it:
            return float(row[5])  # type: ignore[arg-type]
    raise AssertionError(words_of_it)


def test_the_priced_bill_comes_to_the_price_of_the_works(tmp_path: Path) -> None:
    """The bill builds rates up line by line; the price sums item by item: two ways, one total."""
    tables = priced_tables()
    path = bill(tmp_path / "b.xlsx", tables, priced=True)
    site = tables["quantities"].iloc[-1]
    assert site["cost"] > 5000
    assert total_of(path) == pytest.approx(site["cost"], rel=1e-9)


def test_quantities_are_those_of_the_layout() -> None:
    tables = priced_tables()
    sums, items = quantities_by_drain(tables, Rules()).sum(), tables["items"]
    site = tables["quantities"].iloc[-1]
    dams = sums[["wave", "peat", "timber", "stone", "piling"]].sum()
    assert dams == (items["kind"] == "dam").sum() == site["dams"]
    assert sums["zip"] == pytest.approx(site["zip_m"])
    assert sums["timbers"] == pytest.approx(site["timbers"])
    assert (
        sums["wave_extra"]
        == (items.loc[items["method"] == "wave dam", "buckets"].dropna() - Rules().dam.buckets_min)
        .clip(lower=0)
        .sum()
    )


def test_the_blank_bill_asks_for_rates_and_shows_none_of_ours(tmp_path: Path) -> None:
    path = bill(tmp_path / "b.xlsx", priced_tables(), priced=False)
    book = openpyxl.load_workbook(path)
    assert "Rates" not in book.sheetnames
    lines = [row for row in book["Bill"].iter_rows() if row[3].value is not None][1:]
    assert len(lines) == len(QUANTITIES) + 3
    for row in lines:
        assert row[4].value is None
        assert str(row[5].value).startswith("=")
    text = " ".join(str(c.value) for s in book for r in s.iter_rows() for c in r if c.value)
    assert "650" not in text
    assert total_of(path) == 0.0


def test_every_quantity_and_amount_is_a_live_formula(tmp_path: Path) -> None:
    path = bill(tmp_path / "b.xlsx", priced_tables(), priced=True)
    rows = [r for r in cells_of(path, "Bill", values=False)[4:] if r[0] and r[2]]
    assert len(rows) == len(QUANTITIES) + 3
    for row in rows:
        assert str(row[5]).startswith("=")
        if not str(row[0]).startswith("D"):
            assert str(row[3]).startswith("='Quantities'!")
            assert "'Rates'!" in str(row[4])


def recalculated(path: Path, folder: Path) -> Path:
    """The workbook as LibreOffice has reckoned it anew."""
    if shutil.which("soffice") is None:
        pytest.skip("LibreOffice (soffice) is not installed: formulas are not recalculated here")
    folder.mkdir(exist_ok=True)
    home = folder / "home"
    command = ["soffice", f"-env:UserInstallation=file://{home}", "--headless", "--convert-to",
               "xlsx:Calc MS Excel 2007 XML", "--outdir", str(folder), str(path)]  # fmt: skip
    done = subprocess.run(command, capture_output=True, timeout=120, check=False,
                          env={**os.environ, "HOME": str(folder)})  # fmt: skip
    made = folder / path.name
    assert made.is_file(), done.stderr.decode()
    return made


def test_a_spreadsheet_program_reckons_as_we_do(tmp_path: Path) -> None:
    """LibreOffice: all formulas of the bill, ours taken out first so that it must reckon."""
    path = bill(tmp_path / "b.xlsx", priced_tables(), priced=True)
    bare = tmp_path / "bare.xlsx"
    # This library writes formulas without their values.
    openpyxl.load_workbook(path).save(bare)
    assert cells_of(bare, "Bill", values=True)[5][5] is None
    theirs = openpyxl.load_workbook(recalculated(bare, tmp_path / "out"), data_only=True)
    ours = openpyxl.load_workbook(path, data_only=True)
    seen = 0
    for sheet in ours:
        for row in sheet.iter_rows():
            for cell in row:
                if isinstance(cell.value, int | float):
                    assert theirs[sheet.title][cell.coordinate].value == pytest.approx(
                        cell.value, rel=1e-9, abs=1e-9
                    ), (sheet.title, cell.coordinate)
                    seen += 1
    assert seen > 100


def test_a_changed_rate_changes_the_total_as_the_price_does(tmp_path: Path) -> None:
    tables = priced_tables(3)
    path = bill(tmp_path / "b.xlsx", tables, priced=True)
    book = openpyxl.load_workbook(path)
    for row in book["Rates"].iter_rows():
        if row[0].value == "Machine with operator, a day":
            row[1].value = 780.0
    book.save(tmp_path / "dearer.xlsx")
    made = recalculated(tmp_path / "dearer.xlsx", tmp_path / "out")
    dearer = Rules(rates=Rates(day_likely=780.0))
    site = price(tables["items"], tables["reaches"], tables["drains"], dearer).iloc[-1]
    assert total_of(made) == pytest.approx(site["cost"], rel=1e-9)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("drains", [0, 1])
def test_small_sites_and_languages(tmp_path: Path, drains: int, language: str) -> None:
    tables = priced_tables(drains, 30.0)
    for priced in (False, True):
        path = bill(tmp_path / f"{priced}.xlsx", tables, priced=priced, language=language)
        book = openpyxl.load_workbook(path, data_only=True)
        assert words(language)("bill.sheet_bill") in book.sheetnames
        values = [c.value for s in book for r in s.iter_rows() for c in r]
        assert not [v for v in values if isinstance(v, str) and v.startswith("#")]


def test_no_name_becomes_a_formula(tmp_path: Path) -> None:
    """OWASP, CSV Injection (read from memory)."""
    tables = priced_tables(2, 40.0)
    for name in ("drains", "items", "reaches", "stations"):
        tables[name]["drain_id"] = "=1+1;" + tables[name]["drain_id"].astype(str)
    odd = PackInfo(ODD_NAME, False, ODD_NAME, ODD_NAME, "a1", "0.1")
    path = bill(tmp_path / "b.xlsx", tables, priced=True, info=odd)
    book = openpyxl.load_workbook(path)
    column = [row[0] for row in book["Quantities"].iter_rows(min_row=2, max_col=1)]
    assert {c.data_type for c in column} <= {"s"}


# --- documents -----------------------------------------------------------------------------------


def papers(tables: Tables, language: str = "en", info: PackInfo = INFO) -> Papers:
    issue, _ = next_issue([], tables, info.date)
    return Papers(tables, CRS, Rules(), info, issue, words(language))


def text_of(made: bytes) -> str:
    document = docx.Document(io.BytesIO(made))
    section = document.sections[0]
    parts = [p.text for p in (*section.header.paragraphs, *document.paragraphs,
                              *section.footer.paragraphs)]  # fmt: skip
    parts += [cell.text for t in document.tables for row in t.rows for cell in row.cells]
    return " ".join(parts)


@pytest.mark.parametrize("language", LANGUAGES)
def test_documents_open_and_carry_the_code(language: str) -> None:
    tables = priced_tables(3, 60.0)
    held = papers(tables, language)
    w = words(language)
    for made, title in (
        (held.method_statement(), "papers.method_title"),
        (held.hazard_register(), "papers.hazard_title"),
        (held.hand_back(), "papers.handback_title"),
        (held.drawings([["a.pdf", "A", "1:500", "2"]]), "papers.drawings_title"),
    ):
        text = text_of(made)
        assert w(title) in text
        assert held.issue.code in text
        assert w("common.stale") in text


def test_method_statement_and_hazards_speak_of_this_site() -> None:
    tables = priced_tables(4, 120.0)
    tables["items"]["note"] = "Open pool 0.80 m deep: a danger to stock and people"
    held = papers(tables)
    method, hazards = text_of(held.method_statement()), text_of(held.hazard_register())
    for said in ("near vertical", "heritage", "overhead line", "competent person", "112", "NS 63"):
        assert said in method, said
    assert "drains D001" in hazards
    for hazard in ("Overhead line", "Peat slides", "Unexploded", "pools", "bogs"):
        assert hazard in hazards, hazard


def test_findings_are_listed_when_given() -> None:
    tables = priced_tables(1, 40.0)
    finding = dict.fromkeys((c.name for c in GROUND_LAYERS["findings"].columns), "") | {
        "severity": "stop", "what": "Factor of safety 0.9", "place": "above D001",
        "to_do": "Ask an engineer", "topic": "stability", "drain_id": "D001",
    }  # fmt: skip
    without = text_of(papers(tables).method_statement())
    assert "checks were not run or they found nothing" in without
    tables["findings"] = pd.DataFrame([finding])
    held = papers(tables)
    assert "Factor of safety 0.9" in text_of(held.method_statement())
    assert "drains D001" in text_of(held.hazard_register())


def test_odd_names_and_an_empty_layout() -> None:
    tables = priced_tables(2, 40.0)
    tables["limits"]["name"] = ODD_NAME
    odd = PackInfo(ODD_NAME, False, ODD_NAME, ODD_NAME, "a1", "0.1")
    assert "#panic() *Łąka* <b>&amp;</b>" in text_of(papers(tables, info=odd).method_statement())
    nothing = papers(priced_tables(0))
    assert "0 drains" in text_of(nothing.method_statement())
    assert text_of(nothing.hazard_register())


def test_the_same_layout_gives_the_same_bytes(tmp_path: Path) -> None:
    tables = priced_tables(2, 40.0)
    one, two = papers(tables), papers(tables)
    assert one.method_statement() == two.method_statement()
    a = bill(tmp_path / "a.xlsx", tables, priced=True)
    b = bill(tmp_path / "b.xlsx", tables, priced=True)
    assert a.read_bytes() == b.read_bytes()
    assert np.isfinite(total_of(a))
