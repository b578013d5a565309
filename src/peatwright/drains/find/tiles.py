"""The search by tiles: each tile by itself, then one network, whatever the tiling was."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Mapping, MutableMapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from peatwright.drains.find import _kernels as k
from peatwright.drains.find.finder import assemble, point_weight, setting_for, strong_need
from peatwright.drains.find.found import FoundDrains
from peatwright.drains.find.local import Points, look
from peatwright.drains.find.net import _kernels as nk
from peatwright.drains.find.network import near_of, pick
from peatwright.model.errors import Fault, GivenError
from peatwright.model.find_rules import FindRules
from peatwright.model.raster import Grid, Raster


@dataclass(frozen=True)
class Window:
    """A part of a grid: first row and column, rows and columns."""

    row: int
    col: int
    rows: int
    cols: int


Source = Callable[[Window], Raster]
"""Gives the raster of a window that lies inside the whole grid."""

MapTasks = Callable[[Callable[[Any], Any], list[Any]], Iterable[Any]]
"""Runs a function over tasks and gives results in any order, each result or the error it met."""


@dataclass(frozen=True)
class Tile:
    """One task: the core of a tile (in cells of the search) and its place in the plan."""

    number: int
    core: Window


@dataclass(frozen=True)
class Plan:
    """How a grid is cut: the grid that is searched, cells averaged to one, tiles and halo."""

    grid: Grid
    factor: int
    halo: int
    align: int
    tiles: tuple[Tile, ...]


@dataclass(frozen=True)
class TileResult:
    """What one tile gives: its points, the noise of its blocks and its cells with data."""

    number: int
    points: Points
    noise_m: NDArray[np.float32]
    cells: int

    def pack(self) -> bytes:
        """Return bytes from which `unpack` makes the result again."""
        out = io.BytesIO()
        np.savez(
            out, number=self.number, row=self.points.row, col=self.points.col,
            value=self.points.value, noise=self.noise_m, cells=self.cells,
        )  # fmt: skip
        return out.getvalue()

    @staticmethod
    def unpack(held: bytes) -> TileResult:
        """Make a result from its bytes."""
        with np.load(io.BytesIO(held), allow_pickle=False) as f:
            return TileResult(
                int(f["number"]),
                Points(f["row"], f["col"], f["value"]),
                f["noise"],
                int(f["cells"]),
            )


def searched_grid(grid: Grid, rules: FindRules) -> tuple[Grid, int]:
    """Return the grid that is searched and how many cells are averaged to one along a side."""
    if max(grid.dx_m, grid.dy_m) > rules.coarsest_cell_m * 1.001:
        raise GivenError(
            Fault(
                "terrain", "", f"cells of {max(grid.dx_m, grid.dy_m):g} m",
                f"cells of at most {rules.coarsest_cell_m:g} m",
                "Drains are narrower than these cells. Give a finer terrain model, or draw the "
                "drains by hand.",
            )
        )  # fmt: skip
    small = min(grid.dx_m, grid.dy_m)
    factor = max(int(0.5 / small + 0.25), 1) if small < rules.finest_cell_m else 1
    if factor == 1:
        return grid, 1
    return (
        Grid(
            grid.x_left_m, grid.y_top_m, grid.dx_m * factor, grid.dy_m * factor,
            grid.rows // factor, grid.cols // factor, grid.crs,
        ),
        factor,
    )  # fmt: skip


def plan(grid: Grid, rules: FindRules, tile_cells: int = 3072) -> Plan:
    """Cut a grid into tiles of about `tile_cells` along a side."""
    work, factor = searched_grid(grid, rules)
    s = setting_for(work.dx_m, work.dy_m, rules)
    down = max(-(-work.rows // max(tile_cells, 64)), 1)
    over = max(-(-work.cols // max(tile_cells, 64)), 1)
    rows = [work.rows * i // down for i in range(down + 1)]
    cols = [work.cols * i // over for i in range(over + 1)]
    tiles: list[Tile] = []
    for i in range(down):
        for j in range(over):
            core = Window(rows[i], cols[j], rows[i + 1] - rows[i], cols[j + 1] - cols[j])
            if core.rows and core.cols:
                tiles.append(Tile(len(tiles), core))
    return Plan(work, factor, s.halo, s.noise_block, tuple(tiles))


def read_window(p: Plan, tile: Tile) -> Window:
    """Window of the searched grid that a tile needs: its core and halo, on whole noise blocks."""
    c = tile.core
    r0 = max((c.row - p.halo) // p.align * p.align, 0)
    q0 = max((c.col - p.halo) // p.align * p.align, 0)
    r1 = min(-(-(c.row + c.rows + p.halo) // p.align) * p.align, p.grid.rows)
    q1 = min(-(-(c.col + c.cols + p.halo) // p.align) * p.align, p.grid.cols)
    return Window(r0, q0, r1 - r0, q1 - q0)


def look_tile(source: Source, p: Plan, tile: Tile, rules: FindRules) -> TileResult:
    """Search one tile."""
    w = read_window(p, tile)
    f = p.factor
    z = source(Window(w.row * f, w.col * f, w.rows * f, w.cols * f)).values
    if f > 1:
        fine = np.empty((w.rows, w.cols), np.float32)
        k.block_means(z, f, fine, np.empty(fine.shape, np.int32))
        z = fine
    s = setting_for(p.grid.dx_m, p.grid.dy_m, rules)
    c = tile.core
    core = (c.row - w.row, c.row - w.row + c.rows, c.col - w.col, c.col - w.col + c.cols)
    points, noise, cells = look(np.ascontiguousarray(z), w.row, w.col, core, s)
    return TileResult(tile.number, drop_weak(points, c, p, rules), noise, cells)


def drop_weak(points: Points, c: Window, p: Plan, rules: FindRules) -> Points:
    """Drop sets that end inside the tile and are too weak: the whole would drop them as well."""
    n = points.row.size
    if n == 0:
        return points
    by = np.lexsort((points.col, points.row))
    points = Points(points.row[by], points.col[by], points.value[by])
    label = np.empty(n, np.int32)
    nk.components(near_of(points.row, points.col), label)
    keep = np.empty(n, np.bool_)
    nk.keep_strong(
        label, point_weight(points, rules), rules.strong_ratio or 1.5,
        strong_need(p.grid.dx_m, p.grid.dy_m, rules), keep,
    )  # fmt: skip
    edge = (
        (points.row == c.row) | (points.row == c.row + c.rows - 1)
        | (points.col == c.col) | (points.col == c.col + c.cols - 1)
    )  # fmt: skip
    touch = np.zeros(n, np.bool_)
    touch[label[edge]] = True
    return pick(points, keep | touch[label])


def in_threads(workers: int = 2) -> MapTasks:
    """Run tasks on threads of this process: the loops release the interpreter."""

    def run(work: Callable[[Any], Any], tasks: list[Any]) -> Iterator[Any]:
        with ThreadPoolExecutor(workers) as pool:
            yield from pool.map(work, tasks)

    return run


def serial(work: Callable[[Any], Any], tasks: list[Any]) -> Iterator[Any]:
    """Run tasks one after another."""
    for t in tasks:
        yield work(t)


@dataclass(frozen=True)
class Task:
    """A tile's work as something that can be sent to another process."""

    source: Source
    plan: Plan
    rules: FindRules

    def __call__(self, tile: Tile) -> bytes | tuple[int, str]:
        """Search the tile; a failure comes back as the tile's number and what happened."""
        try:
            return look_tile(self.source, self.plan, tile, self.rules).pack()
        except (OSError, MemoryError, RuntimeError, ValueError) as e:
            return tile.number, f"{type(e).__name__}: {e}"


