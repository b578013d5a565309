"""Solve one linear elliptic problem on a grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from peatwright.water._refuse import refuse
from peatwright.water.elliptic import _kernels as kernels

F64 = NDArray[np.float64]
COARSEST = 40  # cells; fewer are settled by plain sweeps


@dataclass(frozen=True, eq=False)
class Stencil:
    """Couplings of every cell, bordered by one cell of zeros: `diag u - west u_W - … = b`.

    All couplings are 0 or more, and diag at least the sum of what others take from the cell, so
    that the problem has one solution. Cells that take no part have diag 1 and no couplings.
    """

    diag: F64
    west: F64
    east: F64
    north: F64
    south: F64

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns without the border."""
        return self.diag.shape[0] - 2, self.diag.shape[1] - 2

    def times(self, u: F64) -> F64:
        """Return A u of a bordered array."""
        out = np.zeros(u.shape)
        kernels._multiply(self.diag, self.west, self.east, self.north, self.south, u, out)
        return out


def plan(levels: int, visits: int = 2) -> list[int]:
    """Order of visits of one cycle: level + 1 on the way down, minus that on the way up.

    Each coarser level is visited twice from the one above it (a W-cycle), since a coarse problem
    made by plain sums is only about right.
    """

    def visit(level: int) -> list[int]:
        if level == levels - 1:
            return [level + 1]
        inner = visit(level + 1) * (visits if level + 1 < levels - 1 else 1)
        return [level + 1, *inner, -level - 1]

    return visit(0)


class Levels:
    """Room for the coarse problems of one grid, used again for each solve."""

    def __init__(self, rows: int, cols: int) -> None:
        shapes = [(rows, cols)]
        while shapes[-1][0] * shapes[-1][1] > COARSEST:
            rows, cols = (rows + 1) // 2, (cols + 1) // 2
            shapes.append((rows, cols))
        self.shapes = np.array(shapes, np.int64)
        sizes = kernels.FIELDS * (self.shapes[:, 0] + 2) * (self.shapes[:, 1] + 2)
        self.offsets = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64)
        self.plan = np.array(plan(len(shapes)), np.int64)
        self.store = np.zeros(int(sizes.sum()), np.float32)

    def build(self, a: Stencil) -> None:
        """Work out all coarse problems."""
        kernels.build_levels(
            a.diag, a.west, a.east, a.north, a.south, self.offsets, self.shapes, self.store
        )


@dataclass(frozen=True, eq=False)
class Solution:
    """The solution without its border, how many rounds it took and the residual left over b."""

    u: F64
    rounds: float
    residual_ratio: float


def solve(
    a: Stencil,
    b: F64,
    *,
    guess: F64 | None = None,
    symmetric: bool = True,
    residual_ratio: float = 1e-8,
    rounds: int = 200,
    levels: Levels | None = None,
    may_stop_early: bool = False,
) -> Solution:
    """Solve `a u = b`.

    Conjugate gradients (Hestenes & Stiefel 1952), or BiCGStab (van der Vorst 1992) where couplings
    differ with direction, with a multigrid V-cycle as preconditioner.

    Args:
        a: the couplings.
        b: right-hand side of the cells, without border.
        guess: start, without border; 0 by default.
        symmetric: whether west of each cell equals east of its neighbour, and so on.
        residual_ratio: stop when the residual is this share of b (Euclidean norms).
        rounds: at most.
        levels: room from an earlier solve on the same grid.
        may_stop_early: return what there is when the rounds run out.

    Raises:
        PeatwrightError: the rounds ran out: a closed region with no way out has no solution.

    """
    shape = a.shape
    levels = levels or Levels(*shape)
    levels.build(a)
    full = a.diag.shape
    u, rhs = np.zeros(full), np.zeros(full)
    rhs[1:-1, 1:-1] = b
    if guess is not None:
        u[1:-1, 1:-1] = guess
    told = np.zeros(2)
    args = (
        a.diag, a.west, a.east, a.north, a.south, levels.offsets, levels.shapes, levels.plan,
        levels.store, rhs, residual_ratio, rounds,
    )  # fmt: skip
    if symmetric:
        status = kernels.conjugate_gradients(*args, np.zeros((4, *full)), u, told)
    else:
        status = kernels.bicgstab(*args, np.zeros((7, *full)), u, told)
    if (status and not may_stop_early) or not np.isfinite(told[1]):
        refuse(
            "elliptic problem",
            f"a residual of {told[1]:.1e} after {told[0]:.0f} rounds",
            f"{residual_ratio:.0e}",
            "A region without drains, outlet or storage has no steady state.",
        )
    return Solution(u[1:-1, 1:-1].copy(), float(told[0]), float(told[1]))


def conductances(
    face_x: F64,
    face_y: F64,
    sink: F64,
    fixed: NDArray[np.bool_],
    value: F64,
    active: NDArray[np.bool_],
) -> tuple[Stencil, F64]:
    """Build the symmetric problem of cells that exchange over faces.

    Args:
        face_x: conductance between each cell and the next to the east, (rows, cols - 1).
        face_y: the same to the south, (rows - 1, cols).
        sink: conductance from each cell to level 0 outside, (rows, cols).
        fixed: cells whose value is given: internal boundaries.
        value: their values, elsewhere not read.
        active: cells that take part; others are walls.

    Returns:
        The stencil and the right-hand side that the fixed cells add.

    """
    rows, cols = active.shape
    fx = np.where(active[:, :-1] & active[:, 1:], face_x, 0.0)
    fy = np.where(active[:-1] & active[1:], face_y, 0.0)
    west, east, north, south = (np.zeros((rows, cols)) for _ in range(4))
    west[:, 1:], east[:, :-1], north[1:], south[:-1] = fx, fx, fy, fy
    diag = west + east + north + south + np.where(active, sink, 0.0)
    held = np.where(fixed, value, 0.0)
    free = active & ~fixed
    b = np.zeros((rows, cols))
    b[:, 1:] += west[:, 1:] * held[:, :-1]
    b[:, :-1] += east[:, :-1] * held[:, 1:]
    b[1:] += north[1:] * held[:-1]
    b[:-1] += south[:-1] * held[1:]
    west[:, 1:][fixed[:, :-1]] = 0.0
    east[:, :-1][fixed[:, 1:]] = 0.0
    north[1:][fixed[:-1]] = 0.0
    south[:-1][fixed[1:]] = 0.0
    for part in (west, east, north, south):
        part[~free] = 0.0
    idle = ~free | (diag == 0.0)
    diag[idle] = 1.0
    b[~free] = np.where(fixed, value, 0.0)[~free]
    stencil = Stencil(*(np.pad(part, 1) for part in (diag, west, east, north, south)))
    return stencil, b
