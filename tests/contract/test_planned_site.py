"""Price range, programme and phases as a site keeps and shows them, on the small invented site."""

from __future__ import annotations

import dataclasses
import datetime as dt
import io
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
import shapely
from pypdf import PdfReader

from peatwright.model.columns import empty
from peatwright.model.errors import GivenError, RuleError
from peatwright.model.layers import ITEMS, LIMITS, REACHES
from peatwright.model.programme_layers import PROGRAMME_LAYERS
from peatwright.model.programme_rules import BudgetRules, ProgrammeRules
from peatwright.model.raster import Grid, Raster
from peatwright.model.rates import Rates
from peatwright.model.rules import Rules
from peatwright.packs.drawing.programme import can_draw, programme_pdf
from peatwright.packs.info import PackInfo
from peatwright.packs.schedule import write_xlsx
from peatwright.packs.summary import summary_lines
from peatwright.packs.version import Issue
from peatwright.packs.words import words
from peatwright.site.planning import phased, programmed, say_wish, wish_of
from peatwright.site.pricing import priced
from peatwright.site.store import Made, Store
from peatwright.works.budget import case, choose, drain_costs
from peatwright.works.counted import area_counted, rewetted
from peatwright.works.programme.access import access_point, going_cost
from peatwright.works.programme.plan import plan
from peatwright.works.ranges import quantity_ranges
from peatwright.works.spread import spread

RULES = Rules()
ODD = '=CMD("x") #panic() <b>&amp;</b> $x$ Łąka \u202eback ' + "long " * 40
INFO = PackInfo(ODD, True, ODD, "2026-01-01", "a1b2c3", "0.1")


@pytest.fixture(scope="module")
def store(run_demo: Path) -> Store:
    return Store(run_demo)


@pytest.fixture
def own(run_demo: Path, tmp_path: Path) -> Store:
    return Store(Path(shutil.copytree(run_demo, tmp_path / "site")))


def test_the_store_holds_what_the_pure_functions_give(store: Store) -> None:
    items, drains = store.table("items"), store.table("drains")
    ranges = quantity_ranges(items, drains, store.table("stations"), RULES, RULES.spread)
    area = store.area("boundary").area
    made = spread(
        items, RULES, RULES.spread, ranges=ranges.ratio,
        drain_m=float(drains["length_m"].sum()), area_m2=area,
    )  # fmt: skip
    pd.testing.assert_frame_equal(store.table("cost"), made.cost)
    pd.testing.assert_frame_equal(store.table("cost_drivers"), made.drivers)
    going = going_cost(
        store.raster("going"), RULES.programme, limits=store.table("limits"),
        unstable=store.raster("factor_standing"), factor_stop=RULES.stability.factor_stop,
    )  # fmt: skip
    at = access_point(
        drains, store.table("nodes"), store.table("limits"), store.area("boundary"),
        RULES.programme,
    )  # fmt: skip
    assert at is not None
    planned = plan(items, drains, RULES, RULES.programme, going=going, access=(at.x_m, at.y_m))
    pd.testing.assert_frame_equal(store.table("programme"), planned.programme)
    pd.testing.assert_frame_equal(store.table("programme_days"), planned.days)
    sums = store.table("programme_sums").set_index("figure")
    assert sums.loc["tracked", "ours"] == planned.summary.travel_m
    assert sums.loc["tracked", "plain"] == planned.summary.plain_travel_m


def test_every_item_has_its_day_or_its_drain_is_named(store: Store) -> None:
    items, when = store.table("items"), store.table("programme_items")
    assert len(items) > 100
    assert when["item_id"].is_unique
    missing = set(items.loc[~items["item_id"].isin(when["item_id"]), "drain_id"])
    said = " ".join(store.table("programme_looks")["place"])
    assert all(d in said for d in missing), missing
    days = pd.to_datetime(when["start_date"])
    assert (days.dt.weekday < 5).all()
    assert not days.dt.month.isin(range(4, 9)).any()


