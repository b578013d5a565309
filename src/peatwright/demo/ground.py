"""Blanket bog before anyone drained it: landform, roughness, pools, hags, peat depth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from peatwright.demo.figures import SEA_X_M, SEA_Y_M, Figures

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]

# Slope of the hillside from south (0) to north (1): foot, steep band, shoulder, mire, far side.
SLOPE_AT = np.array([0.0, 0.10, 0.20, 0.30, 0.38, 0.48, 0.60, 0.70, 0.78, 0.90, 0.95, 1.0])
SLOPE_DEG = np.array([2.2, 2.6, 4.0, 7.5, 8.5, 5.2, 4.0, 2.6, 1.8, 1.2, 0.3, -0.9])
FOOT_LEVEL_M = 352.0
# Hagged ground as ellipses: middle and half axes, as parts of the site.
HAG_LOBES = (
    (0.775, 0.545, 0.055, 0.050),
    (0.835, 0.555, 0.050, 0.035),
    (0.722, 0.548, 0.035, 0.030),
    (0.860, 0.462, 0.032, 0.026),
    (0.790, 0.480, 0.022, 0.040),
    (0.672, 0.415, 0.018, 0.018),
)


@dataclass(frozen=True)
class Frame:
    """Where the site lies: `width_m` by `height_m` from its south-west corner in the sea."""

    scale: float
    cell_m: float
    rows: int
    cols: int

    @property
    def width_m(self) -> float:
        """West to east."""
        return self.cols * self.cell_m

    @property
    def height_m(self) -> float:
        """South to north."""
        return self.rows * self.cell_m

    def xy(self, u: F64 | float, v: F64 | float) -> F64:
        """Coordinates of points given as parts of the width and height, shape (n, 2)."""
        x = SEA_X_M + np.asarray(u, np.float64) * self.width_m
        y = SEA_Y_M + np.asarray(v, np.float64) * self.height_m
        return np.stack(np.broadcast_arrays(x, y), axis=-1)

    def sample(self, raster: NDArray[np.floating], xy: F64) -> F64:
        """Bilinear values of a raster at points; beyond the edge, the edge's value."""
        row = (SEA_Y_M + self.height_m - xy[..., 1]) / self.cell_m - 0.5
        col = (xy[..., 0] - SEA_X_M) / self.cell_m - 0.5
        out = ndimage.map_coordinates(raster, [row, col], order=1, mode="nearest")
        return np.asarray(out, np.float64)


def frame_of(figures: Figures, scale: float) -> Frame:
    """Return the frame of a site of that scale, in whole cells."""
    return Frame(
        scale,
        figures.cell_m,
        round(figures.height_m * scale / figures.cell_m),
        round(figures.width_m * scale / figures.cell_m),
    )


def wander(rng: np.random.Generator, n: int, length_m: float) -> F64:
    """Return a smooth random series with one value per metre, mean 0 and standard deviation 1."""
    pad = int(4 * length_m) + 1
    raw = rng.standard_normal(n + 2 * pad)
    smooth = ndimage.gaussian_filter1d(raw, length_m)[pad : pad + n]
    # The variance of filtered white noise is known, so short series are not blown up.
    return np.asarray(smooth * np.sqrt(2.0 * np.sqrt(np.pi) * length_m), np.float64)


