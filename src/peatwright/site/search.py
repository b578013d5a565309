"""The search for drains on files: tiles kept as they come, so that a killed run goes on."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
from collections.abc import Iterator, MutableMapping
from pathlib import Path

from peatwright.drains.find.found import FoundDrains
from peatwright.drains.find.tiles import find_in_tiles
from peatwright.model.find_rules import FindRules
from peatwright.model.progress import Progress
from peatwright.site.cluster import tasks_on
from peatwright.site.store import saying_what_failed
from peatwright.site.windows import TerrainWindows

TILES_FOLDER = "find-tiles"


class KeptTiles(MutableMapping[int, bytes]):
    """Results of tiles by number, each a file that appears whole or not at all."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    def _path(self, number: int) -> Path:
        return self._folder / f"{number}.npz"

    def __getitem__(self, number: int) -> bytes:
        try:
            return self._path(number).read_bytes()
        except FileNotFoundError:
            raise KeyError(number) from None

    def __setitem__(self, number: int, held: bytes) -> None:
        temporary = self._folder / f".{number}.{os.getpid()}.tmp"
        with temporary.open("wb") as out:
            out.write(held)
            out.flush()
            os.fsync(out.fileno())
        temporary.replace(self._path(number))

    def __delitem__(self, number: int) -> None:
        self._path(number).unlink()

    def __iter__(self) -> Iterator[int]:
        return (int(p.stem) for p in self._folder.glob("*.npz"))

    def __len__(self) -> int:
        return sum(1 for _ in self)


def search(
    terrain: TerrainWindows,
    rules: FindRules,
    keep: Path,
    *,
    fingerprint: str,
    cluster: str = "",
    tile_cells: int = 3072,
    progress: Progress,
) -> FoundDrains:
    """Find drains in a terrain on disk, tile by tile.

    Tiles already found for the same `fingerprint` of terrain and rules are taken from `keep`;
    `cluster` is the address of a Dask scheduler, `local`, or nothing for threads of this process.
    Raises `GivenError` where a tile cannot be read.
    """
    said = repr((fingerprint, terrain.grid, rules, tile_cells))
    name = hashlib.blake2b(said.encode(), digest_size=8).hexdigest()
    with saying_what_failed(keep.parent), contextlib.ExitStack() as open_for_now:
        for other in keep.glob("*"):
            if other.name != name:
                shutil.rmtree(other, ignore_errors=True)
        run = open_for_now.enter_context(tasks_on(cluster)) if cluster else None
        return find_in_tiles(
            terrain, terrain.grid, rules, tile_cells=tile_cells, run=run,
            done=KeptTiles(keep / name),
            progress=lambda done, tiles: progress(done / tiles, f"tile {done} of {tiles}"),
        )  # fmt: skip
