"""Coordinates for handsets against the survey's own test points."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest

from peatwright.packs.coordinates import to_wgs84

# Ordnance Survey, OSTN15/OSGM15 developer pack, OSTN15_OSGM15_TestInput/Output (TP01 to TP30 in
# part): easting, northing, latitude, longitude. Read as quoted by the test suites of two public
# implementations (lonlat_bng and an R package), which agree.
OS_POINTS = (
    (91492.146, 11318.804, 49.92226393730, -6.29977752014),
    (170370.718, 11572.405, 49.96006137820, -5.20304609998),
    (250359.811, 62016.569, 50.43885825610, -4.10864563561),
    (438710.920, 114792.250, 50.93127937910, -1.45051433700),
    (639821.835, 169565.858, 51.37447025550, 1.44454730409),
    (241124.584, 220332.641, 51.85890896400, -4.30852476960),
    (389544.190, 261912.153, 52.25529381630, -2.15458614387),
    (422242.186, 433818.701, 53.80021519630, -1.66379168242),
    (525745.670, 470703.214, 54.11685144290, -0.07773133187),
    (319188.434, 670947.534, 55.92478265510, -3.29479219337),
    (397160.491, 805349.736, 57.13902518960, -2.04856030746),
    (395999.668, 1138728.951, 60.13308091660, -2.07382822798),
)
METRE_DEG = 1 / 111_000


def test_british_grid_against_the_survey_to_2_mm() -> None:
    e, n, lat, lon = (np.array(column) for column in zip(*OS_POINTS, strict=True))
    lon_got, lat_got, said = to_wgs84(e, n, "EPSG:27700")
    assert "OSTN15" in said
    _, _, apart = pyproj.Geod(ellps="GRS80").inv(lon, lat, lon_got, lat_got)
    assert np.max(apart) < 0.002


def test_proj_as_installed_is_metres_off_in_great_britain() -> None:
    """Why OSTN15 is carried along: without the grid a dam would be staked beside its drain."""
    e, n, lat, lon = (np.array(column) for column in zip(*OS_POINTS, strict=True))
    plain = pyproj.Transformer.from_crs(27700, 4326, always_xy=True).transform(e, n)
    _, _, apart = pyproj.Geod(ellps="GRS80").inv(lon, lat, *plain)
    if np.max(apart) < 0.01:
        pytest.skip("PROJ here has the OSTN15 grid")
    assert np.median(apart) > 0.3


@pytest.mark.parametrize("crs", ["EPSG:27700+5701", pyproj.CRS(27700).to_wkt()])
def test_british_grid_however_it_is_written(crs: str) -> None:
    lon, lat, said = to_wgs84(np.array([422242.186]), np.array([433818.701]), crs)
    assert "OSTN15" in said
    assert lon[0] == pytest.approx(-1.66379168242, abs=METRE_DEG / 500)
    assert lat[0] == pytest.approx(53.80021519630, abs=METRE_DEG / 500)


def test_outside_ostn15_is_said() -> None:
    x, y = np.array([422242.186, -400_000.0]), np.array([433818.701, 500_000.0])
    lon, lat, said = to_wgs84(x, y, "EPSG:27700")
    assert np.isfinite(lon).all()
    assert np.isfinite(lat).all()
    assert "1 points lie outside OSTN15" in said


@pytest.mark.parametrize(
    ("crs", "lon", "lat"),
    [("EPSG:2157", -8.0, 54.0), ("EPSG:3006", 15.0, 60.0), ("EPSG:25832", 9.0, 54.0)],
)
def test_elsewhere_proj_with_its_stated_accuracy(crs: str, lon: float, lat: float) -> None:
    x, y = pyproj.Transformer.from_crs(4326, crs, always_xy=True).transform(
        np.array([lon]), np.array([lat])
    )
    lon_got, lat_got, said = to_wgs84(x, y, crs)
    assert lon_got[0] == pytest.approx(lon, abs=1e-8)
    assert lat_got[0] == pytest.approx(lat, abs=1e-8)
    assert "stated accuracy 1 m" in said


def test_no_points() -> None:
    for crs in ("EPSG:27700", "EPSG:2157"):
        lon, lat, said = to_wgs84(np.array([]), np.array([]), crs)
        assert len(lon) == len(lat) == 0
        assert said
