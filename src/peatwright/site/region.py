"""The search for drains over a region: any number of tiles, memory set by one of them."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from peatwright import __version__
from peatwright.drains import decisions
from peatwright.drains.find.tiles import Window
from peatwright.model.columns import empty
from peatwright.model.errors import Fault
from peatwright.model.layers import BOUNDARY, GIVEN_DRAINS
from peatwright.model.progress import Progress, part
from peatwright.model.raster import Grid, Raster
from peatwright.packs.drawing.found import draw_found, report_lines
from peatwright.packs.geopackage import write_layers
from peatwright.packs.info import PackInfo
from peatwright.site import lock, rule_sheet
from peatwright.site.search import TILES_FOLDER, search
from peatwright.site.store import saying_what_failed
from peatwright.site.windows import TerrainWindows, open_terrain

# A picture needs no more cells than this along a side.
PICTURE_CELLS = 2400


@dataclass(frozen=True)
class RegionFound:
    """The report in words and what a person should know."""

    report: tuple[str, ...]
    messages: tuple[Fault, ...]


def search_region(
    folder: Path, dtm: Sequence[Path], *, crs: str, cluster: str, tile_cells: int,
    progress: Progress,
) -> RegionFound:  # fmt: skip
    """Look for drains in a terrain of any size and write found.gpkg, found.pdf and found.txt.

    `folder` may hold a rules.toml with a `[find]` section. Tiles that were done before stay done.
    Raises `GivenError`, `ClusterError`, `LockedError` or `StoreError`.
    """
    with saying_what_failed(folder):
        folder.mkdir(parents=True, exist_ok=True)
    rules = rule_sheet.read(folder)
    with lock.held(folder):
        terrain = open_terrain(dtm, crs, rules)
        found = search(
            terrain, rules.find, folder / TILES_FOLDER, fingerprint=_fingerprint(terrain),
            cluster=cluster, tile_cells=tile_cells, progress=part(progress, 0.0, 0.8),
        )  # fmt: skip
        site_crs = terrain.grid.crs
        lines, furrows = decisions.layers(found, [], empty(GIVEN_DRAINS, site_crs))
        report = report_lines(lines, furrows, found.area_ha)
        picture = _thinned(terrain, part(progress, 0.8, 0.95))
        info = PackInfo(folder.resolve().name, False, "", "", "", __version__)
        sheet = draw_found(lines, furrows, empty(BOUNDARY, site_crs), picture, found.area_ha, info)
        with saying_what_failed(folder):
            made = folder / ".making.tmp.gpkg"
            write_layers(made, {"found_drains": lines, "furrow_ground": furrows}, site_crs)
            made.replace(folder / "found.gpkg")
            (folder / "found.pdf").write_bytes(sheet.pdf())
            (folder / "found.txt").write_text("\n".join(report) + "\n", encoding="utf-8")
            shutil.rmtree(folder / TILES_FOLDER, ignore_errors=True)
        progress(1.0, "written")
    return RegionFound(tuple(report), found.messages)


def _fingerprint(terrain: TerrainWindows) -> str:
    """Return a fingerprint of the files behind a terrain, without reading them all."""
    digest = hashlib.blake2b(digest_size=16)
    for tile in terrain.tiles:
        stat = tile.path.stat()
        digest.update(f"{tile.file}:{stat.st_size}:{stat.st_mtime_ns}".encode())
    return digest.hexdigest()


def _thinned(terrain: TerrainWindows, progress: Progress) -> Raster:
    """Return the terrain with fewer cells, for a picture, read strip by strip."""
    grid = terrain.grid
    step = max(1, -(-max(grid.rows, grid.cols) // PICTURE_CELLS))
    rows, cols = grid.rows // step, grid.cols // step
    out = np.full((rows, cols), np.nan, np.float32)
    strip = max(1, 64 // step) * step
    for top in range(0, rows * step, strip):
        high = min(strip, rows * step - top)
        part_read = terrain(Window(top, 0, high, cols * step)).values
        blocks = part_read.reshape(high // step, step, cols, step)
        known = np.isfinite(blocks)
        total = np.where(known, blocks, 0).sum(axis=(1, 3), dtype=np.float64)
        count = known.sum(axis=(1, 3))
        out[top // step : (top + high) // step] = np.where(
            count > 0, total / np.maximum(count, 1), np.nan
        )
        progress((top + high) / (rows * step), "drawing the picture")
    thin = Grid(
        grid.x_left_m, grid.y_top_m, grid.dx_m * step, grid.dy_m * step, rows, cols, grid.crs
    )
    return Raster(out, thin)
