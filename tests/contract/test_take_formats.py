"""The same lines, polygons and points come out of every format, and tricks in files do nothing."""

from __future__ import annotations

import io
import shutil
import time
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import Transformer
from take_files import CRS, DRAIN, SITE, X, Y, at, faults, layer, line, only_fault, text, tiff

from peatwright.model.rules import Rules
from peatwright.site.given import Given
from peatwright.site.take import Taken, take

# Ireland's grid stands on ETRS89, so that the way from WGS 84 is PROJ's own and exact.
IRISH = "EPSG:2157"
OTHER = line((60, 50), (65, 20))


@pytest.fixture(scope="module")
def terrain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiff(tmp_path_factory.mktemp("ground") / "dtm.tif")


@pytest.fixture(scope="module")
def irish(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiff(tmp_path_factory.mktemp("irish") / "dtm.tif", crs=IRISH, transform=_irish())


def _irish():
    from rasterio.transform import from_origin

    return from_origin(500_000, 700_060, 0.5, 0.5)


HERE = [
    shapely.LineString([(500_010, 700_050), (500_020.5, 700_040.25), (500_030, 700_010)]),
    shapely.LineString([(500_060, 700_050), (500_065, 700_020)]),
]


def in_degrees(shapes: list[shapely.LineString]) -> list[shapely.LineString]:
    go = Transformer.from_crs(IRISH, 4326, always_xy=True)
    return [shapely.LineString(list(zip(*go.transform(*s.xy), strict=True))) for s in shapes]


def kml(path: Path, shapes: list[shapely.LineString], names: tuple[str, ...]) -> Path:
    marks = "".join(
        f"<Placemark><name>{n}</name><LineString><coordinates>"
        + " ".join(f"{x:.9f},{y:.9f},0" for x, y in s.coords)
        + "</coordinates></LineString></Placemark>"
        for n, s in zip(names, shapes, strict=True)
    )
    head = '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2">'
    return text(path, f"{head}<Document><Folder>{marks}</Folder></Document></kml>")


def took(given: Given) -> Taken:
    return take(given, Rules())


def close(table: gpd.GeoDataFrame, shapes: list[shapely.LineString], within_m: float) -> bool:
    pairs = zip(table.geometry, shapes, strict=True)
    return all(a.equals_exact(b, within_m) for a, b in pairs)


@pytest.mark.parametrize("ending", [".gpkg", ".shp", ".geojson"])
def test_formats_with_a_crs(irish: Path, tmp_path: Path, ending: str) -> None:
    path = layer(tmp_path / f"d{ending}", HERE, crs=IRISH, name=["one", "two"])
    taken = took(Given(dtm=(irish,), drains=(path,)))
    assert close(taken.given_drains, HERE, 1e-9)
    assert taken.given_drains["name"].tolist() == ["one", "two"]
    assert taken.faults == ()


@pytest.mark.parametrize("ending", [".geojson", ".kml", ".gpkg", ".shp"])
def test_degrees_are_moved_to_the_terrain(irish: Path, tmp_path: Path, ending: str) -> None:
    names = ("one", "two")
    if ending == ".kml":
        path = kml(tmp_path / "d.kml", in_degrees(HERE), names)
    else:
        path = layer(tmp_path / f"d{ending}", in_degrees(HERE), crs="EPSG:4326", Name=names)
    taken = took(Given(dtm=(irish,), drains=(path,)))
    # Seven decimals of a degree in GeoJSON are 1 cm.
    assert close(taken.given_drains, HERE, 0.011)
    assert taken.given_drains["name"].tolist() == ["one", "two"]


def test_gpx_tracks_and_waypoints(irish: Path, tmp_path: Path) -> None:
    tracks = "".join(
        f"<trk><name>{n}</name><trkseg>"
        + "".join(f'<trkpt lat="{y:.9f}" lon="{x:.9f}"/>' for x, y in s.coords)
        + "</trkseg></trk>"
        for n, s in zip(("one", "two"), in_degrees(HERE), strict=True)
    )
    x, y = in_degrees(HERE)[0].coords[0]
    point = f'<wpt lat="{y:.9f}" lon="{x:.9f}"><name>P1</name></wpt>'
    path = text(
        tmp_path / "d.gpx",
        '<?xml version="1.0"?><gpx version="1.1" creator="x" '
        f'xmlns="http://www.topografix.com/GPX/1/1">{point}{tracks}</gpx>',
    )
    taken = took(Given(dtm=(irish,), drains=(path,), nogo=(path,)))
    assert close(taken.given_drains, HERE, 1e-3)
    assert len(taken.limits) == 3
    fault = only_fault(Given(dtm=(irish,), probes=(path,)))
    assert "column for the peat depth" in fault.allowed


def test_kmz(irish: Path, tmp_path: Path) -> None:
    inside = kml(tmp_path / "d.kml", in_degrees(HERE), ("one", "two"))
    with zipfile.ZipFile(tmp_path / "d.kmz", "w") as out:
        # A path out of the folder inside a zip is only a name here: nothing is written.
        out.writestr("../../evil.kml", inside.read_bytes())
    taken = took(Given(dtm=(irish,), drains=(tmp_path / "d.kmz",)))
    assert close(taken.given_drains, HERE, 0.011)
    assert not (tmp_path.parent.parent / "evil.kml").exists()


def test_csv_lines_by_id_and_as_text(terrain: Path, tmp_path: Path) -> None:
    rows = [("b", 2, *at((65, 20))[0]), ("a", 1, *DRAIN.coords[0]), ("b", 1, *at((60, 50))[0]),
            ("a", 3, *DRAIN.coords[2]), ("a", 2, *DRAIN.coords[1])]  # fmt: skip
    words = "drain_id,order,x,y\n" + "".join(",".join(map(str, r)) + "\n" for r in rows)
    table = took(
        Given(dtm=(terrain,), drains=(text(tmp_path / "d.csv", words),), crs=CRS)
    ).given_drains
    assert close(table, [OTHER, DRAIN], 0.0)
    wkt = f'id,WKT\n1,"{DRAIN.wkt}"\n2,"{OTHER.wkt}"\n'
    table = took(
        Given(dtm=(terrain,), drains=(text(tmp_path / "w.csv", wkt),), crs=CRS)
    ).given_drains
    assert close(table, [DRAIN, OTHER], 0.0)
    without = "x,y\n1,2\n3,4\n"
    fault = only_fault(Given(dtm=(terrain,), drains=(text(tmp_path / "n.csv", without),), crs=CRS))
    assert "--columns drains:id=NAME" in fault.fix
    bad = text(tmp_path / "bad.csv", f'id,wkt\n1,"{DRAIN.wkt}"\n2,"LINESTRING (1 2, three 4)"\n')
    fault = only_fault(Given(dtm=(terrain,), drains=(bad,), crs=CRS))
    assert fault.place == "row 3, column wkt"


def test_csv_of_longitude_and_latitude(irish: Path, tmp_path: Path) -> None:
    (x, y), *_ = in_degrees(HERE)[0].coords
    path = text(tmp_path / "p.csv", f"Latitude,Longitude,depth_m\n{y:.9f},{x:.9f},1.5\n")
    given = Given(dtm=(irish,), probes=(path,))
    assert "WGS 84" in only_fault(given).fix
    point = took(given).probes.geometry[0]
    assert point.distance(shapely.Point(HERE[0].coords[0])) < 1e-3


def test_a_shapefile_without_its_parts(terrain: Path, tmp_path: Path) -> None:
    path = layer(tmp_path / "d.shp", [DRAIN])
    given = Given(dtm=(terrain,), drains=(path,))
    (tmp_path / "d.prj").unlink()
    fault = only_fault(given)
    assert (fault.place, fault.found) == ("CRS", "none")
    assert (
        took(Given(dtm=(terrain,), drains=(path,), crs=CRS)).given_drains.geometry[0].equals(DRAIN)
    )
    (tmp_path / "d.shx").unlink()
    assert ".shx" in only_fault(given).found
    assert not (tmp_path / "d.shx").exists()


def test_geojson_in_metres_that_names_no_crs(terrain: Path, tmp_path: Path) -> None:
    coords = [list(c) for c in DRAIN.coords]
    path = text(
        tmp_path / "d.geojson",
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, '
        f'"geometry": {{"type": "LineString", "coordinates": {coords}}}}}]}}',
    )
    fault = only_fault(Given(dtm=(terrain,), drains=(path,)))
    assert "no degrees" in fault.found
    assert "--crs" in fault.fix
    taken = took(Given(dtm=(terrain,), drains=(path,), crs=CRS))
    assert taken.given_drains.geometry[0].equals(DRAIN)


def test_files_cut_short_or_of_another_kind(terrain: Path, tmp_path: Path) -> None:
    whole = {e: layer(tmp_path / f"d{e}", [DRAIN]) for e in (".gpkg", ".geojson", ".shp")}
    marks = kml(tmp_path / "d.kml", in_degrees(HERE), ("one", "two"))
    for k, path in enumerate((whole[".gpkg"], whole[".geojson"], marks, whole[".shp"])):
        content = path.read_bytes()
        cut = text(tmp_path / f"cut{k}{path.suffix}", content[: max(120, len(content) // 3)])
        for side in (".shx", ".dbf", ".prj"):
            if path.suffix == ".shp":
                shutil.copy(path.with_suffix(side), cut.with_suffix(side))
        stops = [f for f in faults(Given(dtm=(terrain,), drains=(cut,))) if f.severity == "stop"]
        assert len(stops) == 1, path.suffix
        assert stops[0].file == cut.name
    for name in ("d2.gpkg", "d2.shp", "d2.geojson", "d2.kml", "d2.kmz", "d2.gpx", "d2.dwg"):
        fault = only_fault(Given(dtm=(terrain,), drains=(text(tmp_path / name, b"no such thing"),)))
        assert fault.severity == "stop"
    assert (
        "empty" in only_fault(Given(dtm=(terrain,), drains=(text(tmp_path / "e.gpkg", b""),))).found
    )
    assert "folder" in only_fault(Given(dtm=(terrain,), drains=(tmp_path,))).found


def test_a_file_without_rows(terrain: Path, tmp_path: Path) -> None:
    empty = gpd.GeoDataFrame({"name": []}, geometry=gpd.GeoSeries([], crs=CRS))
    empty.to_file(tmp_path / "d.gpkg", engine="pyogrio", geometry_type="LineString")
    assert len(faults(Given(dtm=(terrain,), drains=(tmp_path / "d.gpkg",)))) == 1


LAUGHS = (
    '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "ha">'
    + "".join(
        f'<!ENTITY {new} "{f"&{old};" * 10}">'
        for old, new in zip("abcdefghi", "bcdefghij", strict=True)
    )
    + "]>"
)  # fmt: skip


@pytest.mark.parametrize("ending", ["kml", "gpx"])
def test_a_billion_laughs_is_refused_at_once(terrain: Path, tmp_path: Path, ending: str) -> None:
    started = time.monotonic()
    for head in (LAUGHS, LAUGHS.replace('"ha"', 'SYSTEM "file:///etc/passwd"')):
        for code in ("utf-8", "utf-16"):
            bomb = f"{head}<{ending}>&j;</{ending}>".encode(code)
            fault = only_fault(
                Given(dtm=(terrain,), drains=(text(tmp_path / f"d.{ending}", bomb),))
            )
            assert fault.severity == "stop"
            assert "root:" not in fault.line()
    # Generous: unfolding the bomb takes gigabytes and minutes.
    assert time.monotonic() - started < 10


def test_a_zip_bomb_is_refused_before_it_is_unpacked(terrain: Path, tmp_path: Path) -> None:
    with (
        zipfile.ZipFile(tmp_path / "d.kmz", "w", zipfile.ZIP_DEFLATED, compresslevel=9) as out,
        out.open("doc.kml", "w") as member,
    ):
        for _ in range(201):
            member.write(b" " * (1 << 20))
    assert (tmp_path / "d.kmz").stat().st_size < 1 << 20
    fault = only_fault(Given(dtm=(terrain,), drains=(tmp_path / "d.kmz",)))
    assert "once unpacked" in fault.found


def test_a_description_of_elsewhere_cannot_pose_as_a_layer(terrain: Path, tmp_path: Path) -> None:
    vrt = (
        "<OGRVRTDataSource><OGRVRTLayer name='a'><SrcDataSource>/etc/passwd</SrcDataSource>"
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    for name in ("a.gpkg", "a.kml", "a.geojson", "a.shp"):
        assert (
            only_fault(Given(dtm=(terrain,), drains=(text(tmp_path / name, vrt),))).severity
            == "stop"
        )


def test_control_characters_in_names_do_not_reach_the_screen(terrain: Path, tmp_path: Path) -> None:
    head = "x,y,\x1b[31mdepth\x07,\n" + f"{X + 1},{Y + 1},1,\n"
    given = Given(dtm=(terrain,), probes=(text(tmp_path / "p.csv", head),), crs=CRS)
    assert "\x1b" not in "".join(f.line() for f in faults(given))


def test_all_types_of_limit_shapes(terrain: Path, tmp_path: Path) -> None:
    shapes = [shapely.Point(X + 20, Y + 20), OTHER, SITE, shapely.MultiPoint(at((5, 5), (70, 50)))]
    content = io.BytesIO()
    gpd.GeoDataFrame({"kind": ["track"] * 4}, geometry=shapes, crs=CRS).to_file(
        content, driver="GPKG", engine="pyogrio"
    )
    path = text(tmp_path / "n.gpkg", content.getvalue())
    table = took(Given(dtm=(terrain,), nogo=(path,))).limits
    assert table["given_id"].tolist() == [f"n.gpkg:{k}" for k in (1, 2, 3, 4, 4)]
    assert np.all(table.geom_type == "Polygon")
    assert pyogrio.list_layers(path).shape[0] == 1
