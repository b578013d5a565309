"""Invented ground that is not drained but shows lines: hags, rills, pools, hummocks, streams.

What the judge of found lines must not take for drains. All of it is made from random fields and
random courses; nothing here knows the demo site. The shipped judge was not trained
on it: docs/finding.md says why.
"""

from __future__ import annotations

import numpy as np
from find_ground import F64, Line, along, carve, dense, fractal, wander
from scipy import ndimage


def grained(
    rng: np.random.Generator, n: int, cell_m: float, across_m: float, along_m: float, way: float
) -> F64:
    """Random field of unit spread, drawn out along one direction."""
    fy, fx = np.fft.fftfreq(n, cell_m)[:, None], np.fft.rfftfreq(n, cell_m)[None]
    u = fx * np.cos(way) + fy * np.sin(way)
    v = -fx * np.sin(way) + fy * np.cos(way)
    amp = np.exp(-2 * np.pi**2 * ((u * along_m) ** 2 + (v * across_m) ** 2))
    z = np.fft.irfft2(amp * np.fft.rfft2(rng.standard_normal((n, n))), s=(n, n))
    return (z - z.mean()) / z.std()


def patch(rng: np.random.Generator, n: int, cell_m: float, share: float, edge_m: float) -> F64:
    """Soft mask (0 to 1) of a few patches over about `share` of the ground."""
    f = fractal(rng, n, cell_m, 150, 3.2)
    inside = (f > np.quantile(f, 1 - share)).astype(float)
    return ndimage.gaussian_filter(inside, edge_m / cell_m)


def hags(rng: np.random.Generator, z: F64, cell: float, down: float) -> None:
    """Bare flats among islands of peat with steep edges, in place."""
    n = z.shape[0]
    size = rng.uniform(1.2, 4.0)
    long = size * rng.uniform(1.0, 2.5)
    f = grained(rng, n, cell, size, long, down + rng.normal(0, 0.3))
    f = f + rng.uniform(0.0, 0.6) * grained(rng, n, cell, 0.8, 1.2, down)
    if rng.random() < 0.4:  # a net of gutters in peat that is else whole
        f = np.abs(f) * 2 - rng.uniform(0.3, 0.7)
    edge = rng.uniform(0.08, 0.5)
    level = rng.normal(0, 0.5)
    high = 1 / (1 + np.exp(np.clip(-(f - level) / edge, -50, 50)))
    where = patch(rng, n, cell, rng.uniform(0.04, 0.15), rng.uniform(2, 8))
    z -= rng.uniform(0.25, 1.4) * (1 - high) * where


def hummocks(rng: np.random.Generator, z: F64, cell: float) -> None:
    """Heather and hummocks: short rough texture with a grain, in a strip or in patches."""
    n = z.shape[0]
    way = rng.uniform(0, np.pi)
    across = rng.uniform(0.3, 1.2)
    tex = grained(rng, n, cell, across, across * rng.uniform(1.0, 4.0), way)
    if rng.random() < 0.5:
        tex = np.maximum(tex, 0) * 1.5  # tussocks stand up from flat ground
    tex = tex + 0.5 * ndimage.gaussian_filter(rng.standard_normal((n, n)), 0.7) / 0.4
    if rng.random() < 0.5:  # a strip that grows rougher to one side
        gx, gy = np.meshgrid(np.arange(n) * cell, np.arange(n) * cell)
        a = rng.choice([0, np.pi / 2, np.pi, -np.pi / 2, rng.uniform(0, 2 * np.pi)])
        off = (gx - n * cell / 2) * np.cos(a) + (gy - n * cell / 2) * np.sin(a)
        where = np.clip((off - rng.uniform(60, 180)) / rng.uniform(20, 120), 0, 1)
    else:
        where = patch(rng, n, cell, rng.uniform(0.15, 0.4), rng.uniform(3, 15))
    z += rng.uniform(0.03, 0.14) * tex * where


def pools(rng: np.random.Generator, z: F64, cell: float, down: float) -> None:
    """Groups of flat pools, drawn out along the contour."""
    n = z.shape[0]
    f = grained(rng, n, cell, rng.uniform(0.8, 2.5), rng.uniform(3, 7), down + np.pi / 2)
    where = patch(rng, n, cell, rng.uniform(0.02, 0.08), 3)
    deep = np.clip((f - rng.uniform(0.5, 1.2)) / rng.uniform(0.1, 0.4), 0, 1)
    z -= rng.uniform(0.08, 0.45) * deep * where