def test_no_way_enters_what_must_not_be_entered(store: Store) -> None:
    """Found again by shapely: only services, tracks and water under a track are ever crossed."""
    trips, limits = store.table("trips"), store.table("limits")
    shut = limits[limits["kind"].isin(["heritage", "watercourse", "water supply"])]
    track = shapely.union_all(limits[limits["kind"] == "track"].geometry.to_numpy())
    open_ = shapely.buffer(track, RULES.programme.route_cell_m + 1)
    # ends lie at a drain's first or last item, which may stand nearer than a cell
    for line in trips.geometry:
        inner = line.difference(shapely.buffer(shapely.boundary(line), RULES.programme.reach_m))
        for shape in shut.geometry:
            deep = inner.intersection(shapely.buffer(shape, -3.0)).difference(open_)
            assert deep.length < 1.0


def test_a_season_that_leaves_no_day_is_said_and_drawn(store: Store) -> None:
    never = dataclasses.replace(
        RULES.programme, closed_from_month=1, closed_from_day=1, closed_to_month=12,
        closed_to_day=31,
    )  # fmt: skip
    rules = dataclasses.replace(RULES, programme=never)
    made = programmed(store, rules)
    assert (made.tables["programme"]["start_date"] == "").all()
    assert any("no day of work" in line for line in made.report["faults"])
    assert not len(made.tables["programme_days"])
    tables = {**store.tables(), **made.tables}
    pdf = programme_pdf(tables, store.raster("dtm"), rules, INFO, _issue(), words())
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)
    assert "no day is left for it" in text
    assert any("no day" in line for line in summary_lines(tables, rules, INFO))


def test_days_closed_for_an_area_are_said(own: Store) -> None:
    """A nest's closed days on all ground: every planned day in October must be named."""
    crs = own.states()["take"].report["crs"]
    site = shapely.box(*own.table("boundary").total_bounds)
    row = {
        "name": ["black grouse lek"], "from_day": ["10-01"], "to_day": ["10-31"],
        "severity": ["stop"], "why": ["adviser"],
    }  # fmt: skip
    closed = gpd.GeoDataFrame(row, geometry=[site], crs=crs)
    take = own.states()["take"]
    dtm = {"dtm": own.raster("dtm")}
    kept = {n: own.table(n) for n in ("given_drains", "boundary", "limits", "probes")}
    own.commit("take", take.fingerprint, Made({**kept, "given_closed": closed}, dtm,
                                              dict(take.report)), crs)  # fmt: skip
    rules = dataclasses.replace(
        RULES, programme=dataclasses.replace(RULES.programme, start_month=9, start_day=28)
    )
    made = programmed(own, rules)
    days = pd.to_datetime(made.tables["programme_days"]["date"])
    want = days[days.dt.month == 10].dt.date
    looks = made.tables["programme_looks"]["found"]
    said = looks[looks.str.contains("black grouse lek")]
    if len(want):
        assert len(said) == 1
        assert said.iloc[0].startswith(f"{want.nunique()} days of work from {want.min()}")
    assert len(want) > 0


def test_outputs_of_nothing_are_refused(store: Store) -> None:
    rates = dataclasses.replace(Rates(), zip_m_per_hour_low=0.0)
    rules = dataclasses.replace(RULES, rates=rates)
    for work in (priced, programmed):
        with pytest.raises(RuleError, match="zip_m_per_hour_low"):
            work(store, rules)


def test_an_empty_layout_is_priced_planned_and_phased(own: Store) -> None:
    crs = own.states()["take"].report["crs"]
    own.commit("lay", "none", Made({"items": empty(ITEMS, crs), "reaches": empty(REACHES, crs)}),
               crs)  # fmt: skip
    price = priced(own, RULES)
    own.commit("price", "none", price, crs)
    assert price.report["p50"] == 0
    made = programmed(own, RULES)
    assert not len(made.tables["programme"])
    assert any("nothing to work on" in line for line in made.report["faults"])
    assert not can_draw({**own.tables(), **made.tables}, RULES)
    say_wish(own.folder, [5000.0], [], [], "now")
    phases = phased(own, RULES, own.folder)
    assert phases.report["area_m2"] == 0
    assert any("no benefit that counts" in line for line in phases.report["faults"])
    tables = {**own.tables(), **price.tables, **made.tables}
    assert any(line.startswith("Cost") for line in summary_lines(tables, RULES, INFO))


