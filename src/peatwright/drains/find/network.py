"""Line points to clean segments between nodes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from peatwright.drains.find.local import COL, Points
from peatwright.drains.find.net import _kernels as k

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Segments:
    """Points of clean lines between nodes.

    `order` holds point numbers one segment after another, `start` where each begins (one entry
    more than segments), `node` the junction number of each segment's two ends.
    """

    points: Points
    order: I64
    start: I64
    node: I64
    length_m: F64


def gather(parts: list[Points]) -> Points:
    """Put the points of all tiles together, sorted by row and column, doubles left out."""
    row = np.concatenate([p.row for p in parts])
    col = np.concatenate([p.col for p in parts])
    value = np.concatenate([p.value for p in parts])
    if row.size == 0:
        return Points(row, col, value)
    key = row * (int(col.max()) + 1) + col
    by = np.argsort(key, kind="stable")  # tiles are sorted runs, which this sort uses
    key = key[by]
    first = np.ones(row.size, bool)
    first[1:] = key[1:] != key[:-1]
    by = by[first]
    return Points(row[by], col[by], value[by])


def pick(p: Points, keep: NDArray[np.bool_]) -> Points:
    """Return the chosen points."""
    return Points(p.row[keep], p.col[keep], p.value[keep])


def near_of(row: I64, col: I64) -> NDArray[np.int32]:
    """Neighbours of each point, for points sorted by row and column."""
    near = np.empty((row.size, 8), np.int32)
    k.adjacency(row, col, near)
    return near


def strong_sets(p: Points, weight: NDArray[np.float32], high: float, need: int) -> Points:
    """Keep connected sets in which at least `need` points reach `high`."""
    near = near_of(p.row, p.col)
    label = np.empty(p.row.size, np.int32)
    k.components(near, label)
    keep = np.empty(p.row.size, np.bool_)
    k.keep_strong(label, weight, high, need, keep)
    return pick(p, keep)


def walk(row: I64, col: I64) -> tuple[I64, I64]:
    """Return order and start of the segments between nodes."""
    near = near_of(row, col)
    size = row.size
    order = np.empty(3 * size + 16, np.int64)
    start = np.empty(size + 2, np.int64)
    n = k.segments(near, order, start)
    if n < 0:  # every point a node: more room
        order = np.empty(10 * size + 16, np.int64)
        start = np.empty(9 * size + 2, np.int64)
        n = k.segments(near, order, start)
    start = start[: n + 1]
    return order[: start[n]], start


def lengths(x: F64, y: F64, order: I64, start: I64) -> F64:
    """Length of each segment through its points (m)."""
    if start.size < 2:
        return np.zeros(0)
    px, py = x[order], y[order]
    step = np.hypot(np.diff(px, append=px[-1:]), np.diff(py, append=py[-1:]))
    step[start[1:] - 1] = 0.0
    total: F64 = np.add.reduceat(step, start[:-1])
    return total


def place(p: Points, dx_m: float, dy_m: float) -> tuple[F64, F64]:
    """Return x (east) and y (south) of the points in metres from the raster's corner."""
    x = (p.col + 0.5 + p.value[:, COL["off_col"]].astype(np.float64)) * dx_m
    y = (p.row + 0.5 + p.value[:, COL["off_row"]].astype(np.float64)) * dy_m
    return x.astype(np.float64, copy=False), y.astype(np.float64, copy=False)


def network(
    p: Points,
    dx_m: float,
    dy_m: float,
    spur_m: float,
    loop_m: float,
    lone_m: float,
    rounds: int = 4,
) -> Segments:
    """Walk, drop spurs, doubles and lone crumbs, and walk again until clean."""
    tiny = 1.6 * max(dx_m, dy_m) * 2**0.5
    x, y = place(p, dx_m, dy_m)
    row, col = p.row, p.col
    strength = p.value[:, COL["strength"]].astype(np.float64)
    left = np.arange(p.row.size)
    for turn in range(rounds):
        order, start = walk(row, col)
        length = lengths(x, y, order, start)
        n = length.size
        a, b = order[start[:-1]], order[start[1:] - 1]
        node = np.arange(row.size)
        worth = np.add.reduceat(strength[order], start[:-1]) / np.diff(start) if n else np.zeros(0)
        kill = np.zeros(n, np.uint8)
        dropped = k.clean(a, b, length, worth, spur_m, loop_m, tiny, node, kill)
        while True:
            up = node[node]
            if (up == node).all():
                break
            node = up
        na, nb = node[a], node[b]
        # crumbs: short lines tied to nothing
        count = np.bincount(np.concatenate([na, nb]), minlength=row.size)
        lone = (count[na] == 1) & (count[nb] == 1) & (length < lone_m) & (kill == 0)
        kill[lone] = 1
        if turn == rounds - 1 or (dropped == 0 and not lone.any()):
            break
        keep = np.zeros(row.size, bool)
        keep[order[np.repeat(kill == 0, np.diff(start))]] = True
        row, col, left = row[keep], col[keep], left[keep]
        x, y, strength = x[keep], y[keep], strength[keep]
    live = (kill == 0) & ~((na == nb) & (length <= tiny))
    size = np.diff(start)[live]
    seg = np.repeat(live, np.diff(start))
    return Segments(
        Points(row, col, p.value[left] if left.size != p.row.size else p.value),
        order[seg],
        np.concatenate([[0], np.cumsum(size)]),
        np.stack([na, nb], 1)[live],
        length[live],
    )
