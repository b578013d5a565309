"""Files for machines, handsets and maps, opened again by readers that know nothing of us."""

from __future__ import annotations

import csv
import json
import zipfile
from pathlib import Path

import ezdxf
import fastkml
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely
from fastkml import validator
from packs_layout import ODD_NAME, make

from peatwright.packs.exchange.dxf import LAYERS, write_dxf
from peatwright.packs.exchange.kml import kml_bytes, write_kml
from peatwright.packs.exchange.shapes import Works, works_of
from peatwright.packs.exchange.tables import write_points
from peatwright.packs.exchange.vectors import write_all_geojson, write_shapefiles
from peatwright.packs.info import PackInfo
from peatwright.packs.version import Issue
from peatwright.packs.words import words

INFO = PackInfo("Test Moss", True, "Ground made by a formula.", "2031-03-03", "a1b2c3d4e5", "0.1")
ISSUE = Issue(1, "2031-03-03", "ABC123")
IRISH = "EPSG:2157"
"""PROJ needs no grid file from here to WGS 84, so its own answer is the check."""
Tables = dict[str, pd.DataFrame]
Made = tuple[Path, Tables, Works]
CASES = ("plain", "odd", "nothing")


def write(folder: Path, tables: Tables, crs: str = IRISH) -> Works:
    works = works_of(tables["items"], crs)
    write_points(folder / "points.csv", works)
    write_all_geojson(folder, works, tables, crs)
    write_shapefiles(folder, works, tables, crs)
    write_kml(folder / "site.kml", kml_bytes(works, tables, crs, INFO, ISSUE, words()))
    write_dxf(folder / "layout.dxf", works, tables)
    return works


@pytest.fixture(scope="module", params=CASES)
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp(request.param)
    if request.param == "odd":
        tables, _ = make(2, 60.0, names=(ODD_NAME,) * 2, crs=IRISH)
        tables["items"]["note"] = ODD_NAME
        tables["limits"]["name"] = ODD_NAME
    else:
        tables, _ = make(6 if request.param == "plain" else 0, 120.0, crs=IRISH)
    return folder, tables, write(folder, tables)


