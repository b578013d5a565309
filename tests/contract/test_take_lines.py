"""Every drain line that cannot be one is told of once; what can be mended loses nothing."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
import shapely
from take_files import (
    CRS,
    DRAIN,
    EAST,
    NORTH,
    SITE,
    X,
    Y,
    at,
    faults,
    layer,
    line,
    only_fault,
    tiff,
)

from peatwright.model.rules import Rules
from peatwright.site.given import Given
from peatwright.site.take import Taken, take


@pytest.fixture(scope="module")
def terrain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiff(tmp_path_factory.mktemp("ground") / "dtm.tif")


def drains(terrain: Path, folder: Path, *shapes: shapely.Geometry, **columns: object) -> Given:
    return Given(dtm=(terrain,), drains=(layer(folder / "drains.gpkg", shapes, **columns),))


def took(given: Given) -> Taken:
    return take(given, Rules())


OTHER = line((60, 50), (65, 20))
STOPS = {
    "no length": ((OTHER, line((10, 10), (10, 10))), "row 2", "without length"),
    "crosses itself": (
        (OTHER, line((10, 10), (30, 30), (30, 10), (10, 30))),
        f"row 2, at {X + 20:.1f}, {Y + 20:.1f}",
        "crosses",
    ),
    "a loop": ((OTHER, line((10, 10), (30, 10), (30, 30), (10, 10))), "row 2", "ends where it"),
    "twice": ((OTHER, DRAIN, OTHER), "row 3", "same line as row 1"),
    "twice, turned": ((OTHER, DRAIN, shapely.reverse(OTHER)), "row 3", "drawn the other way"),
    "off the terrain": ((OTHER, line((500, 500), (600, 600))), "row 2", "1 line outside"),
    "all off the terrain": ((line((500, 500), (600, 600)),), "row 1", "every line outside"),
    "polygons": ((SITE,), "row 1", "polygon"),
    "a stray vertex": ((OTHER, line((10, 10), (20, 20), (-268_000, -512_000))), "row 2", "km"),
}


@pytest.mark.parametrize("what", STOPS)
def test_a_line_that_cannot_be_a_drain_is_one_stop(
    terrain: Path, tmp_path: Path, what: str
) -> None:
    shapes, place, found = STOPS[what]
    fault = [f for f in faults(drains(terrain, tmp_path, *shapes)) if f.severity == "stop"]
    assert len(fault) == 1
    assert fault[0].file == "drains.gpkg"
    assert fault[0].place.startswith(place)
    assert found in fault[0].found


def test_swapped_coordinates_are_said_to_be_swapped(terrain: Path, tmp_path: Path) -> None:
    turned = shapely.transform(OTHER, lambda xy: xy[:, ::-1])
    assert "swapped" in only_fault(drains(terrain, tmp_path, turned)).fix


def test_many_parts_are_split_with_nothing_lost(terrain: Path, tmp_path: Path) -> None:
    both = shapely.MultiLineString([DRAIN, OTHER])
    given = drains(terrain, tmp_path, both, name=["A"])
    assert only_fault(given).severity == "look"
    table = took(given).given_drains
    assert [g.equals(s) for g, s in zip(table.geometry, (DRAIN, OTHER), strict=True)] == [True] * 2
    assert table["name"].tolist() == ["A", "A"]
    assert table["given_id"].tolist() == ["drains.gpkg:1", "drains.gpkg:1.2"]


def test_z_and_m_are_dropped_with_nothing_lost(terrain: Path, tmp_path: Path) -> None:
    high = shapely.force_3d(DRAIN, 123.0)
    assert high.has_z
    given = drains(terrain, tmp_path, high)
    assert faults(given) == ()
    shape = took(given).given_drains.geometry[0]
    assert not shape.has_z
    assert shape.equals_exact(DRAIN)
    # Measures: well-known binary of a LineString ZM (type 3002), written with GDAL as raw bytes.
    xyzm = shapely.from_wkt(
        "LINESTRING ZM (" + ", ".join(f"{x} {y} 1 2" for x, y in DRAIN.coords) + ")"
    )
    pyogrio.raw.write(
        tmp_path / "m.shp", geometry=[shapely.to_wkb(xyzm, flavor="iso", output_dimension=4)],
        field_data=[], fields=[], geometry_type="LineString Z", crs=CRS,
    )  # fmt: skip
    measured = Given(dtm=(terrain,), drains=(tmp_path / "m.shp",))
    assert took(measured).given_drains.geometry[0].equals_exact(DRAIN)


def test_a_gap_of_one_cell_is_told_with_its_place(terrain: Path, tmp_path: Path) -> None:
    short = line((50, 30), (20.5, 40))
    fault = only_fault(drains(terrain, tmp_path, DRAIN, short))
    assert fault.severity == "look"
    assert fault.place == f"row 2, at {X + 20.5:.1f}, {Y + 40:.1f}"
    assert "by 0.43 m" in fault.found or "by 0.47 m" in fault.found
    touching = line((50, 30), (20, 40))
    assert faults(drains(terrain, tmp_path, DRAIN, touching)) == ()


def test_a_line_beside_another_all_along_is_worth_a_look(terrain: Path, tmp_path: Path) -> None:
    beside = shapely.affinity.translate(OTHER, 0.2, 0.0)
    assert "within 0.5 m of row 1" in " ".join(
        f.found for f in faults(drains(terrain, tmp_path, OTHER, beside))
    )


def test_a_line_running_off_the_terrain(terrain: Path, tmp_path: Path) -> None:
    fault = only_fault(drains(terrain, tmp_path, line((70, 20), (95, 20))))
    assert fault.severity == "look"
    assert "running off" in fault.found


def test_a_row_without_shape_is_left_out(terrain: Path, tmp_path: Path) -> None:
    given = drains(terrain, tmp_path, DRAIN, None)
    assert only_fault(given).severity == "look"
    assert len(took(given).given_drains) == 1


def test_names_kinds_and_ids(terrain: Path, tmp_path: Path) -> None:
    given = drains(terrain, tmp_path, DRAIN, OTHER, Name=["North grip", None], TYPE=["ditch", ""])
    table = took(given).given_drains
    assert table["name"].tolist() == ["North grip", ""]
    assert table["kind"].tolist() == ["ditch", ""]
    assert table["given_id"].tolist() == ["drains.gpkg:1", "drains.gpkg:2"]
    assert table.crs == CRS


def test_two_layers_with_lines_must_be_told_apart(terrain: Path, tmp_path: Path) -> None:
    path = tmp_path / "all.gpkg"
    for name in ("first", "second"):
        table = gpd.GeoDataFrame(geometry=[DRAIN], crs=CRS)
        table.to_file(path, layer=name, engine="pyogrio")
    fault = only_fault(Given(dtm=(terrain,), drains=(path,)))
    assert "first, second" in fault.found
    gpd.GeoDataFrame(geometry=[OTHER], crs=CRS).to_file(path, layer="drains", engine="pyogrio")
    taken = took(Given(dtm=(terrain,), drains=(path,)))
    assert taken.given_drains.geometry[0].equals(OTHER)


def test_drains_and_boundary_that_do_not_meet(terrain: Path, tmp_path: Path) -> None:
    edge = layer(tmp_path / "b.gpkg", [shapely.Polygon(at((2, 2), (40, 2), (40, 58), (2, 58)))])
    given = Given(dtm=(terrain,), drains=drains(terrain, tmp_path, OTHER).drains, boundary=(edge,))
    fault = only_fault(given)
    assert (fault.severity, fault.found) == ("stop", "every line outside the boundary")


def test_bounds_in_messages_are_those_of_the_terrain(terrain: Path, tmp_path: Path) -> None:
    fault = only_fault(drains(terrain, tmp_path, line((500, 500), (600, 600))))
    for number in (X, EAST, Y, NORTH):
        assert f"{number:.0f}" in fault.allowed
