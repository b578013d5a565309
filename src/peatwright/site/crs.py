"""One projected CRS in metres for the site, and the way from other CRS to it."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Proj
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from peatwright.site.fault_book import Book, place_said
from peatwright.site.figures import ACCURACY_LOOK_M, SCALE_OFF_RATIO, number

Floats = NDArray[np.float64]
Mover = Callable[[Floats, Floats], tuple[Floats, Floats]]

WGS84 = 4326
BRITISH_GRID = 27700
# National grids in metres of countries with much blanket bog; elsewhere UTM is advised.
NATIONAL = ((27700, "British National Grid"), (2157, "Irish Transverse Mercator"))
# Datums that handsets and grids on ETRS89 or WGS 84 share to within a metre.
GLOBAL_DATUMS = ("World Geodetic System 1984", "European Terrestrial Reference System 1989")
ASK = "Say which with --crs, such as --crs EPSG:27700; ask whoever made the file if in doubt."


@dataclass(frozen=True)
class Move:
    """The way from one CRS to another: `accuracy_m` is NaN where none is stated."""

    go: Mover
    accuracy_m: float
    how: str


def parsed(text: str) -> CRS | None:
    """Return the CRS that a text names, or None."""
    try:
        return CRS.from_user_input(text)
    except (CRSError, ValueError, TypeError):
        return None


def horizontal(crs: CRS) -> CRS:
    """Return a CRS without its vertical part and without any shift bound to it."""
    if crs.is_compound:
        return horizontal(crs.sub_crs_list[0])
    if crs.is_bound and crs.source_crs is not None:
        return horizontal(crs.source_crs)
    return crs.to_2d() if len(crs.axis_info) == 3 else crs


def short(crs: CRS) -> str:
    """Return `AUTHORITY:CODE` where the CRS is a known one, its WKT otherwise."""
    known = crs.to_authority(min_confidence=70)
    return ":".join(known) if known else str(crs.to_wkt())


def named(crs: CRS) -> str:
    """Return a name for a message."""
    known = crs.to_authority(min_confidence=70)
    return f"{crs.name} ({':'.join(known)})" if known else str(crs.name)


def answer(text: str, book: Book) -> CRS | None:
    """Return the CRS that the user named for files that carry none, noting a bad one."""
    if not text:
        return None
    crs = parsed(text)
    if crs is None:
        book.stop("--crs", "", repr(text), "a known CRS, such as EPSG:27700", "Check the spelling.")
    return crs


def vertical_said(crs: CRS) -> str:
    """Return what a CRS says of levels, or nothing."""
    parts = crs.sub_crs_list if crs.is_compound else []
    return next((str(p.name) for p in parts if p.is_vertical), "")


def advised(lon: float, lat: float) -> str:
    """Return projected CRS in metres that fit a place."""
    fits = []
    for code, name in NATIONAL:
        area = CRS.from_epsg(code).area_of_use
        if area and area.west <= lon <= area.east and area.south <= lat <= area.north:
            fits.append(f"EPSG:{code} ({name})")
    try:
        place = AreaOfInterest(lon, lat, lon, lat)
        infos = query_utm_crs_info(datum_name="WGS 84", area_of_interest=place)
    except (ProjError, ValueError):
        infos = []
    fits += [f"EPSG:{i.code} ({i.name})" for i in infos[:1]]
    return " or ".join(fits) or "the UTM zone of the place"


def unit_to_m(crs: CRS) -> tuple[float, str]:
    """Return the length of the horizontal unit of a projected CRS in metres, and its name."""
    axes = horizontal(crs).axis_info
    return (axes[0].unit_conversion_factor, axes[0].unit_name) if axes else (1.0, "metre")


def vertical_unit(crs: CRS) -> tuple[float, str]:
    """Return the unit of the vertical part of a CRS; metres where it has none."""
    for part in crs.sub_crs_list if crs.is_compound else []:
        if part.is_vertical and part.axis_info:
            return part.axis_info[0].unit_conversion_factor, part.axis_info[0].unit_name
    if len(crs.axis_info) == 3:
        return crs.axis_info[2].unit_conversion_factor, crs.axis_info[2].unit_name
    return 1.0, "metre"


def check_site_crs(
    crs: CRS, bounds: tuple[float, float, float, float], file: str, book: Book
) -> CRS | None:
    """Return the horizontal CRS of a terrain when a site can be worked in it, noting why not."""
    flat = horizontal(crs)
    x, y = 0.5 * (bounds[0] + bounds[2]), 0.5 * (bounds[1] + bounds[3])
    if flat.is_geographic:
        fits = advised(x, y)
        book.stop(
            file, "CRS", f"{named(flat)}, in degrees", "a projected CRS in metres",
            f"Reproject the terrain first, here to {fits}: cells in degrees have no length.",
        )  # fmt: skip
        return None
    if not flat.is_projected:
        book.stop(
            file, "CRS", named(flat), "a projected CRS in metres",
            "Give the terrain in a national grid or UTM zone.",
        )  # fmt: skip
        return None
    factor, unit = unit_to_m(flat)
    if abs(factor - 1.0) > 1e-9:
        book.stop(
            file, "CRS", f"{named(flat)}, in units of {unit}", "a projected CRS in metres",
            "Reproject the terrain to a CRS in metres, and see that its levels are in metres too.",
        )  # fmt: skip
        return None
    up, up_unit = vertical_unit(crs)
    if abs(up - 1.0) > 1e-9:
        book.stop(
            file, "vertical CRS", f"levels in {up_unit}", "levels in metres",
            f"Multiply the levels by {up:g} and save them with a vertical CRS in metres.",
        )  # fmt: skip
        return None
    return flat if _true_to_scale(flat, x, y, file, book) else None


def _true_to_scale(flat: CRS, x: float, y: float, file: str, book: Book) -> bool:
    try:
        projection = Proj(flat)
        lon, lat = projection(x, y, inverse=True, errcheck=True)
        factors = projection.get_factors(lon, lat)
        scales = np.array([factors.meridional_scale, factors.parallel_scale], np.float64)
    except (ProjError, CRSError):
        lon = lat = float("nan")
        scales = np.array([np.nan])
    if not np.isfinite(scales).all():
        book.stop(
            file, place_said(x, y), f"coordinates that {named(flat)} cannot hold",
            "coordinates inside the area of the CRS", "Check the CRS: it is probably another one.",
        )  # fmt: skip
        return False
    worst = float(scales[np.argmax(np.abs(scales - 1.0))])
    if abs(worst - 1.0) > number(SCALE_OFF_RATIO):
        book.stop(
            file, "CRS", f"{named(flat)}, on which lengths here are {worst:.3g} times true",
            f"lengths true to {number(SCALE_OFF_RATIO):.0%}",
            f"Reproject the terrain, here to {advised(lon, lat)}.",
        )  # fmt: skip
        return False
    area = flat.area_of_use
    if area and not (
        area.south - 1 <= lat <= area.north + 1 and _between(lon, area.west - 1, area.east + 1)
    ):
        book.look(
            file, place_said(x, y),
            f"a site at longitude {lon:.2f}, latitude {lat:.2f}, outside the area of {named(flat)}",
            str(area.name or "the area of the CRS"), "Check the CRS: it may be another one.",
        )  # fmt: skip
    return True


def _between(lon: float, west: float, east: float) -> bool:
    return west <= lon <= east if west <= east else lon >= west or lon <= east


def same(first: CRS, second: CRS) -> bool:
    """Say whether coordinates of two CRS are the same numbers, in x, y order."""
    a, b = horizontal(first), horizontal(second)
    return bool(a.equals(b, ignore_axis_order=True)) or short(a) == short(b)


def move(source: CRS, target: CRS, bounds: tuple[float, float, float, float]) -> Move:
    """Return the best way from one CRS to another around a place given in the source's units.

    Great Britain's grid is reached through its own definition, OSTN15, which PROJ as installed
    from wheels lacks. Coordinates are x, y (longitude, latitude) on both sides.
    """
    a, b = horizontal(source), horizontal(target)
    if same(a, b):
        return Move(lambda x, y: (x, y), 0.0, "same CRS")
    if short(b) == f"EPSG:{BRITISH_GRID}" and _global(a):
        return _onto_british_grid(a, bounds)
    if short(a) == f"EPSG:{BRITISH_GRID}" and _global(b):
        return _off_british_grid(b, bounds)
    return _by_proj(a, b, bounds)


def _global(crs: CRS) -> bool:
    datum = crs.datum or (crs.geodetic_crs.datum if crs.geodetic_crs else None)
    return datum is not None and str(datum.name).startswith(GLOBAL_DATUMS)


def _onto_british_grid(source: CRS, bounds: tuple[float, float, float, float]) -> Move:
    first = _by_proj(source, CRS.from_epsg(WGS84), bounds)
    rest = _by_proj(CRS.from_epsg(WGS84), CRS.from_epsg(BRITISH_GRID), (-9.0, 49.0, 2.0, 61.0))

    def go(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        from convertbng import cutil

        lon, lat = first.go(x, y)
        east, north = (np.array(a, np.float64) for a in cutil.convert_to_osgb36(lon, lat))
        missing = ~np.isfinite(east)
        if missing.any():
            east[missing], north[missing] = rest.go(lon[missing], lat[missing])
        return east, north

    return Move(go, 0.1, "OSTN15")


def _off_british_grid(target: CRS, bounds: tuple[float, float, float, float]) -> Move:
    from peatwright.packs.coordinates import to_wgs84

    def lonlat(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        lon, lat, _ = to_wgs84(x, y, f"EPSG:{BRITISH_GRID}")
        return lon, lat

    west, south = (float(v[0]) for v in lonlat(np.array([bounds[0]]), np.array([bounds[1]])))
    last = _by_proj(CRS.from_epsg(WGS84), target, (west, south, west, south))
    return Move(lambda x, y: last.go(*lonlat(x, y)), 0.1, "OSTN15")


def _geographic_area(
    source: CRS, bounds: tuple[float, float, float, float]
) -> AreaOfInterest | None:
    west, south, east, north = bounds
    if not source.is_geographic:
        base = source.geodetic_crs
        if base is None:
            return None
        try:
            lon, lat = Proj(source)(np.array([west, east]), np.array([south, north]), inverse=True)
        except ProjError:
            return None
        west, east, south, north = lon.min(), lon.max(), lat.min(), lat.max()
    good = np.isfinite([west, south, east, north]).all()
    if not good or not (-180 <= west <= east <= 180 and -90 <= south <= north <= 90):
        return None
    return AreaOfInterest(float(west), float(south), float(east), float(north))


def _by_proj(source: CRS, target: CRS, bounds: tuple[float, float, float, float]) -> Move:
    if same(source, target):
        return Move(lambda x, y: (x, y), 0.0, "same CRS")
    area = _geographic_area(source, bounds)
    group: Any = None
    for around in (area, None):
        with warnings.catch_warnings():
            # PROJ warns of grid files that are not there; the accuracy says so instead.
            warnings.simplefilter("ignore", UserWarning)
            group = TransformerGroup(
                source, target, always_xy=True, area_of_interest=cast("Any", around)
            )
        if group.transformers:
            break
    if not group.transformers:
        nowhere = np.float64("nan")
        return Move(lambda x, y: (x * nowhere, y * nowhere), float("nan"), "none found")
    best = group.transformers[0]

    def go(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        moved_x, moved_y = best.transform(x, y)
        out = np.array(moved_x, np.float64), np.array(moved_y, np.float64)
        for held in out:
            held[~np.isfinite(held)] = np.nan
        return out

    accuracy = float(best.accuracy)
    return Move(go, accuracy if accuracy >= 0 else float("nan"), str(best.description))


def note_accuracy(way: Move, source: CRS, target: CRS, file: str, book: Book) -> None:
    """Note a transformation whose accuracy is poor or not stated."""
    if way.accuracy_m <= number(ACCURACY_LOOK_M):
        return
    good = "of unstated accuracy" if np.isnan(way.accuracy_m) else f"good to {way.accuracy_m:g} m"
    book.look(
        file, "CRS", f"{named(horizontal(source))}, moved to {named(target)} by a way {good}",
        f"{number(ACCURACY_LOOK_M):g} m or better",
        "Check some drains on the hillshade, or give the file in the CRS of the terrain.",
    )  # fmt: skip
