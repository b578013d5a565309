"""Every terrain that cannot be right is told of once, with file, place, found, allowed and fix."""

from __future__ import annotations

import shutil
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import Affine, from_origin
from take_files import (
    CELL,
    COLS,
    CRS,
    EAST,
    NORTH,
    ROWS,
    SITE,
    X,
    Y,
    at,
    faults,
    ground,
    layer,
    only_fault,
    text,
    tiff,
)

from peatwright.model.errors import GivenError
from peatwright.model.rules import Rules
from peatwright.site.given import Given
from peatwright.site.take import take


def dtm(*paths: Path, crs: str = "") -> Given:
    return Given(dtm=paths, crs=crs)


def test_good_terrain_is_taken_as_it_is(tmp_path: Path) -> None:
    levels = ground()
    levels[3, 4] = -9999
    taken = take(dtm(tiff(tmp_path / "dtm.tif", levels)), Rules())
    expected = np.where(levels == -9999, np.nan, levels)
    np.testing.assert_array_equal(taken.dtm.values, expected)
    assert taken.faults == ()
    assert taken.crs == CRS
    assert taken.dtm.grid.bounds == (X, Y, EAST, NORTH)
    assert "not state a vertical datum" in taken.vertical


def test_vertical_datum_is_passed_on(tmp_path: Path) -> None:
    # EPSG:7405 is British National Grid with Ordnance Datum Newlyn heights.
    taken = take(dtm(tiff(tmp_path / "dtm.tif", crs="EPSG:7405")), Rules())
    assert "ODN" in taken.vertical or "Newlyn" in taken.vertical
    assert taken.crs == CRS


BAD_HEADERS = {
    "degrees": (
        {"crs": "EPSG:4326", "transform": from_origin(-3.5, 55.0, 5e-6, 5e-6)},
        ("CRS", "degrees", "EPSG:27700"),
    ),
    "survey feet": ({"crs": "EPSG:2263"}, ("CRS", "foot", "metres")),
    "web mercator": (
        {"crs": "EPSG:3857", "transform": from_origin(-389618.0, 7361866.0, 0.5, 0.5)},
        ("CRS", "times true", "EPSG:27700"),
    ),
    "turned": (
        {"transform": from_origin(X, NORTH, CELL, CELL) * Affine.rotation(10)},
        ("", "turned by", "Warp"),
    ),
    "turned a quarter": (
        {"transform": Affine(0, CELL, X, -CELL, 0, NORTH)},
        ("", "turned by 90", "north up"),
    ),
    "band in feet": ({"units": "US survey foot"}, ("band 1", "foot", "0.3048")),
}


@pytest.mark.parametrize("what", BAD_HEADERS)
def test_a_bad_header_is_one_stop(tmp_path: Path, what: str) -> None:
    say, (place, found, fix) = BAD_HEADERS[what]
    fault = only_fault(dtm(tiff(tmp_path / "dtm.tif", **say)))
    assert fault.severity == "stop"
    assert fault.file == "dtm.tif"
    assert fault.place == place
    assert found in fault.found
    assert fix in fault.fix + fault.allowed


def test_a_missing_crs_is_asked_for_and_the_answer_used(tmp_path: Path) -> None:
    path = tiff(tmp_path / "dtm.tif", crs=None)
    fault = only_fault(dtm(path))
    assert fault.severity == "stop"
    assert "--crs" in fault.fix
    assert take(dtm(path, crs=CRS), Rules()).crs == CRS
    assert only_fault(dtm(tiff(tmp_path / "b.tif"), crs="EPSG:twelve")).file == "--crs"


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_position_must_be_there(tmp_path: Path) -> None:
    fault = only_fault(dtm(tiff(tmp_path / "dtm.tif", transform=Affine.identity())))
    assert "no position" in fault.found


