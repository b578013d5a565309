"""Operator cards as the person in the cab gets them: read back, measured, looked at in grey."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from packs_layout import ODD_NAME, make
from PIL import Image
from pypdf import PdfReader

import peatwright.packs
from peatwright.model.columns import empty
from peatwright.model.ground_layers import GROUND_LAYERS
from peatwright.model.layers import METHODS
from peatwright.model.programme_layers import PROGRAMME_LAYERS
from peatwright.model.rules import Rules
from peatwright.packs.cards import section, sketch
from peatwright.packs.cards.cards import Cards
from peatwright.packs.cards.guide import STEPS, guide_pdf
from peatwright.packs.cards.plan import CardPlans
from peatwright.packs.cards.rows import card_rows
from peatwright.packs.cards.site_page import site_pdf
from peatwright.packs.cautions import OTHER, PATTERNS, caution_keys
from peatwright.packs.info import PackInfo
from peatwright.packs.version import next_issue
from peatwright.packs.words import LANGUAGES, words

INFO = PackInfo("Test Moss", True, "Ground made by a formula.", "2031-03-03", "a1b2c3d4e5", "0.1")
Tables = dict[str, pd.DataFrame]
CRS = "EPSG:27700"
SMALLEST_PT = 8.0
"""Smallest letters on a card, which are asides; what is built by is larger."""
POINT_MM = 25.4 / 72


def cards_of(tables: Tables, language: str = "en", info: PackInfo = INFO) -> Cards:
    issue, _ = next_issue([], tables, info.date)
    return Cards(tables, CRS, Rules(), info, issue, words(language))


def text_of(pdf: bytes) -> str:
    pages = PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text().split()) for page in pages)


@pytest.fixture(scope="module")
def tables() -> Tables:
    return make(7)[0]


def sizes_of(pdf: bytes) -> list[tuple[float, str]]:
    """Size in points of every piece of text that the page itself sets, as drawn."""
    found: list[tuple[float, str]] = []

    def visit(text: str, cm: Any, tm: Any, font: Any, size: float) -> None:
        if text.strip():
            found.append((size * abs(tm[3] * cm[3]), text))

    for page in PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_text=visit)
    return found


# --- what is on a card ---------------------------------------------------------------------------


def test_a_card_says_what_the_layout_says(tables: Tables) -> None:
    cards = cards_of(tables)
    text = text_of(cards.pdf("D002"))
    items = tables["items"]
    dams = items[(items["drain_id"] == "D002") & (items["kind"] == "dam")]
    for dam in dams.itertuples():
        # Ordnance Survey's square NS holds eastings 200 to 300 km and northings 600 to 700 km.
        east, north = int(dam.x_m) - 200_000, int(dam.y_m) - 600_000
        assert f"NS {east:05d} {north:05d}" in text
        assert f"{dam.chainage_m:.1f}" in text
    for said in ("Test Moss", "3 March 2031", cards.issue.cards["D002"], "runs into D001 at 60 m",
                 "Work from peg 0 down the drain", "LEFT, RIGHT", "page 1 of 1"):  # fmt: skip
        assert said in text, said


def test_keep_off_and_unmeasured_stretches_are_told(tables: Tables) -> None:
    text = text_of(cards_of(tables).pdf("D001"))
    assert "KEEP OFF" in text
    assert "39 to 53 m: heritage: 20 m kept" in text
    assert "Not measured: 100–106 m" in text or "Not measured" in text


def test_rows_hold_dam_gap_and_zip_together() -> None:
    tables, _ = make(1, 60.0)
    items = tables["items"]
    dam = items[items["kind"] == "dam"].iloc[0]
    gap = dam.copy()
    gap["item_id"], gap["kind"] = "D001-900", "spoil gap"
    gap["chainage_m"] = dam["chainage_m"] - 1.0
    gap["order_on_drain"] = dam["order_on_drain"]
    gap["gap_height_m"] = 0.4
    more = pd.concat([gpd.GeoDataFrame([gap], crs=items.crs), items], ignore_index=True)
    rows = card_rows(more.astype(items.dtypes.to_dict()))
    built = next(r for r in rows if r.number == str(dam["item_id"]).rsplit("-", 1)[-1])
    assert built.gap_m == pytest.approx(0.4)
    zips = items[items["kind"] == "zip"].sort_values("from_m")
    after = zips[zips["from_m"] >= dam["chainage_m"]].iloc[0]
    assert built.zip_m == pytest.approx(after["length_m"])
    assert not any(r.kind == "spoil gap" for r in rows)
    # Every metre of zip and every dam of the layout stands on the card once.
    assert sum(r.zip_m for r in rows if np.isfinite(r.zip_m)) == pytest.approx(
        zips["length_m"].sum()
    )
    assert sum(r.kind == "dam" for r in rows) == (items["kind"] == "dam").sum()


def test_order_may_go_up_the_drain(tables: Tables) -> None:
    items = tables["items"][tables["items"]["drain_id"] == "D002"]
    down, up = card_rows(items), card_rows(items, upstream=True)
    assert [r.number for r in up] == [r.number for r in down][::-1]
    starts = [r.from_m for r in down]
    assert starts == sorted(starts)


def test_a_programme_and_findings_are_shown_when_given(tables: Tables) -> None:
    visit = {
        "machine": "Digger 1", "visit": 1, "drain_id": "D002", "direction": "upstream",
        "item_from": 1, "item_to": 9, "items": 9, "hours": 5.0, "wait_hours": 0.0,
        "travel_m": 10.0, "travel_hours": 0.1, "start_date": "2031-09-02",
        "end_date": "2031-09-04", "season": 1, "note": "",
    }  # fmt: skip
    names = [c.name for c in PROGRAMME_LAYERS["programme"].columns]
    finding = dict.fromkeys((c.name for c in GROUND_LAYERS["findings"].columns), "") | {
        "severity": "stop", "drain_id": "D002", "what": "A cable lies at 20 m",
        "answer": "owner says it is dead",
    }  # fmt: skip
    found = gpd.GeoDataFrame([finding], geometry=[shapely.Point(0, 0)], crs=CRS)
    more = {**tables, "programme": pd.DataFrame([visit])[names], "findings": found}
    text = text_of(cards_of(more).pdf("D002"))
    assert "2 September 2031 to 4 September 2031, Digger 1" in text
    assert "Work up the drain" in text
    assert "A cable lies at 20 m" in text
    assert "owner says it is dead" in text
    site = text_of(site_pdf(more, CRS, INFO, cards_of(tables).issue, words()))
    assert "Digger 1" in site
    none = empty(PROGRAMME_LAYERS["programme"], CRS)
    bare = text_of(cards_of({**tables, "programme": none}).pdf("D002"))
    assert "Work from peg 0" in bare


def test_every_note_of_the_layout_has_its_own_caution() -> None:
    """Notes as `works/notes.py` writes them; one that no pattern knows would say `see`."""
    source = Path(peatwright.packs.__file__).parent.parent / "works" / "notes.py"
    body = source.read_text(encoding="utf-8").split("def dam_notes")[1]
    starts = re.findall(r'said\.append\(\s*f?"([^"]+)', body)
    assert len(starts) > 10
    filled = [re.sub(r"\{[^}]*\}", "7", s) for s in starts]
    filled = [s.replace("Only 7 m", "Only 0.07 m") for s in filled]
    lost = [s for s in filled if caution_keys(s)[0][0] == OTHER]
    assert lost == []
    assert caution_keys("") == []
    assert caution_keys("Something new; Open pool 0.9 m deep")[0][0] == OTHER


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_caution_has_words(language: str) -> None:
    for _, key in PATTERNS:
        short, long = words(language).each(f"cautions.{key}")
        assert 0 < len(short) <= 9
        assert len(long) > 10


# --- left and right ------------------------------------------------------------------------------


@pytest.mark.parametrize("bearing_deg", [0, 60, 135, 200, 310])
def test_outlets_lie_on_their_side_of_the_plan(bearing_deg: float) -> None:
    """Facing downstream the right hand lies 90° clockwise: the plan's triangle must point there."""
    tables, _ = make(1, 60.0)
    way = np.array([np.sin(np.radians(bearing_deg)), np.cos(np.radians(bearing_deg))])
    start = np.array([263_100.0, 641_100.0])
    line = shapely.LineString([start, start + 60 * way])
    drains = tables["drains"].copy()
    drains["geometry"] = gpd.GeoSeries([line], crs=CRS, index=drains.index)
    items = tables["items"][tables["items"]["kind"] == "dam"].iloc[[2]].copy()
    at = start + 30 * way
    items["x_m"], items["y_m"], items["outlet_side"] = at[0], at[1], "right"
    plans = CardPlans({**tables, "drains": drains}, words())
    svg, _ = plans.draw(0, card_rows(items), 100, 60)
    triangle = re.findall(
        r'd="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)Z" fill="#000"', svg.decode()
    )
    marks = [np.array(t, float).reshape(3, 2) for t in triangle]
    # The outlet's triangle is the one whose base is 1.6 mm wide; the flow arrow's is wider.
    outlet = next(m for m in marks if abs(np.hypot(*(m[1] - m[2])) - 1.6) < 0.05)
    pointing = outlet[0] - (outlet[1] + outlet[2]) / 2
    pointing /= np.hypot(*pointing)
    right = np.radians(bearing_deg + 90)
    np.testing.assert_allclose(pointing, [np.sin(right), -np.cos(right)], atol=0.02)


