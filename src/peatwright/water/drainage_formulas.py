"""Closed forms for the water table between parallel drains: quick checks beside the grid model.

Levels are above an impermeable floor, x runs from one drain to the next.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfc

from peatwright.model.cited import Cited
from peatwright.water.storm_formulas import v

F64 = NDArray[np.float64]

DUMM_FACTOR = Cited(
    1.16, "ratio", "first term of the series for a fourth-degree parabola", 1, 1.3,
    source="Dumm 1960", read="memory",
)  # fmt: skip
SHALLOW = Cited(
    0.5, "ratio", "2 pi D / L below which the other form of the series is used", 0, 2,
    source="van der Molen & Wesseling, Agric. Water Manage.", read="memory",
)  # fmt: skip
_TERMS = 60


def ellipse_level_m(
    x_m: ArrayLike,
    spacing_m: float,
    recharge_mps: float,
    conductivity_mps: float,
    drain_level_m: float,
    other_level_m: float | None = None,
) -> F64:
    """Return the steady level between two drains: Donnan's ellipse, tilted when levels differ."""
    x = np.asarray(x_m, np.float64)
    other = drain_level_m if other_level_m is None else other_level_m
    square = (
        drain_level_m**2
        - (drain_level_m**2 - other**2) * x / spacing_m
        + recharge_mps / conductivity_mps * (spacing_m - x) * x
    )
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))


def equivalent_depth_m(floor_below_m: float, spacing_m: float, radius_m: float) -> float:
    """Return Hooghoudt's equivalent depth (closed form of van der Molen & Wesseling).

    Args:
        floor_below_m: impermeable floor below the drains.
        spacing_m: drain spacing.
        radius_m: drain radius; of a ditch, its wetted perimeter over pi.

    """
    x = 2.0 * np.pi * floor_below_m / spacing_m
    return float(
        np.pi * spacing_m / 8.0 / (np.log(spacing_m / (np.pi * radius_m)) + radial_term(x))
    )


def radial_term(x: float, *, shallow: bool | None = None) -> float:
    """Return F(x) of the closed form; both forms agree where they meet."""
    if shallow if shallow is not None else x <= v(SHALLOW):
        return float(np.pi**2 / (4.0 * x) + np.log(x / (2.0 * np.pi)))
    k = np.arange(1, 2 * _TERMS, 2)
    e = np.exp(-2.0 * k * x)
    return float(np.sum(4.0 * e / (k * (1.0 - e))))


def hooghoudt_spacing_m(
    discharge_mps: float,
    rise_m: float,
    above_mps: float,
    below_mps: float,
    floor_below_m: float,
    radius_m: float,
) -> float:
    """Return the spacing at which the table stands `rise_m` above the drains midway.

    q L² = 8 Kb d h + 4 Ka h², solved together with the equivalent depth.
    """
    spacing = 10.0 * rise_m
    for _ in range(200):
        d = equivalent_depth_m(floor_below_m, spacing, radius_m)
        square = (8.0 * below_mps * d * rise_m + 4.0 * above_mps * rise_m**2) / discharge_mps
        spacing = 0.5 * (spacing + np.sqrt(square))
    return float(spacing)


def glover_dumm_spacing_m(
    start_m: float,
    end_m: float,
    seconds: float,
    conductivity_mps: float,
    yield_ratio: float,
    floor_below_m: float,
    radius_m: float,
) -> float:
    """Return the spacing at which the table falls from `start_m` to `end_m` in `seconds`."""
    spacing = 100.0 * start_m
    factor = np.pi * np.sqrt(conductivity_mps * seconds / yield_ratio)
    factor /= np.sqrt(np.log(v(DUMM_FACTOR) * start_m / end_m))
    for _ in range(200):
        d = equivalent_depth_m(floor_below_m, spacing, radius_m)
        spacing = 0.5 * (spacing + factor * np.sqrt(d))
    return float(spacing)


def falling_level_m(
    x_m: ArrayLike, seconds: float, spacing_m: float, start_m: float, diffusivity_m2ps: float
) -> F64:
    """Return the height above the drains of a table that started flat: the whole series.

    The first term alone is far off at small times.
    """
    x = np.asarray(x_m, np.float64)[..., None]
    k = np.arange(1, 2 * _TERMS, 2)
    decay = np.exp(-((k * np.pi / spacing_m) ** 2) * diffusivity_m2ps * seconds)
    terms = np.sin(k * np.pi * x / spacing_m) / k * decay
    return np.asarray(start_m * 4.0 / np.pi * terms.sum(axis=-1))


def step_level_m(x_m: ArrayLike, seconds: float, step_m: float, diffusivity_m2ps: float) -> F64:
    """Return the change beside a drain whose level was changed by `step_m` at time 0 (Edelman)."""
    root = 2.0 * np.sqrt(diffusivity_m2ps * seconds)
    return np.asarray(step_m * erfc(np.asarray(x_m, np.float64) / root))
