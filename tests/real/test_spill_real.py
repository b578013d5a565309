"""Spill paths on open airborne terrain: LiDAR © Kartverket (hoydedata.no), CC BY 4.0.

What is true on the ground is not known; what is checked holds for any ground.
"""

from __future__ import annotations

import os
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio

from peatwright.drains.measure import measure
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import Rules
from peatwright.model.spill_rules import SpillRules
from peatwright.water.prove_water import Spill, change_drain, prove_water
from peatwright.water.spill.route import route
from peatwright.water.spill.works import cut
from peatwright.works.lay import lay

GROUND = Path(os.environ.get("PEATWRIGHT_GROUND", Path(__file__).parents[3] / "shared" / "ground"))


@pytest.fixture(scope="module")
def basin() -> Spill:
    folder = GROUND / "drained_basin"
    if not folder.exists():
        pytest.skip("the real terrain is not here; set PEATWRIGHT_GROUND to its folder")
    with rasterio.open(folder / "dtm.tif") as data:
        values = data.read(1, masked=True).astype(np.float32).filled(np.nan)
        at = data.transform
        dtm = Raster(values, Grid(at.c, at.f, at.a, -at.e, *values.shape, str(data.crs)))
    read = gpd.read_file(folder / "lines_a.geojson")
    read = read[(read.kind == "ditch") & (read.certainty <= 2)].reset_index(drop=True)
    name = read.id.astype(str)
    given = gpd.GeoDataFrame(
        {"given_id": name, "name": name, "kind": read.kind}, geometry=read.geometry.to_numpy(),
        crs=read.crs,
    )  # fmt: skip
    rules = Rules()
    done = measure(dtm, given, rules.measure)
    laid = lay(done.drains, done.nodes, done.stations, rules)
    tables = {"drains": done.drains, "stations": done.stations, "items": laid.items}
    return prove_water(dtm, tables, rules, spill_rules=SpillRules(moved_runs=0))


def test_water_balances_and_dams_turn_it_out(basin: Spill) -> None:
    s = basin.summary
    print(s)
    assert s.before_error_ratio < 1e-9
    assert s.after_error_ratio < 1e-9
    soft = basin.dams[basin.dams.method == "wave dam"]
    assert len(soft) > 50
    assert (soft.place == "outlet").mean() > 0.6
    assert s.carrying_open_after_m + s.carrying_closed_after_m < s.carrying_before_m
    assert (soft.below_crest_m > -1e-3).all()


def test_change_to_a_drain_is_that_of_the_whole(basin: Spill) -> None:
    none = basin_items(basin)
    for name in basin.drains.ids[:: max(1, len(basin.drains.ids) // 3)]:
        again, works = change_drain(basin, str(name), none)
        whole = route(cut(basin.before.ground, works))
        np.testing.assert_array_equal(again.routed.levels, whole.levels)
        np.testing.assert_array_equal(again.routed.codes, whole.codes)
        np.testing.assert_allclose(again.routed.upslope_m2, whole.upslope_m2, rtol=1e-9)


def basin_items(basin: Spill) -> gpd.GeoDataFrame:
    """Return ITEMS without rows."""
    from peatwright.model.columns import empty
    from peatwright.model.layers import ITEMS

    return empty(ITEMS, basin.after.ground.grid.crs)
