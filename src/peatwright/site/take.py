"""Taking in what was given: all read, checked and brought to one CRS, or every fault told."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from peatwright.model.columns import Layer, checked, empty
from peatwright.model.errors import Fault, GivenError
from peatwright.model.ground_layers import GROUND_LAYERS
from peatwright.model.layers import BOUNDARY, GIVEN_DRAINS, HAND_DEPTHS, LIMITS, PROBES
from peatwright.model.progress import Progress, part, silent
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import Rules
from peatwright.site import (
    check_areas,
    check_ground,
    check_levels,
    check_lines,
    check_values,
    read_points,
    read_raster,
    read_table,
    read_vector,
    words,
)
from peatwright.site import crs as crs_of
from peatwright.site.fault_book import Book, count_said, file_said, plain, rows_said
from peatwright.site.features import ANY, AREA, LINE, POINT, Features, finite, moved, only
from peatwright.site.figures import CLIP_SHARE, MARGIN_M, TILES_MAX, number
from peatwright.site.given import Given

Heads = Sequence[read_raster.Tile] | Sequence[read_points.Cloud]
WANTED = {"drains": LINE, "boundary": AREA, "probes": POINT, "nogo": ANY, "depths": POINT,
          **dict.fromkeys(check_ground.ROLES, AREA)}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Taken:
    """Everything given, checked and in one projected CRS in metres.

    `ground` holds condition, bare peat and closed areas by the name of their layer.
    `faults` holds what a person must look at; `vertical` says what levels are measured from.
    """

    dtm: Raster
    given_drains: pd.DataFrame
    boundary: pd.DataFrame
    probes: pd.DataFrame
    hand_depths: pd.DataFrame
    limits: pd.DataFrame
    ground: dict[str, pd.DataFrame]
    faults: tuple[Fault, ...]
    crs: str
    vertical: str


@dataclass(frozen=True)
class Ground:
    """Terrain as its headers tell, before any level is read."""

    heads: Heads
    grid: Grid
    crs: CRS
    vertical: str


def take(given: Given, rules: Rules, *, progress: Progress | None = None) -> Taken:
    """Read and check all given files.

    Args:
        given: the files by role.
        rules: the rule sheet; `take` and `limits` are used.
        progress: told how far it is.

    Raises:
        GivenError: with every fault of every file that must be mended first.

    """
    taken, book = _look_through(given, rules, progress or silent)
    if book.stops or taken is None:
        raise GivenError(book.stops)
    return taken


def inspect(given: Given, rules: Rules, *, progress: Progress | None = None) -> tuple[Fault, ...]:
    """Return every fault of every given file, those to look at included; raises for none."""
    return _look_through(given, rules, progress or silent)[1].faults


def _look_through(given: Given, rules: Rules, progress: Progress) -> tuple[Taken | None, Book]:
    book = Book()
    asked = crs_of.answer(given.crs, book)
    progress(0.0, "reading headers")
    ground = headers(given, asked, rules, book)
    held = {
        role: _features(given, role, ground, asked, book)
        for role in ("drains", "boundary", "probes", "depths", "nogo", *check_ground.ROLES)
    }
    grid = ground.grid if ground else None
    held["drains"] = [check_lines.cleaned(f, book) for f in held["drains"]]
    held["boundary"] = [
        check_areas.sound(check_areas.rings_closed(f, book), "a boundary", book)
        for f in held["boundary"]
    ]
    held["boundary"] = [f for f in held["boundary"] if len(f.rows)]
    for role in ("nogo", *check_ground.ROLES):
        held[role] = [check_areas.sound(f, "a shape", book) for f in held[role]]
    check_lines.check_together(held["drains"], grid, book)
    peat = _depths(given, held["probes"], check_values.PEAT, grid, book)
    hand = _depths(given, held["depths"], check_values.HAND, grid, book)
    chosen = given.columns.get("nogo", {}).get("value")
    limits = check_areas.limits(held["nogo"], chosen, grid, rules.limits, book)
    limits += _edge(held["boundary"], grid, rules)
    ground_rows = check_ground.rows_of(given, held, peat, grid, rules, book)
    if ground is None:
        return None, book
    # A list, so that every boundary is looked at.
    meeting = [check_areas.boundary_meets(f, ground.grid, book) for f in held["boundary"]]
    meets = all(meeting)
    _drains_inside(held["drains"], held["boundary"] if meets else [], book)
    window = _window(ground.grid, held["boundary"] if meets else [], held["drains"], book,
                     file_said(given.dtm[0]))  # fmt: skip
    dtm = _levels(ground, window, held["boundary"], rules, book, part(progress, 0.1, 0.95))
    progress(0.95, "putting all together")
    if dtm is None or book.stops:
        return None, book
    return _together(dtm, held, peat, hand, limits, ground_rows, ground, book), book


# --- terrain ------------------------------------------------------------------------------------


def headers(given: Given, asked: CRS | None, rules: Rules, book: Book) -> Ground | None:
    """Return what the headers of the terrain's files say, noting every fault."""
    paths: list[tuple[Path, str]] = []
    for path in given.dtm:
        if not path.is_dir():
            paths.append((path, file_said(path)))
            continue
        endings = (*(e for e in read_raster.RASTER_ENDINGS if e != ".vrt"),
                   *read_points.POINT_ENDINGS)  # fmt: skip
        inside = read_raster.tiles_in(path, endings) or read_raster.tiles_in(path, (".vrt",))
        if not inside:
            book.stop(file_said(path), "", "a folder without terrain",
                      "GeoTIFF, ASCII grid, LAS or LAZ files", "Check the path.")  # fmt: skip
        paths += [(p, read_raster.tile_said(p, path)) for p in inside]
    if not given.dtm:
        book.stop("--dtm", "", "nothing", "a terrain model", "Name its file or folder.")
    if len(paths) > number(TILES_MAX):
        book.stop(paths[0][1], "", count_said(len(paths), "file"), f"up to {number(TILES_MAX):g}",
                  "Give only the tiles of the site, or a VRT of them.")  # fmt: skip
        return None
    known = (*read_raster.RASTER_ENDINGS, *read_points.POINT_ENDINGS)
    odd = [name for path, name in paths if path.suffix.lower() not in known]
    for name in odd:
        book.stop(name, "", f"a file ending in {Path(name).suffix or 'nothing'}",
                  "GeoTIFF (.tif), ASCII grid (.asc), .vrt, .las, .laz or a folder",
                  "Export the terrain as GeoTIFF.")  # fmt: skip
    points = [p for p in paths if p[0].suffix.lower() in read_points.POINT_ENDINGS]
    rasters = [p for p in paths if p[0].suffix.lower() in read_raster.RASTER_ENDINGS]
    if points and rasters:
        book.stop(points[0][1], "", "points among rasters", "all points, or all rasters",
                  "Give one of the two.")  # fmt: skip
        return None
    heads: Heads
    if points:
        clouds = [h for p, n in points if (h := read_points.header(p, n, asked, book))]
        planned = read_points.plan(clouds, rules.take.las_cell_m, book)
        heads = clouds
    else:
        tiles = [t for p, n in rasters if (t := read_raster.header(p, n, asked, book))]
        planned = read_raster.plan(tiles, book)
        heads = tiles
    if planned is None or len(heads) < len(paths):
        # Where some tile cannot be read, the others still tell where the site is.
        return Ground((), planned[0], crs_of.horizontal(planned[1]), "") if planned else None
    grid, crs = planned
    said = crs_of.vertical_said(crs)
    vertical = (
        f"Levels are metres above the datum of {said}, as the terrain's file says."
        if said
        else "The terrain's file does not state a vertical datum; levels are taken as metres."
    )
    return Ground(heads, grid, crs_of.horizontal(crs), vertical)