def test_files_that_are_no_whole_raster(tmp_path: Path) -> None:
    whole = tiff(tmp_path / "whole.tif", ground(400, 400)).read_bytes()
    for name, content, words in (
        ("empty.tif", b"", "empty"),
        ("cut.tif", whole[: len(whole) // 2], "breaks off"),
        ("head.tif", whole[:6], "cannot be read"),
        ("other.tif", b"these are no levels at all", "cannot be read"),
        ("dtm.xyz", b"1 2 3", "ending in .xyz"),
        ("cut.asc", b"ncols 4\nnrows 4\nxllcorner 0\nyllcorner 0\ncellsize 1\n1 2 3", "breaks off"),
    ):
        fault = only_fault(dtm(text(tmp_path / name, content), crs=CRS))
        assert fault.severity == "stop"
        assert words in fault.found, name
    assert "no such" in only_fault(dtm(tmp_path / "nowhere.tif")).found.lower()


def test_a_header_that_promises_too_much_is_refused_before_it_is_held(tmp_path: Path) -> None:
    path = tmp_path / "huge.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=2_000_000, height=2_000_000, count=1, dtype="float32",
        crs=CRS, transform=from_origin(100_000, 1_100_000, 0.1, 0.1), tiled=True, sparse_ok=True,
        blockxsize=4096, blockysize=4096, bigtiff="yes",
    ):  # fmt: skip
        pass
    fault = only_fault(dtm(path))
    assert "2,000,000 by 2,000,000 cells" in fault.found
    ascii_ = text(
        tmp_path / "huge.asc",
        "ncols 900000\nnrows 900000\nxllcorner 100000\nyllcorner 100000\ncellsize 1\n1 2 3\n",
    )
    assert "million" in only_fault(dtm(ascii_, crs=CRS)).found


def test_pictures_are_not_levels(tmp_path: Path) -> None:
    shade = (np.random.default_rng(1).random((ROWS, COLS)) * 255).astype(np.uint8)
    one = tiff(tmp_path / "shade.tif", shade, nodata=None)
    three = tiff(tmp_path / "photo.tif", np.stack([shade] * 3), nodata=None)
    for path in (one, three):
        assert "picture" in only_fault(dtm(path)).found


def _with(row: slice | int, col: slice | int, value: float) -> np.ndarray:
    levels = ground()
    levels[row, col] = value
    return levels


BAD_LEVELS = {
    "all alike": (np.full((ROWS, COLS), 301.5, np.float32), "stop", "one level"),
    "no data at all": (np.full((ROWS, COLS), -9999, np.float32), "stop", "no cell with data"),
    "feet": (ground() * np.float32(3.28084) + 1000, "stop", "outside the believed range"),
    "millimetres": (ground() * 1000, "stop", "outside the believed range"),
    "spike": (_with(50, 60, 340.0), "look", "1 spike"),
    "pit": (_with(50, 60, 250.0), "look", "1 spike"),
    "filled water": (_with(slice(30, 40), slice(20, 32), 310.0), "look", "exactly 310"),
    "zero filled": (_with(slice(0, 10), slice(0, 20), 0.0), "look", "exactly 0"),
    "whole metres": (np.round(ground()), "look", "whole metres"),
    "holes": (_with(slice(0, 40), slice(0, 40), -9999.0), "look", "without data"),
}  # fmt: skip


@pytest.mark.parametrize("what", BAD_LEVELS)
def test_bad_levels_are_one_fault_with_a_place(tmp_path: Path, what: str) -> None:
    levels, severity, words = BAD_LEVELS[what]
    fault = only_fault(dtm(tiff(tmp_path / "dtm.tif", levels)))
    assert fault.severity == severity
    assert words in fault.found


def test_what_is_taken_out_is_no_data_and_nothing_else_is(tmp_path: Path) -> None:
    for what in ("spike", "filled water", "zero filled"):
        levels = BAD_LEVELS[what][0]
        taken = take(dtm(tiff(tmp_path / "dtm.tif", levels)), Rules())
        np.testing.assert_array_equal(np.isnan(taken.dtm.values), np.abs(levels - 300) > 4.5)
        keep = ~np.isnan(taken.dtm.values)
        np.testing.assert_array_equal(taken.dtm.values[keep], levels[keep])


def test_the_place_of_a_spike_is_its_cell(tmp_path: Path) -> None:
    fault = only_fault(dtm(tiff(tmp_path / "dtm.tif", _with(50, 60, 340.0))))
    # Centre of row 50, column 60, by hand.
    assert fault.place == f"at {X + 30.25:.1f}, {NORTH - 25.25:.1f}"


@pytest.mark.parametrize("value", [-9999.0, -32768.0, -3.4028234663852886e38])
def test_undeclared_no_data(tmp_path: Path, value: float) -> None:
    path = tiff(tmp_path / "dtm.tif", _with(5, slice(10, 15), value), nodata=None)
    fault = only_fault(dtm(path))
    assert fault.severity == "look"
    assert "5 cells of -" in fault.found
    assert np.isnan(take(dtm(path), Rules()).dtm.values[5, 10:15]).all()


def test_a_scarp_is_no_fault(tmp_path: Path) -> None:
    levels = ground()
    levels[:, 80:] += 8.0
    assert faults(dtm(tiff(tmp_path / "dtm.tif", levels))) == ()


def test_upside_down_is_turned(tmp_path: Path) -> None:
    levels = ground()
    path = tiff(tmp_path / "dtm.tif", levels[::-1], transform=Affine(CELL, 0, X, 0, CELL, Y))
    assert only_fault(dtm(path)).severity == "look"
    np.testing.assert_array_equal(take(dtm(path), Rules()).dtm.values, levels)


def test_mirrored_is_turned(tmp_path: Path) -> None:
    levels = ground()
    path = tiff(
        tmp_path / "dtm.tif", levels[:, ::-1], transform=Affine(-CELL, 0, EAST, 0, -CELL, NORTH)
    )
    np.testing.assert_array_equal(take(dtm(path), Rules()).dtm.values, levels)


def test_coarse_cells_are_worth_a_look(tmp_path: Path) -> None:
    fault = only_fault(dtm(tiff(tmp_path / "dtm.tif", transform=from_origin(X, NORTH, 5, 5))))
    assert fault.severity == "look"
    assert "5 by 5 m" in fault.found


def test_scaled_whole_numbers(tmp_path: Path) -> None:
    levels = np.round(ground() * 100).astype(np.int32)
    path = tiff(tmp_path / "dtm.tif", levels)
    with rasterio.open(path, "r+") as out:
        out.scales = (0.01,)
    np.testing.assert_allclose(take(dtm(path), Rules()).dtm.values, levels / 100, atol=2e-5)


def _tiles(folder: Path, levels: np.ndarray, shift: float = 0.0) -> list[Path]:
    folder.mkdir()
    cut = 70
    parts = []
    for k, (r, c) in enumerate(((0, 0), (0, cut), (60, 0), (60, cut))):
        part = levels[r : r + 60, c : (cut if c == 0 else COLS)]
        move = shift if k == 3 else 0.0
        where = from_origin(X + c * CELL + move, NORTH - r * CELL, CELL, CELL)
        parts.append(tiff(folder / f"tile{k}.tif", part, transform=where))
    return parts


def test_tiles_as_list_folder_and_vrt_give_the_whole(tmp_path: Path) -> None:
    levels = ground()
    tiles = _tiles(tmp_path / "tiles", levels)
    root = ET.Element("VRTDataset", rasterXSize=str(COLS), rasterYSize=str(ROWS))
    ET.SubElement(root, "SRS").text = CRS
    ET.SubElement(root, "GeoTransform").text = f"{X}, {CELL}, 0, {NORTH}, 0, {-CELL}"
    band = ET.SubElement(root, "VRTRasterBand", dataType="Float32", band="1")
    for path in tiles:
        with rasterio.open(path) as held:
            source = ET.SubElement(band, "SimpleSource")
            ET.SubElement(source, "SourceFilename", relativeToVRT="1").text = f"tiles/{path.name}"
            ET.SubElement(source, "SourceBand").text = "1"
            size = {"xSize": str(held.width), "ySize": str(held.height)}
            left = str(round((held.bounds.left - X) / CELL))
            top = str(round((NORTH - held.bounds.top) / CELL))
            ET.SubElement(source, "SrcRect", xOff="0", yOff="0", **size)
            ET.SubElement(source, "DstRect", xOff=left, yOff=top, **size)
    vrt = tmp_path / "all.vrt"
    ET.ElementTree(root).write(vrt)
    for given in (dtm(*tiles), dtm(tmp_path / "tiles"), dtm(vrt)):
        taken = take(given, Rules())
        np.testing.assert_array_equal(taken.dtm.values, levels)
        assert taken.faults == ()
    tiles[1].unlink()
    assert only_fault(dtm(vrt)).place == "tile tile1.tif"


def test_a_tile_out_of_line_is_resampled_and_told(tmp_path: Path) -> None:
    r, c = np.mgrid[:ROWS, :COLS]
    plane = (300 + 0.02 * r - 0.01 * c).astype(np.float32)
    tiles = _tiles(tmp_path / "tiles", plane, shift=0.2)
    fault = only_fault(dtm(*tiles))
    assert (fault.severity, fault.file) == ("look", "tile3.tif")
    values = take(dtm(*tiles), Rules()).dtm.values
    # The last tile holds the same numbers 0.2 m further east: on a plane falling 0.01 m a cell
    # eastwards, bilinear resampling must read 0.4 cells uphill of there.
    np.testing.assert_allclose(values[62:118, 75:155], plane[62:118, 75:155] + 0.004, atol=1e-4)


def test_tiles_in_two_crs_or_of_two_kinds(tmp_path: Path) -> None:
    one = tiff(tmp_path / "a.tif")
    fault = only_fault(dtm(one, tiff(tmp_path / "b.tif", crs="EPSG:2157")))
    assert (fault.file, fault.place, fault.severity) == ("b.tif", "CRS", "stop")
    assert "points among rasters" in only_fault(dtm(one, text(tmp_path / "c.las", b"x"))).found


def test_overlapping_tiles_that_disagree(tmp_path: Path) -> None:
    tiles = (tiff(tmp_path / "a.tif"), tiff(tmp_path / "b.tif", ground() + 1))
    fault = only_fault(dtm(*tiles))
    assert "1.00 m apart" in fault.found


def test_an_empty_folder(tmp_path: Path) -> None:
    assert "folder without terrain" in only_fault(dtm(tmp_path)).found


def test_links_out_of_a_folder_are_not_followed(tmp_path: Path) -> None:
    outside = tiff(tmp_path / "outside.tif")
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "tile.tif").symlink_to(outside)
    assert "folder without terrain" in only_fault(dtm(tmp_path / "in")).found


