"""Laying out drains on open airborne terrain: LiDAR © Kartverket (hoydedata.no), CC BY 4.0.

Peat depth is not known there, so every dam must ask for a probe; what is checked is that a layout
of real, noisy sections keeps its own rules and says where it does not.
"""

from __future__ import annotations

import os
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio

from peatwright.drains.measure import Measured, measure
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import Rules
from peatwright.works.lay import Laid, lay
from peatwright.works.price import price

GROUND = Path(os.environ.get("PEATWRIGHT_GROUND", Path(__file__).parents[3] / "shared" / "ground"))
RULES = Rules()


@pytest.fixture(scope="module")
def basin() -> tuple[Measured, Laid]:
    folder = GROUND / "drained_basin"
    if not folder.exists():
        pytest.skip("the real terrain is not here; set PEATWRIGHT_GROUND to its folder")
    with rasterio.open(folder / "dtm.tif") as data:
        values = data.read(1, masked=True).astype(np.float32).filled(np.nan)
        at = data.transform
        dtm = Raster(values, Grid(at.c, at.f, at.a, -at.e, *values.shape, str(data.crs)))
    read = gpd.read_file(folder / "lines_a.geojson")
    read = read[(read.kind == "ditch") & (read.certainty <= 2)].reset_index(drop=True)
    given = gpd.GeoDataFrame(
        {"given_id": read.id.astype(str), "name": read.id.astype(str), "kind": read.kind},
        geometry=read.geometry.to_numpy(),
        crs=read.crs,
    )
    done = measure(dtm, given, RULES.measure)
    return done, lay(done.drains, done.nodes, done.stations, RULES)


def test_every_metre_of_drain_has_a_method(basin: tuple[Measured, Laid]) -> None:
    done, laid = basin
    by_drain = laid.reaches.groupby("drain_id")["length_m"].sum()
    want = done.drains.set_index("drain_id")["length_m"]
    np.testing.assert_allclose(by_drain.reindex(want.index), want, atol=1e-6)
    share = laid.reaches.groupby("method")["length_m"].sum() / want.sum()
    print(share)
    # The folder's note calls the drains mostly 0.3 to 0.6 m deep: ordinary ones.
    assert share["wave dam"] + share.get("zip", 0.0) > 0.6


def test_dams_keep_their_distances_or_say_why(basin: tuple[Measured, Laid]) -> None:
    dams = basin[1].items.query("kind == 'dam'")
    assert len(dams) > 50
    assert dams["spacing_m"].min() >= RULES.spacing.min_m - 1e-9
    wide = dams["spacing_m"] > RULES.spacing.max_m + 1e-9
    told = dams["spacing_rule"].str.contains("nothing can be built between|beyond a stretch")
    assert told[wide].all()
    high = dams["head_m"] > RULES.spacing.head_max_m + 0.001
    noted = dams["note"].str.contains("Head is|Last dam")
    told = noted | dams["spacing_rule"].str.contains("beyond a stretch")
    assert told[high].all()
    assert dams["note"].str.contains("probe before building").all()
    near = dams["spacing_m"].dropna().between(7, 9)
    assert near.mean() > 0.6


def test_dams_stand_on_the_measured_drain(basin: tuple[Measured, Laid]) -> None:
    done, laid = basin
    dams = laid.items.query("kind == 'dam'")
    lines = done.drains.set_index("drain_id").geometry
    drawn = gpd.GeoSeries(
        gpd.points_from_xy(dams["x_m"], dams["y_m"]), index=dams["drain_id"], crs=lines.crs
    )
    off = drawn.distance(lines.reindex(drawn.index), align=False)
    assert off.max() < 0.2
    table = price(laid.items, laid.reaches, done.drains, RULES)
    site = table[table["scope"] == "site"].iloc[0]
    assert site["drain_m"] == pytest.approx(done.drains["length_m"].sum())
    assert 0 < site["cost_low"] < site["cost"] < site["cost_high"]
