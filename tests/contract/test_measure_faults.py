"""Faulty lines, ground and points: each gives a fault or an error that says what to do."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pytest
import shapely

from peatwright.drains.lines import Line, clean
from peatwright.drains.measure import Measured, measure
from peatwright.drains.network import join
from peatwright.model.columns import checked
from peatwright.model.errors import GivenError
from peatwright.model.layers import DRAINS, NODES, STATIONS
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import MeasureRules

CRS = "EPSG:27700"
RULES = MeasureRules()
STRAIGHT = shapely.LineString([(10.0, 30.0), (90.0, 30.0)])
with np.errstate(invalid="ignore"):
    UNPLACED = shapely.LineString([(20.0, 20.0), (np.nan, 20.0), (40.0, 20.0)])


def valley(hole: bool = False) -> Raster:
    """Ground that falls east, with one drain along y = 30 m."""
    grid = Grid(0.0, 60.0, 0.5, 0.5, 120, 200, CRS)
    row, col = np.mgrid[:120, :200].astype(float)
    x, y = grid.to_metres(row, col)
    off = np.abs(y - 30.0)
    z = 200.0 - 0.02 * x - 0.5 * np.clip((0.8 - off) / 0.4, 0.0, 1.0)
    if hole:
        z[(x > 40.0) & (x < 52.0)] = np.nan
        z[60, 40] = np.nan  # one cell in the bed
    return Raster(z.astype(np.float32), grid)


def given(geometries: Sequence[object], crs: str | None = CRS) -> gpd.GeoDataFrame:
    n = len(geometries)
    return gpd.GeoDataFrame(
        {"given_id": [f"drains.gpkg row {i + 1}" for i in range(n)], "name": "", "kind": ""},
        geometry=gpd.GeoSeries(list(geometries), crs=crs),
        crs=crs,
    )


def run(*geometries: object, dtm: Raster | None = None) -> Measured:
    return measure(dtm or valley(), given(geometries), RULES, upslope=False)


def said(done: Measured, words: str) -> bool:
    """Whether a fault holds the words and every fault tells where and what to do."""
    for fault in done.faults:
        assert fault.file
        assert fault.place
        assert fault.allowed
        assert fault.fix
        assert fault.severity == "look"
    return any(words in fault.line() for fault in done.faults)


@pytest.mark.parametrize(
    ("odd", "words"),
    [
        (shapely.LineString([(20.0, 20.0), (20.0, 20.0)]), "0.00 m long"),
        (shapely.LineString([(20.0, 20.0), (20.3, 20.0)]), "0.30 m long"),
        (shapely.LineString(), "no geometry"),
        (None, "no geometry"),
        (shapely.Point(20.0, 20.0), "Point"),
        (STRAIGHT.buffer(1.0), "Polygon"),
        (STRAIGHT, "lies on another"),
        (shapely.reverse(STRAIGHT), "lies on another"),
        (shapely.LineString([(20.0, 30.2), (60.0, 30.3)]), "lies on another"),
        (shapely.LineString([(70.0, 30.0), (95.0, 30.0), (95.0, 50.0)]), "on top of another"),
        (shapely.LineString([(500.0, 30.0), (600.0, 30.0)]), "which is all of it"),
        (shapely.LineString([(50.0, 45.0), (150.0, 55.0)]), "outside the terrain"),
        (UNPLACED, "without a place"),
        (
            shapely.LineString([(20.0, 50.0), (40.0, 50.0), (40.0, 58.0), (30.0, 40.0)]),
            "crosses itself",
        ),
        (
            shapely.LineString(
                [(20.0, 50.0), (30.0, 50.0), (30.3, 50.4), (30.0, 50.4), (30.4, 50.0), (40.0, 50.0)]
            ),
            "knot",
        ),
    ],
)
def test_an_odd_line_is_told_and_the_rest_is_measured(odd: object, words: str) -> None:
    done = run(STRAIGHT, odd)
    assert said(done, words), [f.line() for f in done.faults]
    table = done.stations
    assert table.measured.sum() > 60
    assert done.drains.geometry.is_valid.all()


def test_parts_heights_and_measures_are_taken_as_plain_lines() -> None:
    parts = shapely.MultiLineString([[(10, 30), (48, 30)], [(52, 30), (90, 30)]])
    high = shapely.LineString([(10.0, 30.0, 5.0), (90.0, 30.0, 7.0)])
    for geometry in (parts, high):
        done = run(geometry)
        assert not done.faults
        assert not done.drains.geometry.has_z.any()
    assert len(run(high).drains) == 1


def test_a_gap_of_one_cell_and_of_less_than_the_rule_is_closed() -> None:
    for gap in (0.5, 2.5):
        a = shapely.LineString([(10.0, 30.0), (50.0, 30.0)])
        b = shapely.LineString([(50.0 + gap, 30.0), (90.0, 30.0)])
        done = run(a, b)
        assert len(done.drains) == 1
        assert done.drains.length_m.iloc[0] == pytest.approx(80.0, abs=0.5)
        assert done.drains.given_ids.iloc[0].count(";") == 1


def test_a_wide_gap_stays() -> None:
    a = shapely.LineString([(10.0, 30.0), (45.0, 30.0)])
    b = shapely.LineString([(52.0, 30.0), (90.0, 30.0)])
    assert len(run(a, b).drains) == 2


def test_an_overshoot_is_cut_off_at_the_junction() -> None:
    side = shapely.LineString([(50.0, 50.0), (50.0, 28.8)])
    done = run(STRAIGHT, side)
    assert len(done.drains) == 2
    assert sorted(done.nodes.kind) == ["head", "head", "junction", "outfall"]


def test_a_closed_line_and_a_figure_of_eight_do_not_crash() -> None:
    ring = shapely.LineString([(20, 20), (40, 20), (40, 40), (20, 40), (20, 20)])
    eight = shapely.LineString([(50, 20), (70, 40), (70, 20), (50, 40), (50, 20)])
    done = run(ring, eight)
    assert len(done.drains) >= 4
    assert not shapely.is_ring(done.drains.geometry.to_numpy()).any()


def test_missing_terrain_is_said_and_carries_no_figure() -> None:
    done = run(STRAIGHT, dtm=valley(hole=True))
    t = done.stations
    x = shapely.get_x(t.geometry.to_numpy())
    lost = t[(x > 41.0) & (x < 51.0)]
    assert set(lost.unmeasured_why) == {"the terrain model has no level here"}
    figures = [c for c in t.columns if t[c].dtype == np.float64]
    for c in set(figures) - {"chainage_m", "bearing_deg"}:
        assert lost[c].isna().all(), c
    # One missing cell is bridged by the sections beside it or told, never made up.
    near = t[(x > 18.0) & (x < 23.0)]
    known = near.bed_level_m[near.measured]
    np.testing.assert_allclose(
        known, 199.5 - 0.02 * x[(x > 18.0) & (x < 23.0)][near.measured], atol=0.1
    )


def test_unmeasured_stations_say_why_and_carry_no_section() -> None:
    t = run(STRAIGHT, shapely.LineString([(30.0, 52.0), (50.0, 30.0)])).stations
    off = t[~t.measured]
    assert len(off)
    assert (off.unmeasured_why != "").all()
    assert (t.unmeasured_why[t.measured] == "").all()
    for c in ("depth_m", "top_width_m", "left_level_m", "sag_left_width_m", "ground_level_m"):
        assert off[c].isna().all()
        assert c == "sag_left_width_m" or t[c][t.measured].notna().all()


@pytest.mark.parametrize("crs", [None, "EPSG:4326", "EPSG:32630"])
def test_another_crs_is_refused(crs: str | None) -> None:
    with pytest.raises(GivenError, match="CRS"):
        measure(valley(), given([STRAIGHT], crs), RULES, upslope=False)


def test_no_usable_line_is_an_error_with_all_faults() -> None:
    with pytest.raises(GivenError) as caught:
        run(shapely.LineString([(900, 900), (950, 950)]), shapely.Point(1, 1))
    assert len(caught.value.faults) == 3


def test_ground_of_one_value_gives_no_drain() -> None:
    grid = Grid(0.0, 60.0, 0.5, 0.5, 120, 200, CRS)
    done = measure(Raster(np.full((120, 200), 7.0, np.float32), grid), given([STRAIGHT]), RULES)
    assert not done.stations.measured.any()
    assert done.drains.direction_from.iloc[0] == "as given"


def test_tables_hold_to_their_columns_and_inputs_stay() -> None:
    dtm, lines = valley(), given([STRAIGHT])
    before, drawn = dtm.values.copy(), lines.copy()
    limits = gpd.GeoDataFrame(
        {
            "given_id": ["l1"],
            "name": ["Old kiln (invented)"],
            "kind": ["heritage"],
            "distance_m": [20.0],
            "why": ["a rule"],
        },
        geometry=[shapely.Point(40.0, 30.0).buffer(5.0)],
        crs=CRS,
    )
    probes = gpd.GeoDataFrame(
        {"given_id": ["p1", "p2"], "peat_depth_m": [2.0, 2.0]},
        geometry=[shapely.Point(20.0, 35.0), shapely.Point(70.0, 35.0)],
        crs=CRS,
    )
    told: list[float] = []
    done = measure(
        dtm,
        lines,
        RULES,
        limits=limits,
        peat=tuple(Raster(np.full_like(dtm.values, v), dtm.grid) for v in (2.0, 0.3)),
        probes=probes,
        progress=lambda share, _: told.append(share),
    )
    for table, layer in ((done.drains, DRAINS), (done.nodes, NODES), (done.stations, STATIONS)):
        checked(table, layer)
    np.testing.assert_array_equal(dtm.values, before)
    assert lines.equals(drawn)
    assert told == sorted(told)
    assert told[-1] == 1.0
    t = done.stations
    x = shapely.get_x(t.geometry.to_numpy())
    forbidden = t.forbidden_why != ""
    np.testing.assert_array_equal(forbidden, np.abs(x - 40.0) <= 5.0)
    assert set(t.forbidden_why[forbidden]) == {"heritage Old kiln (invented), 20 m kept"}
    assert t.peat_depth_m.dropna().to_numpy() == pytest.approx(2.0)
    assert t.peat_error_m.dropna().to_numpy() == pytest.approx(0.3)
    away = np.minimum(
        *(shapely.distance(t.geometry.to_numpy(), p) for p in probes.geometry)
    )  # fmt: skip
    np.testing.assert_array_equal(t.peat_depth_m.isna(), away > RULES.peat_reach_m)
    m = t[t.measured]
    below = 2.0 - (m.ground_level_m - m.bed_level_m)
    np.testing.assert_allclose(m.peat_below_bed_m, below, atol=1e-9)


def test_lines_come_back_in_one_order() -> None:
    lines, faults = clean(given([STRAIGHT, shapely.LineString([(20, 50), (40, 50)])]), valley())
    assert not faults
    assert [round(line.length_m) for line in lines] == [80, 20]
    assert all(isinstance(line, Line) for line in lines)
    # Each runs from its higher end: the ground falls east.
    assert all(line.xy[0, 0] < line.xy[-1, 0] for line in lines)
    assert len(join(lines, RULES.join_m)) == 2


@pytest.mark.parametrize("seed", range(6))
def test_scribble_gives_sound_tables(seed: int) -> None:
    """Random, repeated, reversed, closed and crossing lines on rough ground with holes."""
    rng = np.random.default_rng(seed)
    grid = Grid(0.0, 60.0, 0.5, 0.75, 80, 120, CRS)
    z = rng.normal(300.0, 0.3, (80, 120)).astype(np.float32)
    z[rng.random(z.shape) < 0.03] = np.nan
    lines: list[shapely.LineString] = []
    for _ in range(6):
        p = rng.uniform(-5.0, 65.0, (rng.integers(2, 6), 2))
        line = shapely.LineString(p)
        lines += [line, shapely.LineString(np.concatenate([p, p[:1]]))]
        lines.append(shapely.reverse(line))
    done = measure(Raster(z, grid), given(lines), RULES, upslope=False)
    ids = set(done.drains.drain_id)
    assert set(done.stations.drain_id) == ids
    into = done.drains.flows_into
    assert set(into[into != ""]) <= ids
    assert (into != done.drains.drain_id).all()
    nodes = set(done.nodes.node_id)
    assert set(done.drains.head_node) | set(done.drains.outfall_node) <= nodes