@pytest.mark.parametrize(
    "source", ["/vsicurl/http://localhost:1/a.tif", "http://localhost:1/a.tif", "/etc/passwd"]
)
def test_a_vrt_does_not_reach_out(tmp_path: Path, source: str) -> None:
    vrt = text(
        tmp_path / "a.vrt",
        f"<VRTDataset rasterXSize='9' rasterYSize='9'><SRS>{CRS}</SRS><VRTRasterBand band='1'>"
        f"<SimpleSource><SourceFilename>{source}</SourceFilename></SimpleSource></VRTRasterBand>"
        "</VRTDataset>",
    )
    assert "a source" in only_fault(dtm(vrt)).found
    posing = shutil.copy(vrt, tmp_path / "a.tif")
    assert "cannot be read" in only_fault(dtm(Path(posing))).found


def test_ascii_grid_with_and_without_its_prj(tmp_path: Path) -> None:
    levels = np.round(ground(20, 30).astype(np.float64), 2)
    rows = "\n".join(" ".join(f"{v:.2f}" for v in row) for row in levels)
    head = f"ncols 30\nnrows 20\nxllcorner {X}\nyllcorner {Y}\ncellsize 0.5\nNODATA_value -9999\n"
    path = text(tmp_path / "dtm.asc", head + rows)
    assert "--crs" in only_fault(dtm(path)).fix
    np.testing.assert_allclose(take(dtm(path, crs=CRS), Rules()).dtm.values, levels, atol=2e-5)
    text(tmp_path / "dtm.prj", rasterio.crs.CRS.from_epsg(27700).to_wkt(version="WKT1_ESRI"))
    taken = take(dtm(path), Rules())
    assert (taken.crs, taken.dtm.grid.bounds) == (CRS, (X, Y, X + 15, Y + 10))


