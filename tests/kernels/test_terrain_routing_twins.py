"""Filling, directions and accumulation beside pyflwdir and slow plain twins."""

from __future__ import annotations

import heapq

import numpy as np
import pyflwdir
import pytest
from scipy.ndimage import gaussian_filter

from peatwright.model.raster import Grid, Raster
from peatwright.terrain import routing

AROUND = ((0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1))


def rough(seed: int, rows: int = 90, cols: int = 70, step_m: float = 1 / 64) -> Raster:
    """Make rough ground with holes, in steps that float32 adds up without loss."""
    rng = np.random.default_rng(seed)
    z = 300.0 + 40.0 * gaussian_filter(rng.normal(0.0, 1.0, (rows, cols)), 5)
    z += rng.normal(0.0, 0.1, (rows, cols)) + 0.02 * np.arange(cols)
    z = np.round(z / step_m) * step_m
    z[rng.random((rows, cols)) < 0.002] = np.nan
    z[20:26, 30:44] = np.nan
    return Raster(z.astype(np.float32), Grid(0.0, 0.0, 0.5, 0.75, rows, cols, ""))


def flood(values, outlets=None):
    """Fill by a plain priority flood (Barnes, Lehman & Mulla 2014)."""
    rows, cols = values.shape
    out = np.full(values.shape, np.inf)
    queue = []
    for r in range(rows):
        for c in range(cols):
            if np.isnan(values[r, c]):
                continue
            sides = [(r + i, c + j) for i, j in AROUND]
            at_edge = any(
                not (0 <= i < rows and 0 <= j < cols) or np.isnan(values[i, j]) for i, j in sides
            )
            if at_edge or (outlets is not None and outlets[r, c]):
                out[r, c] = values[r, c]
                heapq.heappush(queue, (values[r, c], r, c))
    while queue:
        z, r, c = heapq.heappop(queue)
        for i, j in AROUND:
            near = r + i, c + j
            if not (0 <= near[0] < rows and 0 <= near[1] < cols) or np.isnan(values[near]):
                continue
            if out[near] == np.inf:
                out[near] = max(z, values[near])
                heapq.heappush(queue, (out[near], *near))
    out[np.isnan(values)] = np.nan
    return out


def follow(directions):
    """Return, for each data cell, the cell where its water leaves; fails on a loop."""
    down = directions.receivers().ravel()
    cells = np.flatnonzero(down >= 0)
    at = cells.copy()
    for _ in range(down.size):
        nxt = down[at]
        assert (nxt >= 0).all(), "a cell drains to no data"
        if (nxt == at).all():
            return cells, at
        at = nxt
    pytest.fail("directions run in a loop")


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("step_m", [1 / 64, 0.5, 4.0])
def test_filled_levels_equal_pyflwdirs(seed, step_m):
    raster = rough(seed, 120, 150, step_m)
    expected, _ = pyflwdir.dem.fill_depressions(raster.values, nodata=np.nan)
    for threads in (1, 2, 5):
        np.testing.assert_array_equal(routing.fill(raster, threads=threads).values, expected)


def test_filled_levels_on_ground_of_any_float_are_a_plain_floods_to_the_last_bit():
    rng = np.random.default_rng(5)
    for values in (
        rng.normal(0.0, 1.0, (60, 50)),
        rng.normal(-1.0, 1e-3, (40, 60)),
        rng.integers(-2, 3, (50, 50)),
        np.zeros((9, 9)),
        rng.random((1, 30)),
        rng.random((30, 1)),
        rng.random((2, 2)),
    ):
        raster = Raster(values.astype(np.float32), Grid(0.0, 0.0, 1.0, 1.0, *values.shape, ""))
        np.testing.assert_array_equal(
            routing.fill(raster, threads=2).values, flood(raster.values).astype(np.float32)
        )


@pytest.mark.parametrize("seed", range(4))
def test_outlets_inside_equal_a_plain_flood(seed):
    raster = rough(seed)
    rng = np.random.default_rng(seed)
    outlets = rng.random(raster.values.shape) < 0.003
    filled = routing.fill(raster, outlets=outlets)
    np.testing.assert_array_equal(filled.values, flood(raster.values, outlets).astype(np.float32))
    directions = routing.flow_directions(raster, filled, outlets=outlets)
    assert (directions.codes[outlets & ~np.isnan(raster.values)] == 0).all()
    follow(directions)


def test_ground_that_overflows_the_arrays_of_passes_is_filled_alike(monkeypatch):
    raster = rough(3, 200, 60)
    expected = routing.fill(raster, threads=1).values
    monkeypatch.setattr(routing, "CHUNK_PASSES", 1)
    monkeypatch.setattr(routing, "HELD_PASSES", 16)
    np.testing.assert_array_equal(routing.fill(raster, threads=2).values, expected)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("step_m", [1 / 64, 0.5, 4.0])
