"""Reading ground points (LAS, LAZ) and gridding them by linear interpolation."""

from __future__ import annotations

import contextlib
import math
import struct
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import laspy
import lazrs  # type: ignore[import-untyped]
import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError
from scipy.spatial import Delaunay, QhullError, cKDTree

from peatwright.model.progress import Progress
from peatwright.model.raster import FloatRaster, Grid
from peatwright.model.rules import TakeRules
from peatwright.site import crs as crs_of
from peatwright.site.fault_book import Book, count_said, head_of, plain
from peatwright.site.figures import GROUND_PER_POINT_M2, POINTS_MAX, SPACING_LOOK_M, number
from peatwright.site.read_raster import is_empty

F32 = NDArray[np.float32]
POINT_ENDINGS = (".las", ".laz")
# Classes of the ASPRS LAS specification 1.4 R15, table 17.
GROUND, WATER = 2, 9
CHUNK = 1_000_000
# Ground is gridded in squares of so many metres, each with the points of its neighbours.
SQUARE_M = 128.0
# No level on Earth: what lies further away is noise of a damaged file.
FAR_M = 1e6
# Cells that are looked at in one go.
BATCH = 1_000_000
# Twice the area below which a triangle holds no cell centre worth a division.
SLIVER_M2 = 1e-9
# Cell centres on an edge belong to both its triangles, which agree there.
EDGE = 1e-9
LAS_ERRORS = (
    laspy.errors.LaspyException, lazrs.LazrsError, OSError, ValueError, struct.error, EOFError,
    KeyError, IndexError, OverflowError, MemoryError, AssertionError, TypeError,
)  # fmt: skip


@dataclass(frozen=True)
class Cloud:
    """One file of points, as its header describes it."""

    path: Path
    file: str
    count: int
    bounds: tuple[float, float, float, float]
    crs: CRS | None


def header(path: Path, file: str, asked: CRS | None, book: Book) -> Cloud | None:
    """Return what the header of one file of points says, noting why it cannot be used."""
    if is_empty(path, file, book):
        return None
    if not _sizes_hold(head_of(path, 256), path.stat().st_size):
        book.stop(
            file, "header", "sizes that do not fit the file", "LAS or LAZ points",
            "Copy it again from its source.",
        )  # fmt: skip
        return None
    try:
        with laspy.open(path) as held:
            h = held.header
            count = int(h.point_count)
            mins, maxs = np.asarray(h.mins, np.float64), np.asarray(h.maxs, np.float64)
            try:
                crs = h.parse_crs()
            except (CRSError, *LAS_ERRORS):
                crs = None
            size = path.stat().st_size
            short = not h.are_points_compressed and size < (
                h.offset_to_point_data + count * h.point_format.size
            )
    except LAS_ERRORS as error:
        book.stop(
            file, "", f"a file that cannot be read as LAS or LAZ ({plain(str(error), 120)})",
            "LAS or LAZ points", "Copy it again from its source.",
        )  # fmt: skip
        return None
    if short:
        _breaks_off(file, book, "fewer bytes than its header promises")
        return None
    if count == 0:
        book.stop(file, "", "no points", "ground points", "Check that this is the right file.")
        return None
    bounds = (float(mins[0]), float(mins[1]), float(maxs[0]), float(maxs[1]))
    if not np.isfinite(bounds).all() or bounds[0] > bounds[2] or bounds[1] > bounds[3]:
        book.stop(file, "header", f"a false extent {bounds}", "the extent of the points",
                  "Write the file anew with a point-cloud tool.")  # fmt: skip
        return None
    crs = crs or asked
    if crs is None:
        book.stop(file, "CRS", "none", "a projected CRS in metres", crs_of.ASK)
    wide, high = bounds[2] - bounds[0], bounds[3] - bounds[1]
    if crs is not None and crs.is_projected and wide * high > count * number(GROUND_PER_POINT_M2):
        book.stop(
            file, "header", f"{count:,} points over {wide:,.0f} by {high:,.0f} m",
            f"a point on every {number(GROUND_PER_POINT_M2):g} m² or more",
            "Write the file anew with a point-cloud tool, or clip it to the site.",
        )  # fmt: skip
        return None
    return Cloud(path, file, count, bounds, crs)