def _window(
    grid: Grid, boundary: list[Features], drains: list[Features], book: Book, file: str
) -> Grid:
    """Return the part of a grid that a site needs, where a boundary says so and it pays."""
    inside = [f for f in boundary if len(f.rows)]
    if not inside:
        return grid
    box = shapely.box(*grid.bounds)
    shapes = np.concatenate([f.shapes for f in (*inside, *drains)])
    needed = shapely.intersection(shapes, box)
    bounds = shapely.total_bounds(needed[~shapely.is_empty(needed)])
    margin = number(MARGIN_M)
    c0 = max(0, math.floor((bounds[0] - margin - grid.x_left_m) / grid.dx_m))
    r0 = max(0, math.floor((grid.y_top_m - bounds[3] - margin) / grid.dy_m))
    c1 = min(grid.cols, math.ceil((bounds[2] + margin - grid.x_left_m) / grid.dx_m))
    r1 = min(grid.rows, math.ceil((grid.y_top_m - bounds[1] + margin) / grid.dy_m))
    if (c1 - c0) * (r1 - r0) >= number(CLIP_SHARE) * grid.rows * grid.cols:
        return grid
    book.look(
        file, "", f"{grid.cols:,} by {grid.rows:,} cells, far more than the site",
        f"terrain up to {margin:g} m around boundary and drains",
        "Only that part is read. Where water reaches the site from further away, give no boundary "
        "or clip the terrain yourself.",
    )  # fmt: skip
    return Grid(
        grid.x_left_m + c0 * grid.dx_m, grid.y_top_m - r0 * grid.dy_m,
        grid.dx_m, grid.dy_m, r1 - r0, c1 - c0, grid.crs,
    )  # fmt: skip


