"""The store commits a stage as a whole or not at all, and any GIS can open it."""

import errno
import multiprocessing
import os
import shutil
import signal
import sqlite3
import time
from collections import namedtuple
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

from peatwright.model.errors import LockedError, StoreError
from peatwright.model.raster import Grid, Raster
from peatwright.site import lock, store
from peatwright.site.store import Made, Store

CRS = "EPSG:27700"


def probes(count: int, seed: int = 0) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(seed)
    return gpd.GeoDataFrame(
        {"given_id": [f"p{k}" for k in range(count)], "peat_depth_m": rng.uniform(0, 4, count)},
        geometry=shapely.points(rng.uniform(0, 100, (count, 2))),
        crs=CRS,
    )


def terrain(seed: int = 0) -> Raster:
    values = np.random.default_rng(seed).normal(300, 5, (70, 90)).astype(np.float32)
    values[3, 4] = np.nan
    return Raster(values, Grid(1000.0, 2000.0, 0.5, 0.25, 70, 90, CRS))


def fingerprint(seed: int) -> str:
    return f"{seed:012d}".ljust(32, "f")


def seed_of(held: Store) -> int:
    return int(held.states()["take"].fingerprint[:12])


def committed(folder: Path, seed: int = 0) -> Store:
    made = Made(
        {"probes": probes(50, seed)}, {"dtm": terrain(seed)}, {"crs": CRS, "n": np.int64(3)}
    )
    held = Store(folder)
    held.commit("take", fingerprint(seed), made, CRS)
    return held


def test_what_was_committed_reads_back(tmp_path: Path) -> None:
    held = committed(tmp_path)
    state = held.states()["take"]
    assert state.fingerprint == fingerprint(0)
    assert state.report == {"crs": CRS, "n": 3}
    np.testing.assert_array_equal(held.raster("dtm").values, terrain().values)
    assert held.raster("dtm").grid == terrain().grid
    table = held.table("probes")
    assert table.crs == CRS
    np.testing.assert_array_equal(table["peat_depth_m"], probes(50)["peat_depth_m"])


def test_gdal_opens_both(tmp_path: Path) -> None:
    held = committed(tmp_path)
    assert len(pyogrio.read_dataframe(held.path, layer="probes")) == 50
    with rasterio.open(held.made / held.states()["take"].rasters["dtm"]) as image:
        assert image.crs.to_epsg() == 27700
        assert image.res == (0.5, 0.25)
        assert image.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"


def test_a_second_stage_keeps_the_first(tmp_path: Path) -> None:
    held = committed(tmp_path)
    before = held.table("probes")
    limits = gpd.GeoDataFrame(
        {"given_id": ["a"], "name": [""], "kind": ["track"], "distance_m": [4.0], "why": ["rule"]},
        geometry=[shapely.box(0, 0, 1, 1)], crs=CRS,
    )  # fmt: skip
    held.commit("measure", "x" * 32, Made({"limits": limits}), CRS)
    assert set(held.states()) == {"take", "measure"}
    assert held.table("probes").equals(before)


def test_outdated_rasters_go_and_current_ones_stay(tmp_path: Path) -> None:
    committed(tmp_path, 0)
    held = committed(tmp_path, 1)
    assert [p.name for p in held.made.glob("*.tif")] == [held.states()["take"].rasters["dtm"]]
    np.testing.assert_array_equal(held.raster("dtm").values, terrain(1).values)


def _commit_for_ever(folder: str) -> None:
    seed = 1
    while True:
        committed(Path(folder), seed)
        seed += 1


def test_killed_at_any_moment_the_last_complete_state_stays(tmp_path: Path) -> None:
    """Kill -9 at many moments; the table, the raster and the fingerprint always belong together."""
    committed(tmp_path)
    seen = set()
    context = multiprocessing.get_context("spawn")
    process = context.Process(target=_commit_for_ever, args=(str(tmp_path),))
    process.start()
    while seed_of(Store(tmp_path)) < 2:
        time.sleep(0.05)
    for wait in np.random.default_rng(4).uniform(0.0, 0.2, 12):
        time.sleep(wait)
        assert process.pid is not None
        os.kill(process.pid, signal.SIGSTOP)  # look at it frozen in mid-work: as if killed here
        frozen = tmp_path.with_name(f"frozen-{len(seen)}")
        shutil.copytree(tmp_path, frozen)
        os.kill(process.pid, signal.SIGCONT)
        held = Store(frozen)
        seed = seed_of(held)
        seen.add(seed)
        np.testing.assert_array_equal(held.raster("dtm").values, terrain(seed).values)
        np.testing.assert_array_equal(
            held.table("probes")["peat_depth_m"], probes(50, seed)["peat_depth_m"]
        )
        held.sweep()
        assert {p.suffix for p in held.made.iterdir()} == {".gpkg", ".tif"}
        shutil.rmtree(frozen)
    process.kill()
    process.join()
    assert len(seen) > 3, "the site moved on between the kills"


def test_a_full_disk_is_met_before_anything_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = committed(tmp_path)
    before = held.path.read_bytes()
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(100, 99, 1))
    with pytest.raises(StoreError, match="free disk"):
        held.commit("take", "y" * 32, Made({"probes": probes(50, 9)}), CRS)
    assert held.path.read_bytes() == before


def test_a_disk_that_fills_in_mid_write_leaves_the_old_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = committed(tmp_path)

    def fails(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(store, "_flush", fails)
    with pytest.raises(StoreError, match="a full disk"):
        held.commit("take", "y" * 32, Made({"probes": probes(50, 9)}, {"dtm": terrain(9)}), CRS)
    monkeypatch.undo()
    assert held.states()["take"].fingerprint == fingerprint(0)
    np.testing.assert_array_equal(held.raster("dtm").values, terrain(0).values)
    committed(tmp_path, 2)
    assert not list(held.made.glob(".*"))


def test_a_damaged_store_is_named(tmp_path: Path) -> None:
    held = committed(tmp_path)
    held.path.write_bytes(b"not a database at all" * 100)
    with pytest.raises(StoreError):
        held.states()


def test_a_stage_whose_raster_is_gone_is_stale(tmp_path: Path) -> None:
    held = committed(tmp_path)
    next(held.made.glob("*.tif")).unlink()
    assert held.states() == {}


def test_two_runs_at_once_are_refused(tmp_path: Path) -> None:
    with lock.held(tmp_path), pytest.raises(LockedError, match="another run"), lock.held(tmp_path):
        pass
    with lock.held(tmp_path):
        pass


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder_is_said(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(StoreError, match="cannot be written"), lock.held(tmp_path):
        pass
    tmp_path.chmod(0o700)


def test_the_state_is_in_the_geopackage_itself(tmp_path: Path) -> None:
    held = committed(tmp_path)
    with sqlite3.connect(held.path) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("SELECT stage FROM peatwright_state").fetchall() == [("take",)]
