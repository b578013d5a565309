"""What one window of terrain shows by itself: line points with their measures."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from peatwright.drains.find import _kernels as k
from peatwright.drains.find.section import _kernels as section
from peatwright.drains.find.trace import _kernels as trace

F32 = NDArray[np.float32]

POINT = (
    "off_row", "off_col", "theta", "strength", "noise", "response", "bed_m", "depth_m",
    "width_m", "bank_difference_m", "ground_depth_m", "outer_rough_m", "slope_along",
    "slope_across", "relief_m", "rough_m", "far_depth_m", "far_width_m", "link",
    "continuity", "profile_slope", "side_flat_m", "side_uneven_m", "side_step_m", "lip_m",
    "lip_difference_m",
)  # fmt: skip
"""Measures of a line point, in the order in which the section kernel writes them."""

COL = {name: i for i, name in enumerate(POINT)}
assert len(COL) == len(POINT)


@dataclass(frozen=True)
class Setting:
    """Numbers of the filters, in metres, for one cell size."""

    dx_m: float
    dy_m: float
    sigmas_m: tuple[float, ...]
    block: int
    half_m: float
    soft_m: float
    crest_noise: float
    keep_noise: float
    floor_m: float
    trough_m: float
    worth: float
    gap_m: float
    halo: int

    @property
    def noise_block(self) -> int:
        """Cells along one side of a noise block."""
        return 4 * self.block


def taps(sigma_m: float, cell_m: float) -> F32:
    """Half taps of Gaussian smoothing, first and second derivative; rows of a 3 × (r+1) array.

    The derivative taps are scaled before they are cut off at 4 sigma, so that a slope and a
    parabola come out right also where sigma is hardly a cell.
    """
    s = sigma_m / cell_m
    r = max(int(4.0 * s + 0.5), 2)
    x = np.arange(int(8 * s) + 8, dtype=np.float64)
    g = np.exp(-0.5 * (x / s) ** 2)
    g /= g[0] + 2 * g[1:].sum()
    d1 = x * g
    d1 /= 2 * (d1 * x).sum() * cell_m
    d2 = (x * x / s**2 - 1) * g
    d2 -= g * (d2[0] + 2 * d2[1:].sum())
    d2 /= (d2 * x * x).sum() * cell_m**2
    g, d1, d2 = g[: r + 1], d1[: r + 1], d2[: r + 1]
    g = g / (g[0] + 2 * g[1:].sum())
    d2 = d2 - g * (d2[0] + 2 * d2[1:].sum())  # level ground gives nothing
    return np.stack([g, d1, d2]).astype(np.float32)


def depth_norm(sigma_m: float) -> float:
    """Turn a second derivative into the depth of the Gaussian trench the filter fits best.

    For a trench of depth A and width w the scale-normalised response at the centre is
    sigma² A w / (w² + sigma²)^1.5, at most 2 / 27^0.5 A (0.3849 A), at sigma = 2^0.5 w.
    """
    return sigma_m**2 * math.sqrt(27.0) / 2.0


@dataclass(frozen=True)
class Points:
    """Line points of a window: global rows and columns, and the measures named in `POINT`."""

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    value: F32


def look(
    z: F32, row0: int, col0: int, core: tuple[int, int, int, int], s: Setting
) -> tuple[Points, F32, int]:
    """Find line points in the core of a window.

    `z` is the window's levels (m, NaN for none), `row0`, `col0` its first cell in the whole
    raster (both multiples of the noise block), `core` the (row, row end, column, column end) to
    report, counted in the window.
    """
    rows, cols = z.shape
    n = s.block
    shape = (-(-rows // n), -(-cols // n))
    b = np.empty(shape, np.float32)
    count = np.empty(shape, np.int32)
    k.block_means(z, n, b, count)
    if not count.any():
        none = np.empty(0, np.int64)
        return Points(none, none, np.empty((0, len(POINT)), np.float32)), np.empty(0, np.float32), 0
    bg = np.empty_like(b)
    k.smooth_blocks(b, gauss_half(1.5, 4), bg)
    rough = np.empty_like(b)
    k.smooth_blocks(np.abs(b - bg), gauss_half(2.0, 4), rough)
    ground = np.empty_like(z)
    hole = np.empty(z.shape, np.uint8)
    k.fill_holes(z, bg, n, ground, hole)
    hxx, hxy, hyy, lam = (np.empty_like(z) for _ in range(4))
    nb = s.noise_block
    nshape = (-(-rows // nb), -(-cols // nb))
    raw = np.empty(nshape, np.float32)
    for i, sigma in enumerate(s.sigmas_m):
        k.hessian(
            ground, taps(sigma, s.dy_m), taps(sigma, s.dx_m), depth_norm(sigma),
            i == 0, hxx, hxy, hyy, lam,
        )  # fmt: skip
        if i == 0:
            k.block_noise(hxx, hxy, hyy, hole, nb, raw)
    noise = np.empty_like(raw)
    k.smooth_blocks(raw, gauss_half(0.8, 1), noise)
    mark = np.zeros(z.shape, np.uint8)
    k.crests(lam, hxx, hxy, hyy, hole, noise, nb, s.crest_noise, s.floor_m, s.dx_m / s.dy_m, mark)
    strength = np.zeros_like(z)
    theta = np.zeros_like(z)
    k.line_strength(
        mark, hxx, hxy, hyy, hole, noise, nb, s.dx_m, s.dy_m, s.half_m, s.soft_m, s.keep_noise,
        s.floor_m, strength, theta,
    )  # fmt: skip
    trace.thin(mark, 0, rows, 0, cols, 2)
    k.keep_troughs(
        ground, mark, strength, theta, noise, nb, s.dx_m, s.dy_m, np.empty_like(z),
        s.trough_m, s.worth,
    )  # fmt: skip
    link = np.zeros_like(mark)
    trace.link_ends(
        mark, strength, theta, lam, noise, nb, s.dx_m, s.dy_m, 1, rows - 1, 1, cols - 1,
        s.gap_m, 3.0, 0.9, 2.0, 0.72, link,
    )  # fmt: skip
    trace.add_links(mark, link, hxx, hxy, hyy, lam, strength, theta)
    trace.thin(mark, 0, rows, 0, cols, 2)
    i0, i1, j0, j1 = core
    total = int(np.count_nonzero(mark[i0:i1, j0:j1]))
    cell = np.empty((total, 2), np.int32)
    out = np.empty((total, len(POINT)), np.float32)
    got = section.profiles(
        ground, hole, mark, strength, theta, lam, hxx, hxy, hyy, noise, nb, bg, rough, n,
        s.dx_m, s.dy_m, i0, i1, j0, j1, 8.0, 0.5, 3.5, s.half_m, cell, out,
    )  # fmt: skip
    assert got == total
    points = Points(cell[:, 0].astype(np.int64) + row0, cell[:, 1].astype(np.int64) + col0, out)
    mine = noise[-(-i0 // nb) : -(-i1 // nb), -(-j0 // nb) : -(-j1 // nb)]
    cells = (i1 - i0) * (j1 - j0) - int(np.count_nonzero(hole[i0:i1, j0:j1]))
    return points, mine[np.isfinite(mine)].copy(), cells


def gauss_half(sigma: float, r: int) -> NDArray[np.float64]:
    """Return half taps of a Gaussian."""
    x = np.arange(r + 1)
    g: NDArray[np.float64] = np.exp(-0.5 * (x / sigma) ** 2)
    return g
