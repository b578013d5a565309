"""A published drain cross-section, built as terrain and measured."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from peatwright.drains.measure import Measured, measure
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import MeasureRules

# New drains in Swaledale on a slope of 7 degrees: top 68 cm, bottom 30 cm, depth 36 cm, sides 28
# degrees, cross-section 1,764 cm². Game & Wildlife Conservation Trust, "Erosion and moorland
# drainage". That the sides are measured from the vertical follows from the other figures.
TOP_M, BOTTOM_M, DEPTH_M = 0.68, 0.30, 0.36
AREA_M2 = 0.1764
SIDE_DEG = 28.0
CELL_M = 0.05
CRS = "EPSG:27700"


def swaledale(across: float, along: float) -> Measured:
    """Measure a straight drain of that section, running east down a plane."""
    grid = Grid(0.0, 24.0, CELL_M, CELL_M, 480, 800, CRS)
    x = (np.arange(grid.cols) + 0.5) * CELL_M
    y = grid.y_top_m - (np.arange(grid.rows) + 0.5) * CELL_M
    off = np.abs(y - 12.0)
    face = np.clip((off - BOTTOM_M / 2) / ((TOP_M - BOTTOM_M) / 2), 0.0, 1.0)
    cut = DEPTH_M * (1.0 - face)
    z = 300.0 + across * (y - 12.0)[:, None] - along * x[None, :] - cut[:, None]
    line = gpd.GeoDataFrame(
        {"given_id": ["a"], "name": [""], "kind": [""]},
        geometry=[shapely.LineString([(1.0, 12.2), (39.0, 12.1)])],
        crs=CRS,
    )
    rules = MeasureRules(section_step_m=0.1, section_half_m=10.0)
    return measure(Raster(z.astype(np.float32), grid), line, rules)


@pytest.mark.parametrize(("across", "along"), [(0.0, 0.005), (0.0, float(np.tan(np.radians(7.0))))])
def test_section_of_a_new_drain(across: float, along: float) -> None:
    """Depth, widths, area and side angle come back as published; so does the slope of the bed."""
    done = measure_middle(swaledale(across, along))
    assert done["depth_m"] == pytest.approx(DEPTH_M, abs=0.005)
    assert done["top_width_m"] == pytest.approx(TOP_M, abs=0.05)
    assert done["bottom_width_m"] == pytest.approx(BOTTOM_M, abs=0.05)
    area = 0.5 * (done["top_width_m"] + done["bottom_width_m"]) * done["depth_m"]
    assert area == pytest.approx(AREA_M2, rel=0.05)
    side = np.degrees(
        np.arctan(0.5 * (done["top_width_m"] - done["bottom_width_m"]) / done["depth_m"])
    )
    assert side == pytest.approx(SIDE_DEG, abs=3.0)
    assert done["bed_gradient_ratio"] == pytest.approx(along, abs=0.0005)
    assert done["sag_left_width_m"] == 0.0
    assert done["spoil_left_height_m"] == 0.0


def test_section_across_a_hillside() -> None:
    """Across a slope of 7 degrees the lower shoulder counts, and the slope is found."""
    slope = float(np.tan(np.radians(7.0)))
    done = measure_middle(swaledale(slope, 0.005))
    # Levels rise to the north, which is on the left of a drain that runs east.
    assert done["cross_slope_ratio"] == pytest.approx(slope, abs=0.002)
    assert done["left_level_m"] - done["right_level_m"] == pytest.approx(TOP_M * slope, abs=0.02)
    assert done["ground_level_m"] - done["bed_level_m"] == pytest.approx(DEPTH_M, abs=0.03)
    assert done["right_fall_m"] == pytest.approx(6.0 * slope, abs=0.01)
    assert done["left_fall_m"] == pytest.approx(-6.0 * slope, abs=0.01)


def measure_middle(done: Measured) -> dict[str, float]:
    """Medians of the stations away from the ends."""
    table = done.stations[(done.stations.chainage_m > 5) & (done.stations.chainage_m < 33)]
    assert table.measured.all()
    assert set(table.spoil_side) == {"none"}
    return {c: float(table[c].median()) for c in table.columns if table[c].dtype == np.float64}