def test_ground_rewetted_counts_shared_ground_once(store: Store) -> None:
    """Against shapely's own union of bands, within the cells' coarseness."""
    drains, reaches = store.table("drains"), store.table("reaches")
    got = rewetted(drains, reaches, 30.0, boundary=store.area("boundary"))
    lines = reaches[reaches["method"] != "leave alone"].geometry.to_numpy()
    union = shapely.union_all(shapely.buffer(lines, 30.0, quad_segs=16))
    want = shapely.intersection(union, store.area("boundary")).area
    assert got.total_m2 == pytest.approx(want, rel=0.01)
    shared = got.patches.drop_duplicates("patch_id")["area_m2"].sum()
    assert got.benefits["area_m2"].sum() + shared == pytest.approx(got.total_m2)
    assert got.area_m2.sum() > got.total_m2
    assert area_counted(drains, None, 30.0).area_m2 == pytest.approx(
        shapely.union_all(shapely.buffer(drains.geometry.to_numpy(), 30.0)).area, rel=0.01
    )


def test_phases_keep_to_money_and_to_the_flow_of_water(own: Store) -> None:
    whole = drain_costs(own.table("quantities"), RULES)["cost"].sum()
    money = [0.3 * whole + 2500, 0.2 * whole + 2500]
    say_wish(own.folder, money, [], [], "now")
    made = phased(own, RULES, own.folder)
    table = made.tables["phases"].set_index("drain_id")
    for k, budget in enumerate(money, 1):
        cost = table.loc[table["phase"] == k, "cost"].sum() + RULES.rates.move_in_out
        assert 2500 < cost <= budget * (1 + 1e-9)
    drains = own.table("drains").set_index("drain_id")
    for drain, into in drains["flows_into"].items():
        if into and table.loc[into, "phase"] > 0:
            assert 0 < table.loc[drain, "phase"] <= table.loc[into, "phase"]
    assert table[["carbon_t", "flow_m3"]].isna().all(axis=None), "what is not known is not nought"
    gains = made.report["gains"]
    assert 0 < sum(gains) < 1
    assert (made.tables["benefit_curve"]["benefit_ratio"].diff().dropna() >= -1e-9).all()
    # what is left is a layout of its own: it can be chosen from by itself
    left = table[(table["phase"] == 0) & (table["cost"] > 0)]
    rest = left.reset_index()[["drain_id", "cost"]].assign(flows_into="")
    held, _ = case(rest, left.reset_index()[["drain_id", "area_m2"]], BudgetRules())
    assert choose(held, 1e9, BudgetRules()).cost == pytest.approx(left["cost"].sum())


@pytest.mark.parametrize(
    ("money", "done", "never", "word"),
    [
        ([-5.0], [], [], "-5"), ([float("nan")], [], [], "nan"), ([0.0], [], [], "more than 0"),
        ([1.0] * 31, [], [], "31 phases"), ([10.0], ["D999"], [], "D999"),
        ([10.0], ["D001"], ["D001"], "one of the two"),
    ],
)  # fmt: skip
def test_nonsense_about_phases_is_refused_and_not_kept(
    own: Store, money: list[float], done: list[str], never: list[str], word: str
) -> None:
    with pytest.raises(GivenError, match=word):
        say_wish(own.folder, money, done, never, "now")
    assert wish_of(own.folder)["money"] == []


