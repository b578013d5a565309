"""Compiled loops of the storm over the surface: local-inertial shallow water on a grid.

Water is stored as whole units of a power of two of a metre, and what leaves one cell enters the
next as the same whole number, so that no water is made or lost whatever the order of the sums or
the number of threads. Fluxes are float32: they decide how many units move, not whether they add up.

Arrays carry a border of walls, `PAD_ROWS` rows and `PAD_COLS` columns on each side. `z` is int32 in
units of `z_unit` metres; a wall stands at `WALL`. `h` is int32 in units of `h_unit` metres. `qx` is
the flow per metre of width (m²/s) over the face between a cell and the next to the east, `qy` to
the south. `gn2` is gravity times Manning's n squared.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
Number = Any  # float32 or a whole number: the compiler knows which, the type checker need not

PAD_ROWS = 3
PAD_COLS = 2
WALL = 1 << 30
SCRATCH_ROWS = 9

ZERO = np.float32(0.0)
HALF = np.float32(0.5)
ONE = np.float32(1.0)
TWO = np.float32(2.0)
FOUR = np.float32(4.0)
THIRD = np.float32(1.0 / 3.0)
TWO_NINTHS = np.float32(2.0 / 9.0)
FOUR_THIRDS = np.float32(4.0 / 3.0)
CUBE_GUESS = np.float32(1419967116.0)  # bits of a first guess of x^(-1/3), as 0x54a2fa8c
KEEP = np.float32(1.0 - 1.0e-6)  # a cell never gives away more than this share of its water
SPEED_SHARE = 0.5  # of a cell that the fastest water may cross in a step; waves run at 5/3 of it
SMALL_FLOW = np.float32(1.0e-30)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def inverse_cube_root(x: Number) -> Number:
    """Return x^(-1/3) of a float32 above 0, good to about 2e-7.

    A guess by the bits (within 4 %), a round that cubes the error and one that squares it. There is
    no call in it, so that the loop around it runs in vector registers.
    """
    bits = np.float32(np.float32(x).view(np.int32))
    y = np.int32(CUBE_GUESS - bits * THIRD).view(np.float32)
    off = ONE - x * y * y * y
    y = y + y * off * (THIRD + TWO_NINTHS * off)
    third = x * THIRD
    return y * (FOUR_THIRDS - third * y * y * y)


@njit(cache=True, nogil=True, error_model="numpy")
def _fluxes(
    za: I32, zb: I32, ha: I32, hb: I32, ga: F32, gb: F32, inertia: F32, z_unit: Number,
    h_unit: Number, g_dt_dx: Number, dt: Number, thin: Number, g_cap: Number, fastest: Number,
    out: F32,
) -> Number:  # fmt: skip
    """Flow over each face from cell a to cell b, before any limit by the water there is.

    q = N / (1/2 + sqrt(1/4 + B |N|)), N = inertia - g hf dt S, B = g n² dt / hf^(7/3): Manning's
    friction taken at the end of the step, so that it cannot overshoot however thin the film.
    Returns the bits of the greatest speed, or `fastest` if that is more: bits of float32 above 0
    sort as their values do, and whole numbers have a maximum that runs in vector registers.
    """
    for c in range(out.size):
        dz = np.float32(np.int32(zb[c] - za[c])) * z_unit
        a = np.float32(ha[c]) * h_unit
        b = np.float32(hb[c]) * h_unit
        rise = dz if dz > ZERO else ZERO
        fall = dz if dz < ZERO else ZERO
        over_a = a - rise
        over_b = b + fall
        hf = over_a if over_a > over_b else over_b
        wet = hf > thin
        hf = hf if wet else ONE
        dh = np.float32(np.int32(hb[c] - ha[c])) * h_unit
        push = inertia[c] - g_dt_dx * hf * (dh + dz)
        size = push if push > ZERO else -push
        y = inverse_cube_root(hf)
        y2 = y * y
        friction = HALF * (ga[c] + gb[c]) * dt * (y2 * y2) * (y2 * y)
        q = size * TWO / (ONE + np.sqrt(ONE + FOUR * friction * size))
        cap = hf * np.sqrt(g_cap * hf)
        q = q if q < cap else cap
        speed = np.float32(q * (y2 * y)).view(np.int32)
        speed = speed if wet else np.int32(0)
        fastest = speed if speed > fastest else fastest
        q = q if push > ZERO else -q
        out[c] = q if wet else ZERO
    return fastest


@njit(cache=True, nogil=True, error_model="numpy")
def _inertia(q: F32, before: F32, after: F32, theta: Number, side: Number, out: F32) -> int:
    """Weigh a face's flow with that of its neighbours along the flow (de Almeida et al. 2012)."""
    for c in range(out.size):
        out[c] = theta * q[c] + side * (before[c] + after[c])
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _shares(
    west: F32, east: F32, north: F32, south: F32, h: I32, kx: Number, ky: Number, out: F32
) -> int:
    """Share of its wished outflow that each cell can give: 1 unless it would run dry."""
    for c in range(out.size):
        e = east[c] if east[c] > ZERO else ZERO
        w = -west[c] if west[c] < ZERO else ZERO
        s = south[c] if south[c] > ZERO else ZERO
        n = -north[c] if north[c] < ZERO else ZERO
        wish = kx * (e + w) + ky * (s + n) + SMALL_FLOW
        # Four faces round to whole units, each by at most half of one.
        have = np.float32(h[c]) * KEEP - FOUR
        have = have if have > ZERO else ZERO
        share = have / wish
        out[c] = share if share < ONE else ONE
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _limited(raw: F32, share_a: F32, share_b: F32, k: Number, q: F32, units: I32) -> int:
    """Scale each face's flow by its giver's share, and say how many units it moves."""
    for c in range(q.size):
        f = raw[c]
        share = share_a[c] if f > ZERO else share_b[c]
        f = f * share
        q[c] = f
        x = f * k
        x = x + HALF if x > ZERO else x - HALF
        units[c] = np.int32(x)
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _along_row(h0: I32, units: I32, z: I32, rain: Number, out: I32) -> int:
    """Move water along a row and add the rain; `units` starts at the face west of the first."""
    for c in range(out.size):
        falls = rain if z[c] < WALL else np.int32(0)
        out[c] = h0[c] + units[c] - units[c + 1] + falls
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _across_rows(units: I32, out: I32, sign: Number) -> int:
    for c in range(out.size):
        out[c] = out[c] + sign * units[c]
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _deepest(h: I32, most: Number) -> Number:
    for c in range(h.size):
        most = h[c] if h[c] > most else most
    return most


