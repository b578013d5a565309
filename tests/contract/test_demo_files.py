"""The demo's given files are ordinary files that general-purpose readers open."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely

from peatwright.demo import DemoSite, write_demo
from peatwright.demo.figures import Figures
from peatwright.model.cited import citations
from peatwright.model.layers import LIMIT_KINDS

SCALE = 0.3


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> DemoSite:
    return write_demo(tmp_path_factory.mktemp("demo"), scale=SCALE)


def frame(path: Path, layer: str | None = None) -> pd.DataFrame:
    return pyogrio.read_dataframe(path, layer=layer)


def test_every_path_is_there(site: DemoSite) -> None:
    for field in dataclasses.fields(site):
        value = getattr(site, field.name)
        if isinstance(value, Path):
            assert value.exists(), field.name


def test_the_terrain_is_a_plain_geotiff(site: DemoSite) -> None:
    with rasterio.open(site.dtm) as src:
        assert src.dtypes == ("float32",)
        assert src.crs.to_epsg() == 27700
        assert src.res == (0.5, 0.5)
        assert src.nodata is not None
        z = src.read(1, masked=True)
    assert 0.0 < z.mask.mean() < 0.06
    assert np.isfinite(z.compressed()).all()


@pytest.mark.parametrize(
    ("role", "kinds"),
    [
        ("drains", {"LineString"}),
        ("boundary", {"Polygon"}),
        ("nogo", {"LineString", "Polygon", "Point"}),
    ],
)
def test_layers_open_in_the_right_crs_and_lie_on_the_terrain(
    site: DemoSite, role: str, kinds: set[str]
) -> None:
    path = getattr(site, role)
    assert [name for name, _ in pyogrio.list_layers(path)] == [role]
    table = frame(path)
    assert table.crs.to_epsg() == 27700
    assert set(table.geom_type) == kinds
    assert table.is_valid.all()
    assert (table["name"] != "").all()
    with rasterio.open(site.dtm) as src:
        ground = shapely.box(*src.bounds).buffer(0.01)
    assert table.within(ground).all()


def test_nogo_kinds_are_those_the_program_knows(site: DemoSite) -> None:
    kinds = set(frame(site.nogo)["kind"])
    assert kinds <= set(LIMIT_KINDS)
    assert {"heritage", "overhead line", "watercourse", "track", "buried service"} <= kinds


def test_drawn_lines_are_near_the_true_ones_but_not_on_them(site: DemoSite) -> None:
    drawn = frame(site.drains).set_index("name")
    true = frame(site.truth, "centrelines").set_index("name")
    assert set(drawn.index) == set(true.index[true["given"]])
    against = 0
    for name, line in drawn.geometry.items():
        real = true.geometry[name]
        corners = shapely.points(line.coords)
        off = shapely.distance(corners, real)
        # Hand drawing is 0.3 to 1.2 m off; ends wander by a few metres along the line.
        assert off[1:-1].max(initial=0.0) <= 1.25, name
        assert off.max() > 0.2, name
        assert real.length / len(corners) > 6.0, name
        against += real.project(corners[0]) > real.project(corners[-1])
    assert 0 < against < 0.5 * len(drawn)
    touching = shapely.distance(
        shapely.points([g.coords[-1] for g in drawn.geometry]), shapely.unary_union(true.geometry)
    )
    assert touching.max() < 3.0


def test_tables_have_numbers_in_metres(site: DemoSite) -> None:
    probes = pd.read_csv(site.probes)
    depths = pd.read_csv(site.depths)
    assert {"Easting", "Northing", "Peat_depth_m"} <= set(probes.columns)
    assert {"Easting", "Northing", "Depth_m"} <= set(depths.columns)
    assert probes["Peat_depth_m"].between(0.0, 4.5).all()
    assert depths["Depth_m"].between(0.1, 1.7).all()
    with rasterio.open(site.dtm) as src:
        west, south, east, north = src.bounds
    for table in (probes, depths):
        assert table["Easting"].between(west, east).all()
        assert table["Northing"].between(south, north).all()


def test_hand_depths_are_deeper_than_the_terrain_shows(site: DemoSite) -> None:
    depths = pd.read_csv(site.depths)
    truth = frame(site.truth, "stations")
    truth = truth[(truth["kind"] == "drain") & (truth["state"] == "open")]
    more = []
    for row in depths.itertuples():
        own = truth[truth["drain"] == row.Drain]
        at = np.hypot(own["x_m"] - row.Easting, own["y_m"] - row.Northing).idxmin()
        assert abs(row.Depth_m - own["depth_dug_m"][at]) < 0.25
        more.append(row.Depth_m - own["depth_dtm_m"][at])
    assert 0.05 < np.mean(more) < 0.25


def test_it_says_first_of_all_that_it_is_invented(site: DemoSite) -> None:
    text = site.readme.read_text("utf-8")
    assert "invented" in text.splitlines()[0]
    assert "open sea" in text
    for table in (frame(site.boundary), frame(site.nogo)):
        assert table["name"].str.contains("invented").all()


def test_a_scale_out_of_range_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="scale"):
        write_demo(tmp_path, scale=0.01)


def test_every_size_has_a_unit_a_range_and_a_source_or_says_it_is_ours() -> None:
    held = citations(Figures)
    assert len(held) == len(dataclasses.fields(Figures))
    for name, value in held.items():
        assert value.unit, name
        assert value.low is not None, name
        assert value.source or value.read in {"judgement", "memory"}, name
