"""What every programme holds to, whatever the site: order, ground, hours, seasons, bad input."""

from __future__ import annotations

import dataclasses
import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from packs_layout import ODD_NAME, X0, Y0, make

from peatwright.model.columns import empty
from peatwright.model.errors import RuleError
from peatwright.model.layers import DRAINS, ITEMS
from peatwright.model.programme_rules import ProgrammeRules
from peatwright.model.raster import Grid, Raster
from peatwright.model.rates import Rates
from peatwright.model.rules import Rules
from peatwright.works.price import price
from peatwright.works.programme.crew import Machine
from peatwright.works.programme.plan import Planned, plan

START = dt.date(2026, 9, 1)
QUICK = ProgrammeRules(kicks=10)
CREW = (Machine("big", "large", 1.0, 4.0, 1000.0), Machine("light", "small", 0.6, 4.0, 1200.0))


@pytest.fixture(scope="module")
def site() -> dict[str, pd.DataFrame]:
    return make(14)[0]


@pytest.fixture(scope="module")
def made(site: dict[str, pd.DataFrame]) -> Planned:
    return plan(site["items"], site["drains"], Rules(), QUICK, access=(X0, Y0), start=START)


@pytest.fixture(scope="module")
def by_two(site: dict[str, pd.DataFrame]) -> Planned:
    return plan(
        site["items"], site["drains"], Rules(), QUICK, access=(X0, Y0), start=START, crew=CREW
    )


@pytest.fixture(params=["made", "by_two"])
def either(request: pytest.FixtureRequest) -> Planned:
    planned: Planned = request.getfixturevalue(request.param)
    return planned


def test_every_item_is_built_once(site, either: Planned) -> None:
    assert sorted(either.items["item_id"]) == sorted(site["items"]["item_id"])
    assert either.programme["items"].sum() == len(site["items"])


def test_hours_are_those_of_the_price(site, made: Planned) -> None:
    table = price(site["items"], site["reaches"], site["drains"], Rules())
    whole = table[table["scope"] == "site"]["hours"].iloc[0]
    assert made.programme["hours"].sum() == pytest.approx(whole)
    assert made.items["hours"].sum() == pytest.approx(whole)
    assert made.days["hours"].sum() == pytest.approx(whole)
    assert made.summary.hours == pytest.approx(whole)


def test_no_day_is_fuller_than_it_is(either: Planned) -> None:
    day = either.days.groupby(["machine", "date"]).agg({"hours": "sum", "open_hours": "first"})
    assert (day["hours"] <= day["open_hours"] + 1e-9).all()
    weekday = pd.to_datetime(either.days["date"]).dt.weekday
    assert (weekday < 5).all()
    assert not pd.to_datetime(either.days["date"]).dt.month.isin([4, 5, 6, 7, 8]).any()


def test_on_a_drain_the_machine_only_goes_down(site, either: Planned) -> None:
    """Worked from the top downwards (GOV.UK WN1): no item lies above one that is finished."""
    at = site["items"].set_index("item_id")[["chainage_m"]]
    joined = either.items.join(at, on="item_id")
    for _, drain in joined.groupby("drain_id"):
        assert (np.diff(drain["chainage_m"]) >= 0).all()
        assert drain["start_date"].is_monotonic_increasing


def test_upslope_comes_first(site, either: Planned) -> None:
    """D002 flows into D001 in this layout."""
    when = either.programme.set_index("drain_id")
    assert when["end_date"]["D002"] <= when["start_date"]["D001"]
    if when["machine"]["D001"] == when["machine"]["D002"]:
        assert when["visit"]["D002"] < when["visit"]["D001"]


def test_no_way_crosses_a_finished_drain(site, made: Planned) -> None:
    """Found again by shapely from the lines alone, without the cells that the search uses."""
    lines = dict(zip(site["drains"]["drain_id"], site["drains"].geometry, strict=True))
    done: list[str] = []
    order = made.programme.drop_duplicates("visit")["drain_id"].tolist()
    for k, trip in enumerate(made.trips.itertuples()):
        for other in done:
            if other not in {trip.from_drain, trip.to_drain}:
                assert not trip.geometry.crosses(lines[other]), (trip.from_drain, other)
        if k < len(order):
            done.append(order[k])
    assert made.summary.finished_crossed == 0
    assert made.summary.plain_finished_crossed > 0