@njit(cache=True, nogil=True, error_model="numpy")
def step_rows(
    z: I32, h0: I32, qx0: F32, qy0: F32, gn2: F32, first: int, past: int, numbers: F32, rain:
    Number, scratch: F32, counts: I32, h1: I32, qx1: F32, qy1: F32, peak: I32,
) -> int:  # fmt: skip
    """Move the water of rows `first` to `past` (padded row numbers) by one step.

    `numbers` holds z_unit, h_unit, dt, g dt/dx, g dt/dy, dt/dx in units, dt/dy in units, thin,
    g times the square of the Froude cap, theta. `scratch` is (SCRATCH_ROWS, columns), `counts`
    (2, columns). Rows beside the strip are worked out twice, once by each neighbour, with the same
    result. `peak` gets the greatest depth in units and the bits of the greatest speed.
    """
    z_unit = numbers[0]
    h_unit = numbers[1]
    dt = numbers[2]
    kx = numbers[5]
    ky = numbers[6]
    thin = numbers[7]
    g_cap = numbers[8]
    theta = numbers[9]
    side = HALF * (ONE - theta)
    w = z.shape[1]
    # Faces 1 to w - 2 of a row; face c lies between cells c and c + 1.
    a, b = 1, w - 2
    wish = scratch[8]
    deepest: Number = np.int32(0)
    fastest: Number = np.int32(0)
    rain_units = np.int32(rain)
    for r in range(first - 2, past + 1):
        here = r & 1
        x_raw = scratch[here]
        y_raw = scratch[2 + here]
        y_before = scratch[3 - here]
        share = scratch[4 + here]
        share_before = scratch[5 - here]
        _inertia(qy0[r, a:b], qy0[r - 1, a:b], qy0[r + 1, a:b], theta, side, wish[a:b])
        fastest = _fluxes(
            z[r, a:b], z[r + 1, a:b], h0[r, a:b], h0[r + 1, a:b], gn2[r, a:b], gn2[r + 1, a:b],
            wish[a:b], z_unit, h_unit, numbers[4], dt, thin, g_cap, fastest, y_raw[a:b],
        )  # fmt: skip
        if r == first - 2:
            continue
        _inertia(qx0[r, a:b], qx0[r, a - 1 : b - 1], qx0[r, a + 1 : b + 1], theta, side, wish[a:b])
        fastest = _fluxes(
            z[r, a:b], z[r, a + 1 : b + 1], h0[r, a:b], h0[r, a + 1 : b + 1],
            gn2[r, a:b], gn2[r, a + 1 : b + 1],
            wish[a:b], z_unit, h_unit, numbers[3], dt, thin, g_cap, fastest, x_raw[a:b],
        )  # fmt: skip
        c, d = a + 1, b  # cells whose four faces are known
        _shares(
            x_raw[c - 1 : d - 1], x_raw[c:d], y_before[c:d], y_raw[c:d], h0[r, c:d], kx, ky,
            share[c:d],
        )  # fmt: skip
        if first <= r < past:
            _limited(
                x_raw[a:b], share[a:b], share[a + 1 : b + 1], kx, qx1[r, a:b], counts[0, a:b]
            )  # fmt: skip
            _along_row(h0[r, c:d], counts[0, a:b], z[r, c:d], rain_units, h1[r, c:d])
        if r >= first:
            # The face between rows r - 1 and r. Both strips beside a seam work it out; the upper
            # one keeps its flow.
            kept = qy1[r - 1] if r > first else scratch[7]
            _limited(y_before[c:d], share_before[c:d], share[c:d], ky, kept[c:d], counts[1, c:d])
            if r > first:
                _across_rows(counts[1, c:d], h1[r - 1, c:d], np.int32(-1))
                deepest = _deepest(h1[r - 1, c:d], deepest)
            if r < past:
                _across_rows(counts[1, c:d], h1[r, c:d], np.int32(1))
    peak[0] = deepest
    peak[1] = fastest
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def fill_numbers(
    z_unit: float, h_unit: float, dx: float, dy: float, g: float, thin: float, froude: float,
    theta: float, dt: float, out: F32,
) -> int:  # fmt: skip
    """Write the numbers of one step as `step_rows` wants them."""
    out[0] = z_unit
    out[1] = h_unit
    out[2] = dt
    out[3] = g * dt / dx
    out[4] = g * dt / dy
    out[5] = dt / dx / h_unit
    out[6] = dt / dy / h_unit
    out[7] = thin
    out[8] = g * froude * froude
    out[9] = theta
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def _between(times: F64, values: F64, t: float) -> float:
    """Straight lines between times, level beyond the ends."""
    if t <= times[0]:
        return float(values[0])
    for i in range(1, times.size):
        if t <= times[i]:
            share = (t - times[i - 1]) / (times[i] - times[i - 1])
            return float(values[i - 1] + share * (values[i] - values[i - 1]))
    return float(values[-1])