def back(lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    x, y = pyproj.Transformer.from_crs(4326, 2157, always_xy=True).transform(lon, lat)
    return np.asarray(x), np.asarray(y)


def test_geojson_as_the_standard_asks(made: Made) -> None:
    """RFC 7946: WGS 84, longitude first, no `crs` member, outer rings anticlockwise (memory)."""
    folder, tables, _ = made
    for name in ("items", "drains", "limits"):
        held = json.loads((folder / f"{name}.geojson").read_text(encoding="utf-8"))
        assert held["type"] == "FeatureCollection"
        assert "crs" not in held
        assert len(held["features"]) == len(tables[name])
        for feature in held["features"]:
            shape = shapely.geometry.shape(feature["geometry"])
            west, south, east, north = shape.bounds
            assert -14 < west <= east < -4
            assert 50 < south <= north < 57
            if shape.geom_type == "Polygon":
                assert shape.exterior.is_ccw
            assert "name" in feature["properties"]


def test_geojson_lies_where_the_layout_lies(made: Made) -> None:
    folder, tables, _ = made
    if not len(tables["items"]):
        pytest.skip("nothing to compare in an empty layout")
    read = pyogrio.read_dataframe(folder / "items.geojson")
    flat = shapely.get_coordinates(read.geometry.to_numpy())
    x, y = back(flat[:, 0], flat[:, 1])
    given = shapely.get_coordinates(tables["items"].geometry.to_numpy())
    assert np.hypot(x - given[:, 0], y - given[:, 1]).max() < 0.005
    assert read["item_id"].tolist() == tables["items"]["item_id"].tolist()


def test_kml_holds_to_its_schema(made: Made) -> None:
    """OGC 07-147r2, ogckml22.xsd as the library fastkml carries it."""
    folder, tables, _ = made
    assert validator.validate(file_to_validate=folder / "site.kml")
    read = fastkml.KML.parse(folder / "site.kml")
    document = read.features[0]
    folders = {f.name: list(f.features) for f in document.features}
    items = tables["items"]
    assert len(folders["Dams"]) == (items["kind"] == "dam").sum()
    assert len(folders["Drains"]) == len(tables["drains"])
    assert len(folders["Not to be touched"]) == len(tables["limits"])


def test_kmz_is_the_same_kml(made: Made) -> None:
    folder, _, _ = made
    with zipfile.ZipFile(folder / "site.kmz") as archive:
        assert archive.namelist() == ["doc.kml"]
        assert archive.read("doc.kml") == (folder / "site.kml").read_bytes()


def test_kml_points_lie_on_their_dams(made: Made) -> None:
    folder, tables, _ = made
    dams = tables["items"][tables["items"]["kind"] == "dam"].reset_index()
    if not len(dams):
        pytest.skip("no dams in an empty layout")
    read = pyogrio.read_dataframe(folder / "site.kml", layer="Dams")
    x, y = back(read.geometry.x.to_numpy(), read.geometry.y.to_numpy())
    assert np.hypot(x - dams["x_m"], y - dams["y_m"]).max() < 0.005


def test_shapefiles(made: Made) -> None:
    """Field names hold ten letters and texts 254 bytes (ESRI Shapefile and dBASE III; memory)."""
    folder, tables, works = made
    items = tables["items"]
    for name, count in (
        ("dams", (items["kind"] == "dam").sum()), ("runs", (items["kind"] != "dam").sum()),
        ("drains", len(tables["drains"])), ("limits", len(tables["limits"])),
    ):  # fmt: skip
        info = pyogrio.read_info(folder / f"{name}.shp")
        assert info["features"] == count
        assert all(len(f) <= 10 for f in info["fields"])
        assert len(set(info["fields"])) == len(info["fields"])
        assert info["encoding"] == "UTF-8"
        assert pyproj.CRS(info["crs"]).name.startswith("IRENET95")
    if len(works.records):
        read = pyogrio.read_dataframe(folder / "dams.shp")
        dams = items[items["kind"] == "dam"].reset_index()
        np.testing.assert_allclose(read.geometry.x, dams["x_m"], atol=1e-6)
        np.testing.assert_allclose(read["crest_m"], dams["crest_level_m"], atol=1e-6)


def test_dxf_stands_its_audit(made: Made) -> None:
    folder, tables, _ = made
    doc = ezdxf.readfile(folder / "layout.dxf")
    audit = doc.audit()
    assert not audit.errors
    assert not audit.fixes
    assert doc.header["$INSUNITS"] == 6  # metres (DXF reference; memory)
    assert set(LAYERS) <= {layer.dxf.name for layer in doc.layers}
    space = doc.modelspace()
    items = tables["items"]
    dams = items[items["kind"] == "dam"]
    points = [p.dxf.location for p in space.query('POINT[layer=="DAM_POINT"]')]
    assert len(points) == len(dams)
    if len(dams):
        at = np.array([[p.x, p.y, p.z] for p in points])
        np.testing.assert_allclose(at, dams[["x_m", "y_m", "crest_level_m"]], atol=1e-6)
    crests = list(space.query('POLYLINE[layer=="DAM_CREST"]'))
    assert len(crests) == len(dams)
    assert all(line.is_3d_polyline for line in crests)


def test_dxf_drains_follow_the_measured_bed_and_stop_where_it_is_not_known(made: Made) -> None:
    folder, tables, _ = made
    space = ezdxf.readfile(folder / "layout.dxf").modelspace()
    stations = tables["stations"]
    known = stations[np.isfinite(stations["bed_level_m"])]
    lines = list(space.query('POLYLINE[layer=="DRAIN_BED"]'))
    at = np.array([[v.dxf.location.x, v.dxf.location.y, v.dxf.location.z]
                   for line in lines for v in line.vertices]).reshape(-1, 3)  # fmt: skip
    assert len(at) == len(known)
    np.testing.assert_allclose(np.sort(at[:, 2]), np.sort(known["bed_level_m"]), atol=1e-6)


def test_unknown_levels_are_not_dug_to(tmp_path: Path) -> None:
    tables, _ = make(1, 60.0, crs=IRISH)
    tables["items"]["crest_level_m"] = np.nan
    tables["stations"]["bed_level_m"] = np.nan
    write(tmp_path, tables)
    space = ezdxf.readfile(tmp_path / "layout.dxf").modelspace()
    for layer in ("DAM_POINT", "DAM_CREST", "DRAIN_BED", "ZIP"):
        assert not list(space.query(f'*[layer=="{layer}"]'))
    assert list(space.query('POINT[layer=="DAM_POINT_FLAT"]'))
    assert list(space.query('LWPOLYLINE[layer=="ZIP_FLAT"]'))


def test_points_say_every_coordinate(tmp_path: Path) -> None:
    """British National Grid: the square's letters with the last five figures of each coordinate."""
    tables, _ = make(2, 60.0, crs="EPSG:27700")
    write(tmp_path, tables, "EPSG:27700")
    with (tmp_path / "points.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [r["Item"] for r in rows] == tables["items"]["item_id"].tolist()
    for row in rows:
        east, north = float(row["Easting [m]"]), float(row["Northing [m]"])
        assert row["National grid"] == f"NS {int(east) % 100_000:05d} {int(north) % 100_000:05d}"
        assert 50 < float(row["Latitude WGS 84 [°]"]) < 60
        assert -8 < float(row["Longitude WGS 84 [°]"]) < 2


def test_points_of_odd_names_are_no_formulas(tmp_path: Path) -> None:
    """OWASP, CSV Injection (read from memory)."""
    tables, _ = make(1, 60.0, crs=IRISH)
    tables["items"]["note"] = ODD_NAME
    write(tmp_path, tables)
    with (tmp_path / "points.csv").open(encoding="utf-8-sig", newline="") as file:
        notes = [r["Note"] for r in csv.DictReader(file)]
    assert notes
    assert all(n.startswith("'=HYPERLINK") for n in notes)


def test_tables_stay_as_they_were(tmp_path: Path) -> None:
    tables, _ = make(2, 60.0, crs=IRISH)
    before = {n: t.copy() for n, t in tables.items()}
    write(tmp_path, tables)
    for name, table in tables.items():
        pd.testing.assert_frame_equal(pd.DataFrame(table), pd.DataFrame(before[name]))
