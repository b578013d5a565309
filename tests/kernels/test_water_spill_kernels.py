"""Kernels of spill paths against slow twins, routing the whole, and a general library."""

from __future__ import annotations

import numpy as np
import pyflwdir
import pytest
from scipy import ndimage

from peatwright.model.errors import PeatwrightError
from peatwright.model.raster import Grid, Raster
from peatwright.terrain.routing import multiple_flow_accumulation
from peatwright.water.spill import _kernels as k
from peatwright.water.spill.route import Routed, reroute, route


def rough(seed: int, rows: int = 90, cols: int = 110, *, holes: bool = False) -> Raster:
    rng = np.random.default_rng(seed)
    z = 50.0 + 0.02 * np.arange(cols)[None, :] - 0.03 * np.arange(rows)[:, None]
    z = z + ndimage.gaussian_filter(rng.normal(0.0, 1.5, (rows, cols)), 3.0)
    z = np.round(z, 1 if seed % 2 else 3)  # rounded levels make many flats
    if holes:
        z[rng.random((rows, cols)) < 0.005] = np.nan
    return Raster(z.astype(np.float32), Grid(0.0, 0.0, 0.5, 0.25, rows, cols, ""))


@pytest.mark.parametrize("seed", range(24))
def test_routing_a_part_again_is_routing_the_whole(seed: int) -> None:
    rng = np.random.default_rng(1000 + seed)
    old = route(rough(seed, holes=seed % 3 == 0))
    rows, cols = old.codes.shape
    h, w = int(rng.integers(1, 12)), int(rng.integers(1, 12))
    r0, c0 = int(rng.integers(0, rows - h)), int(rng.integers(0, cols - w))
    part = old.ground.values[r0 : r0 + h, c0 : c0 + w].copy()
    part += rng.normal(0.0, 1.0, part.shape).astype(np.float32)
    kept = old.upslope_m2.copy()
    got = reroute(old, part, r0, c0)
    ground = old.ground.values.copy()
    ground[r0 : r0 + h, c0 : c0 + w] = part
    whole = route(Raster(ground, old.ground.grid))
    np.testing.assert_array_equal(got.routed.levels, whole.levels)
    np.testing.assert_array_equal(got.routed.codes, whole.codes)
    # 0.5 m × 0.25 m cells add up without rounding.
    np.testing.assert_array_equal(got.routed.upslope_m2, whole.upslope_m2)
    np.testing.assert_array_equal(old.upslope_m2, kept)


def test_parts_are_routed_alone_and_not_the_whole_by_default() -> None:
    old = route(rough(2, 300, 300))
    part = old.ground.values[150:152, 150:152] + np.float32(0.3)
    got = reroute(old, part, 150, 150)
    assert not got.whole
    assert got.cells < 0.5 * 300 * 300
    assert "routed again" in got.words


def test_a_change_that_floods_all_is_routed_whole() -> None:
    # A basin with one way out, which is closed: every level in it rises.
    z = np.full((80, 80), 10.0, np.float32)
    z[10:70, 10:70] = 1.0
    z[40, 70:] = 1.0
    old = route(Raster(z, Grid(0.0, 0.0, 1.0, 1.0, 80, 80, "")))
    got = reroute(old, np.full((3, 2), 10.0, np.float32), 39, 75)
    assert got.routed.levels[30, 30] == 10.0
    z[39:42, 75:77] = 10.0
    np.testing.assert_array_equal(got.routed.codes, route(Raster(z, old.ground.grid)).codes)


def test_nothing_changed_is_nothing_done() -> None:
    old = route(rough(1))
    got = reroute(old, old.ground.values[3:9, 4:8].copy(), 3, 4)
    assert got.routed is old
    assert got.cells == 0


def test_parts_that_do_not_fit_are_refused() -> None:
    old = route(rough(1))
    part = np.zeros((4, 4), np.float32)
    with pytest.raises(PeatwrightError, match="Keep the change"):
        reroute(old, part, 88, 0)
    with pytest.raises(PeatwrightError, match="Keep the change"):
        reroute(old, part, -1, 0)
    with pytest.raises(PeatwrightError, match="comes or goes"):
        reroute(old, np.full((4, 4), np.nan, np.float32), 5, 5)