def test_where_the_machines_come_in() -> None:
    drains = gpd.GeoDataFrame(
        {"drain_id": ["D001", "D002"], "outfall_node": ["a", "b"]},
        geometry=[shapely.LineString(xy) for xy in ([(50, 50), (60, 50)], [(50, 80), (90, 80)])],
    )  # fmt: skip
    nodes = pd.DataFrame({"node_id": ["a", "b"], "level_m": [12.0, 9.0]})
    site = shapely.box(0, 0, 100, 100)
    none = empty(LIMITS, "EPSG:27700")
    lowest = access_point(drains, nodes, none, site, ProgrammeRules())
    assert lowest is not None
    assert (lowest.x_m, lowest.y_m) == (90, 80)
    assert "D002" in lowest.words
    track = gpd.GeoDataFrame(
        {"kind": ["track"]}, geometry=[shapely.LineString([(20, 90), (20, 120)]).buffer(4)]
    )
    by_track = access_point(drains, nodes, track, site, ProgrammeRules())
    assert by_track is not None
    assert (by_track.x_m, by_track.y_m) == pytest.approx((20, 100))
    said = access_point(drains, nodes, track, site, ProgrammeRules(access_x_m=3.0, access_y_m=4.0))
    assert said is not None
    assert said.given
    assert (said.x_m, said.y_m) == (3, 4)


def test_services_open_at_a_price_but_not_inside_another_limit() -> None:
    grid = Grid(0, 40, 1, 1, 40, 40, "EPSG:27700")
    codes = np.zeros((40, 40), np.float32)
    line, burn = shapely.box(0, 18, 40, 22), shapely.box(18, 0, 22, 40)
    codes[18:22, :] = codes[:, 18:22] = 3
    codes[0, 0] = np.nan
    limits = gpd.GeoDataFrame(
        {"kind": ["buried service", "watercourse"]}, geometry=[line, burn], crs="EPSG:27700"
    )
    rules = ProgrammeRules()
    shut = going_cost(Raster(codes, grid), rules).values
    cost = going_cost(Raster(codes, grid), rules, limits=limits).values
    assert np.isinf(shut[20, 5])
    assert cost[20, 5] == rules.service_going
    assert np.isinf(cost[20, 20]), "where the pipe passes under the burn nobody crosses"
    assert np.isinf(cost[5, 20])
    assert cost[5, 5] == 1
    assert cost[0, 0] == rules.unknown_going


def test_odd_names_stay_text_on_pages_and_sheets(store: Store, tmp_path: Path) -> None:
    tables = store.tables()
    tables["drains"] = tables["drains"].assign(name=ODD)
    tables["programme"] = tables["programme"].assign(machine=ODD, note=ODD)
    tables["programme_looks"] = tables["programme_looks"].assign(place=ODD, found=ODD)
    pdf = programme_pdf(tables, store.raster("dtm"), RULES, INFO, _issue(), words("de"))
    pages = PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) == 2
    assert "#panic()" in pages[0].extract_text().replace("\n", "")
    book = tmp_path / "odd.xlsx"
    write_xlsx(book, tables, RULES, INFO)
    held = openpyxl.load_workbook(book)
    assert {"Cost", "Programme", "Items by day", "Calendar", "Ways"} <= set(held.sheetnames)
    for cell in held["Programme"]["A"][1:]:
        assert cell.data_type == "s"
    assert held["Programme"].max_row == len(tables["programme"]) + 1


def test_the_summary_shows_range_published_figures_and_dates(store: Store) -> None:
    tables = store.tables()
    assert set(PROGRAMME_LAYERS) <= set(tables)
    text = "\n".join(summary_lines(tables, RULES, INFO)).replace("\u00a0", " ")
    total = tables["cost"].set_index("figure").loc["total"]
    for level in ("p10", "p50", "p90"):
        assert f"{total[level]:,.0f}".replace(",", " ") in text
    assert "published 19 to 41" in text
    assert dt.date.fromisoformat(tables["programme"]["start_date"].min()).isoformat() in text


def _issue() -> Issue:
    return Issue(1, "2026-01-01", "ABC123", {})