def _sizes_hold(head: bytes, size: int) -> bool:
    """Say if the counts of a LAS header can be true: false ones make readers run for hours.

    Places of the fields are those of the ASPRS LAS specification 1.4 R15, section 2.4 (memory).
    """
    if len(head) < 227 or head[:4] != b"LASF":
        return False
    header_size, points_at, records = struct.unpack_from("<HII", head, 94)
    good = header_size + 54 * records <= points_at <= size
    if head[24:26] >= b"\x01\x04" and len(head) >= 247:
        last_at, last_records = struct.unpack_from("<QI", head, 235)
        good = good and (last_records == 0 or last_at + 60 * last_records <= size)
    return bool(good)


def _breaks_off(file: str, book: Book, words: str) -> None:
    book.stop(file, "", f"a file that breaks off or is damaged ({words})", "a whole file",
              "Copy or download it again, and compare its size with the source.")  # fmt: skip


def plan(clouds: Sequence[Cloud], cell_m: float, book: Book) -> tuple[Grid, CRS] | None:
    """Return the grid for all points, its lines on whole multiples of the cell size."""
    if not clouds or any(c.crs is None for c in clouds):
        return None
    first = clouds[0]
    assert first.crs is not None
    for cloud in clouds[1:]:
        if cloud.crs is not None and not crs_of.same(cloud.crs, first.crs):
            book.stop(
                cloud.file, "CRS", crs_of.named(cloud.crs),
                f"that of the other files, {crs_of.named(first.crs)}",
                "Reproject the points to one CRS.",
            )  # fmt: skip
            return None
    b = np.array([c.bounds for c in clouds])
    west, south = b[:, 0].min(), b[:, 1].min()
    east, north = b[:, 2].max(), b[:, 3].max()
    bounds = (float(west), float(south), float(east), float(north))
    site = crs_of.check_site_crs(first.crs, bounds, first.file, book)
    if site is None:
        return None
    left = math.floor(west / cell_m) * cell_m
    top = math.ceil(north / cell_m) * cell_m
    cols = max(1, math.ceil((east - left) / cell_m - 1e-6))
    rows = max(1, math.ceil((top - south) / cell_m - 1e-6))
    return Grid(left, top, cell_m, cell_m, rows, cols, crs_of.short(site)), first.crs


Squares = dict[tuple[int, int], list[F32]]


def read(
    clouds: Sequence[Cloud], grid: Grid, rules: TakeRules, book: Book, progress: Progress
) -> FloatRaster | None:
    """Return the ground of a grid by linear interpolation between ground and water points.

    Cells further than `rules.las_gap_m` from every such point stay NaN. Points are held as
    float32 offsets from the grid's corner, square by square, to keep memory small.
    """
    squares: Squares = defaultdict(list)
    kept = 0
    total = sum(c.count for c in clouds)
    seen = 0
    classes: set[int] = set()
    damaged = False
    for cloud in clouds:
        try:
            with laspy.open(cloud.path) as held:
                for points in held.chunk_iterator(CHUNK):
                    seen += len(points)
                    progress(0.4 * min(1.0, seen / total), f"reading {cloud.file}")
                    kept += _keep(points, grid, squares, classes)
                    if kept > number(POINTS_MAX):
                        book.stop(
                            cloud.file, "", f"over {kept / 1e6:.0f} million ground points",
                            f"up to {number(POINTS_MAX) / 1e6:.0f} million",
                            "Give a boundary, thin the points, or give a terrain raster.",
                        )  # fmt: skip
                        return None
                if held.header.point_count != cloud.count or seen < cloud.count:
                    _breaks_off(cloud.file, book, "fewer points than its header promises")
                    damaged = True
        except LAS_ERRORS as error:
            _breaks_off(cloud.file, book, plain(str(error), 120))
            damaged = True
    if damaged:
        return None
    file = clouds[0].file
    if GROUND not in classes:
        had = ", ".join(str(c) for c in sorted(classes)) or "none"
        book.stop(file, "classes", f"no ground points (classes here: {had})",
                  "points of class 2, ground", "Classify the ground first.")  # fmt: skip
        return None
    if kept < 3:
        book.stop(file, "", count_said(kept, "ground point") + " on the site",
                  "3 ground points or more", "Check that boundary and points meet.")  # fmt: skip
        return None
    out = _gridded(squares, grid, rules.las_gap_m, progress)
    covered = int(np.isfinite(out).sum()) * grid.cell_area_m2
    spacing = math.sqrt(covered / kept) if kept else math.inf
    if spacing > number(SPACING_LOOK_M):
        book.look(file, "", f"ground points {spacing:.1f} m apart",
                  f"{number(SPACING_LOOK_M):g} m or less",
                  "Drains hardly show between such points: measure depths by hand.")  # fmt: skip
    return out