def test_ascii_levels_that_begin_as_whole_numbers_keep_their_decimals(tmp_path: Path) -> None:
    levels = ground(300, 300).astype(np.float64).round(2)
    levels[:150] = levels[:150].round()
    rows = "\n".join(" ".join(f"{v:g}" for v in row) for row in levels)
    head = f"ncols 300\nnrows 300\nxllcorner {X}\nyllcorner {Y}\ncellsize 0.5\n"
    taken = take(dtm(text(tmp_path / "dtm.asc", head + rows), crs=CRS), Rules())
    np.testing.assert_allclose(taken.dtm.values, levels, atol=2e-5)


def test_far_more_terrain_than_site_is_clipped(tmp_path: Path) -> None:
    levels = ground(900, 1000)
    path = tiff(tmp_path / "dtm.tif", levels, transform=from_origin(X, Y + 1800, 2, 2))
    small = layer(tmp_path / "b.gpkg", [shapely.box(X + 400, Y + 400, X + 500, Y + 500)])
    given = Given(dtm=(path,), boundary=(small,))
    taken = take(given, Rules())
    assert "Only that part is read" in taken.faults[0].fix
    # 300 m around a square of 100 m, in cells of 2 m.
    assert taken.dtm.values.shape == (350, 350)
    np.testing.assert_array_equal(taken.dtm.values, levels[500:850, 50:400])


def test_every_fault_of_every_file_at_once(tmp_path: Path) -> None:
    given = Given(
        dtm=(tiff(tmp_path / "dtm.tif", crs=None),),
        drains=(layer(tmp_path / "drains.gpkg", [SITE]),),
        boundary=(text(tmp_path / "edge.gpkg", b""),),
        probes=(text(tmp_path / "probes.csv", "Easting,Northing,Depth\n1,2,deep\n"),),
        nogo=(tmp_path / "nogo.shp",),
    )
    with pytest.raises(GivenError) as raised:
        take(given, Rules())
    named = [f.file for f in raised.value.faults]
    assert set(named) == {"dtm.tif", "drains.gpkg", "edge.gpkg", "probes.csv", "nogo.shp"}
    # The CSV lacks a CRS too.
    assert sorted(named).count("probes.csv") == 2
    assert raised.value.code != 0


def test_given_files_are_not_touched(tmp_path: Path) -> None:
    path = tiff(tmp_path / "dtm.tif", BAD_LEVELS["spike"][0])
    edge = layer(tmp_path / "b.gpkg", [shapely.Polygon(at((1, 1), (70, 1), (70, 50)))])
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    take(Given(dtm=(path,), boundary=(edge,)), Rules())
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before