# --- how it looks --------------------------------------------------------------------------------


def test_letters_are_large_enough(tables: Tables) -> None:
    sizes = sizes_of(cards_of(tables).pdf("D002"))
    assert len(sizes) > 50
    small = [(s, t) for s, t in sizes if s < SMALLEST_PT - 0.05]
    assert small == []
    # The numbers that a dam is built by: grid reference, chainage, method.
    built = [s for s, t in sizes if re.match(r"^NS \d{5} \d{5}", t.strip()) or t == "wave dam"]
    assert built
    assert min(built) >= 9.9


def test_letters_in_pictures_are_large_enough(tables: Tables) -> None:
    rows = card_rows(tables["items"][tables["items"]["drain_id"] == "D002"])
    plan, _ = CardPlans(tables, words()).draw(1, rows, 104, 62)
    stations = tables["stations"][tables["stations"]["drain_id"] == "D002"]
    items = tables["items"][tables["items"]["drain_id"] == "D002"]
    strips = section.strips(stations, items, rows, 220.0, Rules(), words())
    pictures = [plan, *(s.picture for s in strips)]
    pictures += [draw(words(), Rules()) for steps in STEPS.values() for draw in steps]
    for picture in pictures:
        sizes = [float(s) for s in re.findall(r'font-size="([\d.]+)"', picture.decode())]
        assert not sizes or min(sizes) / POINT_MM >= SMALLEST_PT
    # Step pictures are set narrower than they are drawn.
    assert sketch.SMALL / POINT_MM * 80 / sketch.WIDE >= 7.5