def texture(
    rng: np.random.Generator,
    frame: Frame,
    short_m: float,
    long_m: float,
    power: float,
    stretch: tuple[float, float] = (1.0, 1.0),
) -> F32:
    """Return a random field with waves from `short_m` to `long_m`, standard deviation 1.

    `power` is the fall of amplitude with wavenumber; `stretch` lengthens waves along x and y. Only
    the wavenumbers that the band needs are drawn, which is what makes it fast.
    """
    rows, cols = frame.rows, frame.cols
    top = 1.0 / short_m
    ny = min(rows // 2 - 1, int(np.ceil(top / stretch[1] * frame.height_m)))
    nx = min(cols // 2, int(np.ceil(top / stretch[0] * frame.width_m)))
    ky = np.concatenate([np.arange(0, ny + 1), np.arange(-ny, 0)]) / frame.height_m * stretch[1]
    kx = np.arange(0, nx + 1) / frame.width_m * stretch[0]
    k = np.hypot(ky[:, None], kx[None, :])
    k[0, 0] = np.inf
    gain = k**-power * np.exp(-((k * short_m) ** 4)) / (1.0 + (1.0 / (k * long_m)) ** 6)
    shape = gain.shape
    waves = gain * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
    full = np.zeros((rows, cols // 2 + 1), np.complex64)
    full[: ny + 1, : nx + 1] = waves[: ny + 1]
    full[-ny:, : nx + 1] = waves[ny + 1 :]
    out = fft.irfft2(full, s=(rows, cols), workers=2, overwrite_x=True)
    out /= out.std()
    return np.asarray(out, np.float32)


def burn_axis(frame: Frame) -> F64:
    """Return the burn's line from its head to the south edge, about a metre apart."""
    v = np.linspace(0.71, -0.004, max(2 * int(frame.height_m), 60))
    return frame.xy(burn_u(frame, v), v)


def valley_u(v: F64) -> F64:
    """Place of the valley's middle across the site, as a part of its width."""
    return np.asarray(0.46 + 0.05 * (0.5 - v) + 0.022 * np.sin(11.0 * v + 0.6), np.float64)


def burn_u(frame: Frame, v: F64) -> F64:
    """Place of the burn across the site: the valley's middle, with bends of the burn's own size."""
    y = v * frame.height_m
    swell = 0.5 + 0.3 * np.sin(y / 61.0 + 2.0) + 0.2 * np.sin(y / 17.0)
    bends_m = 5.5 * swell * np.sin(y / 13.7 + 2.6 * np.sin(y / 47.0))
    bends_m = bends_m + 2.2 * np.sin(y / 5.3 + 2.1 * np.sin(y / 21.0))
    return valley_u(v) + bends_m * np.clip((0.72 - v) / 0.15, 0.25, 1.0) / frame.width_m


def hillside(frame: Frame, u: F64, v: F64) -> F64:
    """Level of the broad hillside without its burn, from parts of width and height, m."""
    fine = np.linspace(-0.2, 1.2, 1401)
    slope = np.tan(np.radians(np.interp(fine, SLOPE_AT, SLOPE_DEG)))
    slope = ndimage.gaussian_filter1d(slope, 25.0, mode="nearest")
    level = np.cumsum(slope) * (fine[1] - fine[0]) * frame.height_m
    level -= np.interp(0.0, fine, level)
    # Contours bend: a spur in the west, a shallow bay in the east.
    bent = (
        v + 0.035 * np.sin(5.2 * u + 0.4) - 0.045 * (u - 0.5) + 0.012 * np.sin(13.0 * u + 2.0 * v)
    )
    return np.asarray(FOOT_LEVEL_M + np.interp(bent, fine, level), np.float64)


def valley(frame: Frame, u: F64, v: F64) -> F64:
    """Lowering of the ground towards the burn, m."""
    away_m = np.abs(u - valley_u(v)) * frame.width_m
    broad_m = away_m / frame.scale
    young = np.clip((0.74 - v) / 0.5, 0.0, 1.0)
    wide = young**1.3 * (7.0 * np.exp(-((broad_m / 150.0) ** 2)) + 4.5 * np.exp(-broad_m / 30.0))
    # The burn has cut a small flat-floored valley of its own, wide enough for its bends.
    inner = young * 2.0 / (1.0 + (away_m / (7.0 + 5.0 * young)) ** 6)
    return np.asarray(wide * frame.scale + inner, np.float64)


def _step(x: NDArray[np.floating], sharp: float) -> NDArray[np.floating]:
    """Rise from 0 to 1 around x = 0."""
    return np.asarray(0.5 * (1.0 + np.tanh(x * (0.5 / sharp))), x.dtype)


@dataclass(frozen=True, eq=False)
class Land:
    """Undrained ground: `broad_m` for laying drains out, `ground_m` as it lies, `peat_m`."""

    frame: Frame
    broad_m: F64
    ground_m: F32
    peat_m: F32
    pool: NDArray[np.bool_]


def undrained(rng: np.random.Generator, frame: Frame, figures: Figures) -> Land:
    """Make the undrained ground and the peat on it."""
    u = (np.arange(frame.cols) + 0.5) / frame.cols
    v = 1.0 - (np.arange(frame.rows) + 0.5) / frame.rows
    # The broad shapes are made at a coarse step and drawn out: they hold nothing finer.
    step = 4
    uc = (np.arange(-1, frame.cols // step + 2) * step + 0.5) / frame.cols
    vc = 1.0 - (np.arange(-1, frame.rows // step + 2) * step + 0.5) / frame.rows
    U, V = np.meshgrid(uc, vc)
    hill = hillside(frame, U, V)
    low = valley(frame, U, V)

    def spread(coarse: F64) -> F32:
        row = np.arange(frame.rows) / step + 1.0
        col = np.arange(frame.cols) / step + 1.0
        a, b = row.astype(int), col.astype(int)
        fr = (row - a)[:, None].astype(np.float32)
        fc = (col - b)[None, :].astype(np.float32)
        c32 = coarse.astype(np.float32)
        down = c32[a] * (1 - fr) + c32[a + 1] * fr
        return np.asarray(down[:, b] * (1 - fc) + down[:, b + 1] * fc, np.float32)

    long_waves = texture(rng, frame, 60.0, 260.0, 2.2)
    hill_full = spread(hill)
    broad = hill_full + 0.38 * long_waves
    slope_y, slope_x = np.gradient(hill - low, step * frame.cell_m)
    slope_deg = spread(np.degrees(np.arctan(np.hypot(slope_x, slope_y))))
    flat = np.exp(-((slope_deg / 3.2) ** 2)).astype(np.float32)
    wet_edge = _step(2.0 - slope_deg, 0.35).astype(np.float32)

    # Flushes: shallow lines of seepage that run down the slope, faint on flats.
    flush = texture(rng, frame, 12.0, 45.0, 1.2, (1.0, 6.0))
    mid = texture(rng, frame, 6.0, 50.0, 1.5)
    hummock = texture(rng, frame, 1.1, 7.0, 1.0)
    tussock = texture(rng, frame, 1.0, 2.2, 0.4)
    ground = broad - spread(low)
    uneven = texture(rng, frame, 25.0, 180.0, 1.5)
    rough = np.clip(1.0 + 0.35 * uneven, 0.4, 2.0)
    ground += 0.10 * mid + rough * ((0.035 + 0.02 * flat) * hummock + 0.012 * tussock)
    ground -= (0.16 * (1.0 - 0.8 * flat)) * np.maximum(flush - 0.2, 0.0)

    # Pools lie on the watershed, drawn out along the contour; their water is level.
    pattern = texture(rng, frame, 3.5, 16.0, 0.6, (1.9, 1.0))
    in_pools = _step(
        texture(rng, frame, 40.0, 150.0, 1.5) + 2.5 * (_column(v) - 0.86) * 8.0 - 0.4, 0.25
    )
    depth = _step(pattern - 1.35, 0.10) * wet_edge * in_pools
    pool = np.asarray(depth > 0.6)
    ground -= 0.30 * depth.astype(np.float32)

    # Hags: bare peat flats among islands, thinning out away from the gully heads.
    islands = texture(rng, frame, 4.5, 20.0, 1.0, (1.0, 1.6))
    lobes = np.full((frame.rows, frame.cols), np.inf, np.float32)
    for hu, hv, wide, tall in HAG_LOBES:
        away = np.hypot((u[None, :] - hu) / wide, (v[:, None] - hv) / tall)
        np.minimum(lobes, away.astype(np.float32), out=lobes)
    bare = _step(islands - (-0.45 + 1.7 * lobes**2) + 0.15 * mid, 0.07)
    bare = np.where(lobes < 1.6, bare, 0.0)
    ground -= (0.95 - 0.3 * np.minimum(lobes, 1.0)) * bare.astype(np.float32)

    peat = 0.70 + 2.7 * np.exp(-((slope_deg / 4.6) ** 1.5)) * (1.0 + 0.22 * uneven)
    peat += 0.12 * uneven - 0.25 * long_waves * flat
    low_full = spread(np.exp(-(np.abs(U - valley_u(V)) * frame.width_m / 16.0)))
    peat *= 1.0 - 0.85 * low_full * (_column(v) < 0.74)
    peat = np.clip(peat, figures.peat_low_m, figures.peat_high_m)
    return Land(
        frame,
        np.asarray(broad, np.float64),
        np.asarray(ground, np.float32),
        np.asarray(peat, np.float32),
        pool,
    )


def _column(v: F64) -> F64:
    """Return northing parts as a column, to be spread over a row."""
    return v[:, None]