def test_ways_join_up(site, made: Planned) -> None:
    ends = (
        shapely.get_point(made.trips.geometry.to_numpy(), 0),
        shapely.get_point(made.trips.geometry.to_numpy(), -1),
    )
    lines = dict(zip(site["drains"]["drain_id"], site["drains"].geometry, strict=True))
    access = shapely.Point(X0, Y0)
    assert ends[0][0] == access
    assert ends[1][-1] == access
    held = (
        site["items"].groupby("drain_id")[["from_m", "to_m"]].agg({"from_m": "min", "to_m": "max"})
    )
    for trip, first, last in zip(made.trips.itertuples(), *ends, strict=True):
        both = ((trip.from_drain, first, "to_m"), (trip.to_drain, last, "from_m"))
        for drain, at, end in both:
            if drain:
                # the last thing built is where the machine leaves, the first where it comes to
                want = lines[drain].interpolate(held.loc[drain, end])
                assert at.distance(want) < 1e-6, (drain, end)
    assert made.trips["travel_m"].sum() == pytest.approx(made.trips.geometry.length.sum())


def test_two_machines_share_and_finish_sooner(made: Planned, by_two: Planned) -> None:
    assert set(by_two.programme["machine"]) == {"big", "light"}
    assert by_two.summary.last_date < made.summary.last_date
    hours = by_two.programme.groupby("machine")["hours"].sum()
    assert hours.max() < 0.75 * made.summary.hours


def test_a_drain_too_deep_goes_to_the_machine_that_reaches(site) -> None:
    items = site["items"].copy()
    items.loc[items["drain_id"] == "D005", "dig_depth_m"] = 1.9
    crew = (dataclasses.replace(CREW[0], reach_m=3.0), dataclasses.replace(CREW[1], reach_m=1.2))
    out = plan(items, site["drains"], Rules(), QUICK, access=(X0, Y0), start=START, crew=crew)
    assert out.programme.set_index("drain_id")["machine"]["D005"] == "big"
    low = tuple(dataclasses.replace(m, reach_m=1.5) for m in crew)
    out = plan(items, site["drains"], Rules(), QUICK, access=(X0, Y0), start=START, crew=low)
    assert any("D005" in f.line() and "1.90 m" in f.line() for f in out.faults)


def test_same_input_same_programme_and_input_unchanged(site, made: Planned) -> None:
    before = site["items"].copy(), site["drains"].copy()
    again = plan(site["items"], site["drains"], Rules(), QUICK, access=(X0, Y0), start=START)
    pd.testing.assert_frame_equal(again.programme, made.programme)
    pd.testing.assert_frame_equal(again.days, made.days)
    assert again.trips.geometry.geom_equals(made.trips.geometry).all()
    pd.testing.assert_frame_equal(site["items"], before[0])
    pd.testing.assert_frame_equal(site["drains"], before[1])


def _going(fill: float = 1.0) -> Raster:
    grid = Grid(X0 - 60, Y0 + 760, 4.0, 4.0, 205, 110, "EPSG:27700")
    return Raster(np.full((205, 110), fill, np.float32), grid)


def test_keep_off_ground_is_never_entered(site) -> None:
    going = _going()
    going.values[60:120, 60:63] = np.nan
    going.values[20, :90] = np.inf
    rules = dataclasses.replace(QUICK, route_cell_m=4.0)
    out = plan(
        site["items"], site["drains"], Rules(), rules, going=going, access=(X0, Y0), start=START
    )
    rows, cols = np.nonzero(~np.isfinite(going.values))
    x, y = going.grid.to_metres(rows.astype(float), cols.astype(float))
    shut = shapely.box(x - 1.99, y - 1.99, x + 1.99, y + 1.99)
    for trip in out.trips.itertuples():
        # the stretch from the last open cell to a drain's own end is the drain's, not the way's
        way = shapely.LineString(list(trip.geometry.coords)[1:-1])
        assert not shapely.intersects(shut, way).any()


