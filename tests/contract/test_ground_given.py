"""Bad probes, maps, limits and dates; citations; inputs left alone; answers that survive."""

from __future__ import annotations

import dataclasses
import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from peatwright.ground import condition, depth, findings, limits, probes, season, slopes, stability
from peatwright.ground.findings import Found, Where
from peatwright.model import ground_rules
from peatwright.model.cited import Cited, citations
from peatwright.model.columns import empty
from peatwright.model.errors import GivenError
from peatwright.model.ground_layers import ANSWERS, CONDITIONS, GROUND_LAYERS
from peatwright.model.ground_rules import (
    ConditionRules,
    DepthRules,
    OverheadRules,
    SeasonRules,
    StabilityRules,
)
from peatwright.model.layers import LIMIT_KINDS
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import LimitRules

CRS = "EPSG:27700"
FREE_TEXTS = {"scheme", "drained_as", "eroding_as"}
RULES = DepthRules()
GRID = Grid(0.0, 200.0, 1.0, 1.0, 200, 200, CRS)
TOPICS = [
    v for v in vars(ground_rules).values()
    if dataclasses.is_dataclass(v) and v.__module__ == ground_rules.__name__
]  # fmt: skip
SETTINGS = [
    (f"{topic.__name__}.{key}", key, cite)
    for topic in TOPICS
    for key, cite in citations(topic).items()
]


# --- settings ------------------------------------------------------------------------------------


def test_every_setting_of_the_ground_is_cited():
    assert len(TOPICS) == 7
    for topic in TOPICS:
        assert [f.name for f in dataclasses.fields(topic)] == list(citations(topic))


@pytest.mark.parametrize(("name", "key", "cite"), SETTINGS, ids=[s[0] for s in SETTINGS])
def test_setting_of_the_ground_explains_itself(name, key, cite: Cited):
    assert cite.means
    if isinstance(cite.value, str) and key.split(".")[-1] not in FREE_TEXTS:
        assert cite.value in cite.choices
    suffix = {"m": "_m", "m²": "_m2", "kPa": "_kpa", "kg": "_kg", "°": "_deg", "m/m": "_ratio"}
    if cite.unit in suffix:
        assert key.endswith(suffix[cite.unit])


def test_every_kind_of_limit_has_a_distance_with_source_or_judgement():
    for kind in LIMIT_KINDS:
        assert limits.distance_of(kind, LimitRules()) >= 0
        rule, source = limits.rule_of(kind)
        assert rule.startswith("limits.")
        assert source
        assert limits.TO_DO[kind]
    assert {"nest", "sett", "unexploded ordnance", "forest edge"} <= set(LIMIT_KINDS)


def test_layers_of_the_ground_are_described():
    for layer in GROUND_LAYERS.values():
        assert layer.means
        assert all(c.means for c in layer.columns)


# --- probes --------------------------------------------------------------------------------------


def scattered(count: int = 40, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 200, (2, count))
    return x, y, 2 + np.sin(x / 30)


def test_no_probes():
    with pytest.raises(GivenError, match="no probes"):
        probes.check_probes([], [], [], RULES)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_one_two_or_three_probes_give_a_surface_that_says_how_little_it_knows(count):
    x, y, z = np.array([50.0, 150, 90])[:count], np.array([60.0, 140, 20])[:count], [1, 3, 2]
    held = probes.check_probes(x, y, z[:count], RULES)
    assert any("20 or more" in f.allowed for f in held.faults)
    assert all(f.severity == "look" for f in held.faults)
    got = depth.depth_surface(held, GRID, RULES)
    assert np.isfinite(got.depth.values).all()
    assert not got.variogram.fitted
    assert np.isnan(got.check.near_m)
    assert "too few" in got.check.words()
    # Away from the probes the error is that of the assumed spread, not of a fit.
    assert got.error.values.max() > 0.7 * RULES.assumed_spread_m


def test_probes_in_one_line_are_told():
    x = np.linspace(0, 200, 30)
    held = probes.check_probes(x, 0.5 * x + 3, 2 + np.sin(x / 30), RULES)
    assert held.one_line
    assert any("one line" in f.found for f in held.faults)
    got = depth.depth_surface(held, GRID, RULES)
    assert got.error.values[10, 10] > got.error.values[145, 100]
    assert not probes.check_probes(*scattered(), RULES).one_line