def _keep(points: Any, grid: Grid, squares: Squares, classes: set[int]) -> int:
    """Sort the ground and water points of one chunk into squares; return how many."""
    kind = np.asarray(points.classification)
    classes.update(int(k) for k in np.unique(kind))
    use = (kind == GROUND) | (kind == WATER)
    if "withheld" in points.point_format.dimension_names:
        use &= np.asarray(points.withheld) == 0
    x = np.asarray(points.x)[use] - grid.x_left_m
    y = grid.y_top_m - np.asarray(points.y)[use]
    z = np.asarray(points.z)[use]
    # Points a little outside still shape the ground at the edge.
    near = (
        (x > -SQUARE_M) & (x < grid.cols * grid.dx_m + SQUARE_M)
        & (y > -SQUARE_M) & (y < grid.rows * grid.dy_m + SQUARE_M)
        & (np.abs(z) < FAR_M)
    )  # fmt: skip
    xyz = np.stack([x[near], y[near], z[near]], axis=1).astype(np.float32)
    if not len(xyz):
        return 0
    square = np.floor(xyz[:, :2] / np.float32(SQUARE_M)).astype(np.int64)
    order = np.lexsort((square[:, 0], square[:, 1]))
    square, xyz = square[order], xyz[order]
    cuts = np.nonzero(np.any(np.diff(square, axis=0) != 0, axis=1))[0] + 1
    for part, key in zip(np.split(xyz, cuts), square[np.r_[0, cuts]], strict=True):
        # A copy, so that the chunk itself can be freed.
        squares[int(key[0]), int(key[1])].append(part.copy())
    return len(xyz)


def _gridded(squares: Squares, grid: Grid, gap_m: float, progress: Progress) -> FloatRaster:
    out = np.full((grid.rows, grid.cols), np.nan, np.float32)
    beyond = max(4.0 * gap_m, 20.0)
    across = math.ceil(grid.cols * grid.dx_m / SQUARE_M)
    down = math.ceil(grid.rows * grid.dy_m / SQUARE_M)
    for j in range(down):
        progress(0.4 + 0.6 * j / down, "gridding ground points")
        r0 = math.ceil(j * SQUARE_M / grid.dy_m)
        r1 = min(grid.rows, math.ceil((j + 1) * SQUARE_M / grid.dy_m))
        for i in range(across):
            c0 = math.ceil(i * SQUARE_M / grid.dx_m)
            c1 = min(grid.cols, math.ceil((i + 1) * SQUARE_M / grid.dx_m))
            points = _around(squares, i, j, beyond)
            if len(points) and r0 < r1 and c0 < c1:
                out[r0:r1, c0:c1] = _square(points, grid, (r0, r1, c0, c1), gap_m)
    return out


