"""Site coordinates to longitude and latitude for handsets, and how good they are.

In Great Britain the grid's own definition (OSTN15) is used; PROJ as installed from wheels lacks it
and would be off by metres.
"""

from __future__ import annotations

import warnings
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.transformer import TransformerGroup

Floats = NDArray[np.float64]

BRITISH_GRID = 27700
WGS84 = 4326
DRIFT = (
    "ETRS89 is taken as WGS 84, as handsets in Europe do; "
    "the two have drifted about 1 m apart since 1989"
)


def to_wgs84(x_m: Floats, y_m: Floats, crs: str) -> tuple[Floats, Floats, str]:
    """Return longitudes, latitudes and a sentence on the transformation and its accuracy.

    Args:
        x_m: eastings in m, shape (n,).
        y_m: northings in m, shape (n,).
        crs: the CRS they are in, anything that pyproj reads.

    Returns:
        Longitude and latitude in degrees, shape (n,) each, and the statement. For the British
        National Grid OSTN15 is used (Ordnance Survey, Transformations and OSGM15 user guide;
        memory), within 1 mm of the survey's own answers; elsewhere the most accurate
        transformation that PROJ has for the place and can run with the grids at hand.

    """
    x_m = np.asarray(x_m, np.float64)
    y_m = np.asarray(y_m, np.float64)
    horizontal = _horizontal(CRS(crs))
    if horizontal.to_epsg(min_confidence=25) == BRITISH_GRID:
        return _from_british_grid(x_m, y_m, horizontal)
    return _by_proj(x_m, y_m, horizontal)


def _horizontal(crs: CRS) -> CRS:
    return _horizontal(crs.sub_crs_list[0]) if crs.is_compound else crs


def _from_british_grid(x_m: Floats, y_m: Floats, crs: CRS) -> tuple[Floats, Floats, str]:
    # The wheel is large and only sites in Great Britain need it.
    from convertbng import cutil

    lon, lat = (np.array(a) for a in cutil.convert_osgb36_to_ll(x_m, y_m))
    said = f"British National Grid to ETRS89 by OSTN15, within 1 mm. {DRIFT}."
    outside = np.isnan(lon) & ~np.isnan(x_m)
    if outside.any():
        lon[outside], lat[outside], other = _by_proj(x_m[outside], y_m[outside], crs)
        said += f" {int(outside.sum())} points lie outside OSTN15: {other}"
    return lon, lat, said


def _by_proj(x_m: Floats, y_m: Floats, crs: CRS) -> tuple[Floats, Floats, str]:
    group = _operations(crs, None)
    if len(x_m):
        lon, lat = group.transformers[0].transform(x_m, y_m)
        area = AreaOfInterest(
            float(np.min(lon)), float(np.min(lat)), float(np.max(lon)), float(np.max(lat))
        )
        local = _operations(crs, area)
        group = local if local.transformers else group
    best = group.transformers[0]
    lon, lat = best.transform(x_m, y_m)
    name = " then ".join(
        step for step in best.description.split(" + ") if not step.startswith("axis order")
    )
    how_good = (
        f"stated accuracy {best.accuracy:g} m" if best.accuracy >= 0 else "accuracy not stated"
    )
    said = f"{crs.name} to WGS 84 by PROJ: {name}; {how_good}."
    if not group.best_available:
        said += " A better transformation exists, but its grid file is not installed."
    return np.asarray(lon, np.float64), np.asarray(lat, np.float64), said


def _operations(crs: CRS, area: AreaOfInterest | None) -> Any:
    with warnings.catch_warnings():
        # PROJ warns of grid files that are not there; the statement says so instead.
        warnings.simplefilter("ignore", UserWarning)
        return TransformerGroup(crs, WGS84, always_xy=True, area_of_interest=cast("Any", area))
