"""Coarser ground with its drains, and a storm over a whole site before and after its works."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import Rules
from peatwright.site.store import Store
from peatwright.water.coarse import coarser, fitting_cell_m, on_cells, stations_of
from peatwright.water.site_storm import SiteStorm, site_storm, surfaces

CELL_M = 8.0


def ground(values: np.ndarray) -> Raster:
    rows, cols = values.shape
    grid = Grid(1000.0, 2000.0, 1.0, 0.5, rows, cols, "EPSG:27700")
    return Raster(values.astype(np.float32), grid)


def test_a_plane_keeps_its_levels_and_its_middle() -> None:
    r, c = np.indices((24, 15)).astype(float)
    plane = ground(3.0 + 0.2 * c - 0.1 * r)
    held = coarser(plane, 3.0)
    assert (held.grid.dx_m, held.grid.dy_m) == (3.0, 3.0)
    assert held.values.shape == (4, 5)
    rows, cols = (v.astype(float) for v in np.indices(held.values.shape))
    x, y = held.grid.to_metres(rows, cols)
    fine_r, fine_c = plane.grid.to_cells(x, y)
    np.testing.assert_allclose(held.values, 3.0 + 0.2 * fine_c - 0.1 * fine_r, atol=1e-5)


def test_gaps_and_the_last_rows_take_what_is_there() -> None:
    values = np.ones((7, 7))
    values[0, 0] = np.nan
    values[4:, 4:] = np.nan
    held = coarser(ground(values), 2.0)
    assert held.values.shape == (2, 4)
    assert np.isfinite(held.values[0, 0])
    assert np.isnan(held.values[1, 2])
    assert np.nanmax(held.values) == np.nanmin(held.values) == 1.0


def test_large_ground_takes_coarser_cells() -> None:
    grid = Grid(0.0, 0.0, 0.5, 0.5, 10_000, 10_000, "EPSG:27700")
    assert fitting_cell_m(grid, 4.0, 10_000_000) == 4.0
    assert fitting_cell_m(grid, 4.0, 250_000) == pytest.approx(10.0)


@pytest.fixture(scope="module")
def store(run_demo: Path) -> Store:
    return Store(run_demo)


def test_cells_of_a_drain_hang_together_side_by_side(store: Store) -> None:
    """Water on the grid goes over sides alone: a chain over corners would hold it up."""
    stations, items = store.table("stations"), store.table("items")
    longest = stations["drain_id"].value_counts().index[0]
    held = stations_of(stations[stations["drain_id"] == longest], items.iloc[:0], Rules().dam)
    grid = coarser(store.raster("dtm"), 4.0).grid
    level = on_cells(grid, held, np.ones(len(held.bed_m), bool), held.bed_m)
    _, pieces = ndimage.label(np.isfinite(level))
    assert pieces == 1
    assert np.nanmin(level) >= held.bed_m.min() - 1e-9
    assert np.nanmax(level) <= held.bed_m.max() + 1e-9


def test_pools_stand_at_the_sill_of_the_dam_below(store: Store) -> None:
    items = store.table("items")
    held = stations_of(store.table("stations"), items, Rules().dam)
    dams = items[(items["kind"] == "dam") & ~items["method"].isin(["wave dam", "peat dam"])]
    assert held.pool.any()
    for i in np.flatnonzero(held.pool)[::25]:
        own = dams[dams["drain_id"] == held.drains.ids[held.drains.drain[i]]]
        below = own[own["chainage_m"] >= held.drains.chainage_m[i]].sort_values("chainage_m")
        assert held.after_m[i] == pytest.approx(below["outlet_level_m"].iloc[0])


def rules() -> Rules:
    surface = dataclasses.replace(
        Rules().surface_storm, cell_m=CELL_M, storm_duration_s=900.0, after_storm_s=1800.0
    )
    return dataclasses.replace(Rules(), surface_storm=surface)


@pytest.fixture(scope="module")
def storm(store: Store) -> SiteStorm:
    tables = (store.table(n) for n in ("drains", "stations", "items"))
    return site_storm(store.raster("dtm"), *tables, rules())


def test_works_only_raise_the_cells_of_drains_or_move_them_little(store: Store) -> None:
    before, after, held = surfaces(
        store.raster("dtm"), store.table("stations"), store.table("items"), rules(), CELL_M
    )
    drain = np.isfinite(on_cells(before.grid, held, np.ones(len(held.bed_m), bool), held.bed_m))
    change = after.values - before.values
    assert np.nanmax(change[drain]) > 0.2, "dams and zipped drain stand where the bed was"
    assert np.nanmax(change[~drain]) < 0.3
    assert np.isnan(before.values).sum() == np.isnan(after.values).sum()


def test_no_water_is_made_or_lost(storm: SiteStorm) -> None:
    asked = rules()
    for run in (storm.before, storm.after):
        assert run.balance.error_ratio < 1e-6
        area = run.cells * run.depth.grid.cell_area_m2
        rain = asked.surface_storm.storm_depth_m * (1 + asked.storm.climate_uplift_ratio)
        assert run.balance.rain_m3 == pytest.approx(area * rain, rel=1e-3)
    edges = storm.hydrographs[storm.hydrographs["line"] == "edges"]
    step = np.diff(edges["time_s"], prepend=0.0)
    volume = float((edges["after_m3s"] * step).sum())
    assert volume == pytest.approx(storm.after.balance.outflow_m3, rel=1e-6)


def test_peaks_are_those_of_the_hydrographs(storm: SiteStorm) -> None:
    for row in storm.peaks.itertuples():
        own = storm.hydrographs[storm.hydrographs["line"] == row.line]
        assert row.peak_before_m3s == pytest.approx(own["before_m3s"].abs().max())
        assert row.peak_after_m3s == pytest.approx(own["after_m3s"].abs().max())
        assert row.words.endswith("down the valley.")
    lines = set(storm.peaks["line"]) - {"edges"}
    assert set(storm.lines["line"]) == lines
    at_end = storm.peaks.set_index("line")
    assert (at_end.loc[sorted(lines), "volume_before_m3"] > 0).all(), "positive down the drain"


def test_without_works_the_storm_is_the_same(store: Store) -> None:
    made = site_storm(
        store.raster("dtm"), store.table("drains"), store.table("stations"),
        store.table("items").iloc[:0], rules(),
    )  # fmt: skip
    np.testing.assert_array_equal(made.before.depth_max.values, made.after.depth_max.values)
    assert (made.peaks["delay_s"] == 0.0).all()
