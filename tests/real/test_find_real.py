"""Drains found in real terrain, against two readings of it by eye.

LiDAR © Kartverket, hoydedata.no, CC BY 4.0. Ditches of certainty 1 and 2 count; other kinds and
certainty 3 are left out of both sides.
"""

import os
from pathlib import Path

import numpy as np
import pytest

from peatwright.drains.find.score import match_lines
from peatwright.drains.find.tiles import find_drains
from peatwright.model.find_rules import FindRules
from peatwright.model.raster import Grid, Raster

GROUND = Path(
    os.environ.get(
        "PEATWRIGHT_GROUND", Path(__file__).resolve().parents[3] / "shared" / "ground"
    )
)  # fmt: skip
pytestmark = pytest.mark.skipif(
    not GROUND.is_dir(), reason="the real terrain is not here: set PEATWRIGHT_GROUND"
)


def found_in(name):
    import rasterio

    with rasterio.open(GROUND / name / "dtm.tif") as r:
        z = r.read(1, masked=True).filled(np.nan).astype(np.float32)
        t = r.transform
    return find_drains(Raster(z, Grid(t.c, t.f, t.a, -t.e, *z.shape, "EPSG:25832")), FindRules())


def reading(name, who):
    import geopandas as gpd

    g = gpd.read_file(GROUND / name / f"lines_{who}.geojson")
    area = gpd.read_file(GROUND / name / f"area_{who}.geojson").union_all()
    ditch = (g.kind == "ditch") & (g.certainty <= 2)
    return g[ditch].union_all(), g[~ditch].union_all(), area


def drains(found, least):
    d = found.lines[(found.lines.kind == "drain") & (found.lines.confidence >= least)]
    return d.union_all()


@pytest.mark.parametrize(("name", "goal"), [("drained_basin", 0.90), ("two_drained_plots", 0.80)])
def test_drains_match_the_readings(name, goal):
    found = found_in(name)
    scores = []
    for who in "ab":
        known, other, area = reading(name, who)
        m = match_lines(drains(found, 0.5), known, area, other)
        scores.append(m.f1_ratio)
        assert m.offset_m < 0.3
    assert np.mean(scores) >= goal


def test_ground_without_drains_has_hardly_any_sure_ones():
    found = found_in("no_drains")
    _, _, area = reading("no_drains", "a")
    sure = drains(found, 0.8).intersection(area).length
    assert sure / (area.area / 1e4) < 5.0


def test_sure_lines_are_mostly_real():
    found = found_in("two_drained_plots")
    known, other, area = reading("two_drained_plots", "b")
    m = match_lines(drains(found, 0.8), known, area, other)
    assert m.precision_ratio > 0.8
