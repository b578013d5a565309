"""Compiled loops of the multigrid solver and of the peat's water balance.

A problem is `diag u - west u_W - east u_E - north u_N - south u_S = b` in each cell, all couplings
0 or more. Arrays have a border of one cell whose couplings are 0. Cells that take no part have
couplings 0, diag 1 and b 0.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

COARSE_SWEEPS = 10
FIELDS = 8  # diag, inverse of diag, west, east, north, south, x, b


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _field(store: F32, offsets: I64, shapes: I64, level: int, field: int) -> Any:
    rows, cols = shapes[level, 0] + 2, shapes[level, 1] + 2
    start = offsets[level] + field * rows * cols
    return store[start : start + rows * cols].reshape(rows, cols)


@njit(cache=True, nogil=True, error_model="numpy")
def build_levels(
    diag: F64, west: F64, east: F64, north: F64, south: F64, offsets: I64, shapes: I64, store: F32
) -> int:
    """Fill all levels from the finest problem.

    A coarse cell sums its four fine cells. Where two coarse cells exchange both ways, the part that
    goes both ways is halved: over twice the distance the same difference drives half the exchange.
    One-way flow is kept whole.
    """
    for field in range(FIELDS):
        _field(store, offsets, shapes, 0, field)[:] = 0.0
    d0 = _field(store, offsets, shapes, 0, 0)
    i0 = _field(store, offsets, shapes, 0, 1)
    w0 = _field(store, offsets, shapes, 0, 2)
    e0 = _field(store, offsets, shapes, 0, 3)
    n0 = _field(store, offsets, shapes, 0, 4)
    s0 = _field(store, offsets, shapes, 0, 5)
    for r in range(1, diag.shape[0] - 1):
        for c in range(1, diag.shape[1] - 1):
            # Idle cells (no coupling at all, unit diagonal) carry nothing to coarser levels.
            idle = diag[r, c] == 1.0 and (
                west[r, c] + east[r, c] + north[r, c] + south[r, c] == 0.0
            )
            if not idle:
                d0[r, c] = diag[r, c]
                i0[r, c] = 1.0 / diag[r, c]
                w0[r, c] = west[r, c]
                e0[r, c] = east[r, c]
                n0[r, c] = north[r, c]
                s0[r, c] = south[r, c]
    for level in range(1, shapes.shape[0]):
        for field in range(FIELDS):
            _field(store, offsets, shapes, level, field)[:] = 0.0
        fd = _field(store, offsets, shapes, level - 1, 0)
        fw = _field(store, offsets, shapes, level - 1, 2)
        fe = _field(store, offsets, shapes, level - 1, 3)
        fn = _field(store, offsets, shapes, level - 1, 4)
        fs = _field(store, offsets, shapes, level - 1, 5)
        cd = _field(store, offsets, shapes, level, 0)
        ci = _field(store, offsets, shapes, level, 1)
        cw = _field(store, offsets, shapes, level, 2)
        ce = _field(store, offsets, shapes, level, 3)
        cn = _field(store, offsets, shapes, level, 4)
        cs = _field(store, offsets, shapes, level, 5)
        for r in range(1, fd.shape[0] - 1):
            i = (r + 1) >> 1
            for c in range(1, fd.shape[1] - 1):
                j = (c + 1) >> 1
                d = fd[r, c]
                if c & 1:
                    cw[i, j] += fw[r, c]
                    d -= fe[r, c]
                else:
                    ce[i, j] += fe[r, c]
                    d -= fw[r, c]
                if r & 1:
                    cn[i, j] += fn[r, c]
                    d -= fs[r, c]
                else:
                    cs[i, j] += fs[r, c]
                    d -= fn[r, c]
                cd[i, j] += d
        half = np.float32(0.5)
        for i in range(1, cd.shape[0] - 1):
            for j in range(1, cd.shape[1] - 1):
                m = half * min(ce[i, j], cw[i, j + 1])
                ce[i, j] -= m
                cw[i, j + 1] -= m
                cd[i, j] -= m
                cd[i, j + 1] -= m
                m = half * min(cs[i, j], cn[i + 1, j])
                cs[i, j] -= m
                cn[i + 1, j] -= m
                cd[i, j] -= m
                cd[i + 1, j] -= m
        for i in range(1, cd.shape[0] - 1):
            for j in range(1, cd.shape[1] - 1):
                # Rounding may leave a closed coarse cell with next to nothing, of either sign.
                least = np.float32(1.0e-6) * (ce[i, j] + cw[i, j] + cn[i, j] + cs[i, j])
                least += ce[i, j] + cw[i, j] + cn[i, j] + cs[i, j]
                cd[i, j] = max(cd[i, j], least)
                ci[i, j] = 1.0 / cd[i, j] if cd[i, j] > 0.0 else 0.0
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _sweep(
    inv: F32, west: F32, east: F32, north: F32, south: F32, x: F32, b: F32, colour: int
) -> int:
    """Gauss-Seidel over the cells of one colour of a chessboard."""
    for r in range(1, x.shape[0] - 1):
        for c in range(1 + ((r + colour) & 1), x.shape[1] - 1, 2):
            x[r, c] = inv[r, c] * (
                b[r, c]
                + west[r, c] * x[r, c - 1]
                + east[r, c] * x[r, c + 1]
                + north[r, c] * x[r - 1, c]
                + south[r, c] * x[r + 1, c]
            )
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _restrict(
    diag: F32, west: F32, east: F32, north: F32, south: F32, x: F32, b: F32, out: F32
) -> int:
    """Sum what is left of b into the coarse cells."""
    out[:] = np.float32(0.0)
    for r in range(1, x.shape[0] - 1):
        i = (r + 1) >> 1
        for c in range(1, x.shape[1] - 1):
            out[i, (c + 1) >> 1] += (
                b[r, c]
                - diag[r, c] * x[r, c]
                + west[r, c] * x[r, c - 1]
                + east[r, c] * x[r, c + 1]
                + north[r, c] * x[r - 1, c]
                + south[r, c] * x[r + 1, c]
            )
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _prolong(coarse: F32, inv: F32, x: F32) -> int:
    """Give each fine cell its coarse cell's correction."""
    for r in range(1, x.shape[0] - 1):
        i = (r + 1) >> 1
        for c in range(1, x.shape[1] - 1):
            if inv[r, c] > 0.0:
                x[r, c] += coarse[i, (c + 1) >> 1]
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def cycle(offsets: I64, shapes: I64, plan: I64, store: F32, b: F64, scale: float, out: F64) -> int:
    """Apply one V-cycle to b: `out` is about the solution. `scale` keeps float32 in range."""
    levels = shapes.shape[0]
    x0 = _field(store, offsets, shapes, 0, 6)
    b0 = _field(store, offsets, shapes, 0, 7)
    i0 = _field(store, offsets, shapes, 0, 1)
    for r in range(1, b.shape[0] - 1):
        for c in range(1, b.shape[1] - 1):
            b0[r, c] = b[r, c] * scale if i0[r, c] > 0.0 else 0.0
            x0[r, c] = 0.0
    for step in range(plan.size):
        level = abs(plan[step]) - 1
        d = _field(store, offsets, shapes, level, 0)
        inv = _field(store, offsets, shapes, level, 1)
        w = _field(store, offsets, shapes, level, 2)
        e = _field(store, offsets, shapes, level, 3)
        n = _field(store, offsets, shapes, level, 4)
        s = _field(store, offsets, shapes, level, 5)
        x = _field(store, offsets, shapes, level, 6)
        rhs = _field(store, offsets, shapes, level, 7)
        if level == levels - 1:
            for _ in range(COARSE_SWEEPS):
                _sweep(inv, w, e, n, s, x, rhs, 0)
                _sweep(inv, w, e, n, s, x, rhs, 1)
                _sweep(inv, w, e, n, s, x, rhs, 0)
        elif plan[step] > 0:
            _sweep(inv, w, e, n, s, x, rhs, 0)
            _sweep(inv, w, e, n, s, x, rhs, 1)
            _restrict(d, w, e, n, s, x, rhs, _field(store, offsets, shapes, level + 1, 7))
            _field(store, offsets, shapes, level + 1, 6)[:] = np.float32(0.0)
        else:
            _prolong(_field(store, offsets, shapes, level + 1, 6), inv, x)
            _sweep(inv, w, e, n, s, x, rhs, 1)
            _sweep(inv, w, e, n, s, x, rhs, 0)
    for r in range(1, b.shape[0] - 1):
        for c in range(1, b.shape[1] - 1):
            out[r, c] = x0[r, c] / scale if i0[r, c] > 0.0 else b[r, c]
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _multiply(diag: F64, west: F64, east: F64, north: F64, south: F64, u: F64, out: F64) -> float:
    """Write A u and return u · A u."""
    total = 0.0
    for r in range(1, u.shape[0] - 1):
        for c in range(1, u.shape[1] - 1):
            a = (
                diag[r, c] * u[r, c]
                - west[r, c] * u[r, c - 1]
                - east[r, c] * u[r, c + 1]
                - north[r, c] * u[r - 1, c]
                - south[r, c] * u[r + 1, c]
            )
            out[r, c] = a
            total += a * u[r, c]
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _dot(a: F64, b: F64) -> float:
    total = 0.0
    for r in range(1, a.shape[0] - 1):
        for c in range(1, a.shape[1] - 1):
            total += a[r, c] * b[r, c]
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def conjugate_gradients(
    diag: F64,
    west: F64,
    east: F64,
    north: F64,
    south: F64,
    offsets: I64,
    shapes: I64,
    plan: I64,
    store: F32,
    b: F64,
    share: float,
    rounds: int,
    work: F64,
    u: F64,
    told: F64,
) -> int:
    """Solve a symmetric problem from the guess in `u` until the residual is `share` of b.

    `work` is (4, rows, cols); `told` gets the rounds and the residual's share. Returns 1 when the
    rounds run out.
    """
    r, p, q, z = work[0], work[1], work[2], work[3]
    _multiply(diag, west, east, north, south, u, q)
    size = np.sqrt(_dot(b, b))
    for i in range(1, u.shape[0] - 1):
        for j in range(1, u.shape[1] - 1):
            r[i, j] = b[i, j] - q[i, j]
    left = np.sqrt(_dot(r, r))
    told[0] = 0.0
    told[1] = left / size if size > 0.0 else left
    goal = share * size
    rho = 0.0
    for k in range(rounds):
        if left <= goal:
            return 0
        cycle(offsets, shapes, plan, store, r, 1.0 / left, z)
        rho_new = _dot(r, z)
        beta = rho_new / rho if k > 0 else 0.0
        rho = rho_new
        for i in range(1, u.shape[0] - 1):
            for j in range(1, u.shape[1] - 1):
                p[i, j] = z[i, j] + beta * p[i, j]
        alpha = rho / _multiply(diag, west, east, north, south, p, q)
        left = 0.0
        for i in range(1, u.shape[0] - 1):
            for j in range(1, u.shape[1] - 1):
                u[i, j] += alpha * p[i, j]
                r[i, j] -= alpha * q[i, j]
                left += r[i, j] * r[i, j]
        left = np.sqrt(left)
        told[0] = k + 1
        told[1] = left / size if size > 0.0 else left
    return 0 if left <= goal else 1


