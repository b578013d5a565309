"""The GeoPackage round-trips every declared layer and describes its columns by the standard."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from peatwright.model.columns import Layer, empty
from peatwright.model.errors import ColumnError, StoreError
from peatwright.model.layers import LAYERS
from peatwright.packs.geopackage import described, read_layer, write_layers

CRS = "EPSG:27700"


def made_up(layer: Layer, rows: int, seed: int = 7) -> pd.DataFrame:
    """Fill a layer with values of every kind it allows, empty ones included."""
    dice = np.random.default_rng(seed)
    data: dict[str, object] = {}
    for column in layer.columns:
        if column.kind == "text":
            choices = column.choices or ("D1", "=1+1", "naïve, 'quoted' \"text\"\nand Łódź ✓")
            texts = dice.choice(np.array(choices, dtype=object), rows)
            data[column.name] = pd.Series(
                np.where(dice.random(rows) < 0.4, "", texts) if column.empty else texts, dtype="str"
            )
        elif column.kind == "bool":
            data[column.name] = dice.random(rows) < 0.5
        elif column.kind == "int":
            data[column.name] = dice.integers(1, 2**40, rows)
        else:
            low = column.low or 0.0
            top = column.high if column.high is not None else low + 1234.5
            values = low + dice.random(rows) * (top - low)
            data[column.name] = np.where(column.empty & (dice.random(rows) < 0.4), np.nan, values)
    if layer.geometry == "none":
        return pd.DataFrame(data)
    at = shapely.points(300_000 + dice.random((rows, 2)) * 1000)
    end = shapely.points(300_000 + dice.random((rows, 2)) * 1000)
    shapes = {
        "Point": at,
        "LineString": shapely.linestrings(
            np.stack([shapely.get_coordinates(at), shapely.get_coordinates(end)], axis=1)
        ),
        "Polygon": shapely.box(
            shapely.get_x(at), shapely.get_y(at), shapely.get_x(at) + 5, shapely.get_y(at) + 5
        ),
    }
    return gpd.GeoDataFrame(data, geometry=shapes[layer.geometry], crs=CRS)


@pytest.mark.parametrize("rows", [0, 1, 50])
def test_every_layer_comes_back_as_it_went(tmp_path: Path, rows: int) -> None:
    path = tmp_path / "site.gpkg"
    tables = {
        name: made_up(layer, rows) if rows else empty(layer, CRS) for name, layer in LAYERS.items()
    }
    kept = {name: table.copy() for name, table in tables.items()}
    write_layers(path, tables, CRS)
    for name, layer in LAYERS.items():
        back = read_layer(path, name, layer)
        pd.testing.assert_frame_equal(
            pd.DataFrame(back).drop(columns="geometry", errors="ignore"),
            pd.DataFrame(kept[name]).drop(columns="geometry", errors="ignore"),
            check_exact=True,
        )
        if layer.geometry != "none":
            assert back.crs == CRS
            assert (back.geometry.to_wkb() == kept[name].geometry.to_wkb()).all()


def test_meanings_are_where_the_standard_puts_them(tmp_path: Path) -> None:
    """OGC 12-128r18, tables 4 (gpkg_contents) and 41 (gpkg_data_columns); memory."""
    path = tmp_path / "site.gpkg"
    write_layers(path, {n: made_up(layer, 3) for n, layer in LAYERS.items()}, CRS)
    with sqlite3.connect(path) as file:
        contents = {
            name: (kind, text)
            for name, kind, text in file.execute(
                "SELECT table_name, data_type, description FROM gpkg_contents"
            )
        }
        columns = {
            (table, column): text
            for table, column, text in file.execute(
                "SELECT table_name, column_name, description FROM gpkg_data_columns"
            )
        }
        extensions = file.execute(
            "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'"
        ).fetchall()
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert not file.execute("PRAGMA foreign_key_check").fetchall()
        (application,) = file.execute("PRAGMA application_id").fetchone()
    assert application == int.from_bytes(b"GPKG", "big")
    assert {"gpkg_data_columns", "gpkg_data_column_constraints"} == {t for (t,) in extensions}
    assert columns["stations", "depth_m"].endswith("[m]")
    for name, layer in LAYERS.items():
        kind = "attributes" if layer.geometry == "none" else "features"
        assert contents[name] == (kind, layer.means)
        for column in layer.columns:
            assert columns[name, column.name] == described(column)
            assert column.unit in columns[name, column.name]


def test_gdal_reads_types_and_geometry(tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    write_layers(path, {n: made_up(layer, 3) for n, layer in LAYERS.items()}, CRS)
    listed = dict(pyogrio.list_layers(path))
    assert set(listed) == set(LAYERS)
    assert listed["stations"] == "Point"
    assert listed["quantities"] is None
    info = pyogrio.read_info(path, layer="stations")
    held = dict(zip(info["fields"], info["dtypes"], strict=True))
    assert info["crs"] == CRS
    assert held["seen"] == "bool"
    assert held["depth_m"] == "float64"


def test_same_tables_same_bytes(tmp_path: Path) -> None:
    tables = {n: made_up(layer, 20) for n, layer in LAYERS.items()}
    one, two = tmp_path / "one.gpkg", tmp_path / "two.gpkg"
    write_layers(one, tables, CRS)
    time.sleep(0.02)  # GDAL writes the time in milliseconds
    write_layers(two, tables, CRS)
    write_layers(two, tables, CRS)
    assert one.read_bytes() == two.read_bytes()


def test_faults_are_said(tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    nodes = made_up(LAYERS["nodes"], 3)
    with pytest.raises(ColumnError, match="level_m"):
        write_layers(path, {"nodes": nodes.drop(columns="level_m")}, CRS)
    with pytest.raises(ColumnError, match="CRS"):
        write_layers(path, {"nodes": nodes.to_crs("EPSG:2157")}, CRS)
    assert not path.exists()
    with pytest.raises(StoreError, match=r"site\.gpkg"):
        read_layer(path, "nodes", LAYERS["nodes"])
    write_layers(path, {"nodes": nodes}, CRS)
    with pytest.raises(StoreError, match="drains"):
        read_layer(path, "drains", LAYERS["drains"])
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(StoreError):
        read_layer(path, "nodes", LAYERS["nodes"])
    with pytest.raises(StoreError):
        write_layers(tmp_path / "absent" / "site.gpkg", {"nodes": nodes}, CRS)