def _levels(
    ground: Ground, window: Grid, boundary: list[Features], rules: Rules, book: Book,
    progress: Progress,
) -> Raster | None:  # fmt: skip
    heads = ground.heads
    if not heads or not read_raster.fits_memory(window, heads[0].file, book):
        return None
    reading, checking = part(progress, 0.0, 0.8), part(progress, 0.8, 1.0)
    if isinstance(heads[0], read_points.Cloud):
        clouds = [h for h in heads if isinstance(h, read_points.Cloud)]
        levels = read_points.read(clouds, window, rules.take, book, reading)
    else:
        tiles = [h for h in heads if isinstance(h, read_raster.Tile)]
        levels = read_raster.read(tiles, window, book, reading)
    if levels is None:
        return None
    file = heads[0].file if len(heads) == 1 else f"{heads[0].file} and others"
    if not check_levels.check(levels, window, rules.take, file, book, checking):
        return None
    inside = _inside(window, boundary)
    check_levels.check_holes(levels, inside, rules.take.hole_look_ratio, file, book)
    return Raster(levels, window)


def _inside(
    grid: Grid, boundary: list[Features]
) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]] | None:
    shapes = [s for f in boundary for s in f.shapes]
    if not shapes:
        return None
    from rasterio.features import geometry_mask
    from rasterio.transform import Affine

    step = Affine(grid.dx_m, 0, grid.x_left_m, 0, -grid.dy_m, grid.y_top_m)
    mask = geometry_mask(shapes, (grid.rows, grid.cols), step, invert=True)
    return np.asarray(mask, np.bool_)


# --- lines, polygons, points --------------------------------------------------------------------


def _features(
    given: Given, role: str, ground: Ground | None, asked: CRS | None, book: Book
) -> list[Features]:
    found = []
    wanted = WANTED[role]
    for path in getattr(given, role):
        file = file_said(path)
        if path.suffix.lower() in read_table.TABLE_ENDINGS and not path.is_dir():
            chosen = given.columns.get(role, {})
            held = read_table.read(path, file, role, wanted, chosen, asked, book)
        else:
            # A boundary may come as a closed line.
            kinds = ANY if role == "boundary" else wanted
            held = read_vector.read(path, file, role, kinds, asked, book)
        if held is None:
            continue
        held = _areas_or_lines(held, book) if role == "boundary" else only(held, wanted, book)
        held = finite(held, book)
        if ground is not None and held.crs is not None:
            held_ = moved(held, ground.crs, book)
            if held_ is None:
                continue
            held = held_
        else:
            held = replace(held, shapes=shapely.force_2d(held.shapes))
        found.append(held)
    return found


def _areas_or_lines(held: Features, book: Book) -> Features:
    kinds = shapely.get_type_id(held.shapes)
    if np.isin(kinds, (3, 6)).any() or not np.isin(kinds, (1, 2, 5)).any():
        return only(held, AREA, book)
    return only(held, LINE, book)


def _depths(
    given: Given, tables: list[Features], kind: check_values.Depths, grid: Grid | None, book: Book
) -> list[tuple[str, float, shapely.Point]]:
    chosen = given.columns.get(kind.role, {}).get("value")
    good = []
    for held in tables:
        if not len(held.rows):
            continue
        near = check_values.near_terrain(held, grid, book) if grid is not None else held
        # Values are read of all rows, so that each wrong one is told, near or not.
        valued = check_values.depths(held, kind, chosen, book)
        if valued is not None:
            good.append(valued.picked(np.isin(valued.rows, near.rows)))
    return check_values.merged(good, kind, book)