def test_depths_that_differ_at_one_place_are_told_averaged_and_less_sure():
    x, y, z = scattered()
    x2, y2, z2 = np.append(x, x[:5] + 0.1), np.append(y, y[:5]), np.append(z, z[:5] + 1.0)
    held = probes.check_probes(x2, y2, z2, RULES)
    assert len(held.x_m) == len(x)
    assert sum("at one place" in f.found for f in held.faults) == 5
    assert held.spread_m == pytest.approx(np.sqrt(5 * 0.5 / 5))
    at = np.argmin(np.hypot(held.x_m - x[0], held.y_m - y[0]))
    assert held.depth_m[at] == pytest.approx(z[0] + 0.5)
    sure = depth.fit_variogram(probes.check_probes(x, y, z, RULES), RULES).nugget_m2
    assert depth.fit_variogram(held, RULES).nugget_m2 > sure + 0.3


def test_equal_depths_at_one_place_are_no_fault():
    x, y, z = scattered()
    held = probes.check_probes(np.append(x, x), np.append(y, y), np.append(z, z), RULES)
    assert held.faults == ()
    assert len(held.x_m) == len(x)


def test_centimetres_are_told_from_metres():
    x, y, z = scattered()
    with pytest.raises(GivenError, match="centimetres"):
        probes.check_probes(x, y, 100 * z, RULES)
    z[3] = 180
    with pytest.raises(GivenError, match=r"row 4.*180 m.*centimetres among metres"):
        probes.check_probes(x, y, z, RULES)


def test_all_faults_are_told_at_once():
    x, y, z = scattered()
    x[0], z[1], z[2] = np.nan, np.nan, -0.4
    with pytest.raises(GivenError) as told:
        probes.check_probes(x, y, z, RULES)
    said = str(told.value)
    assert len(told.value.faults) == 3
    for words in ("row 1", "row 2", "row 3", "-0.4 m", "0 m or more"):
        assert words in said


def test_clustered_and_transect_probes_give_sound_surfaces():
    rng = np.random.default_rng(3)
    middle = rng.uniform(20, 180, (6, 2))
    crosses = (middle[:, None, :] + rng.normal(0, 4, (6, 15, 2))).reshape(-1, 2)
    lines = np.column_stack([np.tile(np.arange(5, 200, 10.0), 3), np.repeat([30.0, 100, 170], 20)])
    for places in (crosses, lines):
        z = 2 + np.sin(places[:, 0] / 40)
        held = probes.check_probes(places[:, 0], places[:, 1], z, RULES)
        got = depth.depth_surface(held, GRID, RULES)
        assert np.isfinite(got.depth.values).all()
        assert got.check.far_m >= got.check.near_m
        assert got.depth.values.max() < 4.5


def test_surface_leaves_its_inputs_alone():
    x, y, z = scattered()
    held = [v.copy() for v in (x, y, z)]
    levels = Raster(np.zeros((200, 200), np.float32), GRID)
    levels.values[5, 5] = np.nan
    given = levels.values.copy()
    got = depth.depth_surface(probes.check_probes(x, y, z, RULES), GRID, RULES, levels=levels)
    for a, b in zip(held, (x, y, z), strict=True):
        np.testing.assert_array_equal(a, b)
    np.testing.assert_array_equal(levels.values, given)
    assert np.isnan(got.depth.values[5, 5])
    assert got.state[5, 5] == depth.NO_GROUND


# --- condition -----------------------------------------------------------------------------------

SITE = shapely.box(0, 0, 200, 100)


def given_map(rows: list[tuple[str, shapely.Geometry]], crs: str = CRS) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"category": pd.Series([r[0] for r in rows], dtype="str")},
        geometry=gpd.GeoSeries([r[1] for r in rows], crs=crs), crs=crs,
    )  # fmt: skip


