"""The multigrid solver against direct sparse solution."""

import numpy as np
import pytest
from scipy import sparse
from scipy.ndimage import gaussian_filter
from scipy.sparse.linalg import spsolve

from peatwright.model.errors import PeatwrightError
from peatwright.water.elliptic.solve import Stencil, conductances, solve


def matrix(a: Stencil) -> sparse.csr_matrix:
    """Write the couplings as a sparse matrix, cell by cell."""
    rows, cols = a.shape
    n = rows * cols
    at = np.arange(n).reshape(rows, cols)
    parts = [sparse.coo_matrix((a.diag[1:-1, 1:-1].ravel(), (at.ravel(), at.ravel())), (n, n))]
    for part, dr, dc in ((a.west, 0, -1), (a.east, 0, 1), (a.north, -1, 0), (a.south, 1, 0)):
        r, c = np.nonzero(part[1:-1, 1:-1])
        values = -part[1:-1, 1:-1][r, c]
        parts.append(sparse.coo_matrix((values, (at[r, c], at[r + dr, c + dc])), (n, n)))
    return sum(parts[1:], parts[0]).tocsr()


def rough(rows: int, cols: int, spread: float, seed: int = 2, held: bool = True):
    rng = np.random.default_rng(seed)
    k = np.exp(spread * gaussian_filter(rng.normal(size=(rows, cols)), 2) * 5)
    fx = 2 / (1 / k[:, 1:] + 1 / k[:, :-1])
    fy = 2 / (1 / k[1:] + 1 / k[:-1])
    fixed = np.zeros((rows, cols), bool)
    if held:
        fixed[:, 5::17] = True
        fixed[rows // 3, : cols // 2] = True
    active = np.ones((rows, cols), bool)
    active[rows // 2 : rows // 2 + 6, cols // 2 : cols // 2 + 9] = False
    fixed &= active
    value = rng.random((rows, cols))
    sink = np.zeros((rows, cols)) if held else 1e-6 + 1e-5 * rng.random((rows, cols))
    a, b = conductances(fx, fy, sink, fixed, value, active)
    b[active & ~fixed] += 1e-3 * rng.random(int((active & ~fixed).sum()))
    return a, b, active


@pytest.mark.parametrize("shape", [(64, 64), (37, 53), (1, 40), (90, 3), (2, 2)])
@pytest.mark.parametrize("spread", [0.0, 2.0])
def test_heterogeneous_ground_as_by_direct_solution(shape: tuple[int, int], spread: float) -> None:
    a, b, _ = rough(*shape, spread)
    exact = spsolve(matrix(a), b.ravel()).reshape(shape)
    found = solve(a, b, residual_ratio=1e-11)
    assert found.u == pytest.approx(exact, rel=1e-6, abs=1e-8 * np.abs(exact).max())
    assert solve(a, b, symmetric=False, residual_ratio=1e-11).u == pytest.approx(
        exact, rel=1e-6, abs=1e-8 * np.abs(exact).max()
    )


def test_weakly_held_ground_as_by_direct_solution() -> None:
    """No held cells, only a faint sink: the hardest case for a coarse problem."""
    a, b, _ = rough(60, 70, 2.0, held=False)
    exact = spsolve(matrix(a), b.ravel()).reshape(60, 70)
    assert solve(a, b, residual_ratio=1e-12).u == pytest.approx(exact, rel=1e-5)


def test_one_way_flow_as_by_direct_solution() -> None:
    rng = np.random.default_rng(4)
    a, b, active = rough(50, 60, 1.0)
    # What a cell sends downhill it loses: add one-way flow to the south and to the east.
    one_way = np.pad(np.where(active, 2.0 * rng.random((50, 60)), 0.0), 1)
    north, west, diag = a.north.copy(), a.west.copy(), a.diag.copy()
    takes_n, takes_w = a.north > 0.0, a.west > 0.0
    north[takes_n] += np.roll(one_way, 1, 0)[takes_n]
    west[takes_w] += np.roll(one_way, 1, 1)[takes_w]
    diag += 2.0 * np.where(a.north + a.south + a.west + a.east > 0.0, one_way, 0.0)
    b2 = Stencil(diag, west, a.east, north, a.south)
    exact = spsolve(matrix(b2), b.ravel()).reshape(50, 60)
    found = solve(b2, b, symmetric=False, residual_ratio=1e-11)
    assert found.u == pytest.approx(exact, rel=1e-6, abs=1e-8 * np.abs(exact).max())


def test_rounds_hardly_grow_with_size() -> None:
    few = solve(*rough(40, 40, 1.0)[:2]).rounds
    many = solve(*rough(320, 320, 1.0)[:2]).rounds
    assert many <= few + 6


def test_a_turned_problem_has_the_turned_solution() -> None:
    a, b, _ = rough(33, 33, 1.0)
    turned = Stencil(
        a.diag.T.copy(), a.north.T.copy(), a.south.T.copy(), a.west.T.copy(), a.east.T.copy()
    )
    one, two = solve(a, b, residual_ratio=1e-11), solve(turned, b.T.copy(), residual_ratio=1e-11)
    assert pytest.approx(one.u, rel=1e-6, abs=1e-9) == two.u.T


def test_a_good_guess_needs_no_round() -> None:
    a, b, _ = rough(40, 40, 1.0)
    first = solve(a, b, residual_ratio=1e-9)
    assert solve(a, b, guess=first.u, residual_ratio=1e-8).rounds == 0


def test_nothing_to_solve() -> None:
    a, b, _ = rough(20, 20, 1.0)
    assert not solve(a, np.zeros_like(b)).u.any()


def test_a_closed_region_has_no_solution() -> None:
    none = np.zeros((20, 20), bool)
    a, b = conductances(np.ones((20, 19)), np.ones((19, 20)), np.zeros((20, 20)), none,
                        np.zeros((20, 20)), ~none)  # fmt: skip
    with pytest.raises(PeatwrightError, match="no steady state"):
        solve(a, b + 1.0)