def find_in_tiles(
    source: Source,
    grid: Grid,
    rules: FindRules,
    *,
    tile_cells: int = 3072,
    run: MapTasks | None = None,
    done: MutableMapping[int, bytes] | None = None,
    tries: int = 3,
    progress: Callable[[int, int], None] | None = None,
) -> FoundDrains:
    """Find drains tile by tile; the result does not depend on tile size, order or executor.

    Args:
        source: gives the raster of a `Window` of `grid`; must be picklable for other processes.
        grid: the whole grid.
        rules: settings of the search.
        tile_cells: cells along a tile's side; memory grows with its square.
        run: runs a function over tasks (threads of this process by default).
        done: results of tiles by number; tiles found here are not searched again and new ones
            are put in as they come, so a mapping that the caller stores makes a run resumable.
        tries: how often a tile that failed is tried.
        progress: called with tiles done and all tiles.

    Errors: `GivenError` where the cells are too coarse, the terrain is empty, or a tile fails
    every try.
    """
    p = plan(grid, rules, tile_cells)
    held: MutableMapping[int, bytes] = {} if done is None else done
    task = Task(source, p, rules)
    run = run or in_threads()
    failed: dict[int, str] = {}
    for _ in range(max(tries, 1)):
        todo = [t for t in p.tiles if t.number not in held]
        if not todo:
            break
        failed = {}
        for got in run(task, list(todo)):
            if isinstance(got, bytes):
                held[TileResult.unpack(got).number] = got
                if progress:
                    progress(len(held), len(p.tiles))
            else:
                failed[got[0]] = got[1]
    missing = [t for t in p.tiles if t.number not in held]
    if missing:
        raise GivenError([
            Fault(
                "terrain", f"tile {t.number} at row {t.core.row * p.factor}, "
                f"column {t.core.col * p.factor}", failed.get(t.number, "no result"),
                "a tile that can be read and searched", "Mend the terrain there, and run again: "
                "the other tiles are kept.",
            )
            for t in missing
        ])  # fmt: skip
    return assemble(unpacked(p, held), p.grid, rules)


def unpacked(p: Plan, held: Mapping[int, bytes]) -> list[TileResult]:
    """Results in the order of the plan."""
    return [TileResult.unpack(held[t.number]) for t in p.tiles]


def find_drains(raster: Raster, rules: FindRules, *, workers: int = 2) -> FoundDrains:
    """Find drains in a raster that is in memory.

    Args:
        raster: levels (m) in a projected CRS, NaN where there are none, cells of 2 m or finer.
        rules: settings of the search.
        workers: threads.

    Errors: `GivenError` where the cells are too coarse or no cell has a level.
    """
    v = raster.values
    g = raster.grid

    def source(w: Window) -> Raster:
        part = v[w.row : w.row + w.rows, w.col : w.col + w.cols]
        at = Grid(
            g.x_left_m + w.col * g.dx_m, g.y_top_m - w.row * g.dy_m, g.dx_m, g.dy_m, w.rows, w.cols,
            g.crs,
        )  # fmt: skip
        return Raster(part, at)

    tile = min(4096, max(512, -(-max(g.rows, g.cols) // 2))) if workers > 1 else 4096
    return find_in_tiles(source, g, rules, tile_cells=tile, run=in_threads(workers))