@njit(cache=True, nogil=True, error_model="numpy")
def finish_step(
    before: I32, h: I32, qx: F32, qy: F32, t: float, dt: float, h_unit: float, g: float,
    edges: tuple[I64, F64, F64, I64, F64], inflows: tuple[I64, I64, F64, F64], stages:
    tuple[I64, I64, F64, F64], series: tuple[I64, F64], lines: tuple[I64, I64, F64], left:
    F64, totals: I64, volumes: F64,
) -> int:  # fmt: skip
    """Let water out over open edges and in at its sources, hold stages, and add up what crosses.

    `edges` is flat cell, Manning factor sqrt(S)/n, face width over cell area, face and sign of flow
    over it; outflow is uniform flow, at most critical. `inflows` and `stages` are flat cell, number
    of its series, factor (m/s of depth per m³/s; unused) and, for inflows, the share of the series;
    `series` holds where each starts and, interleaved, times and values. `lines` is flat face (x
    faces first, then y faces), number of its line, and sign times width. `left` keeps the parts of
    units not yet given.
    `totals` adds outflow and inflow in units; `volumes` adds m³ over each line, then over edges.
    Returns the greatest depth among the cells touched.
    """
    flat = h.ravel()
    start = before.ravel()
    most: Number = 0
    fx = qx.ravel()
    fy = qy.ravel()
    cell, factor, over, beyond, way = edges
    gone: Number = 0
    for i in range(cell.size):
        units = flat[cell[i]]
        # As at the faces inside, the depth at the start of the step drives the flow.
        depth = start[cell[i]] * h_unit
        q = factor[i] * depth ** (5.0 / 3.0)
        cap = depth * np.sqrt(g * depth)
        q = min(q, cap)
        out = min(np.int64(q * dt * over[i] / h_unit), np.int64(units))
        flat[cell[i]] = units - out
        gone += out
        # Faces further in take the flow over the edge for their neighbour's inertia.
        left_by = np.float32(way[i] * out * h_unit / (dt * over[i]))
        if beyond[i] < fx.size:
            fx[beyond[i]] = left_by
        else:
            fy[beyond[i] - fx.size] = left_by
    totals[0] += gone
    starts, knots = series
    cell2, which, per, part = inflows
    for i in range(cell2.size):
        a = starts[which[i]]
        b = starts[which[i] + 1]
        flow = _between(knots[a:b:2], knots[a + 1 : b : 2], t + 0.5 * dt)
        left[i] += part[i] * flow * per[i] * dt / h_unit
        units2 = np.int64(np.floor(left[i]))
        left[i] -= units2
        flat[cell2[i]] += np.int32(units2)
        totals[1] += units2
        most = max(most, flat[cell2[i]])
    cell3, which3, _, _ = stages
    for i in range(cell3.size):
        a = starts[which3[i]]
        b = starts[which3[i] + 1]
        held = np.int64(_between(knots[a:b:2], knots[a + 1 : b : 2], t + dt) / h_unit)
        change = held - flat[cell3[i]]
        if change > 0:
            totals[1] += change
        else:
            totals[0] -= change
        flat[cell3[i]] = np.int32(held)
        most = max(most, held)
    face, line, sign = lines
    for i in range(face.size):
        q = fx[face[i]] if face[i] < fx.size else fy[face[i] - fx.size]
        volumes[line[i]] += sign[i] * q * dt
    return int(most)