def _around(squares: Squares, i: int, j: int, beyond: float) -> F32:
    parts = [
        part
        for jj in (j - 1, j, j + 1)
        for ii in (i - 1, i, i + 1)
        for part in squares.get((ii, jj), ())
    ]
    if not parts:
        return np.empty((0, 3), np.float32)
    xyz = np.concatenate(parts)
    low = np.array([i, j]) * SQUARE_M - beyond
    high = np.array([i + 1, j + 1]) * SQUARE_M + beyond
    return np.asarray(xyz[((xyz[:, :2] > low) & (xyz[:, :2] < high)).all(axis=1)], np.float32)


def _square(
    xyz: F32, grid: Grid, window: tuple[int, int, int, int], gap_m: float
) -> NDArray[np.float32]:
    r0, r1, c0, c1 = window
    x = np.asarray((np.arange(c0, c1) + 0.5) * grid.dx_m, np.float64)
    y = np.asarray((np.arange(r0, r1) + 0.5) * grid.dy_m, np.float64)
    points = xyz.astype(np.float64)
    levels = np.full((r1 - r0, c1 - c0), np.nan)
    at = np.stack([a.ravel() for a in np.meshgrid(x, y)], axis=1)
    away, _ = cKDTree(points[:, :2]).query(at, distance_upper_bound=gap_m)
    near = np.isfinite(away).reshape(levels.shape)
    if near.any():
        # With fewer than three points, or all on one line, there is no surface between them.
        with contextlib.suppress(QhullError):
            _fill(levels, points, x, y)
        levels[~near] = np.nan
    return levels.astype(np.float32)


def _fill(
    levels: NDArray[np.float64],
    points: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
) -> None:
    """Write the level of each cell centre on the triangle that holds it.

    Each triangle meets the cells of its own bounding box, all at once. (The interpolator of scipy
    solves one small system a triangle with threaded LAPACK, which takes many times longer when
    another process is at work on the machine.)
    """
    middle = points.mean(axis=0)
    corners = (points - middle)[Delaunay(points[:, :2] - middle[:2]).simplices]
    x, y = x - middle[0], y - middle[1]
    low, high = corners.min(axis=1), corners.max(axis=1)
    c0, c1 = np.searchsorted(x, low[:, 0]), np.searchsorted(x, high[:, 0], side="right")
    r0, r1 = np.searchsorted(y, low[:, 1]), np.searchsorted(y, high[:, 1], side="right")
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    twice = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    boxes = (c1 - c0) * (r1 - r0)
    use = np.nonzero((boxes > 0) & (np.abs(twice) > SLIVER_M2))[0]
    cuts = np.searchsorted(np.cumsum(boxes[use]), np.arange(BATCH, boxes[use].sum(), BATCH))
    for batch in np.split(use, np.unique(cuts)):
        if not len(batch):
            continue
        own = np.repeat(batch, boxes[batch])
        first = np.repeat(np.cumsum(boxes[batch]) - boxes[batch], boxes[batch])
        row, col = np.divmod(np.arange(len(own)) - first, (c1 - c0)[own])
        row += r0[own]
        col += c0[own]
        px, py = x[col] - a[own, 0], y[row] - a[own, 1]
        bx, by = (b[own, k] - a[own, k] for k in (0, 1))
        cx, cy = (c[own, k] - a[own, k] for k in (0, 1))
        to_b = (px * cy - cx * py) / twice[own]
        to_c = (bx * py - px * by) / twice[own]
        inside = (to_b >= -EDGE) & (to_c >= -EDGE) & (to_b + to_c <= 1.0 + EDGE)
        own, to_b, to_c = own[inside], to_b[inside], to_c[inside]
        a2 = a[own, 2]
        levels[row[inside], col[inside]] = (
            middle[2] + a2 + to_b * (b[own, 2] - a2) + to_c * (c[own, 2] - a2)
        )
