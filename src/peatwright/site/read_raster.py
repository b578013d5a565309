"""Reading a terrain from raster files: one file, many tiles, a VRT or a folder."""

from __future__ import annotations

import contextlib
import math
import re
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.transform import Affine
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window

from peatwright.model.progress import Progress
from peatwright.model.raster import FloatRaster, Grid
from peatwright.site import crs as crs_of
from peatwright.site.fault_book import Book, count_said, file_said, head_of
from peatwright.site.figures import (
    ALIGN_RATIO,
    BLOCK_BYTES_MAX,
    CELL_LOOK_M,
    CELLS_MAX,
    OVERLAP_M,
    number,
)

# Each ending is opened by its own driver alone, so that a file cannot pose as another kind.
DRIVERS = {".tif": "GTiff", ".tiff": "GTiff", ".asc": "AAIGrid", ".vrt": "VRT"}
RASTER_ENDINGS = tuple(DRIVERS)
STRIP_CELLS = 2_000_000
VRT_BYTES_MAX = 20_000_000
FEET = re.compile(r"\b(us[- ]?)?(survey )?(ft|feet|foot)\b", re.IGNORECASE)
# Levels that programs write for "no data" when nothing in the file says so.
NO_LEVEL = (-9999.0, -99999.0, -32768.0, -32767.0, -3.4028234663852886e38)