def test_gaps_and_overlaps_are_found_and_areas_add_up():
    held = given_map(
        [("near-natural", shapely.box(0, 0, 110, 100)), ("modified", shapely.box(100, 0, 180, 100))]
    )
    got = condition.condition_map(held, SITE, ConditionRules(), CRS)
    wrong = got.wrong.set_index("kind")["area_m2"]
    assert wrong["overlap"] == pytest.approx(1000)
    assert wrong["gap"] == pytest.approx(2000)
    assert len(got.faults) == 2
    assert all(f.severity == "look" for f in got.faults)
    assert got.area_m2["modified"] == pytest.approx(8000)  # the worse category holds the overlap
    assert got.area_m2["near-natural"] == pytest.approx(10_000)
    assert got.area_m2["not mapped"] == pytest.approx(2000)
    assert sum(got.area_m2.values()) == pytest.approx(SITE.area)


def test_drains_and_bare_peat_change_the_map():
    """30 m to each side of a straight drain of 100 m across the site is 6000 m²."""
    held = given_map([("near-natural", SITE)])
    drain = shapely.LineString([(100, -50), (100, 150)])
    bare = shapely.box(90, 40, 100, 50)
    got = condition.condition_map(held, SITE, ConditionRules(), CRS, drains=drain, bare_peat=bare)
    assert got.area_m2["actively eroding"] == pytest.approx(100)
    assert got.area_m2["drained"] == pytest.approx(6000 - 100)
    assert got.area_m2["near-natural"] == pytest.approx(SITE.area - 6000)
    assert set(got.polygons["taken_from"]) == {"given", "drains", "bare peat"}
    grid = Grid(0.0, 100.0, 1.0, 1.0, 100, 200, CRS)
    cells = condition.condition_cells(got.polygons, grid, CONDITIONS)
    counts = np.bincount(cells.ravel(), minlength=4)
    assert counts[CONDITIONS.index("drained")] == 5900
    assert counts[CONDITIONS.index("actively eroding")] == 100


def test_random_maps_never_overlap_and_always_cover():
    rng = np.random.default_rng(9)
    for _ in range(5):
        x, y = rng.uniform(-20, 200, (2, 12))
        rows = [
            (str(rng.choice(CONDITIONS)), shapely.box(a, b, a + rng.uniform(5, 90), b + 40))
            for a, b in zip(x, y, strict=True)
        ]
        drain = shapely.LineString(rng.uniform(0, 200, (3, 2)))
        got = condition.condition_map(given_map(rows), SITE, ConditionRules(), CRS, drains=drain)
        shapes = got.polygons.geometry.to_numpy()
        assert shapely.area(shapes).sum() == pytest.approx(SITE.area)
        assert shapely.union_all(shapes).area == pytest.approx(SITE.area)


def test_map_in_another_crs_or_scheme_or_not_of_polygons():
    with pytest.raises(GivenError, match="EPSG:4326"):
        condition.condition_map(
            given_map([("modified", SITE)], "EPSG:4326"), SITE, ConditionRules(), CRS
        )
    rows = [("fine", SITE), ("modified", shapely.Point(1, 1))]
    with pytest.raises(GivenError) as told:
        condition.condition_map(given_map(rows), SITE, ConditionRules(), CRS)
    assert len(told.value.faults) == 2
    got = condition.condition_map(given_map([]), SITE, ConditionRules(), CRS)
    assert got.area_m2["not mapped"] == pytest.approx(SITE.area)


# --- limits --------------------------------------------------------------------------------------


def limit_table(rows: list[tuple[str, str, float, shapely.Geometry]], crs=CRS) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "given_id": [f"no-go:{k}" for k in range(len(rows))], "name": [r[1] for r in rows],
            "kind": [r[0] for r in rows], "distance_m": [r[2] for r in rows],
            "why": [f"keep {r[2]:g} m" for r in rows],
        },
        geometry=[shapely.buffer(r[3], r[2]) for r in rows], crs=crs,
    )  # fmt: skip


ONE_NORTH = np.array([0.0, 1.0])


