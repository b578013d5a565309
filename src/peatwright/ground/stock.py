"""Volume of peat and its carbon, with a range."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from peatwright.ground import _kernels
from peatwright.ground.depth import PRACTICAL, THIN, UNPROBED, DepthSurface, Variogram
from peatwright.model.cited import Cited
from peatwright.model.ground_rules import CarbonRules
from peatwright.terrain._strips import run_strips, threads_for

COVER = Cited(
    1.96, "ratio", "standard errors to each side of a 95 % range", 1, 3,
    source="standard normal distribution", read="memory",
)  # fmt: skip
HECTARE_M2 = 10_000.0


@dataclass(frozen=True)
class Range:
    """A figure with its low and high."""

    low: float
    likely: float
    high: float


@dataclass(frozen=True)
class Stock:
    """Peat on the probed ground. Unprobed ground is told apart and counted in nothing else."""

    area_m2: float
    unprobed_m2: float
    mean_depth_m: Range
    volume_m3: Range
    carbon_t: Range
    carbon_t_ha: Range


def carbon_t_ha(depth_m: float, bulk_density_t_m3: float, carbon_ratio: float) -> float:
    """Return carbon in t/ha: depth × dry bulk density × carbon share × 10,000 m²/ha."""
    return depth_m * bulk_density_t_m3 * carbon_ratio * HECTARE_M2


def _independent(variogram: Variogram, area_m2: float) -> float:
    """How many independent patches an area holds, by the integral range of the variogram.

    2π (range/3)² for the exponential and π/5 range² for the spherical model (Chilès & Delfiner,
    Geostatistics; memory). Errors of kriging are alike over shorter distances than depth itself,
    so this makes the range too wide rather than too narrow.
    """
    if variogram.kind == "spherical":
        patch = np.pi / 5.0 * variogram.range_m**2
    else:
        patch = 2.0 * np.pi * (variogram.range_m / float(PRACTICAL.value)) ** 2
    return max(1.0, area_m2 / float(patch))


def _joined(likely: float, parts: list[tuple[float, float, float]]) -> Range:
    """Range of a product whose factors are (low, likely, high), by relative errors in quadrature.

    First order: factors are taken to be independent of each other.
    """
    down = np.sqrt(sum(((m - lo) / m) ** 2 if m > 0 else 0.0 for lo, m, _ in parts))
    up = np.sqrt(sum(((hi - m) / m) ** 2 if m > 0 else 0.0 for _, m, hi in parts))
    return Range(likely * max(0.0, 1.0 - float(down)), likely, likely * (1.0 + float(up)))


def _sums(
    values: NDArray[np.float32], surface: DepthSurface, threads: int | None
) -> NDArray[np.float64]:
    """Sum, sum of squares and count over probed and thinly probed cells."""
    out = np.empty((values.shape[0], 3))
    run_strips(
        values.shape[0],
        threads_for(values.size, threads),
        lambda a, b: _kernels.sum_rows(values, surface.state, THIN, a, b, out),
    )
    total: NDArray[np.float64] = out.sum(axis=0)
    return total


def peat_stock(surface: DepthSurface, rules: CarbonRules, *, threads: int | None = None) -> Stock:
    """Add up peat and carbon over the ground that probes reach.

    The error of the volume is the root mean square error of the cells over the root of the number
    of independent patches. Carbon joins it with the ranges of density and carbon share.
    """
    values, grid = surface.depth.values, surface.depth.grid
    sums = [_sums(v, surface, threads) for v in (values, surface.error.values)]
    cell = grid.cell_area_m2
    count = float(sums[0][2])
    unprobed = float(np.count_nonzero(surface.state == UNPROBED)) * cell
    if count == 0.0:
        none = Range(0.0, 0.0, 0.0)
        return Stock(0.0, unprobed, none, none, none, none)
    area = count * cell
    mean = float(sums[0][0]) / count
    error = np.sqrt(float(sums[1][1]) / count / _independent(surface.variogram, area))
    off = float(COVER.value) * float(error)
    depth = Range(max(0.0, mean - off), mean, mean + off)
    per_ha = _joined(
        carbon_t_ha(mean, rules.bulk_density_t_m3, rules.carbon_ratio),
        [
            (depth.low, depth.likely, depth.high),
            (rules.bulk_density_low_t_m3, rules.bulk_density_t_m3, rules.bulk_density_high_t_m3),
            (rules.carbon_low_ratio, rules.carbon_ratio, rules.carbon_high_ratio),
        ],
    )
    return Stock(
        area, unprobed, depth,
        Range(depth.low * area, mean * area, depth.high * area),
        Range(*(v * area / HECTARE_M2 for v in (per_ha.low, per_ha.likely, per_ha.high))),
        per_ha,
    )  # fmt: skip