def _edge(boundary: list[Features], grid: Grid | None, rules: Rules) -> list[dict[str, object]]:
    """Return what lies beyond the site's own boundary, and a strip inside it, as a limit."""
    distance = rules.limits.boundary_m
    held = [f for f in boundary if len(f.rows)]
    if not held or grid is None:
        return []
    # Edges that two given parts share lie inside the site and are no boundary.
    site = shapely.union_all(np.concatenate([f.shapes for f in held]))
    reach = shapely.union(shapely.box(*grid.bounds), shapely.box(*site.bounds)).buffer(
        2 * distance + 1.0, join_style="mitre"
    )
    beyond = shapely.difference(reach, site.buffer(-distance))
    first = f"{held[0].file}:{held[0].rows[0]}"
    return check_areas.limit_rows(first, "of the site, and beyond", "boundary", distance, beyond)


def _drains_inside(drains: list[Features], boundary: list[Features], book: Book) -> None:
    shapes = [s for f in boundary for s in f.shapes]
    if not shapes:
        return
    site = shapely.union_all(shapes)
    for held in drains:
        if not len(held.rows):
            continue
        out = ~shapely.intersects(held.shapes, site)
        if out.all():
            book.stop(held.file, "", "every line outside the boundary",
                      "lines inside the boundary",
                      "Check that drains and boundary are of the same site.")  # fmt: skip
        elif out.any():
            book.look(held.file, rows_said(held.rows[out].tolist()),
                      count_said(int(out.sum()), "line") + " outside the boundary",
                      "lines inside the boundary",
                      "Kept; nothing may be built there without the neighbour.")  # fmt: skip


# --- layers -------------------------------------------------------------------------------------


def _together(
    dtm: Raster,
    held: dict[str, list[Features]],
    peat: list[tuple[str, float, shapely.Point]],
    hand: list[tuple[str, float, shapely.Point]],
    limits: list[dict[str, object]],
    ground_rows: dict[str, list[dict[str, object]]],
    ground: Ground,
    book: Book,
) -> Taken:
    crs = dtm.grid.crs
    drains = [row for f in held["drains"] for row in _drain_rows(f)]
    areas = [
        {"name": name, "geometry": shape}
        for f in held["boundary"]
        for name, shape in zip(check_areas.names_of(f), f.shapes, strict=True)
    ]
    return Taken(
        dtm=dtm,
        given_drains=_layer(drains, GIVEN_DRAINS, crs),
        boundary=_layer(areas, BOUNDARY, crs),
        probes=_layer(_depth_rows(peat, "peat_depth_m"), PROBES, crs),
        hand_depths=_layer(_depth_rows(hand, "hand_depth_m"), HAND_DEPTHS, crs),
        limits=_layer(limits, LIMITS, crs),
        ground={k: _layer(ground_rows[k], GROUND_LAYERS[k], crs) for k in ground_rows},
        faults=book.faults,
        crs=crs,
        vertical=ground.vertical,
    )


def _drain_rows(held: Features) -> list[dict[str, object]]:
    name = words.find(held.columns, words.NAME)
    kind = words.find(held.columns, words.KIND)
    blank = [None] * len(held.rows)
    names = held.columns[name] if name else blank
    kinds = held.columns[kind] if kind else blank
    seen: dict[int, int] = {}
    rows: list[dict[str, object]] = []
    for row, label, what, shape in zip(held.rows.tolist(), names, kinds, held.shapes, strict=True):
        seen[row] = seen.get(row, 0) + 1
        # Parts of one row are told apart by a letter-free suffix that stays the same on rerun.
        suffix = f".{seen[row]}" if seen[row] > 1 else ""
        rows.append(
            {
                "given_id": f"{held.file}:{row}{suffix}",
                "name": "" if label is None else plain(str(label), 200),
                "kind": "" if what is None else plain(str(what), 200),
                "geometry": shape,
            }
        )
    return rows


def _depth_rows(
    rows: list[tuple[str, float, shapely.Point]], column: str
) -> list[dict[str, object]]:
    return [{"given_id": k, column: depth, "geometry": point} for k, depth, point in rows]


def _layer(rows: list[dict[str, object]], layer: Layer, crs: str) -> pd.DataFrame:
    if not rows:
        return empty(layer, crs)
    table = gpd.GeoDataFrame(rows, geometry="geometry", crs=crs)
    for column in layer.columns:
        table[column.name] = table[column.name].astype(
            "str" if column.kind == "text" else "float64"
        )
    return checked(table, layer)