def item_table(places: np.ndarray) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "item_id": [f"i{k}" for k in range(len(places))], "drain_id": "d1",
            "x_m": places[:, 0], "y_m": places[:, 1], "crest_above_ground_m": 0.1,
        },
        geometry=shapely.linestrings(np.stack([places - ONE_NORTH, places + ONE_NORTH], axis=1)),
        crs=CRS,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_items_near_limits_are_those_that_shapely_finds_one_by_one(seed):
    rng = np.random.default_rng(seed)
    rows = [
        (str(rng.choice(LIMIT_KINDS)), f"n{k}", float(rng.uniform(2, 20)),
         shapely.LineString(rng.uniform(0, 300, (2, 2))))
        for k in range(12)
    ]  # fmt: skip
    held, items = limit_table(rows), item_table(rng.uniform(0, 300, (60, 2)))
    got = {
        (f.where.item_id, f.key): f.severity for f in limits.item_findings(items, held, look_m=5.0)
    }
    plain = {}
    for item, shape in zip(items["item_id"], items.geometry, strict=True):
        for (kind, name, *_), area in zip(rows, held.geometry, strict=True):
            away = shape.distance(area)
            if away <= 5.0:
                plain[item, f"{kind} {name}"] = "stop" if away <= 0 else "look"
    assert got == plain
    assert {"stop", "look"} <= set(plain.values())


@pytest.mark.parametrize("seed", range(4))
def test_forbidden_stretches_are_the_parts_inside(seed):
    rng = np.random.default_rng(seed)
    drains = gpd.GeoDataFrame(
        {"drain_id": [f"d{k}" for k in range(8)]},
        geometry=[shapely.LineString(rng.uniform(0, 300, (4, 2))) for _ in range(8)], crs=CRS,
    )  # fmt: skip
    rows = [("heritage", f"n{k}", 10.0, shapely.Point(rng.uniform(0, 300, 2))) for k in range(15)]
    held = limit_table(rows)
    got = limits.forbidden_stretches(drains, held)
    assert got
    lines = dict(zip(drains["drain_id"], drains.geometry, strict=True))
    for s in got:
        middle = lines[s.drain_id].interpolate((s.from_m + s.to_m) / 2)
        assert shapely.distance(held.geometry, middle).min() < 1e-6
        assert "heritage" in s.why
        assert "keep 10 m" in s.why
    for name, line in lines.items():
        inside = sum(line.intersection(area).length for area in held.geometry)
        assert sum(s.to_m - s.from_m for s in got if s.drain_id == name) == pytest.approx(
            inside, abs=1e-6
        )


def test_a_drain_that_meets_itself_keeps_its_chainages():
    line = shapely.LineString([(0, 0), (100, 0), (100, 50), (50, 50), (50, -50)])
    drains = gpd.GeoDataFrame({"drain_id": ["d"]}, geometry=[line], crs=CRS)
    held = limit_table([("track", "", 0.0, shapely.box(45, -5, 55, 5))])
    got = limits.forbidden_stretches(drains, held)
    spans = [(s.from_m, s.to_m) for s in got]
    assert spans == [
        (pytest.approx(45), pytest.approx(55)),
        (pytest.approx(245), pytest.approx(255)),
    ]


def test_limits_in_another_crs_are_refused():
    items = item_table(np.array([[1.0, 1.0]]))
    held = limit_table([("heritage", "", 5.0, shapely.Point(0, 0))], crs="EPSG:29903")
    with pytest.raises(GivenError, match="EPSG:29903"):
        limits.item_findings(items, held)
    with pytest.raises(GivenError, match="EPSG:29903"):
        limits.keep_off_cells(held, GRID)


def test_overhead_lines_limit_the_height_of_machines():
    rules = OverheadRules()
    held = limit_table([("overhead line", "a", 10.0, shapely.LineString([(0, 0), (100, 0)]))])
    unknown = limits.overhead_findings(held, rules)[0]
    assert unknown.severity == "stop"
    assert "unknown height" in unknown.what
    middle = limits.overhead_findings(held, rules, {"no-go:0": 7.0})[0]
    assert middle.severity == "look"
    assert "nothing over 4.0 m" in middle.what
    assert limits.overhead_findings(held, rules, {"no-go:0": 20.0})[0].severity == "note"


# --- season --------------------------------------------------------------------------------------


def whole_year(first: tuple[int, int], last: tuple[int, int]) -> season.Period:
    return season.Period("heather", first, last, "stop", "judgement")