def test_drains_behind_keep_off_ground_are_said_and_left_out(site) -> None:
    going = _going()
    going.values[80, :] = np.nan
    out = plan(
        site["items"], site["drains"], Rules(), QUICK, going=going, access=(X0, Y0), start=START
    )
    gone = [f for f in out.faults if "no way to it" in f.line()]
    left = set(site["items"]["drain_id"]) - set(out.programme["drain_id"])
    assert left
    assert {f.place.removeprefix("drain ") for f in gone} == left


def test_wet_ground_costs_time_and_is_counted(site, made: Planned) -> None:
    out = plan(
        site["items"], site["drains"], Rules(), QUICK, going=_going(3.0), access=(X0, Y0),
        start=START,
    )  # fmt: skip
    assert out.summary.wet_m > 0.8 * out.summary.travel_m
    assert made.summary.wet_m == 0
    assert out.programme["travel_hours"].sum() > 2.5 * made.programme["travel_hours"].sum()


def test_what_falls_after_the_closed_season_is_said(site) -> None:
    late = dt.date(2027, 3, 22)
    out = plan(site["items"], site["drains"], Rules(), QUICK, access=(X0, Y0), start=late)
    later = out.programme[out.programme["season"] == 2]
    assert len(later)
    assert (later["start_date"] >= "2027-09-01").all()
    first = out.programme[out.programme["season"] == 1]
    assert (first["end_date"] <= "2027-03-31").all()
    said = "\n".join(f.line() for f in out.faults)
    assert "season 2, from 2027-09-01" in said
    assert "1 Apr to 31 Aug" in said
    assert f"{out.summary.later_drains} drains" in said
    assert "half done" not in "".join(out.programme["note"]), "no drain is cut by the season"


def test_a_drain_may_be_cut_by_the_season_if_the_rules_let_it(site) -> None:
    rules = dataclasses.replace(QUICK, finish_before_closed=False)
    out = plan(
        site["items"], site["drains"], Rules(), rules, access=(X0, Y0), start=dt.date(2027, 3, 22)
    )
    twice = out.programme[out.programme.duplicated("drain_id", keep=False)]
    assert len(twice) == 2
    assert twice["season"].tolist() == [1, 2]
    assert twice["item_from"].iloc[1] == twice["item_to"].iloc[0] + 1
    assert "half done" in twice["note"].iloc[0]


def test_a_closed_season_that_leaves_no_day(site) -> None:
    rules = dataclasses.replace(
        QUICK, closed_from_month=1, closed_from_day=1, closed_to_month=12, closed_to_day=31
    )
    out = plan(site["items"], site["drains"], Rules(), rules, access=(X0, Y0), start=START)
    assert any("no day of work" in f.line() and f.severity == "stop" for f in out.faults)
    assert (out.programme["start_date"] == "").all()
    assert (out.programme["season"] == 0).all()
    assert len(out.days) == 0
    assert out.summary.last_date == ""


def test_work_beyond_the_years_looked_at_is_said(site) -> None:
    slow = (Machine("slow", "large", 0.05, 4.0, 1000.0),)
    rules = dataclasses.replace(QUICK, years_max=1)
    out = plan(
        site["items"], site["drains"], Rules(), rules, access=(X0, Y0), start=START, crew=slow
    )
    assert any("for which no day is left" in f.line() for f in out.faults)
    assert (out.programme["season"] == 0).any()


@pytest.mark.parametrize(
    "rates",
    [
        Rates(zip_m_per_hour_low=0.0),
        Rates(hours_per_day=0.0),
        Rates(reprofile_m_per_day_likely=-3.0),
        Rates(zip_m_per_hour_likely=float("nan")),
        Rates(day_low=900.0),
    ],
)
def test_rates_that_cannot_be_are_refused(site, rates: Rates) -> None:
    with pytest.raises(RuleError, match="rates"):
        plan(site["items"], site["drains"], Rules(rates=rates), QUICK)


def test_machines_that_cannot_be_are_refused(site) -> None:
    with pytest.raises(RuleError, match="no machine"):
        plan(site["items"], site["drains"], Rules(), dataclasses.replace(QUICK, large_machines=0))
    with pytest.raises(RuleError, match="more than 0"):
        plan(
            site["items"], site["drains"], Rules(), QUICK,
            crew=(Machine("idle", "large", 0.0, 4.0, 1000.0),),
        )  # fmt: skip


