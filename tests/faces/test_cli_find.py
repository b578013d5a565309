"""Found drains as a user meets them: listed, accepted, refused, redrawn; regions by tiles."""

import dataclasses
import os
import shutil
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

from peatwright.drains.find import tiles as by_tile
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.site.cluster import tasks_on
from peatwright.site.folder import open_site
from peatwright.site.store import Store
from peatwright.site.windows import TerrainWindows, open_terrain
from peatwright.stages import run

Call = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def done(run_demo: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(run_demo, tmp_path / "site"))


def found(site: Path) -> gpd.GeoDataFrame:
    return Store(site).table("found_drains")


def rerun(site: Path, to: str = "measure") -> None:
    for _ in run(open_site(site), today="2026-01-01", to=to):
        pass


def a_new_drain(site: Path) -> str:
    """Return the longest found drain that nobody gave: the demo leaves some undrawn."""
    table = found(site)
    new = table[(table["given_id"] == "") & (table["kind"] == "drain")]
    return str(new.sort_values("length_m")["found_id"].iloc[-1])


def test_given_drains_are_known_among_the_found(done: Path) -> None:
    table = found(done)
    given = Store(done).table("given_drains")
    length = given[given["kind"] == "drain"].length.sum()
    assert table.loc[table["given_id"] != "", "length_m"].sum() > 0.8 * length
    assert set(table["given_id"]) - {""} <= set(given["given_id"])
    assert (table["decision"] == "").all()


def test_an_accepted_line_is_measured_and_a_refused_one_stays_refused(
    done: Path, peatwright: Call
) -> None:
    accepted = a_new_drain(done)
    refused = str(found(done).sort_values("confidence")["found_id"].iloc[0])
    before = len(Store(done).table("drains"))
    assert peatwright("accept", done, accepted, "--by", "A. Warden").returncode == 0
    assert peatwright("refuse", done, refused).returncode == 0
    rerun(done)
    table = found(done).set_index("found_id")
    assert table.loc[accepted, "decision"] == "accepted"
    assert table.loc[refused, "decision"] == "refused"
    drains = Store(done).table("drains")
    assert len(drains) > before
    assert drains["given_ids"].str.contains(f"found:{accepted}", regex=False).any()
    # A new search, here by another rule, does not forget.
    sheet = (done / "rules.toml").read_text()
    (done / "rules.toml").write_text(sheet.replace("[find]", "[find]\nshortest_m = 9.0", 1))
    rerun(done)
    again = found(done).set_index("found_id")
    assert again.loc[accepted, "decision"] == "accepted"
    assert peatwright("undecide", done, accepted).returncode == 0
    rerun(done)
    assert len(Store(done).table("drains")) == before


def test_a_redrawn_line_takes_the_drawn_shape(done: Path, peatwright: Call, tmp_path: Path) -> None:
    name = a_new_drain(done)
    line = found(done).set_index("found_id").loc[name, "geometry"]
    drawn = shapely.transform(line.simplify(3.0), lambda xy: xy + np.array([0.4, -0.3]))
    path = tmp_path / "mine.gpkg"
    pyogrio.write_dataframe(gpd.GeoDataFrame(geometry=[drawn], crs="EPSG:27700"), path)
    assert peatwright("redraw", done, name, "--line", path).returncode == 0
    rerun(done)
    row = found(done).set_index("found_id").loc[name]
    assert row["decision"] == "redrawn"
    assert row["geometry"].equals(drawn)


def test_an_unknown_line_is_met_with_the_nearest(done: Path, peatwright: Call) -> None:
    name = a_new_drain(done)
    out = peatwright("accept", done, name + "x")
    assert out.returncode == 3
    assert "Nearest" in out.stderr
    assert name in out.stderr
    assert not (done / "said.jsonl").exists()


def test_without_any_drain_the_run_says_how_to_go_on(
    unrun_demo: Path, tmp_path: Path, peatwright: Call
) -> None:
    out = peatwright("new", tmp_path / "bare", "--dtm", unrun_demo / "given/dtm.tif")
    assert out.returncode == 0, out.stderr
    stopped = peatwright("run", tmp_path / "bare")
    assert stopped.returncode == 3
    assert "peatwright accept" in " ".join(stopped.stderr.split())
    assert peatwright("accept", tmp_path / "bare", "--above", "0.8").returncode == 0
    rerun(tmp_path / "bare", "lay")
    assert len(Store(tmp_path / "bare").table("drains")) > 3