def test_a_period_across_the_year_s_end():
    period = whole_year((11, 15), (2, 10))
    for day, shut in (
        ((2030, 11, 14), False), ((2030, 11, 15), True), ((2030, 12, 31), True),
        ((2031, 1, 1), True), ((2031, 2, 10), True), ((2031, 2, 11), False),
    ):  # fmt: skip
        assert period.closed(dt.date(*day)) == shut
    got = season.working_windows([period], dt.date(2031, 1, 1), dt.date(2032, 1, 31), SeasonRules())
    assert list(got["from_date"]) == ["2031-02-11"]
    assert list(got["to_date"]) == ["2031-11-14"]
    assert got["days"].iloc[0] == 277
    assert got["ends_for"].iloc[0] == "heather"


def test_windows_are_what_a_calendar_says_day_by_day():
    periods = [
        whole_year((11, 15), (2, 10)), whole_year((4, 1), (7, 31)), whole_year((2, 20), (2, 29)),
        season.Period("case by case", (9, 1), (9, 30), "look", "judgement"),
    ]  # fmt: skip
    first, last = dt.date(2031, 1, 5), dt.date(2033, 3, 9)
    got = season.working_windows(periods, first, last, SeasonRules(shortest_window_days=1))
    open_days = set()
    for a, b in zip(got["from_date"], got["to_date"], strict=True):
        day = dt.date.fromisoformat(a)
        while day <= dt.date.fromisoformat(b):
            assert day not in open_days
            open_days.add(day)
            day += dt.timedelta(days=1)
    day = first
    while day <= last:
        closed = any(p.closed(day) for p in periods if p.severity == "stop")
        assert (day in open_days) != closed
        day += dt.timedelta(days=1)
    assert dt.date(2032, 2, 29) not in open_days
    assert dt.date(2031, 3, 1) in open_days


def test_planned_work_in_a_closed_period_is_found_where_it_is():
    nest = shapely.Point(0, 0)
    periods = season.default_periods(SeasonRules(), [nest])
    items = item_table(np.array([[100.0, 0.0], [300.0, 0.0], [900.0, 0.0]]))
    got = season.season_findings(items, periods, dt.date(2031, 2, 10), dt.date(2031, 3, 20))
    assert [(f.where.item_id, f.severity) for f in got] == [("i0", "stop"), ("i1", "look")]
    site = season.season_findings(items, periods, dt.date(2031, 3, 20), dt.date(2031, 4, 2))
    assert ("", "stop") in [(f.where.item_id, f.severity) for f in site]
    assert season.season_findings(items, periods, dt.date(2031, 9, 1), dt.date(2031, 10, 1)) == []


@pytest.mark.parametrize("text", ["03/04", "13-01", "02-30", "spring", ""])
def test_days_that_cannot_be_read(text):
    with pytest.raises(GivenError, match="month-day"):
        season.read_day(text)


def test_periods_come_back_from_their_table():
    periods = season.default_periods(SeasonRules(), [shapely.Point(50, 50)])
    table = season.to_table(periods, SITE, CRS)
    back = season.from_table(table, CRS)
    assert [(p.name, p.first, p.last, p.severity) for p in back] == [
        (p.name, p.first, p.last, p.severity) for p in periods
    ]
    with pytest.raises(GivenError, match="EPSG:29903"):
        season.from_table(table.to_crs("EPSG:29903"), CRS)


# --- findings ------------------------------------------------------------------------------------


def found(what: str = "peat 2.0 m", severity: str = "look", item: str = "i1") -> Found:
    return Found(
        severity, "stability", Where(f"item {item}", "d1", item, 10.0, 20.0), what,
        "stability.factor_look = 1.3", "memory", "Look.", key="factor",
    )  # fmt: skip


