"""The search by tiles: same result whatever the tiling, resumed, retried, and ids that stay."""

import pickle
import random

import numpy as np
import pytest
from scipy import ndimage

from peatwright.drains.find.found import AREA_COLUMNS, LINE_COLUMNS, keep_ids
from peatwright.drains.find.tiles import (
    TileResult,
    find_drains,
    find_in_tiles,
    in_threads,
    look_tile,
    plan,
    serial,
)
from peatwright.model.errors import GivenError
from peatwright.model.find_rules import FindRules
from peatwright.model.raster import Grid, Raster

RULES = FindRules()
LOST, BROKEN = "worker lost", "cannot read block"


def bog(n=900, cell=0.5, seed=3):
    """A gentle slope with noise, a main drain and laterals; levels near 300 m."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:n, :n] * cell
    z = 300 + 0.01 * y + 0.004 * x + ndimage.gaussian_filter(rng.standard_normal((n, n)), 1) * 0.08
    z += ndimage.gaussian_filter(rng.standard_normal((n, n)), 12) * 1.2
    size = n * cell

    def cut(x0, y0, x1, y1, depth):
        length = np.hypot(x1 - x0, y1 - y0)
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        along = (x - x0) * ux + (y - y0) * uy
        off = -(x - x0) * uy + (y - y0) * ux
        return -depth * np.exp(-0.5 * (off / 0.7) ** 2) * ((along > 0) & (along < length))

    z += cut(0.12 * size, 0.15 * size, 0.14 * size, 0.93 * size, 0.7)
    for k in range(9):
        at = (0.2 + 0.08 * k) * size
        z += cut(0.13 * size, at, (0.55 + 0.03 * k) * size, at - 0.05 * size, 0.3 + 0.03 * k)
    return z.astype(np.float32)


class Ground:
    """A source of windows that can be sent to another process."""

    def __init__(self, z, cell=0.5):
        self.z = z
        self.grid = Grid(1000.0, 5000.0, cell, cell, *z.shape, "EPSG:27700")

    def __call__(self, w):
        part = self.z[w.row : w.row + w.rows, w.col : w.col + w.cols]
        g = self.grid
        at = Grid(g.x_left_m + w.col * g.dx_m, g.y_top_m - w.row * g.dy_m, g.dx_m, g.dy_m,
                  w.rows, w.cols, g.crs)  # fmt: skip
        return Raster(part, at)


@pytest.fixture(scope="module")
def ground():
    z = bog()
    z[300:340, 500:520] = np.nan
    return Ground(z)


@pytest.fixture(scope="module")
def whole(ground):
    before = ground.z.copy()
    found = find_in_tiles(ground, ground.grid, RULES, tile_cells=4096, run=serial)
    np.testing.assert_array_equal(ground.z, before)
    return found


def same(a, b):
    assert a.lines.drop(columns="geometry").equals(b.lines.drop(columns="geometry"))
    assert all(x.equals(y) for x, y in zip(a.lines.geometry, b.lines.geometry, strict=True))
    assert a.noise_m == b.noise_m
    assert a.area_ha == b.area_ha


def test_finds_the_drains_that_were_cut(whole):
    drains = whole.lines[(whole.lines.kind == "drain") & (whole.lines.confidence > 0.5)]
    assert list(whole.lines.columns) == [*LINE_COLUMNS, "geometry"]
    assert set(AREA_COLUMNS) <= set(whole.furrows.columns)
    assert drains.length_m.sum() > 1500  # about 2,300 m were cut
    assert drains.found_id.is_unique
    # all run downhill: north, as the ground falls, or west into the main drain
    main = drains.loc[drains.depth_m.idxmax()].geometry.coords
    assert main[0][1] < main[-1][1]


@pytest.mark.parametrize("tile", [250, 333, 512])
def test_result_does_not_depend_on_tile_size(ground, whole, tile):
    same(find_in_tiles(ground, ground.grid, RULES, tile_cells=tile, run=serial), whole)


def test_result_does_not_depend_on_order_or_executor(ground, whole):
    def shuffled(work, tasks):
        random.Random(4).shuffle(tasks)
        return [pickle.loads(pickle.dumps(work(t))) for t in tasks]

    same(find_in_tiles(ground, ground.grid, RULES, tile_cells=333, run=shuffled), whole)
    same(find_in_tiles(ground, ground.grid, RULES, tile_cells=400, run=in_threads(2)), whole)
    same(find_drains(Raster(ground.z, ground.grid), RULES), whole)


def test_a_task_can_be_sent_to_another_process(ground):
    from peatwright.drains.find.tiles import Task

    p = plan(ground.grid, RULES, 500)
    task = pickle.loads(pickle.dumps(Task(ground, p, RULES)))
    got = TileResult.unpack(task(p.tiles[1]))
    want = look_tile(ground, p, p.tiles[1], RULES)
    np.testing.assert_array_equal(got.points.value, want.points.value)


def test_a_killed_run_goes_on_where_it_was(ground, whole):
    done = {}
    seen = []

    def killed(work, tasks):
        for t in tasks[:2]:
            yield work(t)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        find_in_tiles(ground, ground.grid, RULES, tile_cells=450, run=killed, done=done)
    assert sorted(done) == [0, 1]

    def rest(work, tasks):
        for t in tasks:
            seen.append(t.number)
            yield work(t)

    same(find_in_tiles(ground, ground.grid, RULES, tile_cells=450, run=rest, done=done), whole)
    assert seen == [2, 3]


def test_a_lost_task_is_tried_again(ground, whole):
    class Flaky(Ground):
        fails = 1

        def __call__(self, w):
            if self.fails and w.col > 0:
                self.fails -= 1
                raise OSError(LOST)
            return super().__call__(w)

    same(find_in_tiles(Flaky(ground.z), ground.grid, RULES, tile_cells=450, run=serial), whole)

    def drops(work, tasks):  # an executor that loses results altogether
        return [work(t) for t in tasks[:-1] or tasks]

    same(find_in_tiles(ground, ground.grid, RULES, tile_cells=450, run=drops), whole)


def test_a_tile_that_never_works_is_named(ground):
    class Broken(Ground):
        def __call__(self, w):
            if w.row > 0:
                raise OSError(BROKEN)
            return super().__call__(w)

    done = {}
    with pytest.raises(GivenError, match=r"cannot read block") as e:
        find_in_tiles(Broken(ground.z), ground.grid, RULES, tile_cells=450, run=serial, done=done)
    assert len(e.value.faults) == 2
    assert "row 450" in str(e.value)
    assert len(done) == 2


def test_ids_stay_when_run_again_and_when_the_terrain_changes_a_little(ground, whole):
    rng = np.random.default_rng(8)
    z = ground.z + rng.standard_normal(ground.z.shape).astype(np.float32) * 0.005
    again = keep_ids(find_drains(Raster(z, ground.grid), RULES), whole.lines)
    sure = whole.lines[whole.lines.confidence > 0.5]
    new = again.lines.set_index("found_id").geometry
    kept = [i for i in sure.found_id if i in new.index]
    assert len(kept) > 0.85 * len(sure)
    old = sure.set_index("found_id").geometry
    assert all(new[i].distance(old[i]) < 1 for i in kept)
    assert again.lines.found_id.is_unique
    assert set(again.lines.flows_into) - {""} <= set(again.lines.found_id)


def test_lines_meet_at_their_nodes(whole):
    ends = {}
    for _, line in whole.lines.iterrows():
        c = line.geometry.coords
        ends.setdefault(line.head_node, []).append(c[0])
        ends.setdefault(line.end_node, []).append(c[-1])
    shared = [np.array(v) for v in ends.values() if len(v) > 1]
    assert all(np.ptp(v, axis=0).max() < 1e-6 for v in shared)


def test_fine_cells_are_averaged_and_agree_whatever_the_tiles():
    z = np.kron(bog(300), np.ones((2, 2), np.float32))
    fine = Ground(z, 0.25)
    a = find_in_tiles(fine, fine.grid, RULES, tile_cells=4096, run=serial)
    same(find_in_tiles(fine, fine.grid, RULES, tile_cells=160, run=serial), a)
    half = Ground(bog(300), 0.5)
    same(find_in_tiles(half, half.grid, RULES, run=serial), a)
