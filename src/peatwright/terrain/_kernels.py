"""Compiled loops for sampling, gradients, shading, local relief and noise.

Arrays and numbers in, results into `out`, an integer status back. Every loop runs on one thread
without the interpreter lock; `_strips` spreads the rows.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]


@njit(cache=True, nogil=True, inline="always")
def bilinear(values: F32, row: float, col: float) -> float:
    """Level at a fractional cell; NaN outside the outer cell edges or where a used cell is NaN.

    A cell is used when its weight is not zero. Within half a cell of the outer edge the position
    is held at the outermost cell centres.
    """
    rows, cols = values.shape
    # Written so that a NaN position fails the test as well.
    if not (-0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5):
        return math.nan
    row = min(max(row, 0.0), rows - 1.0)
    col = min(max(col, 0.0), cols - 1.0)
    r0 = int(row)
    c0 = int(col)
    fr = row - r0
    fc = col - c0
    if fc == 0.0:
        if fr == 0.0:
            return float(values[r0, c0])
        return float((1.0 - fr) * values[r0, c0] + fr * values[r0 + 1, c0])
    top = (1.0 - fc) * values[r0, c0] + fc * values[r0, c0 + 1]
    if fr == 0.0:
        return float(top)
    low = (1.0 - fc) * values[r0 + 1, c0] + fc * values[r0 + 1, c0 + 1]
    return float((1.0 - fr) * top + fr * low)


@njit(cache=True, nogil=True)
def sample_bilinear(values: F32, row: F64, col: F64, first: int, past: int, out: F64) -> int:
    """Fill `out[first:past]` with bilinear levels."""
    for i in range(first, past):
        out[i] = bilinear(values, row[i], col[i])
    return 0


@njit(cache=True, nogil=True)
def sample_nearest(values: F32, row: F64, col: F64, first: int, past: int, out: F64) -> int:
    """Fill `out[first:past]` with the level of the cell that holds each point."""
    rows, cols = values.shape
    for i in range(first, past):
        if -0.5 <= row[i] <= rows - 0.5 and -0.5 <= col[i] <= cols - 0.5:
            r = min(int(row[i] + 0.5), rows - 1)
            c = min(int(col[i] + 0.5), cols - 1)
            out[i] = values[r, c]
        else:
            out[i] = math.nan
    return 0


@njit(cache=True, nogil=True)
def _cell_or_nan(values: F32, r: int, c: int) -> float:
    if r < 0 or c < 0 or r >= values.shape[0] or c >= values.shape[1]:
        return math.nan
    return float(values[r, c])


@njit(cache=True, nogil=True)
def _mend_pair(a: float, b: float, centre: float) -> tuple[float, float]:
    """Give a missing one of two opposite neighbours the value that keeps the line straight."""
    if math.isnan(a):
        if math.isnan(b):
            return centre, centre
        return 2.0 * centre - b, b
    if math.isnan(b):
        return a, 2.0 * centre - a
    return a, b


@njit(cache=True, nogil=True)
def gradient(values: F32, r: int, c: int, dx_m: float, dy_m: float) -> tuple[float, float]:
    """Rise eastward and northward (m per m) by Horn's weights; NaN in a cell of no data.

    Missing neighbours are continued in the plane of those present, so a plane is exact up to the
    edge of the data.
    """
    z0 = float(values[r, c])
    inside = 0 < r < values.shape[0] - 1 and 0 < c < values.shape[1] - 1
    if inside:
        nw = float(values[r - 1, c - 1])
        n = float(values[r - 1, c])
        ne = float(values[r - 1, c + 1])
        w = float(values[r, c - 1])
        e = float(values[r, c + 1])
        sw = float(values[r + 1, c - 1])
        s = float(values[r + 1, c])
        se = float(values[r + 1, c + 1])
    else:
        nw = _cell_or_nan(values, r - 1, c - 1)
        n = _cell_or_nan(values, r - 1, c)
        ne = _cell_or_nan(values, r - 1, c + 1)
        w = _cell_or_nan(values, r, c - 1)
        e = _cell_or_nan(values, r, c + 1)
        sw = _cell_or_nan(values, r + 1, c - 1)
        s = _cell_or_nan(values, r + 1, c)
        se = _cell_or_nan(values, r + 1, c + 1)
    if math.isnan(nw + n + ne + w + e + sw + s + se):
        w, e = _mend_pair(w, e, z0)
        n, s = _mend_pair(n, s, z0)
        if math.isnan(nw):
            nw = n + w - z0
        if math.isnan(ne):
            ne = n + e - z0
        if math.isnan(sw):
            sw = s + w - z0
        if math.isnan(se):
            se = s + e - z0
    east = ((ne + 2.0 * e + se) - (nw + 2.0 * w + sw)) / (8.0 * dx_m)
    north = ((nw + 2.0 * n + ne) - (sw + 2.0 * s + se)) / (8.0 * dy_m)
    if math.isnan(z0):
        return math.nan, math.nan
    return east, north


@njit(cache=True, nogil=True)
def slope_rows(values: F32, dx_m: float, dy_m: float, first: int, past: int, out: F32) -> int:
    """Steepest rise, m per m."""
    for r in range(first, past):
        for c in range(values.shape[1]):
            east, north = gradient(values, r, c, dx_m, dy_m)
            out[r, c] = math.sqrt(east * east + north * north)
    return 0


@njit(cache=True, nogil=True)
def shade_rows(
    values: F32,
    dx_m: float,
    dy_m: float,
    lights: F64,
    z_factor: float,
    first: int,
    past: int,
    out: U8,
) -> int:
    """Shade from the first light; with more, the mean of that and the darkest of the others.

    `lights` holds one row (east, north, up) per light.
    """
    count = lights.shape[0]
    for r in range(first, past):
        for c in range(values.shape[1]):
            east, north = gradient(values, r, c, dx_m, dy_m)
            if math.isnan(east):
                out[r, c] = 0
                continue
            east *= z_factor
            north *= z_factor
            scale = 1.0 / math.sqrt(1.0 + east * east + north * north)
            shade = 0.0
            darkest = 1.0
            for k in range(count):
                lit = (lights[k, 2] - east * lights[k, 0] - north * lights[k, 1]) * scale
                lit = min(max(lit, 0.0), 1.0)
                if k == 0:
                    shade = lit
                else:
                    darkest = min(darkest, lit)
            if count > 1:
                shade = 0.5 * (shade + darkest)
            out[r, c] = int(1.5 + 254.0 * shade)
    return 0


@njit(cache=True, nogil=True)
def relief_rows(
    values: F32, half_rows: int, half_cols: int, first: int, past: int, out: F32
) -> int:
    """Level minus the level of its wide surroundings, at a cost that does not grow with the box.

    Sums over the columns of the box move down with the row, and sums over the box move along the
    row. Where the box is whole the surroundings are its mean. Where the edge or holes cut it, the
    mean is moved to the cell along the plane fitted to the cells that are there.
    """
    rows, cols = values.shape
    full = (2 * half_rows + 1) * (2 * half_cols + 1)
    n1 = np.zeros(cols)
    y1 = np.zeros(cols)
    yy1 = np.zeros(cols)
    z1 = np.zeros(cols)
    yz1 = np.zeros(cols)
    # Levels and rows are counted from a local datum, which keeps the running sums short.
    datum = math.nan
    for r in range(max(0, first - half_rows), min(rows, past + half_rows)):
        for c in range(cols):
            if not math.isnan(values[r, c]):
                datum = float(values[r, c])
                break
        if not math.isnan(datum):
            break
    if math.isnan(datum):
        out[first:past, :] = np.nan
        return 0
    for r in range(first - half_rows, past + half_rows):
        leaving = r - 2 * half_rows - 1
        if leaving >= max(0, first - half_rows):
            y = float(leaving - first)
            for c in range(cols):
                z = float(values[leaving, c]) - datum
                if not math.isnan(z):
                    n1[c] -= 1.0
                    y1[c] -= y
                    yy1[c] -= y * y
                    z1[c] -= z
                    yz1[c] -= y * z
        if 0 <= r < rows:
            y = float(r - first)
            for c in range(cols):
                z = float(values[r, c]) - datum
                if not math.isnan(z):
                    n1[c] += 1.0
                    y1[c] += y
                    yy1[c] += y * y
                    z1[c] += z
                    yz1[c] += y * z
        centre = r - half_rows
        if centre < first:
            continue
        _relief_row(values, centre, half_cols, full, datum, first, n1, y1, yy1, z1, yz1, out)
    return 0


@njit(cache=True, nogil=True)
def _relief_row(
    values: F32,
    centre: int,
    half_cols: int,
    full: int,
    datum: float,
    first: int,
    n1: F64,
    y1: F64,
    yy1: F64,
    z1: F64,
    yz1: F64,
    out: F32,
) -> None:
    cols = values.shape[1]
    n = sy = syy = sz = syz = sx = sxx = sxy = sxz = 0.0
    for c in range(-half_cols, cols):
        entering = c + half_cols
        if entering < cols:
            x = float(entering)
            n += n1[entering]
            sy += y1[entering]
            syy += yy1[entering]
            sz += z1[entering]
            syz += yz1[entering]
            sx += x * n1[entering]
            sxx += x * x * n1[entering]
            sxy += x * y1[entering]
            sxz += x * z1[entering]
        leaving = c - half_cols - 1
        if leaving >= 0:
            x = float(leaving)
            n -= n1[leaving]
            sy -= y1[leaving]
            syy -= yy1[leaving]
            sz -= z1[leaving]
            syz -= yz1[leaving]
            sx -= x * n1[leaving]
            sxx -= x * x * n1[leaving]
            sxy -= x * y1[leaving]
            sxz -= x * z1[leaving]
        if c < 0:
            continue
        z = float(values[centre, c]) - datum
        if math.isnan(z):
            out[centre, c] = math.nan
            continue
        around = sz / n
        if n != full:
            mx = sx / n
            my = sy / n
            vxx = sxx / n - mx * mx
            vyy = syy / n - my * my
            vxy = sxy / n - mx * my
            vxz = sxz / n - mx * around
            vyz = syz / n - my * around
            det = vxx * vyy - vxy * vxy
            # Cells in one line carry no plane; the mean is all that can be said.
            if vxx > 0.1 and vyy > 0.1 and det > 1e-3 * vxx * vyy:
                gx = (vxz * vyy - vyz * vxy) / det
                gy = (vyz * vxx - vxz * vxy) / det
                around += gx * (c - mx) + gy * (centre - first - my)
        out[centre, c] = z - around


@njit(cache=True, nogil=True)
def noise_responses(values: F32, step: int, out: F32) -> int:
    """Response of each `step`-th inner cell to a mask that planes and folds do not move.

    The mask is the product of two second differences (Immerkaer 1996); returns how many were
    written.
    """
    rows, cols = values.shape
    count = 0
    for r in range(1, rows - 1, step):
        for c in range(1, cols - 1, step):
            corners = (
                float(values[r - 1, c - 1])
                + values[r - 1, c + 1]
                + values[r + 1, c - 1]
                + values[r + 1, c + 1]
            )
            sides = float(values[r - 1, c]) + values[r + 1, c] + values[r, c - 1] + values[r, c + 1]
            response = corners - 2.0 * sides + 4.0 * values[r, c]
            if not math.isnan(response):
                out[count] = abs(response)
                count += 1
    return count
