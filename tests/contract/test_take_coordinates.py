"""Coordinates are moved as pyproj and the survey's own definition move them; doubt is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS, Transformer
from take_files import text, tiff

from peatwright.model.rules import Rules
from peatwright.site import crs
from peatwright.site.fault_book import Book
from peatwright.site.given import Given
from peatwright.site.take import take


@pytest.mark.parametrize(
    ("source", "target", "x", "y"),
    [
        (4326, 25832, 11.8, 59.9), (25832, 25833, 657000.0, 6638000.0), (4326, 2157, -8.0, 53.5),
        (4258, 3035, 10.0, 60.0), (32629, 2157, 500000.0, 5900000.0), (4326, 3067, 25.0, 62.0),
    ],
)  # fmt: skip
def test_the_way_is_that_of_pyproj(source: int, target: int, x: float, y: float) -> None:
    way = crs.move(CRS(source), CRS(target), (x, y, x, y))
    moved = way.go(np.array([x]), np.array([y]))
    expected = Transformer.from_crs(source, target, always_xy=True).transform(x, y)
    np.testing.assert_allclose([m[0] for m in moved], expected, atol=1e-6)
    assert way.accuracy_m <= 1.0


def test_great_britain_is_reached_by_its_own_grid() -> None:
    # Ordnance Survey, A guide to coordinate systems in Great Britain, worked example of a
    # conversion with OSTN15 (memory): to 1 mm.
    lat, lon = 52 + 39 / 60 + 28.8282 / 3600, 1 + 42 / 60 + 57.8663 / 3600
    for source in (4326, 4258):
        way = crs.move(CRS(source), CRS(27700), (lon, lat, lon, lat))
        east, north = way.go(np.array([lon]), np.array([lat]))
        assert (east[0], north[0]) == pytest.approx((651409.804, 313177.450), abs=0.0015)
        assert way.how == "OSTN15"
    back = crs.move(CRS(27700), CRS(32630), (651409, 313177, 651410, 313178))
    x, y = back.go(np.array([651409.804]), np.array([313177.450]))
    expected = Transformer.from_crs(4326, 32630, always_xy=True).transform(lon, lat)
    np.testing.assert_allclose((x[0], y[0]), expected, atol=0.005)


def test_a_poor_way_is_told() -> None:
    # ED50 to ETRS89 has no grid in the wheels; PROJ's best without one is good to metres.
    book = Book()
    way = crs.move(CRS(23031), CRS(25831), (5e5, 5.9e6, 5e5, 5.9e6))
    crs.note_accuracy(way, CRS(23031), CRS(25831), "drains.gpkg", book)
    assert way.accuracy_m > 1 or np.isnan(way.accuracy_m)
    assert [f.severity for f in book.faults] == ["look"]
    good = crs.move(CRS(4326), CRS(25832), (11, 60, 11, 60))
    crs.note_accuracy(good, CRS(4326), CRS(25832), "drains.gpkg", book)
    assert len(book.faults) == 1


def test_the_same_crs_under_another_name_changes_nothing() -> None:
    plain = CRS(27700)
    for other in (CRS(7405), CRS.from_wkt(plain.to_wkt("WKT1_ESRI"))):
        assert crs.same(other, plain)
        x = np.array([268_000.125])
        assert crs.move(other, plain, (0, 0, 1, 1)).go(x, x)[0][0] == x[0]


def test_a_handset_point_lands_on_its_cell(tmp_path: Path) -> None:
    # A point of the small site, brought to degrees by OSTN15 and back through `take`.
    from convertbng import cutil

    lon, lat = cutil.convert_osgb36_to_ll(np.array([268_010.0]), np.array([512_010.0]))
    path = text(tmp_path / "p.csv", f"lon,lat,depth_m\n{lon[0]:.9f},{lat[0]:.9f},1\n")
    given = Given(dtm=(tiff(tmp_path / "dtm.tif"),), probes=(path,))
    point = take(given, Rules()).probes.geometry[0]
    assert (point.x, point.y) == pytest.approx((268_010.0, 512_010.0), abs=0.005)


@pytest.mark.parametrize(
    ("lon", "lat", "fits"),
    [(-3.5, 55.2, "EPSG:27700"), (-8.0, 53.5, "EPSG:2157"), (11.8, 59.9, "EPSG:32632")],
)
def test_advice_fits_the_place(lon: float, lat: float, fits: str) -> None:
    assert fits in crs.advised(lon, lat)