def test_directions_lead_out_and_down(seed, step_m):
    raster = rough(seed, step_m=step_m)
    filled = routing.fill(raster)
    directions = routing.flow_directions(raster, filled)
    data = ~np.isnan(raster.values)
    assert np.array_equal(directions.codes == 255, ~data)
    cells, leaving = follow(directions)
    assert cells.size == data.sum()
    down = directions.receivers().ravel()
    levels = filled.values.ravel()
    fall = levels[cells] - levels[down[cells]]
    assert (fall >= 0).all()
    # Water leaves only at the edge of the data.
    padded = np.pad(raster.values, 1, constant_values=np.nan)
    near = np.stack(
        [padded[1 + i : 1 + i + data.shape[0], 1 + j : 1 + j + data.shape[1]] for i, j in AROUND]
    )
    edge = np.isnan(near).any(axis=0)
    assert edge.ravel()[np.unique(leaving)].all()
    # Where a cell has lower neighbours, the steepest of them is taken.
    grid = raster.grid
    length = np.array([np.hypot(i * grid.dy_m, j * grid.dx_m) for i, j in AROUND])
    wide = np.pad(filled.values.astype(np.float64), 1, constant_values=np.nan)
    slopes = np.stack(
        [
            (filled.values - wide[1 + i : 1 + i + data.shape[0], 1 + j : 1 + j + data.shape[1]]) / d
            for (i, j), d in zip(AROUND, length, strict=True)
        ]
    )
    best = np.where(np.isnan(slopes), -1.0, slopes).max(axis=0)
    falls = data & (best > 0)
    chosen = slopes[(directions.codes.astype(int) - 1) % 8, *np.indices(data.shape)]
    np.testing.assert_allclose(chosen[falls], best[falls], rtol=1e-5)
    assert (directions.codes[falls] != 0).all()


@pytest.mark.parametrize("threads", [1, 2, 4])
def test_accumulation_equals_pyflwdirs_on_the_same_directions(threads):
    for seed in range(4):
        raster = rough(seed, 130, 110)
        directions = routing.flow_directions(raster, routing.fill(raster))
        got = routing.accumulate(directions, threads=threads)
        d8 = directions.powers_of_two()
        cells = pyflwdir.from_array(d8, ftype="d8").upstream_area("cell").astype(np.float64)
        data = d8 != 247
        np.testing.assert_allclose(got[data], cells[data] * raster.grid.cell_area_m2, rtol=1e-12)
        assert np.isnan(got[~data]).all()


def test_accumulation_of_weights_equals_pyflwdirs():
    raster = rough(9, 100, 80)
    rng = np.random.default_rng(1)
    weights = rng.random(raster.values.shape)
    directions = routing.flow_directions(raster, routing.fill(raster))
    flow = pyflwdir.from_array(directions.powers_of_two(), ftype="d8")
    expected = flow.accuflux(weights)
    data = ~np.isnan(raster.values)
    np.testing.assert_allclose(
        routing.accumulate(directions, weights)[data], expected[data], rtol=1e-10
    )


@pytest.mark.parametrize(("scheme", "power"), [("freeman", 1.1), ("quinn", 1.0), ("freeman", 4.0)])
def test_spreading_equals_a_plain_twin(scheme, power):
    raster = rough(2, 40, 50, 0.25)
    filled = routing.fill(raster)
    directions = routing.flow_directions(raster, filled)
    got = routing.multiple_flow_accumulation(directions, scheme=scheme, power=power)
    grid, z = raster.grid, filled.values.astype(np.float64)
    down = directions.receivers()
    rows, cols = z.shape
    depth = {}  # how many steps of the one-way flow until water leaves, to order a flat
    for cell in np.flatnonzero(down.ravel() >= 0):
        way, at = 0, cell
        while down.flat[at] != at:
            at, way = down.flat[at], way + 1
        depth[cell] = way
    total = np.full(z.shape, grid.cell_area_m2)
    for cell in sorted(depth, key=lambda k: (-z.flat[k], -depth[k])):
        r, c = divmod(int(cell), cols)
        parts = {}
        for i, j in AROUND:
            rr, cc = r + i, c + j
            if not (0 <= rr < rows and 0 <= cc < cols) or not z[rr, cc] < z[r, c]:
                continue
            slope = (z[r, c] - z[rr, cc]) / np.hypot(i * grid.dy_m, j * grid.dx_m)
            if scheme == "freeman":
                wide = 1.0
            elif i and j:
                wide = 0.25 * np.hypot(grid.dx_m, grid.dy_m)
            else:
                wide = 0.5 * (grid.dy_m if j else grid.dx_m)
            parts[rr, cc] = slope**power * wide
        if directions.codes[r, c] == 0:
            continue
        if not parts:
            parts = {divmod(int(down[r, c]), cols): 1.0}
        whole = sum(parts.values())
        for (rr, cc), part in parts.items():
            total[rr, cc] += total[r, c] * part / whole
    data = ~np.isnan(raster.values)
    np.testing.assert_allclose(got[data], total[data], rtol=1e-9)
    assert np.isnan(got[~data]).all()
