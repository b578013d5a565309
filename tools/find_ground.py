"""Invented drained bog for training and tests of the search: ground, lines and their kinds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """A true line: x and y (south) in metres, and its kind."""

    xy: F64
    kind: str


Roughen = Callable[[np.random.Generator, F64, float, float], list[Line]]


def fractal(rng: np.random.Generator, n: int, cell_m: float, long_m: float, power: float) -> F64:
    """Random ground of unit spread with features up to `long_m`."""
    f = np.hypot(np.fft.fftfreq(n, cell_m)[:, None], np.fft.rfftfreq(n, cell_m)[None])
    amp = 1.0 / (f**2 + (1.0 / long_m) ** 2) ** (power / 2)
    z = np.fft.irfft2(amp * np.fft.rfft2(rng.standard_normal((n, n))), s=(n, n))
    return (z - z.mean()) / z.std()


def wander(
    rng: np.random.Generator, x0: float, y0: float, angle: float, length: float, bend: float
) -> F64:
    """A line that wanders: `bend` is the spread of turning per metre."""
    n = max(int(length / 1.0), 2)
    turn = ndimage.gaussian_filter1d(rng.standard_normal(n), 6, mode="nearest") * bend * 4
    a = angle + 1.2 * np.sin(np.cumsum(turn) - turn[0])
    return np.stack([x0 + np.cumsum(np.cos(a)), y0 + np.cumsum(np.sin(a))], 1)


def dense(xy: F64, step: float = 0.25) -> F64:
    """Points every `step` metres along a line."""
    d = np.append(0, np.cumsum(np.hypot(*np.diff(xy, axis=0).T)))
    t = np.arange(0, d[-1], step)
    return np.stack([np.interp(t, d, xy[:, 0]), np.interp(t, d, xy[:, 1])], 1)


def carve(
    z: F64,
    cell: float,
    xy: F64,
    depth: F64 | float,
    half_m: float,
    shape: str = "u",
    spoil_m: float = 0.0,
    sag_m: float = 0.0,
) -> None:
    """Cut a channel into the ground in place; `depth` may vary along the line."""
    p = dense(xy)
    inside = (p > -12).all(1) & (p < z.shape[0] * cell + 12).all(1)
    if inside.sum() < 4:
        return
    given = np.atleast_1d(np.asarray(depth, float))
    d0 = np.interp(np.linspace(0, 1, len(p)), np.linspace(0, 1, len(given)), given)
    lo = np.maximum(((p[inside].min(0) - 12) / cell).astype(int), 0)
    hi = np.minimum(((p[inside].max(0) + 12) / cell).astype(int) + 1, z.shape[0])
    if (hi <= lo).any():
        return
    gx, gy = np.meshgrid(
        (np.arange(lo[0], hi[0]) + 0.5) * cell, (np.arange(lo[1], hi[1]) + 0.5) * cell
    )
    d, i = cKDTree(p).query(np.stack([gx.ravel(), gy.ravel()], 1), distance_upper_bound=12)
    ok = np.isfinite(d)
    d, i = d[ok], i[ok]
    t = np.gradient(p, axis=0)
    side = np.sign(t[i, 0] * (gy.ravel()[ok] - p[i, 1]) - t[i, 1] * (gx.ravel()[ok] - p[i, 0]))
    dep = d0[i]
    if shape == "u":
        cutz = -dep * np.clip((half_m * 1.5 - d) / (half_m * 0.9), 0, 1)
    else:
        cutz = -dep * np.exp(-0.5 * (d / half_m) ** 2)
    if spoil_m:
        cutz += spoil_m * np.exp(-0.5 * ((side * d - 2.2 * half_m - 0.4) / 0.6) ** 2)
    if sag_m:
        cutz -= sag_m * np.exp(-0.5 * (d / 4.0) ** 2)
    block = z[lo[1] : hi[1], lo[0] : hi[0]]
    flat = block.ravel()
    flat[ok] += cutz
    z[lo[1] : hi[1], lo[0] : hi[0]] = flat.reshape(block.shape)


def along(rng: np.random.Generator, xy: F64, depth: float, vary: float, gaps: float) -> F64:
    """Depth along a line: slow change, and stretches that are overgrown or crossed."""
    n = dense(xy).shape[0]
    d = depth * (1 + vary * ndimage.gaussian_filter1d(rng.standard_normal(n), 20) * 6)
    d = np.clip(d, 0.3 * depth, 1.8 * depth)
    for _ in range(rng.poisson(gaps * n * 0.25 / 100)):
        a = rng.integers(0, n)
        d[a : a + rng.integers(8, 32)] *= rng.uniform(0, 0.35)
    return ndimage.gaussian_filter1d(d, 2)


def outside(line: Line, wet: NDArray[np.bool_], cell: float) -> Line:
    """The first part of a line, up to a lake."""
    i = np.clip((line.xy[:, 1] / cell).astype(int), 0, wet.shape[0] - 1)
    j = np.clip((line.xy[:, 0] / cell).astype(int), 0, wet.shape[1] - 1)
    hit = np.flatnonzero(wet[i, j])
    return Line(line.xy[: hit[0]] if hit.size else line.xy, line.kind)


def make(
    seed: int, n: int = 1000, cell: float = 0.5, roughen: Roughen | None = None
) -> tuple[NDArray[np.float32], list[Line]]:
    """Make one tile of invented bog: levels (float32) and its true lines.

    `roughen` (of find_rough.py) puts more natural lines into the ground before it is drained.
    """
    rng = np.random.default_rng(seed)
    size = n * cell
    lines: list[Line] = []
    rough = rng.choice([0.0, 1.0], p=[0.7, 0.3])
    z = fractal(rng, n, cell, 300, 3.2) * rng.uniform(1, 8 + 8 * rough)
    gx, gy = np.meshgrid(np.arange(n) * cell, np.arange(n) * cell)
    down = rng.uniform(0, 2 * np.pi)
    z -= (gx * np.cos(down) + gy * np.sin(down)) * rng.uniform(0.005, 0.10)
    z += fractal(rng, n, cell, 25, 2.6) * rng.uniform(0.03, 0.12 + 0.5 * rough)
    z += fractal(rng, n, cell, 6, 2.2) * rng.uniform(0.01, 0.04 + 0.06 * rough)
    if rng.random() < 0.4:  # rock grooves and edges, all one way
        a = rng.uniform(0, np.pi)
        g = ndimage.gaussian_filter1d(rng.standard_normal(4 * n), 6 / cell)
        u = ((gx * np.cos(a) + gy * np.sin(a)) / cell).astype(int) + n
        where = fractal(rng, n, cell, 120, 3) > 0.6
        soft = ndimage.gaussian_filter(where.astype(float), 8)
        warp = (fractal(rng, n, cell, 60, 3) * 14).astype(int)
        z += soft * rng.uniform(3, 14) * g[np.clip(u + warp, 0, 4 * n - 1)]
    for _ in range(rng.poisson(2)):  # natural streams in soft hollows
        xy = wander(
            rng, *rng.uniform(0, size, 2), down + rng.normal(0, 0.4), rng.uniform(80, 400), 0.035
        )
        carve(z, cell, xy, rng.uniform(0.3, 1.5), rng.uniform(2.5, 5), "g")
        half = rng.uniform(0.5, 1.5)
        carve(z, cell, xy, along(rng, xy, rng.uniform(0.1, 0.6), 0.5, 1.0), half, "g")
        lines.append(Line(xy, "natural channel"))
    for _ in range(rng.poisson(0.8)):  # gullies
        xy = wander(
            rng, *rng.uniform(0, size, 2), down + rng.normal(0, 0.5), rng.uniform(60, 200), 0.04
        )
        carve(z, cell, xy, along(rng, xy, rng.uniform(0.8, 2.2), 0.3, 0), rng.uniform(2, 4), "u")
        lines.append(Line(xy, "natural channel"))
    for _ in range(rng.poisson(0.7)):  # ruts in pairs
        xy = wander(
            rng, *rng.uniform(0, size, 2), rng.uniform(0, 2 * np.pi), rng.uniform(80, 300), 0.02
        )
        t = np.gradient(xy, axis=0)
        nrm = np.stack([-t[:, 1], t[:, 0]], 1) / np.hypot(*t.T)[:, None]
        d = rng.uniform(0.08, 0.25)
        for s in (-0.9, 0.9):
            carve(z, cell, xy + s * nrm, along(rng, xy, d, 0.5, 1), 0.25, "g")
            lines.append(Line(xy + s * nrm, "rut"))
    for _ in range(rng.poisson(0.6)):  # walls and terraces: edges, no drain
        xy = wander(
            rng, *rng.uniform(0, size, 2), rng.uniform(0, 2 * np.pi), rng.uniform(80, 300), 0.01
        )
        if rng.random() < 0.5:
            carve(z, cell, xy, -rng.uniform(0.3, 1.0), 0.5, "g")
        else:
            c, s = np.cos(a := rng.uniform(0, np.pi)), np.sin(a)
            off = gx * c + gy * s - rng.uniform(0.2, 0.8) * size
            z += rng.uniform(0.3, 1.5) / (1 + np.exp(np.clip(-off / rng.uniform(0.4, 2), -50, 50)))
    for _ in range(rng.poisson(0.5)):  # levels of two surveys that do not meet
        a = rng.choice([0.0, np.pi / 2, rng.uniform(0, np.pi)])
        off = gx * np.cos(a) + gy * np.sin(a)
        z += rng.uniform(-0.6, 0.6) * (off > rng.uniform(0.2, 0.8) * size)
    if rng.random() < 0.4:  # stripes of the scanner
        a = rng.choice([0.0, np.pi / 2, rng.uniform(0, np.pi)])
        off = gx * np.cos(a) + gy * np.sin(a)
        z += rng.uniform(0.01, 0.03) * np.sin(2 * np.pi * off / rng.uniform(2, 9))
    if rng.random() < 0.3:  # a filled lake
        x, y = rng.uniform(0.2, 0.8, 2) * size
        lake = np.hypot(gx - x, gy - y) < rng.uniform(30, 80) * (
            1 + 0.2 * fractal(rng, n, cell, 80, 3)
        )
        lakes = lake, z[lake].mean() if lake.any() else 0.0
    else:
        lakes = None
    for _ in range(rng.poisson(4)):  # pools and hollows
        x, y = rng.uniform(0, size, 2)
        r = np.hypot((gx - x) * rng.uniform(0.5, 1), gy - y)
        z -= rng.uniform(0.1, 0.4) / (1 + np.exp(np.clip((r - rng.uniform(2, 8)) * 2.5, -50, 50)))
    if roughen is not None:
        lines += roughen(np.random.default_rng([seed, 1]), z, cell, down)
    for _ in range(rng.integers(0, 4)):  # drained ground
        cx, cy = rng.uniform(0.1, 0.9, 2) * size
        a = down + np.pi / 2 + rng.normal(0, 0.5)
        gap = rng.uniform(7, 32)
        depth = rng.uniform(0.15, 0.9)
        half = rng.uniform(0.3, 0.9) * (0.7 + 0.4 * depth)
        wide, long = rng.uniform(60, 220), rng.uniform(60, 260)
        bend = rng.choice([0.0005, 0.002, 0.006])
        shape = rng.choice(["u", "g"])
        spoil = rng.choice([0, 0.5]) * rng.uniform(0.1, 0.5) * depth
        sag = rng.choice([0, 1]) * rng.uniform(0.05, 0.3)
        u = np.array([np.cos(a), np.sin(a)])
        v = np.array([-u[1], u[0]])
        herring = rng.uniform(-0.5, 0.5)
        o = np.array([cx, cy]) - v * wide / 2
        course = wander(rng, 0, 0, a + herring * 0.3, long, bend)  # all of a set run alike
        for k in range(int(wide / gap)):
            if rng.random() < 0.08:
                continue
            p = o + v * (k * gap + rng.normal(0, 0.08 * gap))
            c, q = np.cos(t := rng.normal(0, 0.02)), np.sin(t)
            xy = course[: int(len(course) * rng.uniform(0.5, 1))] @ np.array([[c, q], [-q, c]]) + p
            d = along(rng, xy, depth * rng.uniform(0.6, 1.3), 0.3, 0.7)
            carve(z, cell, xy, d, half, shape, spoil, sag)
            lines.append(Line(xy, "drain"))
        if rng.random() < 0.75:
            xy = wander(
                rng, *(o - v * 10), np.arctan2(v[1], v[0]), wide + 20 + rng.uniform(0, 60), bend
            )
            carve(
                z,
                cell,
                xy,
                along(rng, xy, depth * 1.3, 0.3, 0.5),
                half * 1.2,
                shape,
                spoil,
                sag,
            )
            lines.append(Line(xy, "drain"))
    if rng.random() < 0.3:  # a road on a bank with a ditch beside
        xy = wander(rng, *rng.uniform(0, size, 2), rng.uniform(0, 2 * np.pi), 400, 0.008)
        carve(z, cell, xy, -rng.uniform(0.3, 1.0), 2.2, "u")
        t = np.gradient(xy, axis=0)
        nrm = np.stack([-t[:, 1], t[:, 0]], 1) / np.hypot(*t.T)[:, None]
        for s in (-5.2, 5.2):
            if rng.random() < 0.7:
                carve(
                    z,
                    cell,
                    xy + s * nrm,
                    along(rng, xy, rng.uniform(0.2, 0.6), 0.4, 1),
                    0.6,
                    "g",
                )
                lines.append(Line(xy + s * nrm, "roadside"))
    # airborne levels: vegetation patches, pulses, smoothing by gridding
    veg = np.clip(fractal(rng, n, cell, 4, 2) - 0.5, 0, None) * rng.uniform(0.02, 0.10)
    heather = np.clip(fractal(rng, n, cell, 150, 3), 0, None) * rng.choice([0.0, 0.08])  # patches
    rough = rng.uniform(0.03, 0.11) + heather
    z += ndimage.gaussian_filter(rng.standard_normal((n, n)), 0.9) * rough + veg
    if lakes is not None:
        z[lakes[0]] = lakes[1]
        lines = [outside(m, lakes[0], cell) for m in lines]
        lines = [m for m in lines if len(m.xy) > 3]
    return z.astype(np.float32), lines