def test_answers_survive_until_the_facts_change():
    table = findings.build([found(), found(item="i2"), found(severity="stop", item="i3")], CRS)
    assert list(table["severity"]) == ["stop", "look", "look"]
    assert table["finding_id"].is_unique
    mine = table[table["item_id"] == "i1"]["finding_id"].iloc[0]
    none = empty(ANSWERS, CRS)
    answers = findings.answer(
        table, none, mine, reason="walked it", by="A. Person", on=dt.date(2031, 5, 2)
    )
    assert none.empty
    merged = findings.merge(findings.build([found(), found(item="i2")], CRS), answers)
    row = merged.set_index("finding_id").loc[mine]
    assert (row["answer"], row["answered_by"], row["answered_on"]) == (
        "walked it", "A. Person", "2031-05-02",
    )  # fmt: skip
    assert list(findings.still_open(merged)["item_id"]) == ["i2"]
    changed = findings.merge(findings.build([found("peat 3.1 m", "stop")], CRS), answers)
    row = changed.set_index("finding_id").loc[mine]
    assert row["answer"] == ""
    assert "A. Person: walked it (then it was: peat 2.0 m)" in row["answered_before"]
    assert list(findings.still_open(changed)["finding_id"]) == [mine]
    back = findings.merge(findings.build([found()], CRS), answers)
    assert back["answer"].iloc[0] == "walked it"


def test_an_answer_needs_a_finding_a_reason_and_a_name():
    table = findings.build([found()], CRS)
    with pytest.raises(GivenError) as told:
        findings.answer(table, empty(ANSWERS, CRS), "f0", reason=" ", by="", on=dt.date(2031, 5, 2))
    assert len(told.value.faults) == 3


def test_ids_do_not_hang_on_order_or_company():
    many = [found(item=f"i{k}") for k in range(20)]
    site = Found("note", "season", Where(), "all of it", "birds", "judgement", "Wait.")
    a = findings.build([*many, site], CRS).set_index("item_id")["finding_id"]
    b = findings.build([site, *many[::-1]], CRS).set_index("item_id")["finding_id"]
    assert a.to_dict() == b.to_dict()
    alone = findings.build([many[7]], CRS)
    assert alone["finding_id"].iloc[0] == a["i7"]
    assert findings.build([site], CRS).geometry.iloc[0].is_empty
    assert findings.build([], CRS).empty


def test_a_harsh_machine_load_alone_needs_a_look_unless_the_rules_say_stop():
    """2 m on 8°, su 5 kPa: 1.81 without and 0.91 with 20 kPa (worked, infinite slope)."""
    x = np.arange(200) + 0.5
    levels = Raster(np.tile(-x * np.tan(np.radians(8.0)), (200, 1)).astype(np.float32), GRID)
    peat, sure = (Raster(np.full((200, 200), v, np.float32), GRID) for v in (2.0, 0.1))
    ground, item = slopes.slopes(levels, 10.0), item_table(np.array([[100.0, 100.0]]))
    for stops in (False, True):
        rules = StabilityRules(machine_stops=stops, pond_m=0.0)
        got = stability.item_findings(
            item.assign(crest_above_ground_m=0.0), peat, sure, ground, rules
        )
        assert [f.severity for f in got] == ["stop" if stops else "look"]
        assert "factor of safety 0.91 (undrained, machine" in got[0].what
        screening = stability.screen(peat, sure, levels, rules, ground=ground)
        areas = stability.area_findings(screening, peat, rules)
        assert [f.severity for f in areas] == ["stop" if stops else "look"]


def test_a_moved_item_is_checked_where_it_stands_now():
    x = np.arange(200) + 0.5
    # Flat in the west, 12° in the east.
    z = -np.maximum(x - 100, 0) * np.tan(np.radians(12.0))
    levels = Raster(np.tile(z, (200, 1)).astype(np.float32), GRID)
    peat = Raster(np.full((200, 200), 2.0, np.float32), GRID)
    sure = Raster(np.full((200, 200), 0.1, np.float32), GRID)
    ground = slopes.slopes(levels, 10.0)
    rules = StabilityRules()
    west, east, off = (
        stability.item_findings(item_table(np.array([[x_m, 100.0]])), peat, sure, ground, rules)
        for x_m in (50.0, 150.0, 950.0)
    )
    assert west == []
    assert {f.severity for f in east} == {"stop", "look"}
    assert any("slope 12.0°" in f.what for f in east)
    assert all("engineer" in f.to_do for f in east)
    assert "not known" in off[0].what
    screening = stability.screen(peat, sure, levels, rules, ground=ground)
    areas = findings.build(stability.area_findings(screening, peat, rules), CRS)
    assert (areas.geometry.x > 90).all()
    assert "stop" in set(areas["severity"])
