"""Cheapest ways beside scikit-image's and scipy's, and beside lengths known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from skimage.graph import MCP_Geometric

from peatwright.model.raster import Grid, Raster
from peatwright.works.programme import travel as tr
from peatwright.works.programme.walk import Field

CRS = "EPSG:27700"


def ground(cost: np.ndarray, dx: float = 2.0, dy: float = 3.0) -> tr.Ground:
    rows, cols = cost.shape
    return tr.Ground(cost, Grid(1000.0, 5000.0, dx, dy, rows, cols, CRS))


@pytest.mark.parametrize("seed", range(6))
def test_costs_are_those_of_scikit_image(seed: int) -> None:
    """MCP_Geometric weighs a step by its length and the mean cost of its two cells, as we do."""
    rng = np.random.default_rng(seed)
    cost = rng.uniform(1, 9, (17, 23))
    at = tr.Finder(ground(cost), wet_going=2.0)
    cells = rng.choice(cost.size, 8, replace=False)
    table = at.table(cells.astype(np.int64), [])
    for p, cell in enumerate(cells):
        theirs, _ = MCP_Geometric(cost, sampling=(3.0, 2.0)).find_costs([divmod(int(cell), 23)])
        np.testing.assert_allclose(table.cost_m[p], theirs.ravel()[cells], rtol=1e-12)
    assert np.array_equal(table.cost_m, table.cost_m.T)


def _graph(cost: np.ndarray, shut: np.ndarray, dx: float, dy: float) -> coo_array:
    rows, cols = cost.shape
    a, b, w = [], [], []
    for r in range(rows):
        for c in range(cols):
            for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
                rr, cc = r + dr, c + dc
                if not (rr < rows and 0 <= cc < cols) or shut[r, c] or shut[rr, cc]:
                    continue
                if dr and dc and shut[r, cc] and shut[rr, c]:
                    continue
                a.append(r * cols + c)
                b.append(rr * cols + cc)
                w.append(np.hypot(dr * dy, dc * dx) * (cost[r, c] + cost[rr, cc]) / 2)
    return coo_array((w, (a, b)), shape=(cost.size, cost.size))


@pytest.mark.parametrize("seed", range(6))
def test_ways_past_shut_ground_are_those_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cost = rng.uniform(1, 5, (14, 19))
    keep_off, finished = rng.random(cost.shape) < 0.15, rng.random(cost.shape) < 0.15
    ends = rng.choice(cost.size, 2, replace=False)
    keep_off.ravel()[ends] = finished.ravel()[ends] = False
    at = tr.Finder(ground(np.where(keep_off, np.inf, cost)), wet_going=2.0)
    way = at.way(int(ends[0]), int(ends[1]), finished)
    graph = _graph(cost, keep_off | finished, 2.0, 3.0)
    theirs = dijkstra(graph.tocsr(), directed=False, indices=ends[0])[ends[1]]
    if way is None:
        assert np.isinf(theirs)
        return
    assert way.cost_m == pytest.approx(theirs, rel=1e-12)
    row, col = at.ground.grid.to_cells(way.xy_m[:, 0], way.xy_m[:, 1])
    assert not (keep_off | finished)[np.rint(row).astype(int), np.rint(col).astype(int)].any()


def test_length_on_flat_dry_ground_is_straight_and_diagonal() -> None:
    """10 columns of 2 m and 4 rows of 3 m: 4 diagonal steps, then 6 along, in closed form."""
    at = tr.Finder(ground(np.ones((20, 20))), wet_going=2.0)
    way = at.way(0, 4 * 20 + 10)
    assert way is not None
    assert way.length_m == pytest.approx(4 * np.hypot(2, 3) + 6 * 2)
    assert way.cost_m == pytest.approx(way.length_m)
    assert way.wet_m == 0


def test_wet_ground_is_gone_round_when_that_is_cheaper() -> None:
    cost = np.ones((9, 9))
    cost[1:8, 4] = 50.0
    at = tr.Finder(ground(cost, 1, 1), wet_going=2.0)
    way = at.way(4 * 9, 4 * 9 + 8)
    assert way is not None
    assert way.wet_m == 0
    cost[:, 4] = 50.0
    through = tr.Finder(ground(cost, 1, 1), wet_going=2.0).way(4 * 9, 4 * 9 + 8)
    assert through is not None
    assert through.wet_m == pytest.approx(1.0)  # half a step in, half a step out


def test_a_drain_is_no_sieve() -> None:
    """A finished slanting drain from edge to edge cannot be slipped through at a corner."""
    lines = [shapely.LineString([(1000.0, 4960.0), (1060.0, 4999.0)])]
    at = tr.Finder(ground(np.ones((30, 30)), 2.0, 2.0), wet_going=2.0)
    points = np.array([[1003.0, 4997.0], [1057.0, 4943.0], [1030.0, 4950.0]])
    places = tr.stands(at.ground, points, 5.0)
    field = Field.of(at, places, points, lines)
    assert at.way(int(places[0]), int(places[1])) is not None
    shut = field.shut([0], 0, 1)
    west = np.flatnonzero(shut[:, 0])
    assert west.size, "the drain reaches the western edge"
    assert at.way(int(places[0]), int(places[1]), shut) is None


def test_coarse_cells_keep_every_shut_cell_shut() -> None:
    rng = np.random.default_rng(4)
    fine = rng.uniform(1, 3, (37, 53)).astype(np.float32)
    fine[rng.random(fine.shape) < 0.02] = np.nan
    fine[5, 7] = np.inf
    at = tr.ground(Raster(fine, Grid(0.0, 100.0, 0.5, 0.5, 37, 53, CRS)), 2.0, 10**6)
    assert at.cost.shape == (10, 14)
    for r in range(10):
        for c in range(14):
            part = fine[4 * r : 4 * r + 4, 4 * c : 4 * c + 4]
            if np.isfinite(part).all():
                assert at.cost[r, c] == pytest.approx(part.mean(dtype=float), rel=1e-6)
            else:
                assert np.isinf(at.cost[r, c])


def test_no_more_cells_than_allowed() -> None:
    fine = np.ones((400, 900), np.float32)
    at = tr.ground(Raster(fine, Grid(0.0, 100.0, 0.5, 0.5, 400, 900, CRS)), 1.0, 500)
    assert at.cost.size <= 500


def test_crossed_drains_are_found_both_ways() -> None:
    at = tr.Finder(ground(np.ones((40, 40)), 1.0, 1.0), wet_going=2.0)
    lines = [
        shapely.LineString([(1010.0, 4965.0), (1010.0, 4999.0)]),
        shapely.LineString([(1030.0, 4965.0), (1030.0, 4999.0)]),
    ]
    places = tr.stands(
        at.ground, np.array([[1002.0, 4980.0], [1020.0, 4980.0], [1038.0, 4980.0]]), 3
    )
    table = at.table(places, lines)

    def crossed(p: int, q: int) -> list[int]:
        return table.crossed[table.ptr[p * 3 + q] : table.ptr[p * 3 + q + 1]].tolist()

    assert crossed(0, 1) == crossed(1, 0) == [0]
    assert crossed(1, 2) == crossed(2, 1) == [1]
    assert crossed(0, 2) == [0, 1]
    assert crossed(1, 1) == []