@pytest.fixture(scope="module")
def tiles(unrun_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Cut the demo's terrain into tiles of its own, as a supplier delivers it."""
    folder = tmp_path_factory.mktemp("tiles")
    with rasterio.open(unrun_demo / "given/dtm.tif") as whole:
        levels, step = whole.read(1), whole.transform
        for k, row in enumerate(range(0, whole.height, 300)):
            for n, col in enumerate(range(0, whole.width, 250)):
                part = levels[row : row + 300, col : col + 250]
                with rasterio.open(
                    folder / f"t{k}{n}.tif", "w", driver="GTiff", dtype="float32", count=1,
                    height=part.shape[0], width=part.shape[1], crs=whole.crs, nodata=whole.nodata,
                    transform=rasterio.Affine(
                        step.a, 0, step.c + col * step.a, 0, step.e, step.f + row * step.e
                    ),
                ) as out:  # fmt: skip
                    out.write(part, 1)
    return folder


def lines_of(folder: Path) -> list[bytes]:
    table = pyogrio.read_dataframe(folder / "found.gpkg", layer="found_drains")
    return sorted(shapely.to_wkb(shapely.set_precision(table.geometry.to_numpy(), 0.001)))


def test_a_region_gives_the_same_by_tiles_by_cluster_and_whole(
    tiles: Path, unrun_demo: Path, tmp_path: Path, peatwright: Call
) -> None:
    whole = peatwright("region", tmp_path / "whole", "--dtm", unrun_demo / "given/dtm.tif")
    assert whole.returncode == 0, whole.stderr
    assert "m/ha" in whole.stdout
    parts = peatwright("region", tmp_path / "parts", "--dtm", tiles, "--tile-cells", "256")
    assert parts.returncode == 0, parts.stderr
    spread = peatwright(
        "region", tmp_path / "spread", "--dtm", tiles, "--tile-cells", "300", "--cluster", "local"
    )
    assert spread.returncode == 0, spread.stderr
    assert parts.stdout == whole.stdout == spread.stdout
    assert lines_of(tmp_path / "parts") == lines_of(tmp_path / "whole")
    assert lines_of(tmp_path / "spread") == lines_of(tmp_path / "whole")
    assert (tmp_path / "whole/found.pdf").stat().st_size > 20_000
    assert not (tmp_path / "whole/find-tiles").exists()


def test_a_region_goes_on_where_it_was(tiles: Path, tmp_path: Path) -> None:
    """Tiles that were done are not read again: a later run does not even meet a broken one."""
    from peatwright.model.errors import GivenError
    from peatwright.model.progress import silent
    from peatwright.site import region

    reads: list[by_tile.Window] = []
    broken = {"now": True}

    def watched(self: object, window: by_tile.Window) -> object:
        reads.append(window)
        if broken["now"] and len(reads) > 3:
            msg = "the disk went away"
            raise OSError(msg)
        return original(self, window)

    original = region.TerrainWindows.__call__
    patch = pytest.MonkeyPatch()
    patch.setattr(region.TerrainWindows, "__call__", watched)
    go = {"crs": "", "cluster": "", "tile_cells": 256, "progress": silent}
    with pytest.raises(GivenError, match="the disk went away"):
        region.search_region(tmp_path / "out", [tiles], **go)
    kept = len(list((tmp_path / "out/find-tiles").glob("*/*.npz")))
    assert kept == 3
    broken["now"] = False
    reads.clear()
    region.search_region(tmp_path / "out", [tiles], **go)
    patch.undo()
    plan = by_tile.plan(
        region.open_terrain([tiles], "", region.rule_sheet.read(tmp_path)).grid,
        region.rule_sheet.read(tmp_path).find, 256,
    )  # fmt: skip
    searched = [w for w in reads if w.cols < plan.grid.cols]
    assert len(searched) == len(plan.tiles) - kept


def test_an_unreachable_cluster_is_said(tiles: Path, tmp_path: Path, peatwright: Call) -> None:
    out = peatwright("region", tmp_path / "out", "--dtm", tiles, "--cluster", "tcp://127.0.0.1:9")
    assert out.returncode == 7, out.stderr
    assert "--cluster local" in out.stderr
    assert "Traceback" not in out.stderr


def test_cells_too_coarse_to_show_drains_are_refused(tmp_path: Path, peatwright: Call) -> None:
    levels = np.random.default_rng(1).normal(300, 1, (80, 80)).astype(np.float32)
    with rasterio.open(
        tmp_path / "coarse.tif", "w", driver="GTiff", dtype="float32", count=1, height=80,
        width=80, crs="EPSG:27700", transform=rasterio.Affine(5, 0, 3e5, 0, -5, 7e5),
    ) as out:  # fmt: skip
        out.write(levels, 1)
    told = peatwright("region", tmp_path / "out", "--dtm", tmp_path / "coarse.tif")
    assert told.returncode == 3
    assert "5 m" in told.stderr


@dataclasses.dataclass(frozen=True)
class SlowTerrain:
    """A terrain that takes its time, and takes its worker down once."""

    inner: TerrainWindows
    mark: Path

    def __call__(self, window: by_tile.Window) -> Raster:
        try:
            self.mark.open("x").close()
        except FileExistsError:
            return self.inner(window)
        os.kill(os.getpid(), signal.SIGKILL)
        raise AssertionError


@pytest.mark.skipif(os.name == "nt", reason="kills a worker by a signal")
def test_a_lost_worker_costs_its_tile_only(tiles: Path, tmp_path: Path) -> None:
    """A worker is killed in mid-tile; the search ends, and ends with the same lines."""
    rules = Rules()
    terrain = open_terrain([tiles], "", rules)
    whole = by_tile.find_in_tiles(terrain, terrain.grid, rules.find, tile_cells=300)
    mark = tmp_path / "killed"
    with tasks_on("local") as run_tasks:
        slow = SlowTerrain(terrain, mark)
        spread = by_tile.find_in_tiles(
            slow, terrain.grid, rules.find, tile_cells=300, run=run_tasks
        )
    assert mark.exists()
    assert spread.lines.equals(whole.lines)
