"""Routing on open airborne terrain, beside pyflwdir."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pyflwdir
import pytest
import rasterio

from peatwright.model.raster import Grid, Raster
from peatwright.terrain import relief, routing

GROUND = Path(os.environ.get("PEATWRIGHT_GROUND", Path(__file__).parents[3] / "shared" / "ground"))


@pytest.fixture(params=["drained_basin", "two_drained_plots", "no_drains"])
def tile(request) -> Raster:
    path = GROUND / request.param / "dtm.tif"
    if not path.exists():
        pytest.skip("the real terrain is not here; set PEATWRIGHT_GROUND to its folder")
    with rasterio.open(path) as data:
        values = data.read(1, masked=True).astype(np.float32).filled(np.nan)
        at = data.transform
        return Raster(values, Grid(at.c, at.f, at.a, -at.e, *values.shape, str(data.crs)))


def test_levels_and_mass_on_real_ground(tile):
    filled = routing.fill(tile)
    expected, _ = pyflwdir.dem.fill_depressions(tile.values, nodata=np.nan)
    # pyflwdir adds a float32 rise to a float32 level, which rounds once: up to half a step of
    # float32 at that level, and the same again for the rise.
    step = float(np.spacing(np.float32(np.nanmax(np.abs(tile.values)))))
    np.testing.assert_allclose(filled.values, expected, rtol=0, atol=step)
    directions = routing.flow_directions(tile, filled)
    area = routing.accumulate(directions)
    fallen_m2 = np.isfinite(tile.values).sum() * tile.grid.cell_area_m2
    assert area[directions.codes == 0].sum() == pytest.approx(fallen_m2, rel=1e-12)


def test_noise_of_airborne_terrain_is_centimetres(tile):
    # Airborne terrain models are good to a few centimetres from cell to cell: common practice.
    assert 0.001 < relief.noise_level_m(tile) < 0.1
