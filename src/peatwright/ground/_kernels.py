"""Compiled loops over all cells: drawing kriged depth, slope, stability and going.

Arrays and numbers in, results into `out`, an integer status back. Every loop runs on one thread
without the interpreter lock; strips of rows spread over threads.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]


@njit(cache=True, nogil=True)
def draw_rows(
    depth: F32, error: F32, reach: F32, start: F64, step: F64, levels: F32, masked: bool,
    thin_error_m: float, thin_reach_m: float, reach_m: float, first: int, past: int,
    out_depth: F32, out_error: F32, out_state: U8,
) -> int:  # fmt: skip
    """Draw lattice values on cells; state 0 probed, 1 thin, 2 unprobed, 255 no ground.

    A cell's place on the lattice is `start + index × step`, both as (row, column).
    """
    cols = out_depth.shape[1]
    top_row, top_col = depth.shape[0] - 2, depth.shape[1] - 2
    for r in range(first, past):
        y = min(max(start[0] + r * step[0], 0.0), depth.shape[0] - 1.0)
        i = min(int(y), top_row)
        v = np.float32(y - i)
        for c in range(cols):
            if masked and math.isnan(levels[r, c]):
                out_depth[r, c] = np.nan
                out_error[r, c] = np.nan
                out_state[r, c] = 255
                continue
            x = min(max(start[1] + c * step[1], 0.0), depth.shape[1] - 1.0)
            j = min(int(x), top_col)
            u = np.float32(x - j)
            a = (np.float32(1) - u) * (np.float32(1) - v)
            b = u * (np.float32(1) - v)
            d = (np.float32(1) - u) * v
            e = u * v
            out_depth[r, c] = (
                a * depth[i, j] + b * depth[i, j + 1] + d * depth[i + 1, j]
                + e * depth[i + 1, j + 1]
            )  # fmt: skip
            sure = (
                a * error[i, j] + b * error[i, j + 1] + d * error[i + 1, j]
                + e * error[i + 1, j + 1]
            )  # fmt: skip
            far = (
                a * reach[i, j] + b * reach[i, j + 1] + d * reach[i + 1, j]
                + e * reach[i + 1, j + 1]
            )  # fmt: skip
            out_error[r, c] = sure
            if far > reach_m:
                out_state[r, c] = 2
            elif far > thin_reach_m or sure > thin_error_m:
                out_state[r, c] = 1
            else:
                out_state[r, c] = 0
    return 0


@njit(cache=True, nogil=True)
def class_rows(values: F32, edges: F64, first: int, past: int, out: U8) -> int:
    """Give each cell the number of edges at or under its value, 255 for no data."""
    for r in range(first, past):
        for c in range(values.shape[1]):
            v = values[r, c]
            k = 0
            for e in edges:
                if v >= e:
                    k += 1
            out[r, c] = 255 if math.isnan(v) else k
    return 0


@njit(cache=True, nogil=True)
def sum_rows(values: F32, weights: U8, keep: int, first: int, past: int, out: F64) -> int:
    """Add up `values` where the state is at most `keep`: sum, sum of squares, count in `out`."""
    for r in range(first, past):
        total = 0.0
        square = 0.0
        count = 0
        for c in range(values.shape[1]):
            v = values[r, c]
            if weights[r, c] <= keep and not math.isnan(v):
                total += v
                square += v * v
                count += 1
        out[r, 0] = total
        out[r, 1] = square
        out[r, 2] = count
    return 0


@njit(cache=True, nogil=True)
def block_rows(levels: F32, by: int, bx: int, first: int, past: int, out: F32) -> int:
    """Mean level of blocks of `by` × `bx` cells, NaN where over half of a block is empty.

    `out` has whole blocks only: a block cut by the edge would have its centre elsewhere.
    """
    rows, cols = levels.shape
    for i in range(first, past):
        for j in range(out.shape[1]):
            r1 = min((i + 1) * by, rows)
            c1 = min((j + 1) * bx, cols)
            total = 0.0
            count = 0
            for r in range(i * by, r1):
                for c in range(j * bx, c1):
                    v = levels[r, c]
                    if not math.isnan(v):
                        total += v
                        count += 1
            out[i, j] = total / count if 2 * count > (r1 - i * by) * (c1 - j * bx) else np.nan
    return 0


@njit(cache=True, nogil=True)
def plane_rows(
    levels: F32, half_rows: int, half_cols: int, dy_m: float, dx_m: float, first: int, past: int,
    out_east: F32, out_north: F32,
) -> int:  # fmt: skip
    """Fit a plane by least squares to the window around each block: rise per m east and north."""
    rows, cols = levels.shape
    for i in range(first, past):
        for j in range(cols):
            n = 0.0
            sx = sy = sz = sxx = syy = sxy = sxz = syz = 0.0
            if not math.isnan(levels[i, j]):
                z0 = float(levels[i, j])
                for r in range(max(0, i - half_rows), min(rows, i + half_rows + 1)):
                    y = (i - r) * dy_m
                    for c in range(max(0, j - half_cols), min(cols, j + half_cols + 1)):
                        if math.isnan(levels[r, c]):
                            continue
                        x = (c - j) * dx_m
                        z = float(levels[r, c]) - z0
                        n += 1.0
                        sx += x
                        sy += y
                        sz += z
                        sxx += x * x
                        syy += y * y
                        sxy += x * y
                        sxz += x * z
                        syz += y * z
            out_east[i, j] = np.nan
            out_north[i, j] = np.nan
            if n >= 3.0:
                xx = sxx - sx * sx / n
                yy = syy - sy * sy / n
                xy = sxy - sx * sy / n
                xz = sxz - sx * sz / n
                yz = syz - sy * sz / n
                det = xx * yy - xy * xy
                if det > 1e-9 * xx * yy and det > 0.0:
                    out_east[i, j] = (xz * yy - yz * xy) / det
                    out_north[i, j] = (yz * xx - xz * xy) / det
    return 0


@njit(cache=True, nogil=True, inline="always")
def _between(values: F32, y: float, x: float) -> float:
    """Bilinear value on the block lattice; the nearest block where a neighbour is empty."""
    rows, cols = values.shape
    y = min(max(y, 0.0), rows - 1.0)
    x = min(max(x, 0.0), cols - 1.0)
    i = min(int(y), max(rows - 2, 0))
    j = min(int(x), max(cols - 2, 0))
    i1 = min(i + 1, rows - 1)
    j1 = min(j + 1, cols - 1)
    v = y - i
    u = x - j
    got = (1.0 - v) * ((1.0 - u) * values[i, j] + u * values[i, j1]) + v * (
        (1.0 - u) * values[i1, j] + u * values[i1, j1]
    )
    if math.isnan(got):
        got = float(values[i1 if v >= 0.5 else i, j1 if u >= 0.5 else j])
    return float(got)


@njit(cache=True, nogil=True)
def lattice_points(values: F32, y: F64, x: F64, out: F64) -> int:
    """Values of a block lattice at fractional blocks."""
    for k in range(y.size):
        out[k] = _between(values, y[k], x[k])
    return 0


@njit(cache=True, nogil=True)
def screen_rows(
    depth: F32, error: F32, slope: F32, by: int, bx: int,
    likely: F32, draws: F32, ends: F32, set_factor: float, machine_kpa: float, pond_m: float,
    water_kn_m3: float, thinnest_m: float, cap: float, first: int, past: int, top_row: int,
    out_factor: F32, out_share: U8,
) -> int:  # fmt: skip
    """Factors of safety of eight cases at each cell, and the share of draws under the set factor.

    Cases: undrained as is, with machine, with pond, with both; then drained likewise. `likely`,
    each row of `draws` and the two rows of `ends` (lowest, highest) hold weight, undrained
    strength, cohesion, tangent of friction, share of depth under water, and for draws the
    depth's deviate in standard errors. Shares are per cent, at least 1 if any draw fails, 255 for
    no data. Row r of the grid is written to row r - `top_row` of the outputs.
    """
    one = np.float32(1.0)
    zero = np.float32(0.0)
    wanted = np.float32(set_factor)
    qm = np.float32(machine_kpa)
    qp = np.float32(water_kn_m3 * pond_m)
    qb = qm + qp
    gw = np.float32(water_kn_m3)
    count = draws.shape[1]
    gk, sk, ck, tk, mk, nk = draws[0], draws[1], draws[2], draws[3], draws[4], draws[5]
    g0, s0, c0, t0, m0 = likely[0], likely[1], likely[2], likely[3], likely[4]
    glo, slo, clo, tlo, nlo = ends[0, 0], ends[0, 1], ends[0, 2], ends[0, 3], ends[0, 5]
    ghi, shi, thi, nhi = ends[1, 0], ends[1, 1], ends[1, 3], ends[1, 5]
    top = np.float32(cap)
    for r in range(first, past):
        y = (r + 0.5) / by - 0.5
        o = r - top_row
        for c in range(depth.shape[1]):
            z = depth[r, c]
            b = np.float32(_between(slope, y, (c + 0.5) / bx - 0.5))
            if math.isnan(z) or math.isnan(b):
                for k in range(8):
                    out_factor[k, o, c] = np.nan
                    out_share[k, o, c] = 255
                continue
            if z < thinnest_m or b <= zero:
                for k in range(8):
                    out_factor[k, o, c] = top
                    out_share[k, o, c] = 0
                continue
            e = error[r, c]
            if math.isnan(e):
                e = zero
            cos2 = one / (one + b * b)
            sc = b * cos2
            w = g0 * z
            ct = cos2 * t0
            out_factor[0, o, c] = min(top, s0 / (w * sc))
            out_factor[1, o, c] = min(top, s0 / ((w + qm) * sc))
            out_factor[2, o, c] = min(top, s0 / ((w + qp) * sc))
            out_factor[3, o, c] = min(top, s0 / ((w + qb) * sc))
            out_factor[4, o, c] = min(top, (c0 + (w - m0 * gw * z) * ct) / (w * sc))
            out_factor[5, o, c] = min(top, (c0 + (w + qm - m0 * gw * z) * ct) / ((w + qm) * sc))
            out_factor[6, o, c] = min(top, (c0 + (w - gw * z) * ct) / ((w + qp) * sc))
            out_factor[7, o, c] = min(top, (c0 + (w + qm - gw * z) * ct) / ((w + qb) * sc))
            a = wanted * sc
            deepest = max(zero, z + e * nhi)
            shallowest = max(zero, z + e * nlo)
            # Cells that even the worst corner of all ranges keeps safe need no draws; nor do
            # those that the best corner cannot keep.
            n0 = n1 = n2 = n3 = n4 = n5 = n6 = n7 = np.int32(0)
            if a * (ghi * deepest + qb) > slo:
                if a * glo * shallowest > shi:
                    n0 = n1 = n2 = n3 = np.int32(count)
                else:
                    for k in range(count):
                        d = max(zero, z + e * nk[k])
                        left = sk[k] - a * gk[k] * d
                        n0 += np.int32(left < zero)
                        n1 += np.int32(left < a * qm)
                        n2 += np.int32(left < a * qp)
                        n3 += np.int32(left < a * qb)
            worst = a - cos2 * tlo
            heavy = worst * (ghi * deepest + qm) if worst > zero else worst * glo * shallowest
            if heavy + a * qp + gw * deepest * cos2 * thi > clo:
                for k in range(count):
                    d = max(zero, z + e * nk[k])
                    f = cos2 * tk[k]
                    turn = f - a
                    wet = f * gw * d
                    bare = ck[k] + turn * gk[k] * d
                    n4 += np.int32(bare - mk[k] * wet < zero)
                    n5 += np.int32(bare + turn * qm - mk[k] * wet < zero)
                    n6 += np.int32(bare - a * qp - wet < zero)
                    n7 += np.int32(bare + turn * qm - a * qp - wet < zero)
            scale = np.float32(100.0 / count)
            half = np.float32(0.5)
            out_share[0, o, c] = np.uint8(max(n0 * scale + half, one if n0 > 0 else zero))
            out_share[1, o, c] = np.uint8(max(n1 * scale + half, one if n1 > 0 else zero))
            out_share[2, o, c] = np.uint8(max(n2 * scale + half, one if n2 > 0 else zero))
            out_share[3, o, c] = np.uint8(max(n3 * scale + half, one if n3 > 0 else zero))
            out_share[4, o, c] = np.uint8(max(n4 * scale + half, one if n4 > 0 else zero))
            out_share[5, o, c] = np.uint8(max(n5 * scale + half, one if n5 > 0 else zero))
            out_share[6, o, c] = np.uint8(max(n6 * scale + half, one if n6 > 0 else zero))
            out_share[7, o, c] = np.uint8(max(n7 * scale + half, one if n7 > 0 else zero))
    return 0


@njit(cache=True, nogil=True)
def mark_rows(
    depth: F32, slope: F32, convex: F32, upslope_m2: F32, wetted: bool, by: int, bx: int,
    cell_m: float, convex_deg: float, peat_m: float, thick_m: float, wet_index: float, first: int,
    past: int, out: U8,
) -> int:  # fmt: skip
    """Mark cells: 1 convex break in peat, 2 thick wet peat, 4 thick peat; 255 no data."""
    for r in range(first, past):
        y = (r + 0.5) / by - 0.5
        for c in range(depth.shape[1]):
            z = depth[r, c]
            x = (c + 0.5) / bx - 0.5
            b = _between(slope, y, x)
            if math.isnan(z) or math.isnan(b):
                out[r, c] = 255
                continue
            mark = 0
            if z >= peat_m and _between(convex, y, x) >= convex_deg:
                mark += 1
            if z >= thick_m:
                mark += 4
                if wetted:
                    # A flat cell has no finite index: it counts as wet once water reaches it.
                    index = math.log(max(upslope_m2[r, c], 1e-3) / cell_m / max(b, 1e-3))
                    if index >= wet_index:
                        mark += 2
            out[r, c] = mark
    return 0


@njit(cache=True, nogil=True)
def going_rows(
    depth: F32, slope: F32, weak: U8, kept_off: U8, has_weak: bool, has_off: bool, by: int,
    bx: int, classes: U8, thin_m: float, careful_ratio: float, steepest_ratio: float, first: int,
    past: int, out: U8,
) -> int:  # fmt: skip
    """Going at each cell: 0 easy, 1 careful, 2 mats, 3 keep off, 255 no data.

    `classes` holds the going on firm and on weak ground; slope and limits make it worse.
    """
    for r in range(first, past):
        y = (r + 0.5) / by - 0.5
        for c in range(depth.shape[1]):
            z = depth[r, c]
            b = _between(slope, y, (c + 0.5) / bx - 0.5)
            if math.isnan(z) or math.isnan(b):
                out[r, c] = 255
                continue
            got = 0
            if z >= thin_m:
                got = classes[1] if has_weak and weak[r, c] != 0 else classes[0]
            if b > careful_ratio:
                got = max(got, 1)
            if b > steepest_ratio or (has_off and kept_off[r, c] != 0):
                got = 3
            out[r, c] = got
    return 0