def labelled(routed: Routed, seeds: np.ndarray) -> np.ndarray:
    out = np.empty(routed.codes.shape, np.int32)
    stack = np.empty(routed.codes.size, np.int64)
    k.label_cells(routed.codes, seeds, np.arange(1, len(seeds) + 1, dtype=np.int32), stack, out)
    return out


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_labels_are_the_basins_of_a_general_library(seed: int) -> None:
    routed = route(rough(seed, holes=seed == 3))
    cells = np.random.default_rng(seed).choice(routed.codes.size, 40, replace=False)
    cells = np.array([c for c in cells if routed.codes.flat[c] != 255], np.int64)
    ours = labelled(routed, cells)
    theirs = pyflwdir.from_array(routed.directions.powers_of_two(), ftype="d8", check_ftype=False)
    basins = theirs.basins(
        idxs=cells, ids=np.arange(1, len(cells) + 1, dtype=np.uint32)
    )  # fmt: skip
    np.testing.assert_array_equal(np.maximum(ours, 0), basins)


@pytest.mark.parametrize("seed", [1, 2])
def test_spread_water_is_that_of_the_spreading_scheme(seed: int) -> None:
    routed = route(rough(seed))
    grid = routed.ground.grid
    d = float(np.hypot(grid.dx_m, grid.dy_m))
    per = np.array([0.0, *[1 / grid.dx_m, 1 / d, 1 / grid.dy_m, 1 / d] * 2])
    total, spilled = np.empty((2, *routed.codes.shape), np.float32)
    none = np.empty(0, np.int64)
    k.spread_spilled(routed.levels, routed.codes, none, per, grid.cell_area_m2, total, spilled)
    want = multiple_flow_accumulation(routed.directions, power=1.0)
    np.testing.assert_allclose(total, want, rtol=1e-4)
    assert (spilled == 0.0).all()
    everywhere = np.arange(routed.codes.size)
    k.spread_spilled(
        routed.levels, routed.codes, everywhere, per, grid.cell_area_m2, total, spilled
    )
    np.testing.assert_array_equal(total, spilled)


def test_spilled_water_never_exceeds_the_water_there() -> None:
    routed = route(rough(2))
    per = np.array([0.0, *[2.0, 1.79, 4.0, 1.79] * 2])
    total, spilled = np.empty((2, *routed.codes.shape), np.float32)
    cells = np.array([40 * 110 + 50, 20 * 110 + 60], np.int64)
    k.spread_spilled(routed.levels, routed.codes, cells, per, 0.125, total, spilled)
    assert (spilled <= total * (1 + 1e-6)).all()
    assert spilled.flat[cells[0]] == total.flat[cells[0]]
    out = spilled[routed.codes == 0].sum()
    assert 0.0 < out <= total.flat[cells].sum() * 1.0001


def test_strips_cut_the_same_on_a_part_as_on_the_whole() -> None:
    ground = rough(5, 60, 70)
    g = ground.grid
    rng = np.random.default_rng(5)
    n = 40
    xy = np.column_stack([rng.uniform(0, 35, n), rng.uniform(-15, 0, n)])
    strips = np.column_stack([
        xy, xy + rng.normal(0, 2, (n, 2)), rng.uniform(0.2, 2, (n, 4)), rng.uniform(45, 55, (n, 2))
    ])  # fmt: skip
    modes = rng.integers(0, 2, n).astype(np.uint8)
    rise = rng.uniform(0, 1, n) * (modes == k.LOWER)
    whole, part = ground.values.copy(), ground.values[13:41, 22:60].copy()
    for at, (r0, c0) in ((whole, (0, 0)), (part, (13, 22))):
        k.cut_strips(strips, modes, rise, 0.1, g.x_left_m, g.y_top_m, g.dx_m, g.dy_m, r0, c0, at)
    np.testing.assert_array_equal(whole[13:41, 22:60], part)
    assert (whole != ground.values).any()


def test_arrivals_add_up_what_crosses_the_edge_of_a_thing() -> None:
    routed = route(rough(4))
    rng = np.random.default_rng(4)
    inside = np.zeros((30, 40), np.bool_)
    inside[8:20, 10:30] = rng.random((12, 20)) < 0.8
    blocks = np.zeros((4, 5))
    whole = k.arriving(routed.codes, routed.upslope_m2, inside, 20, 25, 8, 8, blocks)
    to = routed.directions.receivers()
    want = 0.0
    for r in range(30):
        for c in range(40):
            below = to[r + 20, c + 25]
            rr, cc = divmod(int(below), routed.codes.shape[1])
            on = 0 <= rr - 20 < 30 and 0 <= cc - 25 < 40
            if on and not inside[r, c] and inside[rr - 20, cc - 25]:
                want += routed.upslope_m2[r + 20, c + 25]
    assert whole == pytest.approx(want) == blocks.sum()
    assert want > 0.0
