"""Condition of the ground before the work: given polygons, drained ground and bare peat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from peatwright.model.columns import checked, empty
from peatwright.model.errors import Fault, GivenError
from peatwright.model.ground_layers import CONDITION, CONDITION_FAULTS, CONDITIONS
from peatwright.model.ground_rules import ConditionRules, scheme
from peatwright.model.raster import Grid

U8 = NDArray[np.uint8]
Geometry = BaseGeometry

NOT_MAPPED = "not mapped"
NOT_MAPPED_CODE = 255
"""Code of cells outside the map."""


@dataclass(frozen=True, eq=False)
class ConditionMap:
    """The condition without overlaps, what was wrong with the given map, and areas in m²."""

    polygons: gpd.GeoDataFrame
    wrong: gpd.GeoDataFrame
    area_m2: dict[str, float]
    faults: tuple[Fault, ...]


def _polygons(shape: Geometry, least_m2: float = 0.0) -> list[Geometry]:
    return [
        p for p in shapely.get_parts(shapely.get_parts(shape))
        if p.geom_type == "Polygon" and p.area > least_m2
    ]  # fmt: skip


def _check(given: gpd.GeoDataFrame, scheme: Sequence[str], crs: str, file: str) -> None:
    faults = []
    if given.crs is not None and not given.crs.equals(crs):
        faults.append(
            Fault(file, "", f"CRS {given.crs.to_string()}", crs, "Bring it into the site's CRS.")
        )
    known = set(scheme)
    for row, (name, shape) in enumerate(
        zip(given["category"], given.geometry, strict=True), start=1
    ):
        if name not in known:
            faults.append(
                Fault(file, f"row {row}", f"category {name!r}", ", ".join(scheme),
                      "Use a category of the site's scheme, or add it to the scheme.")
            )  # fmt: skip
        if shape is None or shape.is_empty or "Polygon" not in shape.geom_type:
            said = "no shape" if shape is None or shape.is_empty else str(shape.geom_type)
            faults.append(Fault(file, f"row {row}", said, "a polygon", "Draw it or drop the row."))
    if faults:
        raise GivenError(faults)


def condition_map(
    given: gpd.GeoDataFrame,
    boundary: Geometry,
    rules: ConditionRules,
    crs: str,
    *,
    scheme: Sequence[str] = CONDITIONS,
    drains: Geometry | None = None,
    bare_peat: Geometry | None = None,
    drained: str = "drained",
    eroding: str = "actively eroding",
    file: str = "condition",
) -> ConditionMap:
    """Make the condition map of the site.

    Where given polygons overlap, the category later in the scheme (the worse one) holds. Ground
    within `drained_m` of a drain becomes `drained` where the map says something better; bare peat
    becomes `eroding`. What no polygon covers stays `not mapped` unless a drain or bare peat says.

    Args:
        given: polygons with a `category` each, in the site's CRS; may be empty.
        boundary: the site's area.
        rules: condition rules.
        crs: the site's CRS.
        scheme: categories, best first.
        drains: all drains as one geometry.
        bare_peat: bare peat as one geometry.
        drained: category of drained ground, one of the scheme.
        eroding: category of bare peat, one of the scheme.
        file: name of the given file, for the faults.

    Raises:
        GivenError: another CRS, a category not in the scheme, a row that is no polygon.

    """
    if drained not in scheme or eroding not in scheme:
        raise GivenError(
            Fault("condition scheme", "", ", ".join(scheme), f"{drained} and {eroding} among them",
                  "Say which category means drained and which eroding.")
        )  # fmt: skip
    _check(given, scheme, crs, file)
    shapes = shapely.make_valid(np.asarray(given.geometry.to_numpy(), object))
    names = np.asarray(given["category"].to_numpy(), object)
    wrong = wrong_places(shapes, names, boundary, rules, crs)
    rank = {name: k for k, name in enumerate(scheme)}
    reach = None
    if drains is not None and not drains.is_empty:
        # Part by part: one buffer around hundreds of lines that cross takes minutes.
        bands = shapely.buffer(shapely.get_parts(drains), rules.drained_m, quad_segs=4)
        reach = shapely.intersection(shapely.union_all(bands), boundary)
    bare = shapely.intersection(bare_peat, boundary) if bare_peat is not None else None
    taken: Geometry = shapely.Polygon()
    rows: list[dict[str, object]] = []
    layers: list[tuple[str, str, Geometry]] = []
    if bare is not None:
        layers.append((eroding, "bare peat", bare))
    for name in reversed(scheme):
        if name == drained and reach is not None:
            layers.append((name, "drains", reach))
        same = shapes[names == name]
        if len(same):
            area = shapely.intersection(shapely.union_all(same), boundary)
            layers.append((name, "given", area))
    # Worse ground first; the given map leads within one category, so that it is what is named.
    layers.sort(key=lambda x: (-rank[x[0]], x[1] != "given"))
    for name, origin, area in layers:
        left = shapely.difference(area, taken)
        taken = shapely.union(taken, area)
        rows += [
            {"category": name, "taken_from": origin, "area_m2": p.area, "geometry": p}
            for p in _polygons(left)
        ]
    rows += [
        {"category": NOT_MAPPED, "taken_from": NOT_MAPPED, "area_m2": p.area, "geometry": p}
        for p in _polygons(shapely.difference(boundary, taken))
    ]
    table = gpd.GeoDataFrame(rows, geometry="geometry", crs=crs) if rows else empty(CONDITION, crs)
    table = checked(table, CONDITION)
    areas = dict.fromkeys((*scheme, NOT_MAPPED), 0.0)
    for category, size in zip(table["category"], table["area_m2"], strict=True):
        areas[str(category)] += float(size)
    return ConditionMap(table, wrong, areas, map_faults(wrong, file))


def condition_of(
    given: gpd.GeoDataFrame,
    boundary: Geometry,
    rules: ConditionRules,
    crs: str,
    *,
    reaches: gpd.GeoDataFrame,
    bare: Geometry | None = None,
) -> ConditionMap:
    """Make the condition map by the scheme of the rule sheet; see `condition_map`.

    Args:
        given: rows of `GIVEN_CONDITION`.
        boundary: the site's area.
        rules: condition rules.
        crs: the site's CRS.
        reaches: rows of `REACHES`; natural watercourses among them drain no bog.
        bare: bare peat as one geometry.

    """
    natural = reaches["why"].astype(str).str.contains("natural watercourse", regex=False)
    lines = shapely.union_all(reaches.geometry.to_numpy()[~natural.to_numpy(bool)])
    return condition_map(
        given, boundary, rules, crs, scheme=scheme(rules), drains=lines, bare_peat=bare,
        drained=rules.drained_as, eroding=rules.eroding_as,
    )  # fmt: skip


def map_faults(wrong: pd.DataFrame, file: str = "condition") -> tuple[Fault, ...]:
    """Say each row of `CONDITION_FAULTS` as something to look at."""
    return tuple(
        Fault(
            file, f"x {p.x:.0f}, y {p.y:.0f}", f"{kind} of {size:.0f} m² ({said})",
            "each place in one category",
            "Mend the map. "
            + ("The worse category holds." if kind == "overlap" else "It stays not mapped."),
            "look",
        )
        for kind, said, size, p in zip(
            wrong["kind"], wrong["said"], wrong["area_m2"],
            wrong.geometry.representative_point(), strict=True,
        )
    )  # fmt: skip


def wrong_places(
    shapes: NDArray[np.object_],
    names: NDArray[np.object_],
    boundary: Geometry,
    rules: ConditionRules,
    crs: str,
) -> pd.DataFrame:
    """Return gaps inside the boundary and overlaps of unlike polygons, as `CONDITION_FAULTS`."""
    rows: list[dict[str, object]] = []
    if len(shapes):
        tree = shapely.STRtree(shapes)
        first, second = tree.query(shapes, predicate="intersects")
        pick = (first < second) & (names[first] != names[second])
        both = shapely.intersection(shapes[first[pick]], shapes[second[pick]])
        for a, b, shape in zip(first[pick], second[pick], both, strict=True):
            rows += [
                {"kind": "overlap", "said": f"{names[a]} and {names[b]}", "area_m2": p.area,
                 "geometry": p}
                for p in _polygons(shape, rules.smallest_m2)
            ]  # fmt: skip
        gaps = shapely.difference(boundary, shapely.union_all(shapes))
        rows += [
            {"kind": "gap", "said": "nothing given", "area_m2": p.area, "geometry": p}
            for p in _polygons(gaps, rules.smallest_m2)
        ]
    if not rows:
        return empty(CONDITION_FAULTS, crs)
    return checked(gpd.GeoDataFrame(rows, geometry="geometry", crs=crs), CONDITION_FAULTS)


def condition_cells(polygons: gpd.GeoDataFrame, grid: Grid, scheme: Sequence[str]) -> U8:
    """Return the category of each cell as its place in the scheme; 255 not mapped or outside."""
    from rasterio.features import rasterize  # noqa: PLC0415 - loads slowly
    from rasterio.transform import Affine  # noqa: PLC0415

    held = polygons[polygons["category"].isin(list(scheme))]
    codes = [scheme.index(name) for name in held["category"]]
    if not codes:
        return np.full((grid.rows, grid.cols), NOT_MAPPED_CODE, np.uint8)
    return np.asarray(
        rasterize(
            list(zip(held.geometry, codes, strict=True)),
            out_shape=(grid.rows, grid.cols),
            fill=NOT_MAPPED_CODE,
            transform=Affine(grid.dx_m, 0.0, grid.x_left_m, 0.0, -grid.dy_m, grid.y_top_m),
            dtype="uint8",
        ),
        np.uint8,
    )