@njit(cache=True, nogil=True, error_model="numpy")
def march(
    z: I32, gn2: F32, pair: tuple[I32, I32, F32, F32, F32, F32], state: F64, until: float,
    rain_mps: float, fixed: F64, edges: tuple[I64, F64, F64, I64, F64], inflows: tuple[I64,
    I64, F64, F64], stages: tuple[I64, I64, F64, F64], series: tuple[I64, F64], lines:
    tuple[I64, I64, F64], scratch: F32, counts: I32, left: F64, totals: I64, volumes: F64,
) -> int:  # fmt: skip
    """Step on one thread from state[0] to `until`. `pair` is h, h, qx, qx, qy, qy.

    `state` holds time, greatest depth in units, rain not yet given in units, rain given in units,
    steps done, which half of the pair is current and the greatest speed. `fixed` is as in
    `step_length`, then the arguments of `fill_numbers`. Returns 1 when water is deeper than can be
    held.
    """
    numbers = np.empty(10, np.float32)
    peak = np.empty(2, np.int32)
    ha, hb, xa, xb, ya, yb = pair
    rows = z.shape[0]
    while state[0] < until:
        dt = step_length(state, until, fixed)
        fill_numbers(
            fixed[3], fixed[4], fixed[5], fixed[6], fixed[2], fixed[7], fixed[8], fixed[9], dt,
            numbers,
        )  # fmt: skip
        rain = rain_step(state, rain_mps, dt, fixed[4])
        if state[5] == 0.0:
            step_rows(
                z, ha, xa, ya, gn2, PAD_ROWS, rows - PAD_ROWS, numbers, rain, scratch, counts,
                hb, xb, yb, peak,
            )  # fmt: skip
            touched = finish_step(
                ha, hb, xb, yb, state[0], dt, fixed[4], fixed[2],
                edges, inflows, stages, series, lines, left,
                totals, volumes,
            )  # fmt: skip
        else:
            step_rows(
                z, hb, xb, yb, gn2, PAD_ROWS, rows - PAD_ROWS, numbers, rain, scratch, counts,
                ha, xa, ya, peak,
            )  # fmt: skip
            touched = finish_step(
                hb, ha, xa, ya, state[0], dt, fixed[4], fixed[2],
                edges, inflows, stages, series, lines, left,
                totals, volumes,
            )  # fmt: skip
        end_step(state, dt, until, max(peak[0], touched), peak[1:2].view(np.float32)[0])
        if state[1] > WALL:
            return 1
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def step_length(state: F64, until: float, fixed: F64) -> float:
    """Longest stable step: share × cell / sqrt(g h), no longer than allowed or than is left.

    Where friction rules, depth travels at 5/3 of the water's speed and must not pass a cell in one
    step either: that binds on steep ground, where the water runs nearly as fast as its waves.

    `fixed` begins with share × smaller cell side, longest step and gravity; depth unit is fixed[4].
    """
    dt = fixed[1]
    depth = state[1] * fixed[4]
    if depth > 0.0:
        dt = min(dt, fixed[0] / np.sqrt(fixed[2] * depth))
    if state[6] > 0.0:
        dt = min(dt, SPEED_SHARE * min(fixed[5], fixed[6]) / state[6])
    ahead = until - state[0]
    # Two equal steps end better than one long and one of almost nothing.
    if ahead <= dt:
        return float(ahead)
    return float(0.5 * ahead) if ahead < 2.0 * dt else float(dt)