def test_empty_layout() -> None:
    crs = "EPSG:27700"
    out = plan(empty(ITEMS, crs), empty(DRAINS, crs), Rules(), QUICK)
    assert len(out.programme) == len(out.items) == len(out.days) == len(out.trips) == 0
    assert isinstance(out.trips, gpd.GeoDataFrame)
    assert any("nothing to work on" in f.line() for f in out.faults)


def test_one_drain_without_an_access() -> None:
    tables, _ = make(1)
    out = plan(tables["items"], tables["drains"], Rules(), QUICK)
    assert len(out.programme) == 1
    assert any("no access point" in f.line() for f in out.faults)


def test_odd_names_pass_through() -> None:
    tables, _ = make(3)
    for name in ("items", "drains"):
        tables[name]["drain_id"] = tables[name]["drain_id"].replace({"D002": ODD_NAME})
    out = plan(tables["items"], tables["drains"], Rules(), QUICK, access=(X0, Y0))
    assert ODD_NAME in set(out.programme["drain_id"])


def test_items_of_a_drain_that_is_not_there_are_said(site) -> None:
    fewer = site["drains"][site["drains"]["drain_id"] != "D004"]
    out = plan(site["items"], fewer, Rules(), QUICK, access=(X0, Y0))
    assert any("D004" in f.line() and "not there" in f.line() for f in out.faults)


def test_five_thousand_items() -> None:
    tables, _ = make(20)
    few = tables["items"]
    times = -(-5000 // len(few))
    parts = []
    for k in range(times):
        part = few.copy()
        part["item_id"] = part["item_id"] + f"-{k}"
        part["order_on_drain"] = part["order_on_drain"] * times + k
        parts.append(part)
    many = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=few.crs)
    assert len(many) >= 5000
    rules = dataclasses.replace(QUICK, years_max=10)
    out = plan(many, tables["drains"], Rules(), rules, access=(X0, Y0), start=START)
    assert len(out.items) == len(many)
    assert (out.items["end_date"] != "").all()


def test_soft_ground_is_left_to_the_light_machine(site) -> None:
    """Ground that is shut to the large machine alone: its drains go to the small one."""
    hard, soft = _going(), _going()
    hard.values[:110] = np.nan
    out = plan(
        site["items"], site["drains"], Rules(), QUICK, going={"large": hard, "small": soft},
        access=(X0, Y0), start=START, crew=CREW,
    )  # fmt: skip
    lines = site["drains"].set_index("drain_id").geometry
    owner = out.programme.set_index("drain_id")["machine"]
    edge = hard.grid.y_top_m - 110 * hard.grid.dy_m
    far = [d for d in owner.index if lines[d].bounds[1] > edge + 30]
    assert len(far) > 2
    assert set(owner[far]) == {"light"}
    assert set(owner) == {"big", "light"}
    assert len(out.items) == len(site["items"])


def test_a_drain_put_off_says_so(site) -> None:
    out = plan(
        site["items"], site["drains"], Rules(), QUICK, access=(X0, Y0), start=dt.date(2027, 3, 22)
    )
    first = out.programme[out.programme["season"] == 2].iloc[0]
    assert "put off to the next open season" in first["note"]
    assert first["wait_hours"] > 0


@pytest.mark.parametrize("fill", [np.nan, np.inf, -1.0])
def test_no_open_ground_at_all(site, fill: float) -> None:
    out = plan(
        site["items"], site["drains"], Rules(), QUICK, going=_going(fill), access=(X0, Y0),
        start=START,
    )  # fmt: skip
    assert len(out.programme) == 0
    assert (
        sum("no way to it" in f.line() for f in out.faults) == site["items"]["drain_id"].nunique()
    )


def test_access_shut_to_one_machine(site) -> None:
    out = plan(
        site["items"], site["drains"], Rules(), QUICK,
        going={"large": _going(np.nan), "small": _going()}, access=(X0, Y0), start=START, crew=CREW,
    )  # fmt: skip
    assert set(out.programme["machine"]) == {"light"}
    assert len(out.items) == len(site["items"])