def rilled(rng: np.random.Generator, z: F64, cell: float, down: float) -> list[Line]:
    """A gully that dies out at its head, with branches, and short rills down its sides."""
    size = z.shape[0] * cell
    lines = []
    xy = wander(
        rng, *rng.uniform(0.1, 0.9, 2) * size, down + rng.normal(0, 0.4),
        rng.uniform(100, 350), rng.uniform(0.02, 0.06),
    )  # fmt: skip
    stems = [(xy, rng.uniform(0.7, 2.2), rng.uniform(1.5, 3.5))]
    for _ in range(rng.poisson(2)):  # branches, from their head down to the stem
        k = rng.integers(len(xy) // 4, len(xy))
        back = np.arctan2(*(xy[max(k - 5, 0)] - xy[k])[::-1]) + rng.choice([-1, 1]) * rng.uniform(
            0.3, 0.9
        )
        arm = wander(rng, *xy[k], back, rng.uniform(30, 140), 0.05)[::-1]
        stems.append((arm, rng.uniform(0.4, 1.3), rng.uniform(0.8, 2.5)))
    for course, deep, half in stems:
        grow = np.linspace(rng.uniform(0.15, 0.5), 1, 12) ** rng.uniform(0.6, 1.5)
        m = len(dense(course))
        d = along(rng, course, deep, 0.3, 0.0) * np.interp(
            np.linspace(0, 1, m), np.linspace(0, 1, 12), grow
        )
        cut = int(len(course) * rng.uniform(0.3, 0.6))  # its head is narrow, its foot is wide
        part = int(m * cut / len(course))
        shape = rng.choice(["u", "g"])
        carve(z, cell, course[: cut + 1], d[: part + 1], half * 0.5, shape)
        carve(z, cell, course[cut:], d[part:], half, shape)
        lines.append(Line(course, "natural channel"))
        for _ in range(rng.poisson(len(course) / rng.uniform(10, 35))):
            k = rng.integers(2, len(course) - 2)
            way = np.arctan2(*(course[k + 2] - course[k - 2])[::-1])
            turn = way + rng.choice([-1, 1]) * rng.uniform(1.5, 2.7)
            rill = wander(rng, *course[k], turn, rng.uniform(5, 35), 0.04)[::-1]
            fade = np.linspace(rng.uniform(0.1, 0.5), 1, 6)
            carve(z, cell, rill, rng.uniform(0.12, 0.6) * fade, rng.uniform(0.25, 0.7), "g")
            lines.append(Line(rill, "natural channel"))
    return lines


def stream(rng: np.random.Generator, z: F64, cell: float, down: float) -> list[Line]:
    """A narrow stream that winds, hardly any valley at its head."""
    size = z.shape[0] * cell
    xy = wander(
        rng, *rng.uniform(0.05, 0.95, 2) * size, down + rng.normal(0, 0.4),
        rng.uniform(120, 450), rng.uniform(0.02, 0.05),
    )  # fmt: skip
    swing = ndimage.gaussian_filter1d(rng.standard_normal(len(xy)), rng.uniform(2.0, 6.0))
    swing *= rng.uniform(0.3, 1.6) / swing.std()
    step = np.gradient(xy, axis=0)
    xy = xy + np.stack([-step[:, 1], step[:, 0]], 1) * swing[:, None]
    grow = np.linspace(rng.uniform(0.3, 1), 1, 8)
    carve(z, cell, xy, rng.uniform(0.0, 0.8) * grow**2, rng.uniform(2, 4), "g")
    d = along(rng, xy, rng.uniform(0.2, 0.9), 0.4, 0.3)
    d *= np.interp(np.linspace(0, 1, d.size), np.linspace(0, 1, 8), grow)
    carve(z, cell, xy, d, rng.uniform(0.4, 1.3), rng.choice(["u", "g"]))
    return [Line(xy, "natural channel")]


def track(rng: np.random.Generator, z: F64, cell: float) -> list[Line]:
    """A low track, cut into or laid on the ground, with a ditch on one side or both."""
    size = z.shape[0] * cell
    xy = wander(rng, *rng.uniform(0, 0.5, 2) * size, rng.uniform(0, np.pi / 2), 500, 0.008)
    half = rng.uniform(1.2, 2.2)
    carve(z, cell, xy, -rng.uniform(-0.15, 0.45), half, "u")
    t = np.gradient(xy, axis=0)
    nrm = np.stack([-t[:, 1], t[:, 0]], 1) / np.hypot(*t.T)[:, None]
    lines = []
    away = half * 1.5 + rng.uniform(0.4, 1.8)
    for s in (-1, 1):
        if rng.random() < 0.65:
            side = xy + s * away * nrm
            a, b = sorted(rng.integers(0, len(side), 2))
            if b - a < 60:
                a, b = 0, len(side)
            d = along(rng, side[a:b], rng.uniform(0.15, 0.6), 0.3, 0.5)
            carve(z, cell, side[a:b], d, rng.uniform(0.3, 0.7), rng.choice(["u", "g"]))
            lines.append(Line(side[a:b], "roadside"))
    return lines


def roughen(rng: np.random.Generator, z: F64, cell: float, down: float) -> list[Line]:
    """Put such ground into a tile, in place, before it is drained; returns its lines."""
    lines: list[Line] = []
    for _ in range(rng.poisson(2.0)):
        lines += rilled(rng, z, cell, down)
    for _ in range(rng.poisson(1.2)):
        lines += stream(rng, z, cell, down)
    if rng.random() < 0.7:
        hags(rng, z, cell, down)
    if rng.random() < 0.4:
        pools(rng, z, cell, down)
    if rng.random() < 0.7:
        lines += track(rng, z, cell)
    if rng.random() < 0.7:
        hummocks(rng, z, cell)
    return lines