def _luminance(colour: str) -> float:
    full = "".join(c * 2 for c in colour[1:]) if len(colour) == 4 else colour[1:]
    parts = [int(full[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_letters_stand_out_from_paper_and_bands() -> None:
    """W3C, WCAG 2.1, 1.4.6 asks 7:1 of text (relative luminance as 1.4.3 defines it; memory)."""
    folder = Path(peatwright.packs.__file__).parent
    page = (folder / "drawing" / "card.typ").read_text(encoding="utf-8")
    inks = {"#000000", *re.findall(r'#let soft = rgb\("(#\w+)"\)', page)}
    band = re.findall(r'calc\.even\(y\) \{ rgb\("(#\w+)"\)', page)
    assert len(band) == 1
    for ink in inks:
        for paper in ("#ffffff", band[0]):
            assert (_luminance(paper) + 0.05) / (_luminance(ink) + 0.05) >= 7.0


def test_nothing_on_a_card_needs_colour(tables: Tables) -> None:
    rows = card_rows(tables["items"][tables["items"]["drain_id"] == "D001"])
    plan, _ = CardPlans(tables, words()).draw(0, rows, 104, 62)
    pictures = [plan, *(draw(words(), Rules()) for s in STEPS.values() for draw in s)]
    for picture in pictures:
        text = picture.decode()
        for colour in set(re.findall(r"#[0-9A-Fa-f]{6}\b|#[0-9A-Fa-f]{3}\b", text)):
            full = "".join(c * 2 for c in colour[1:]) if len(colour) == 4 else colour[1:]
            if colour not in {"#22313A"}:  # the writer's own near-black ink
                assert full[:2].lower() == full[2:4].lower() == full[4:].lower(), colour


def test_pages_seen_as_pictures(tables: Tables, tmp_path: Path) -> None:
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is not installed")
    issue, _ = next_issue([], tables, INFO.date)
    pages = {
        "card": cards_of(tables).pdf("D002"),
        "guide": guide_pdf(("wave dam", "zip"), Rules(), INFO, issue, words()),
        "site": site_pdf(tables, CRS, INFO, issue, words()),
    }
    for name, pdf in pages.items():
        (tmp_path / f"{name}.pdf").write_bytes(pdf)
        subprocess.run(
            ["pdftoppm", "-r", "40", "-gray", tmp_path / f"{name}.pdf", tmp_path / name], check=True
        )
        seen = sorted(tmp_path.glob(f"{name}-*.pgm"))
        assert len(seen) == len(PdfReader(io.BytesIO(pdf)).pages)
        for page in seen:
            grey = np.asarray(Image.open(page))
            assert 0.003 < (grey < 140).mean() < 0.4
            # Nothing runs into the outer 5 mm, which printers do not print.
            edge = int(5 / 25.4 * 40)
            rim = np.concatenate([grey[:edge].ravel(), grey[-edge:].ravel(),
                                  grey[:, :edge].ravel(), grey[:, -edge:].ravel()])  # fmt: skip
            assert rim.min() > 200


# --- method pages and the site page --------------------------------------------------------------


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_method_fills_one_page(tables: Tables, language: str) -> None:
    issue, _ = next_issue([], tables, INFO.date)
    w = words(language)
    pages = PdfReader(io.BytesIO(guide_pdf((), Rules(), INFO, issue, w))).pages
    assert len(pages) == len(STEPS)
    for page, method in zip(pages, METHODS, strict=True):
        text = " ".join(page.extract_text().split())
        assert w.said("methods", method).lower() in text.lower()
        assert w("guide.do_not") in text
        assert w("guide.check") in text
        assert w("card.stop") in text
        assert issue.code in text


def test_method_pages_hold_the_trade_facts() -> None:
    """Common practice: 3 buckets, up to 5; near vertical, full depth; 1 m untouched; half depth."""
    issue, _ = next_issue([], make(0)[0], INFO.date)
    text = text_of(guide_pdf(("wave dam", "zip"), Rules(), INFO, issue, words())).lower()
    for fact in ("3 buckets are usual, 5 where", "near vertical", "full depth",
                 "span the whole sag", "not torn off", "outlet sideways", "lower any old spoil",
                 "without taking height",
                 "1 m of ground below the dam untouched", "half the depth", "other side",
                 "tamp"):  # fmt: skip
        assert fact in text, fact


def test_site_page_has_what_is_known_and_blanks(tables: Tables) -> None:
    issue, _ = next_issue([], tables, INFO.date)
    text = text_of(site_pdf(tables, CRS, INFO, issue, words()))
    for said in ("Emergency", "112", "NS 63", "heritage", "overhead line", "Contacts", "Parking",
                 "Refuelling", "Closed season", "fills it in", "mats"):  # fmt: skip
        assert said.lower() in text.lower(), said


# --- bad input -----------------------------------------------------------------------------------


def test_odd_names_are_shown_not_obeyed() -> None:
    tables, _ = make(2, 60.0, names=(ODD_NAME,) * 2)
    tables["items"]["note"] = ODD_NAME
    tables["drains"]["note"] = ODD_NAME
    odd = PackInfo(ODD_NAME, False, ODD_NAME, ODD_NAME, "a1", "0.1")
    issue, _ = next_issue([], tables, odd.date)
    for pdf in (cards_of(tables, info=odd).pdf("D001"), site_pdf(tables, CRS, odd, issue, words())):
        text = text_of(pdf)
        assert "#panic() *Łąka* <b>&amp;</b>" in text
        assert "\u202e" not in text


def test_an_empty_layout_and_a_drain_without_items() -> None:
    tables, _ = make(0)
    files = list(cards_of(tables).files())
    assert len(files) == 1
    assert "Nothing is to be built" in text_of(files[0])
    tables, _ = make(7)
    assert "Nothing is to be built on this drain." in text_of(cards_of(tables).pdf("D007"))


def test_a_long_drain_takes_two_pages_and_many_items_all_stand() -> None:
    tables, _ = make(2, 480.0)
    pdf = cards_of(tables).pdf("D002")
    assert len(PdfReader(io.BytesIO(pdf)).pages) == 2
    text = text_of(pdf)
    items = tables["items"][tables["items"]["drain_id"] == "D002"]
    for r in card_rows(items):
        assert f" {r.number} " in f" {text} "
    tables, _ = make(2, 4000.0, cell_m=4.0)
    many = cards_of(tables).pdf("D002")
    assert "page 3 of" in text_of(many)


def test_cards_of_all_drains_number_their_own_pages() -> None:
    tables, _ = make(4, 420.0)
    (pdf,) = cards_of(tables).files()
    for page in PdfReader(io.BytesIO(pdf)).pages:
        text = " ".join(page.extract_text().split())
        n, of = map(int, re.search(r"page (\d+) of (\d+)", text).groups())  # type: ignore[union-attr]
        assert 1 <= n <= of <= 3


def test_one_card_is_quick(tables: Tables) -> None:
    cards = cards_of(tables)
    start = time.perf_counter()
    cards.pdf("D002")
    assert time.perf_counter() - start < 2.0
