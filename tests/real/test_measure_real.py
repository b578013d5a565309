"""Measuring drains on open airborne terrain: LiDAR © Kartverket (hoydedata.no), CC BY 4.0."""

from __future__ import annotations

import os
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

from peatwright.drains.measure import Measured, measure
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import MeasureRules

GROUND = Path(os.environ.get("PEATWRIGHT_GROUND", Path(__file__).parents[3] / "shared" / "ground"))


def ditches(lines: str) -> tuple[gpd.GeoDataFrame, Raster, gpd.GeoDataFrame]:
    folder = GROUND / "drained_basin"
    if not folder.exists():
        pytest.skip("the real terrain is not here; set PEATWRIGHT_GROUND to its folder")
    with rasterio.open(folder / "dtm.tif") as data:
        values = data.read(1, masked=True).astype(np.float32).filled(np.nan)
        at = data.transform
        dtm = Raster(values, Grid(at.c, at.f, at.a, -at.e, *values.shape, str(data.crs)))
    read = gpd.read_file(folder / lines)
    read = read[(read.kind == "ditch") & (read.certainty <= 2)].reset_index(drop=True)
    given = gpd.GeoDataFrame(
        {"given_id": read.id.astype(str), "name": read.id.astype(str), "kind": read.kind},
        geometry=read.geometry.to_numpy(),
        crs=read.crs,
    )
    return read, dtm, given


@pytest.fixture(scope="module")
def basin() -> tuple[gpd.GeoDataFrame, Measured]:
    read, dtm, given = ditches("lines_a.geojson")
    return read, measure(dtm, given, MeasureRules())


def test_ditches_are_measured(basin: tuple[gpd.GeoDataFrame, Measured]) -> None:
    """The folder's note: drains mostly 0.3 to 0.6 m deep; vertices within 1.5 m of the bed."""
    read, done = basin
    r = done.report
    print(r)
    assert r.length_m == pytest.approx(read.length.sum(), rel=0.05)
    assert r.shift_mean_m < 0.5
    assert r.unseen_m < 0.15 * r.length_m
    t = done.stations[done.stations.measured]
    assert 0.2 < t.depth_m.median() < 0.6
    assert t.depth_m.between(0.08, 1.2).all()
    assert 1.0 < t.top_width_m.median() < 3.5
    assert (t.bottom_width_m <= t.top_width_m + 1e-9).all()
    assert (t.bed_level_m < t[["left_level_m", "right_level_m"]].min(axis=1)).all()


def test_depth_agrees_with_the_reading_by_eye(basin: tuple[gpd.GeoDataFrame, Measured]) -> None:
    """Beside the depth in local relief that the reading gives for each line, by rank and size."""
    read, done = basin
    t = done.stations[done.stations.measured]
    tree = shapely.STRtree(read.geometry.to_numpy())
    line = tree.nearest(t.geometry.to_numpy())
    ours = t.groupby(line).depth_m.median()
    theirs = read.median_relief_depth_m[ours.index]
    assert np.corrcoef(ours, theirs)[0, 1] > 0.7
    assert (ours - theirs).median() == pytest.approx(0.0, abs=0.12)


def test_two_readings_give_one_bed(basin: tuple[gpd.GeoDataFrame, Measured]) -> None:
    """Lines drawn by another eye are pulled to the same bed and give the same depth."""
    _, dtm, other = ditches("lines_b.geojson")
    a = basin[1].stations
    b = measure(dtm, other, MeasureRules(), upslope=False).stations
    a, b = a[a.measured], b[b.measured]
    near, gap = shapely.STRtree(b.geometry.to_numpy()).query_nearest(
        a.geometry.to_numpy(), return_distance=True, all_matches=False
    )
    close = gap < 1.0
    assert close.mean() > 0.8
    pairs = near[:, close]
    depth = a.depth_m.to_numpy()[pairs[0]] - b.depth_m.to_numpy()[pairs[1]]
    bed = a.bed_level_m.to_numpy()[pairs[0]] - b.bed_level_m.to_numpy()[pairs[1]]
    print("two readings:", np.quantile(bed, [0.05, 0.95]), np.quantile(depth, [0.05, 0.95]))
    assert abs(np.median(bed)) < 0.01
    assert np.quantile(np.abs(bed), 0.8) < 0.05


def test_water_gathers_downstream(basin: tuple[gpd.GeoDataFrame, Measured]) -> None:
    done = basin[1]
    d = done.drains[(done.drains.direction_from == "levels") & (done.drains.length_m > 30)]
    assert (d.fall_m.dropna() > -0.1).mean() > 0.95
    # Away from its two ends, where the water of other drains is near.
    t = done.stations[done.stations.drain_id.isin(d.drain_id)]
    grows = [
        np.median(np.diff(rows.upslope_area_m2.to_numpy()[5:-5]) >= 0.0)
        for _, rows in t.groupby("drain_id")
    ]
    assert np.mean(grows) > 0.9
