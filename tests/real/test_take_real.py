"""Real ground points, gridded, against the terrain that others made of the same points."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import rasterio

from peatwright.model.rules import Rules
from peatwright.site.given import Given
from peatwright.site.take import take

HOME = Path(__file__).parents[3] / "shared" / "ground"
FOLDER = Path(os.environ.get("PEATWRIGHT_GROUND", HOME)) / "drained_basin"


@pytest.mark.skipif(not FOLDER.exists(), reason="the real terrain is not here: PEATWRIGHT_GROUND")
def test_points_grid_to_the_terrain_made_of_them() -> None:
    taken = take(Given(dtm=(FOLDER / "points.laz",), drains=(FOLDER / "lines_a.geojson",)), Rules())
    with rasterio.open(FOLDER / "dtm.tif") as held:
        levels = held.read(1, masked=True).filled(np.nan)
        assert taken.dtm.grid.bounds == tuple(held.bounds)
    off = np.abs(taken.dtm.values - levels)
    both = np.isfinite(off)
    # Both are linear interpolation of ground and water points; theirs is rounded to 1 cm, so that
    # all but ties of triangles must lie within 5 mm.
    assert both.mean() > 0.999
    assert (off[both] <= 0.0051).mean() > 0.9999
    assert off[both].max() < 0.10
    assert taken.crs == "EPSG:25832"
    # Lines read by eye are ordinary good lines but for what a person must look at.
    assert {f.severity for f in taken.faults} <= {"look"}