@njit(cache=True, nogil=True, error_model="numpy")
def bicgstab(
    diag: F64,
    west: F64,
    east: F64,
    north: F64,
    south: F64,
    offsets: I64,
    shapes: I64,
    plan: I64,
    store: F32,
    b: F64,
    share: float,
    rounds: int,
    work: F64,
    u: F64,
    told: F64,
) -> int:
    """Solve a problem with one-way flow; arguments as above, `work` is (7, rows, cols)."""
    r, p, v, y, z, t, r0 = work[0], work[1], work[2], work[3], work[4], work[5], work[6]
    _multiply(diag, west, east, north, south, u, t)
    size = np.sqrt(_dot(b, b))
    for i in range(1, u.shape[0] - 1):
        for j in range(1, u.shape[1] - 1):
            r[i, j] = b[i, j] - t[i, j]
            r0[i, j] = r[i, j]
            p[i, j] = 0.0
            v[i, j] = 0.0
    left = np.sqrt(_dot(r, r))
    goal = share * size
    told[0] = 0.0
    told[1] = left / size if size > 0.0 else left
    rho = alpha = omega = 1.0
    for k in range(rounds):
        if left <= goal:
            return 0
        rho_new = _dot(r0, r)
        if rho_new == 0.0 or omega == 0.0:
            return 1
        beta = rho_new / rho * alpha / omega
        rho = rho_new
        for i in range(1, u.shape[0] - 1):
            for j in range(1, u.shape[1] - 1):
                p[i, j] = r[i, j] + beta * (p[i, j] - omega * v[i, j])
        cycle(offsets, shapes, plan, store, p, 1.0 / left, y)
        _multiply(diag, west, east, north, south, y, v)
        alpha = rho / _dot(r0, v)
        left = 0.0
        for i in range(1, u.shape[0] - 1):
            for j in range(1, u.shape[1] - 1):
                u[i, j] += alpha * y[i, j]
                r[i, j] -= alpha * v[i, j]
                left += r[i, j] * r[i, j]
        left = np.sqrt(left)
        told[0] = k + 0.5
        told[1] = left / size if size > 0.0 else left
        if left <= goal:
            return 0
        cycle(offsets, shapes, plan, store, r, 1.0 / left, z)
        _multiply(diag, west, east, north, south, z, t)
        tt = _dot(t, t)
        omega = _dot(t, r) / tt if tt > 0.0 else 0.0
        left = 0.0
        for i in range(1, u.shape[0] - 1):
            for j in range(1, u.shape[1] - 1):
                u[i, j] += omega * z[i, j]
                r[i, j] -= omega * t[i, j]
                left += r[i, j] * r[i, j]
        left = np.sqrt(left)
        told[0] = k + 1.0
        told[1] = left / size if size > 0.0 else left
    return 0 if left <= goal else 1