@dataclass(frozen=True)
class Tile:
    """One raster file that can be read, as its header describes it."""

    path: Path
    file: str
    rows: int
    cols: int
    transform: Affine
    crs: CRS | None
    stated_crs: bool

    @property
    def dx_m(self) -> float:
        """Cell size along x."""
        return abs(float(self.transform.a))

    @property
    def dy_m(self) -> float:
        """Cell size along y."""
        return abs(float(self.transform.e))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north."""
        t = self.transform
        xs = sorted((t.c, t.c + t.a * self.cols))
        ys = sorted((t.f, t.f + t.e * self.rows))
        return xs[0], ys[0], xs[1], ys[1]


@contextlib.contextmanager
def gdal() -> Iterator[None]:
    """Hold GDAL to local files, little memory and no warnings on the screen."""
    with (
        rasterio.Env(
            GDAL_CACHEMAX=64,
            AAIGRID_DATATYPE="Float32",
            GDAL_VRT_ENABLE_PYTHON="NO",
            GDAL_HTTP_MAX_RETRY=0,
            CPL_VSIL_CURL_ALLOWED_EXTENSIONS="none",
            GDAL_PAM_ENABLED="YES",
        ),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        yield


def _opened(path: Path) -> Any:
    return rasterio.open(path, driver=DRIVERS[path.suffix.lower()])


def header(path: Path, file: str, asked: CRS | None, book: Book) -> Tile | None:
    """Return what the header of one raster says, noting why it cannot be a terrain."""
    if is_empty(path, file, book):
        return None
    if path.suffix.lower() == ".vrt" and not _vrt_is_local(path, file, book):
        return None
    try:
        with gdal(), _opened(path) as held:
            return _from_header(held, path, file, asked, book)
    except (RasterioError, OSError, ValueError, OverflowError) as error:
        book.stop(
            file, "", f"a file that cannot be read as a raster ({_words(error, path)})",
            "a GeoTIFF, ESRI ASCII grid or VRT", "Copy it again from its source.",
        )  # fmt: skip
        return None


def is_empty(path: Path, file: str, book: Book) -> bool:
    """Say if a file is missing or holds nothing, and note it."""
    try:
        size = path.stat().st_size
    except OSError as error:
        book.stop(file, "", error.strerror or "no such file", "a file", "Check the path.")
        return True
    if size == 0:
        book.stop(file, "", "an empty file", "a file with content", "Copy it again.")
    return size == 0


def _words(error: Exception, path: Path) -> str:
    return str(error).replace(str(path), path.name).replace(str(path.parent), "").strip()


def _vrt_is_local(path: Path, file: str, book: Book) -> bool:
    """Refuse a VRT that reaches out of the local disk, runs code or lacks its tiles."""
    if path.stat().st_size > VRT_BYTES_MAX:
        book.stop(file, "", f"{path.stat().st_size:,} bytes", f"a VRT of {VRT_BYTES_MAX:,} or less",
                  "Make the VRT anew, or give the folder of tiles.")  # fmt: skip
        return False
    text = path.read_text("utf-8", errors="replace")
    if re.search(r"<!(DOCTYPE|ENTITY)|PixelFunction|VRTDerived|VRTRawRasterBand", text, re.I):
        book.stop(file, "", "code, raw bytes or entities in a VRT", "a VRT that only places tiles",
                  "Make it anew from the tiles, or give their folder.")  # fmt: skip
        return False
    missing = []
    for flags, name in re.findall(r"<Source(?:Filename|Dataset)([^>]*)>([^<]*)<", text):
        relative = re.search(r"relativeToVRT\s*=\s*[\"']1", flags)
        source = path.parent / name.strip() if relative else Path(name.strip())
        is_tile = source.suffix.lower() in {".tif", ".tiff", ".asc"}
        if "/vsi" in name or "://" in name or not is_tile:
            book.stop(file, "", f"a source {name!r}", "GeoTIFF or ASCII grids on this computer",
                      "Download the tiles and give their folder.")  # fmt: skip
            return False
        if not source.is_file():
            missing.append(source.name)
        elif head_of(source).lstrip()[:1] == b"<":
            book.stop(file, f"tile {source.name}", "XML", "GeoTIFF or ASCII grid tiles",
                      "Give the folder of tiles.")  # fmt: skip
            return False
    if missing:
        book.stop(
            file, f"tile {missing[0]}", count_said(len(missing), "missing tile"),
            "every tile that the VRT names", "Copy the tiles too, or give the folder of tiles.",
        )  # fmt: skip
    return not missing


def _from_header(held: Any, path: Path, file: str, asked: CRS | None, book: Book) -> Tile | None:
    step = held.transform
    problem = False
    if held.count != 1 and held.dtypes[0] == "uint8":
        book.stop(file, "bands", f"a picture of {held.count} bands", "one band of levels",
                  "Give the terrain model itself, not a picture or hillshade of it.")  # fmt: skip
        return None
    if held.count != 1:
        book.look(file, "bands", f"{held.count} bands", "one band of levels",
                  "The first is used; check that it holds the ground levels.")  # fmt: skip
    elif held.dtypes[0] == "uint8":
        book.stop(file, "band 1", "whole numbers from 0 to 255, as in a picture",
                  "levels in metres with decimals",
                  "Give the terrain model itself, not a hillshade of it.")  # fmt: skip
        return None
    if held.dtypes[0].startswith("complex"):
        book.stop(file, "band 1", "complex numbers", "levels in metres", "Export it anew.")
        return None
    if step.is_identity:
        found = "ground control points only" if held.gcps[0] else "no position on the ground"
        book.stop(file, "", found, "a georeferenced north-up raster",
                  "Export it from a GIS with its position.")  # fmt: skip
        return None
    sizes = (step.a, step.b, step.c, step.d, step.e, step.f)
    if not all(map(math.isfinite, sizes)) or step.a == 0 or step.e == 0:
        turned = all(map(math.isfinite, sizes)) and (step.b != 0 or step.d != 0)
        found = "a grid turned by 90°" if turned else f"cells of {step.a} by {step.e}"
        book.stop(file, "", found, "a north-up grid of cells larger than 0",
                  "Export it anew, north up.")  # fmt: skip
        return None
    if abs(step.b) > 1e-9 * abs(step.a) or abs(step.d) > 1e-9 * abs(step.e):
        turn = math.degrees(math.atan2(step.d, step.a))
        book.stop(file, "", f"a grid turned by {turn:.3g}°", "a north-up grid",
                  "Warp it to a north-up grid in a GIS.")  # fmt: skip
        return None
    block = max(r * c for r, c in held.block_shapes) * np.dtype(held.dtypes[0]).itemsize
    if block > number(BLOCK_BYTES_MAX):
        book.stop(file, "", f"blocks of {block / 1e6:,.0f} MB",
                  f"blocks up to {number(BLOCK_BYTES_MAX) / 1e6:,.0f} MB",
                  "Write it anew as a tiled GeoTIFF.")  # fmt: skip
        return None
    unit = (held.units[0] or "").strip()
    if FEET.search(unit):
        book.stop(file, "band 1", f"levels in {unit}", "levels in metres",
                  "Multiply the levels by 0.3048 and save them as metres.")  # fmt: skip
        problem = True
    crs = crs_of.parsed(held.crs.to_wkt()) if held.crs else None
    tile = Tile(path, file, held.height, held.width, step, crs or asked, crs is not None)
    if tile.crs is None:
        book.stop(file, "CRS", "none", "a projected CRS in metres", crs_of.ASK)
    return None if problem else tile


def plan(tiles: Sequence[Tile], book: Book) -> tuple[Grid, CRS] | None:
    """Return the grid that holds all tiles, and its CRS as given; None when there is none."""
    known = [t for t in tiles if t.crs is not None]
    if not known or len(known) < len(tiles):
        return None
    first = known[0]
    assert first.crs is not None
    odd = [t for t in known if t.crs is not None and not crs_of.same(t.crs, first.crs)]
    if odd and odd[0].crs is not None:
        book.stop(
            odd[0].file, "CRS", crs_of.named(odd[0].crs),
            f"that of the other tiles, {crs_of.named(first.crs)}",
            "Reproject the tiles to one CRS.",
        )  # fmt: skip
        return None
    bounds = _union(known)
    site = crs_of.check_site_crs(first.crs, bounds, first.file, book)
    if site is None:
        return None
    return _grid(known, bounds, crs_of.short(site), book), first.crs


def _union(tiles: Sequence[Tile]) -> tuple[float, float, float, float]:
    b = np.array([t.bounds for t in tiles])
    return (float(b[:, 0].min()), float(b[:, 1].min()), float(b[:, 2].max()), float(b[:, 3].max()))


def _grid(
    tiles: Sequence[Tile], bounds: tuple[float, float, float, float], crs: str, book: Book
) -> Grid:
    # The cell size of most tiles is kept, the finer one where two are as frequent.
    sizes = Counter((round(t.dx_m, 6), round(t.dy_m, 6)) for t in tiles)
    usual = min(sizes, key=lambda s: (-sizes[s], s[0] * s[1]))
    like = next(t for t in tiles if (round(t.dx_m, 6), round(t.dy_m, 6)) == usual)
    dx, dy = like.dx_m, like.dy_m
    left = like.bounds[0] - math.ceil((like.bounds[0] - bounds[0]) / dx - 1e-3) * dx
    top = like.bounds[3] + math.ceil((bounds[3] - like.bounds[3]) / dy - 1e-3) * dy
    cols = math.ceil((bounds[2] - left) / dx - 1e-3)
    rows = math.ceil((top - bounds[1]) / dy - 1e-3)
    if max(dx, dy) > number(CELL_LOOK_M):
        book.look(
            like.file, "cells", f"cells of {dx:g} by {dy:g} m",
            f"cells of {number(CELL_LOOK_M):g} m or less",
            "Drains hardly show on such a terrain: measure depths by hand, or find a finer one.",
        )  # fmt: skip
    grid = Grid(left, top, dx, dy, rows, cols, crs)
    off = [t for t in tiles if not aligned(t, grid)]
    if off:
        t = off[0]
        more = f" (and {len(off) - 1} more tiles)" if len(off) > 1 else ""
        book.look(
            t.file, "cells", f"cells of {t.dx_m:g} by {t.dy_m:g} m, out of line with others{more}",
            f"cells of {dx:g} by {dy:g} m in line with {like.file}",
            "They are resampled to the others (bilinear); tiles of one grid are sharper.",
        )  # fmt: skip
    return grid


def aligned(tile: Tile, grid: Grid) -> bool:
    """Say whether the cells of a tile are cells of the grid."""
    same_size = math.isclose(tile.dx_m, grid.dx_m, rel_tol=1e-6) and math.isclose(
        tile.dy_m, grid.dy_m, rel_tol=1e-6
    )
    col = (tile.bounds[0] - grid.x_left_m) / grid.dx_m
    row = (grid.y_top_m - tile.bounds[3]) / grid.dy_m
    slack = number(ALIGN_RATIO)
    return same_size and abs(col - round(col)) <= slack and abs(row - round(row)) <= slack


def fits_memory(grid: Grid, file: str, book: Book) -> bool:
    """Refuse a terrain too large to be held, before any of it is."""
    cells = grid.rows * grid.cols
    if cells <= number(CELLS_MAX):
        return True
    book.stop(
        file, "", f"{grid.cols:,} by {grid.rows:,} cells ({cells / 1e6:,.0f} million)",
        f"up to {number(CELLS_MAX) / 1e6:,.0f} million cells in the part that is needed",
        "Give a boundary, so that only the ground around it is read, or clip the terrain first.",
    )  # fmt: skip
    return False


def read(tiles: Sequence[Tile], grid: Grid, book: Book, progress: Progress) -> FloatRaster | None:
    """Return the levels of a grid from its tiles, strip by strip; NaN where there is no data."""
    out = np.full((grid.rows, grid.cols), np.nan, np.float32)
    apart = 0.0
    whole = True
    for number_, tile in enumerate(tiles):
        progress(number_ / len(tiles), f"reading {tile.file}")
        try:
            with gdal(), _opened(tile.path) as held:
                apart = max(apart, _read_tile(held, tile, grid, out, book))
        except (RasterioError, OSError, ValueError) as error:
            whole = False
            book.stop(
                tile.file, "", f"a file that breaks off or is damaged ({_words(error, tile.path)})",
                "a whole file", "Copy or download it again, and compare its size with the source.",
            )  # fmt: skip
    if apart > number(OVERLAP_M):
        book.look(
            tiles[0].file, "overlaps of tiles", f"levels up to {apart:.2f} m apart",
            f"{number(OVERLAP_M):g} m or less", "Check that the tiles are of one survey; the first "
            "tile by name is used.",
        )  # fmt: skip
    return out if whole else None


def _read_tile(held: Any, tile: Tile, grid: Grid, out: FloatRaster, book: Book) -> float:
    """Copy one tile into place; return how far it is from what other tiles had put there."""
    flip_rows, flip_cols = tile.transform.e > 0, tile.transform.a < 0
    if flip_rows or flip_cols:
        book.look(
            tile.file, "", "a raster stored upside down" if flip_rows else "a mirrored raster",
            "north up, west left", "It is turned the right way; check it on the map.",
        )  # fmt: skip
    source, fitted = held, aligned(tile, grid)
    if not fitted:
        source = WarpedVRT(
            held, crs=held.crs or grid.crs, src_crs=held.crs or grid.crs,
            transform=Affine(grid.dx_m, 0, grid.x_left_m, 0, -grid.dy_m, grid.y_top_m),
            width=grid.cols, height=grid.rows, resampling=Resampling.bilinear,
            nodata=held.nodata if held.nodata is not None else -9999.0, dtype="float32",
        )  # fmt: skip
        flip_rows = flip_cols = False
    west, south, east, north = tile.bounds
    col = round((west - grid.x_left_m) / grid.dx_m) if fitted else 0
    row = round((grid.y_top_m - north) / grid.dy_m) if fitted else 0
    # Window of the grid that the tile covers, in grid cells.
    if fitted:
        r0, r1 = max(0, row), min(grid.rows, row + tile.rows)
        c0, c1 = max(0, col), min(grid.cols, col + tile.cols)
    else:
        r0 = max(0, math.floor((grid.y_top_m - north) / grid.dy_m))
        r1 = min(grid.rows, math.ceil((grid.y_top_m - south) / grid.dy_m))
        c0 = max(0, math.floor((west - grid.x_left_m) / grid.dx_m))
        c1 = min(grid.cols, math.ceil((east - grid.x_left_m) / grid.dx_m))
    if r0 >= r1 or c0 >= c1:
        return 0.0
    step = max(1, STRIP_CELLS // (c1 - c0))
    scale, offset = held.scales[0], held.offsets[0]
    apart = 0.0
    for top in range(r0, r1, step):
        end = min(top + step, r1)
        a, b = top - row, end - row
        left, right = c0 - col, c1 - col
        if flip_rows:
            a, b = tile.rows - b, tile.rows - a
        if flip_cols:
            left, right = tile.cols - right, tile.cols - left
        strip = source.read(1, window=Window(left, a, right - left, b - a), masked=True)
        levels = np.ma.filled(strip.astype(np.float32), np.nan)
        levels = levels[:: -1 if flip_rows else 1, :: -1 if flip_cols else 1]
        if scale != 1.0 or offset != 0.0:
            levels = levels * np.float32(scale) + np.float32(offset)
        there = out[top:end, c0:c1]
        blank = np.isnan(there)
        if not blank.all():
            both = ~blank & np.isfinite(levels)
            if both.any():
                apart = max(apart, float(np.abs(there[both] - levels[both]).max()))
        np.copyto(there, levels, where=blank)
    if source is not held:
        source.close()
    return apart


def tiles_in(path: Path, endings: Sequence[str]) -> list[Path]:
    """Return the files of a folder with these endings, in order of name, links out left aside."""
    top = path.resolve()
    return sorted(
        p
        for p in path.rglob("*")
        if p.suffix.lower() in endings
        and not p.name.startswith(".")
        and p.is_file()
        and p.resolve().is_relative_to(top)
    )


def tile_said(path: Path, given: Path) -> str:
    """Return a tile's name as the user knows it."""
    return file_said(path) if path == given else f"{given.name}/{path.relative_to(given)}"
