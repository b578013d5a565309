"""A terrain that is read window by window, so that a region never has to fit in memory."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from peatwright.drains.find.tiles import Window
from peatwright.model.errors import Fault, GivenError
from peatwright.model.progress import silent
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import Rules
from peatwright.site import crs as crs_of
from peatwright.site import read_raster
from peatwright.site.fault_book import Book
from peatwright.site.given import Given
from peatwright.site.read_raster import Tile
from peatwright.site.take import headers


@dataclass(frozen=True)
class TerrainWindows:
    """Raster files as one terrain. Called with a window, it reads just that; can be pickled."""

    tiles: tuple[Tile, ...]
    grid: Grid
    level_low_m: float
    level_high_m: float

    def __call__(self, window: Window) -> Raster:
        """Return the levels of a window of `grid`; raises `GivenError` for a damaged file."""
        whole = self.grid
        part = Grid(
            whole.x_left_m + window.col * whole.dx_m, whole.y_top_m - window.row * whole.dy_m,
            whole.dx_m, whole.dy_m, window.rows, window.cols, whole.crs,
        )  # fmt: skip
        west, south, east, north = part.bounds
        near = [
            t for t in self.tiles
            if t.bounds[0] < east and t.bounds[2] > west
            and t.bounds[1] < north and t.bounds[3] > south
        ]  # fmt: skip
        book = Book()
        values = read_raster.read(near, part, book, silent)
        if values is None:
            raise GivenError(book.stops)
        # Levels that are not believed are marks for "no data" that no header declares.
        values[(values < self.level_low_m) | (values > self.level_high_m)] = np.nan
        return Raster(values, part)


def open_terrain(paths: Sequence[Path], crs: str, rules: Rules) -> TerrainWindows:
    """Open raster files, folders of tiles or a VRT as one terrain, reading only their headers.

    `crs` is what the user says for files that carry none. Raises `GivenError` with every fault.
    """
    book = Book()
    asked = crs_of.answer(crs, book)
    ground = headers(Given(dtm=tuple(paths), crs=crs), asked, rules, book)
    if ground is not None and any(not isinstance(h, Tile) for h in ground.heads):
        book.stop(
            str(paths[0]), "", "LAS or LAZ points", "rasters, for a search by tiles",
            "Grid the points first: `peatwright run DIR --to take` does so for a site.",
        )  # fmt: skip
    if book.stops:
        raise GivenError(book.stops)
    if ground is None or not ground.heads:
        raise GivenError(
            Fault(
                str(paths[0]) if paths else "--dtm", "", "no terrain", "raster files", "Check it."
            )
        )
    tiles = tuple(h for h in ground.heads if isinstance(h, Tile))
    return TerrainWindows(tiles, ground.grid, rules.take.level_low_m, rules.take.level_high_m)
