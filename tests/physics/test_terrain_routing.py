"""What must hold of routed water whatever the ground: mass, symmetry, limits, burned lines."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from peatwright.model.raster import Grid, Raster
from peatwright.terrain import routing


def rough(seed: int, rows: int = 140, cols: int = 100) -> Raster:
    rng = np.random.default_rng(seed)
    z = 20.0 * gaussian_filter(rng.normal(0.0, 1.0, (rows, cols)), 6)
    z += gaussian_filter(rng.normal(0.0, 0.2, (rows, cols)), 1) - 0.03 * np.arange(rows)[:, None]
    z[60:66, 20:40] = np.nan
    return Raster(z.astype(np.float32), Grid(0.0, 0.0, 0.5, 0.7, rows, cols, ""))


def plane(rows: int = 30, cols: int = 20, *, east: float = 0.0, north: float = 0.01) -> Raster:
    grid = Grid(0.0, rows * 1.0, 1.0, 1.0, rows, cols, "")
    x, y = grid.to_metres(np.arange(rows)[:, None] * 1.0, np.arange(cols)[None, :] * 1.0)
    return Raster((50.0 + east * x + north * y).astype(np.float32), grid)


@pytest.mark.parametrize("seed", range(3))
def test_all_water_that_falls_leaves(seed):
    raster = rough(seed)
    directions = routing.flow_directions(raster, routing.fill(raster))
    leaves = directions.codes == 0
    fallen_m2 = np.isfinite(raster.values).sum() * raster.grid.cell_area_m2
    for area in (
        routing.accumulate(directions, threads=1),
        routing.accumulate(directions, threads=3),
        routing.multiple_flow_accumulation(directions),
        routing.multiple_flow_accumulation(directions, scheme="quinn"),
    ):
        assert area[leaves].sum() == pytest.approx(fallen_m2, rel=1e-12)
        assert np.nanmin(area) >= raster.grid.cell_area_m2


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turned_ground_fills_to_the_turned_levels(turns):
    raster = rough(4)
    turned = np.ascontiguousarray(np.rot90(raster.values, turns))
    dx, dy = (0.7, 0.5) if turns % 2 else (0.5, 0.7)
    grid = Grid(0.0, 0.0, dx, dy, *turned.shape, "")
    np.testing.assert_array_equal(
        routing.fill(Raster(turned, grid)).values, np.rot90(routing.fill(raster).values, turns)
    )


def test_filling_twice_changes_nothing_and_never_lowers():
    raster = rough(5)
    once = routing.fill(raster)
    np.testing.assert_array_equal(routing.fill(once).values, once.values)
    data = np.isfinite(raster.values)
    assert (once.values[data] >= raster.values[data]).all()


def test_a_plane_drains_straight_down_with_area_growing_by_one_cell_a_row():
    raster = plane()
    directions = routing.flow_directions(raster, routing.fill(raster))
    assert (directions.codes[:-1] == 3).all()
    assert (directions.codes[-1] == 0).all()
    area = routing.accumulate(directions)
    np.testing.assert_array_equal(area, np.arange(1.0, 31.0)[:, None] * np.ones((1, 20)))


def test_a_filled_surface_with_a_drop_falls_all_the_way():
    raster = rough(6)
    for drop_m in (1e-3, 1e-12):
        filled = routing.fill(raster, drop_m=drop_m)
        level = routing.fill(raster)
        data = np.isfinite(raster.values)
        assert (filled.values[data] >= level.values[data]).all()
        # Every cell that does not let water leave has a lower neighbour.
        directions = routing.flow_directions(raster, filled)
        down = directions.receivers()
        inner = data & (directions.codes != 0)
        fall = filled.values - filled.values.ravel()[np.maximum(down, 0)]
        assert (fall[inner] > 0).all()
        assert np.array_equal(routing.fill(filled).values, filled.values, equal_nan=True)


def test_flow_in_a_pool_keeps_to_the_old_bed():
    # A winding drain 0.5 m deep across level bog, dammed by one cell at its outfall: the pool
    # covers bog and drain alike, and the shortest way out leaves the bed.
    values = np.full((21, 31), 10.0, np.float32)
    values[0] = values[-1] = 10.5
    values[:, 0] = values[:, -1] = 10.5
    bed = [(5, c) for c in range(3, 28)] + [(r, 27) for r in range(6, 16)]
    bed += [(15, c) for c in range(26, 2, -1)] + [(r, 3) for r in range(16, 20)]
    for r, c in bed:
        values[r, c] = 9.5
    values[20, 3] = 10.2
    raster = Raster(values, Grid(0.0, 0.0, 1.0, 1.0, 21, 31, ""))
    directions = routing.flow_directions(raster, routing.fill(raster))
    area = routing.accumulate(directions)
    assert directions.codes[20, 3] == 0
    # Corners of the bed may be cut across the corner cell.
    corners = {(5, 27), (15, 27), (15, 3)}
    path, at = [], 5 * 31 + 3
    down = directions.receivers().ravel()
    while down[at] != at:
        at = down[at]
        path.append(divmod(int(at), 31))
    assert set(path) >= set(bed[1:]) - corners
    assert set(path) <= {*bed, (20, 3)}
    assert area[19, 3] > 0.5 * 19 * 29


def test_closed_hollows_left_in_a_surface_are_refused():
    raster = rough(7)
    with pytest.raises(ValueError, match="fill it first"):
        routing.flow_directions(raster, raster)


def test_ground_of_one_value_and_of_no_data():
    grid = Grid(0.0, 0.0, 1.0, 1.0, 40, 30, "")
    flat = Raster(np.full((40, 30), 7.0, np.float32), grid)
    directions = routing.flow_directions(flat, routing.fill(flat))
    area = routing.accumulate(directions)
    assert area[directions.codes == 0].sum() == 1200.0
    none = Raster(np.full((40, 30), np.nan, np.float32), grid)
    empty = routing.flow_directions(none, routing.fill(none, drop_m=0.1))
    assert (empty.codes == 255).all()
    assert np.isnan(routing.accumulate(empty)).all()
    assert np.isnan(routing.multiple_flow_accumulation(empty)).all()


def test_a_burned_drain_carries_the_water_that_crossed_it():
    raster = plane(40, 40, east=0.002, north=0.05)
    line = np.array([[39.5, 20.5], [0.5, 20.5]])
    burned = routing.burn(raster, [line], 0.6)
    assert np.flatnonzero((burned.values != raster.values).any(axis=1)).tolist() == [19]
    np.testing.assert_allclose(raster.values[19] - burned.values[19], 0.6, rtol=0, atol=5e-6)
    area = routing.accumulate(routing.flow_directions(burned, routing.fill(burned)))
    # All of the hillside above the drain leaves at its low western end.
    assert area[19, 0] == pytest.approx(20 * 40, abs=40)
    plain = routing.accumulate(routing.flow_directions(raster, routing.fill(raster)))
    assert plain[19, 0] < 60


def test_a_line_off_the_grid_and_a_crossing_are_burned_once():
    raster = plane(10, 10)
    lines = [
        [[-5.0, 5.5], [15.0, 5.5]],
        [[5.5, -5.0, 3.0], [5.5, 15.0, 3.0]],
        [[90.0, 1.0], [99.0, 1.0]],
    ]
    burned = routing.burn(raster, [np.array(line) for line in lines], [0.2, 0.5, 9.0])
    lowered = raster.values - burned.values
    np.testing.assert_allclose(lowered[:, 5], 0.5, atol=5e-6)
    np.testing.assert_allclose(np.delete(lowered[4], 5), 0.2, atol=5e-6)
    assert np.count_nonzero(lowered) == 19


@pytest.mark.parametrize("back", [False, True])
def test_a_culvert_lets_a_drain_through_a_bank(back):
    raster = plane(60, 41, north=0.02)
    values = raster.values.copy()
    values[:, 20] -= 0.8
    values[30:34, :] = 53.0  # a track on a bank across the drain
    blocked = Raster(values, raster.grid)
    # Drawn a cell short of the bed to the east at both ends.
    line = np.array([[21.2, 31.5], [21.2, 24.5]])
    opened = routing.burn_through(blocked, [line[::-1] if back else line])
    assert (opened.values <= blocked.values).all()
    pool = routing.fill(blocked).values - blocked.values
    assert pool.max() > 0.5
    assert (routing.fill(opened).values - opened.values).max() < 0.05
    area = routing.accumulate(routing.flow_directions(opened, routing.fill(opened)))
    assert area[59, 20] > 29 * 20


def test_burning_refuses_what_is_not_a_line_or_depth():
    raster = plane(5, 5)
    with pytest.raises(ValueError, match="two points"):
        routing.burn(raster, [np.array([[1.0, 1.0]])], 0.5)
    with pytest.raises(ValueError, match="not finite"):
        routing.burn(raster, [np.array([[1.0, 1.0], [np.nan, 2.0]])], 0.5)
    with pytest.raises(ValueError, match="not negative"):
        routing.burn(raster, [np.array([[1.0, 1.0], [2.0, 2.0]])], -0.5)
    alone = routing.burn_through(raster, [np.array([[-50.0, 1.0], [2.0, 2.0]])])
    np.testing.assert_array_equal(alone.values, raster.values)


def test_nothing_is_changed_in_place():
    raster = rough(8)
    kept = raster.values.copy()
    raster.values.flags.writeable = False
    filled = routing.fill(raster, drop_m=0.001)
    directions = routing.flow_directions(raster, filled)
    codes = directions.codes.copy()
    weights = np.ones(kept.shape)
    weights.flags.writeable = False
    routing.accumulate(directions, weights)
    routing.multiple_flow_accumulation(directions, weights)
    routing.burn(raster, [np.array([[1.0, -1.0], [20.0, -30.0]])], 0.4)
    routing.burn_through(raster, [np.array([[1.0, -1.0], [20.0, -30.0]])])
    np.testing.assert_array_equal(raster.values, kept)
    np.testing.assert_array_equal(directions.codes, codes)