@njit(cache=True, nogil=True, error_model="numpy")
def rain_step(state: F64, rain_mps: float, dt: float, h_unit: float) -> int:
    """Whole units of rain of one step; the rest waits for the next."""
    state[2] += rain_mps * dt / h_unit
    units = np.floor(state[2])
    state[2] -= units
    state[3] += units
    return int(units)


@njit(cache=True, nogil=True, error_model="numpy")
def end_step(state: F64, dt: float, until: float, deepest: int, fastest: float) -> int:
    """Move the clock on; the last step of a stretch ends exactly on its time."""
    now = state[0] + dt
    state[0] = until if now >= until or until - now < 1e-9 * max(1.0, until) else now
    state[1] = deepest
    state[6] = fastest
    state[4] += 1.0
    state[5] = 1.0 - state[5]
    return 0


@njit(cache=True, nogil=True, error_model="numpy")
def look_rows(
    h: I32, qx: F32, qy: F32, loss: F32, h_unit: float, film: float, first: int, past: int,
    deepest: F32, fastest: F32,
) -> int:  # fmt: skip
    """Take the loss of one stretch of time from rows, and keep the greatest depth and speed.

    `loss` is units per stretch, shape (1, 1) when the same everywhere. Returns the units lost.
    """
    lost: Number = 0
    same = loss.size == 1
    for r in range(first, past):
        for c in range(PAD_COLS, h.shape[1] - PAD_COLS):
            units = h[r, c]
            if units <= 0:
                continue
            depth = units * h_unit
            deepest[r, c] = max(deepest[r, c], np.float32(depth))
            if depth > film:
                u = 0.5 * (qx[r, c] + qx[r, c - 1]) / depth
                v = 0.5 * (qy[r, c] + qy[r - 1, c]) / depth
                fastest[r, c] = max(fastest[r, c], np.float32(np.sqrt(u * u + v * v)))
            wished = loss[0, 0] if same else loss[r, c]
            taken = min(np.int64(wished + 0.5), np.int64(units))
            h[r, c] = np.int32(units - taken)
            lost += taken
    return int(lost)
