"""What a site has made so far: one GeoPackage of layers, rasters beside it, one point of commit.

A stage's tables, rasters and fingerprint become current together, when the new GeoPackage takes
the place of the old one by a single rename. Before that moment nothing of the old state has been
touched, so that a run killed at any time leaves the last complete state.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from peatwright.model.errors import Fault, StoreError
from peatwright.model.layers import LAYERS
from peatwright.model.raster import Grid, Raster
from peatwright.packs.geopackage import read_layer, write_layers

MADE_FOLDER = "made"
STORE_FILE = "site.gpkg"
STATE_TABLE = "peatwright_state"
# Room that a commit wants beyond what it writes, so that a full disk is met before, not amid.
SPARE_BYTES = 8 << 20
# Libraries that tell of a failing disk by classes of their own.
WRITERS = {"sqlite3", "pyogrio", "rasterio", "xlsxwriter"}


@dataclass(frozen=True)
class Made:
    """What a stage made: tables by layer name, rasters by name, figures for the summary."""

    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    rasters: Mapping[str, Raster] = field(default_factory=dict)
    report: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class StageState:
    """A stage that has been brought to its end."""

    stage: str
    fingerprint: str
    rasters: Mapping[str, str]
    report: Mapping[str, Any]


@contextlib.contextmanager
def saying_what_failed(folder: Path) -> Iterator[None]:
    """Turn a failing disk into one clear message."""
    try:
        yield
    except StoreError:
        raise
    except OSError as error:
        full = error.errno in {errno.ENOSPC, errno.EDQUOT}
        raise StoreError(
            Fault(
                folder.name,
                Path(error.filename).name if isinstance(error.filename, str) else "",
                "a full disk" if full else str(error.strerror or error),
                "a folder with room that can be read and written",
                "Free some space and run again."
                if full
                else "Mend that and run again. What was complete before is unharmed.",
            )
        ) from error
    except Exception as error:
        text = str(error)
        if type(error).__module__.split(".")[0] not in WRITERS:
            raise
        raise StoreError(
            Fault(
                folder.name, "", text or type(error).__name__,
                "a site store that can be read and written",
                "Free space or mend the disk and run again; what was complete before is unharmed.",
            )
        ) from error  # fmt: skip


@dataclass(frozen=True)
class Store:
    """Read and commit what a site has made. `crs` is that of the site, once known."""

    folder: Path

    @property
    def made(self) -> Path:
        """The folder of everything that stages made."""
        return self.folder / MADE_FOLDER

    @property
    def path(self) -> Path:
        """The site's GeoPackage."""
        return self.made / STORE_FILE

    def states(self) -> dict[str, StageState]:
        """Return the completed stages by name; none when nothing has been made yet.

        A stage whose raster is gone does not count. A reader may come between the commit of a
        stage and the sweep of its old rasters, so what is missing is looked for once more.
        """
        if not self.path.exists():
            return {}
        held = self._held_states()
        while True:
            whole = {n: s for n, s in held.items() if self._has_rasters(s)}
            again = held if len(whole) == len(held) else self._held_states()
            if again == held:
                return whole
            held = again

    def _has_rasters(self, state: StageState) -> bool:
        return all((self.made / file).exists() for file in state.rasters.values())

    def _held_states(self) -> dict[str, StageState]:
        with saying_what_failed(self.folder), contextlib.closing(self._connect()) as base:
            rows = base.execute(
                f"SELECT stage, fingerprint, rasters, report FROM {STATE_TABLE}"  # noqa: S608
            ).fetchall()
        return {
            stage: StageState(stage, print_, json.loads(rasters), json.loads(report))
            for stage, print_, rasters, report in rows
        }

    def _connect(self) -> sqlite3.Connection:
        return sqlite3.connect(f"file:{self.path}?mode=ro", uri=True)

    def table(self, name: str) -> Any:
        """Return one layer with its declared columns."""
        with saying_what_failed(self.folder):
            return read_layer(self.path, name, LAYERS[name])

    def area(self, name: str) -> Any:
        """Return all shapes of one layer as one, or None where it has none."""
        import shapely

        table = self.table(name)
        return shapely.union_all(table.geometry.to_numpy()) if len(table) else None

    def tables(self) -> dict[str, Any]:
        """Return every layer that has been made."""
        with saying_what_failed(self.folder):
            with contextlib.closing(self._connect()) as base:
                names = {row[0] for row in base.execute("SELECT table_name FROM gpkg_contents")}
            return {n: read_layer(self.path, n, layer) for n, layer in LAYERS.items() if n in names}

    def raster(self, name: str) -> Raster:
        """Return one raster by name; raises `StoreError` when no stage has made it."""
        for state in self.states().values():
            if name in state.rasters:
                with saying_what_failed(self.folder):
                    return read_raster(self.made / state.rasters[name])
        raise StoreError(
            Fault(
                self.folder.name, name, "nothing of that name", "a raster that a stage made",
                "Run the site first.",
            )
        )  # fmt: skip

    def commit(self, stage: str, fingerprint: str, made: Made, crs: str) -> None:
        """Make a stage's results current, all at once or not at all."""
        with saying_what_failed(self.folder):
            self.made.mkdir(exist_ok=True)
            self.sweep()
            self._demand_room(made)
            files = {
                name: self._write_raster(name, fingerprint, raster)
                for name, raster in made.rasters.items()
            }
            self._write_tables(stage, fingerprint, made, files, crs)
            self.sweep()

    def _demand_room(self, made: Made) -> None:
        now = self.path.stat().st_size if self.path.exists() else 0
        rasters = sum(r.values.nbytes for r in made.rasters.values())
        rows = sum(int(t.memory_usage(deep=False).sum()) for t in made.tables.values())
        need = 2 * now + rasters + 2 * rows + SPARE_BYTES
        free = shutil.disk_usage(self.made).free
        if free < need:
            raise StoreError(
                Fault(
                    self.folder.name, "", f"{free / 1e6:.0f} MB of free disk",
                    f"{need / 1e6:.0f} MB or more for this stage",
                    "Free some space and run again; nothing has been changed.",
                )
            )  # fmt: skip

    def _write_raster(self, name: str, fingerprint: str, raster: Raster) -> str:
        file = f"{name}-{fingerprint[:12]}.tif"
        temporary = self.made / f".{os.getpid()}.tmp.{file}"
        write_raster(temporary, raster)
        _flush(temporary)
        temporary.replace(self.made / file)
        return file

    def _write_tables(
        self, stage: str, fingerprint: str, made: Made, files: Mapping[str, str], crs: str
    ) -> None:
        temporary = self.made / f".{os.getpid()}.tmp.{STORE_FILE}"
        if self.path.exists():
            shutil.copyfile(self.path, temporary)
        tables = {name: made.tables[name] for name in LAYERS if name in made.tables}
        write_layers(temporary, tables, crs, keep=True)
        with contextlib.closing(sqlite3.connect(temporary)) as base, base:
            base.execute(
                f"CREATE TABLE IF NOT EXISTS {STATE_TABLE} (stage TEXT PRIMARY KEY, "
                "fingerprint TEXT NOT NULL, rasters TEXT NOT NULL, report TEXT NOT NULL)"
            )
            base.execute(
                f"INSERT OR REPLACE INTO {STATE_TABLE} VALUES (?, ?, ?, ?)",  # noqa: S608
                (stage, fingerprint, json.dumps(files), json.dumps(made.report, default=_plain)),
            )
        _flush(temporary)
        temporary.replace(self.path)
        _flush(self.made)

    def sweep(self) -> None:
        """Remove what killed runs and outdated stages left; current files are never touched."""
        current = {f for s in self.states().values() for f in s.rasters.values()}
        for path in self.made.iterdir():
            left_over = path.name.startswith(".") and ".tmp" in path.name
            outdated = path.suffix == ".tif" and path.name not in current
            if left_over or outdated:
                path.unlink(missing_ok=True)


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        return value.item()
    return str(value)


def _flush(path: Path) -> None:
    """Ask the disk to keep a file, or a folder's list of names, before going on."""
    if os.name == "nt" and path.is_dir():
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_raster(path: Path, raster: Raster) -> None:
    """Write a raster as a cloud-optimised GeoTIFF."""
    import rasterio
    from rasterio.transform import Affine

    grid = raster.grid
    with rasterio.open(
        path, "w", driver="COG", dtype="float32", count=1, width=grid.cols, height=grid.rows,
        crs=grid.crs, nodata=float("nan"), compress="ZSTD", level=1, predictor="YES",
        num_threads="ALL_CPUS",
        transform=Affine(grid.dx_m, 0, grid.x_left_m, 0, -grid.dy_m, grid.y_top_m),
    ) as out:  # fmt: skip
        out.write(raster.values, 1)


def read_raster(path: Path) -> Raster:
    """Read a raster that `write_raster` wrote."""
    import rasterio

    with rasterio.open(path) as held:
        step = held.transform
        grid = Grid(step.c, step.f, step.a, -step.e, held.height, held.width, held.crs.to_string())
        return Raster(held.read(1), grid)
