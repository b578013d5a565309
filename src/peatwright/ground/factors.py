"""Factor of safety of an infinite slope of peat, in plain arrays, and the draws behind shares.

Skempton & DeLory 1957, which the Scottish landslide guide for peat (2006, section 5.2; 2nd ed.
2017, section 5) names; equations from memory. It is screening: no side or toe support, no
convexity, no pipes, and a uniform load is harsh. A competent engineer decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from peatwright.model.cited import Cited
from peatwright.model.ground_rules import StabilityRules

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]

WATER_KN_M3 = Cited(
    9.81, "kN/m³", "weight of water", 9.8, 9.82, source="1000 kg/m³ × 9.81 m/s²", read="memory"
)
CAP = Cited(99.0, "ratio", "factors of safety above this are not told apart", 10, 1000)
CASES = (
    "undrained", "undrained, machine", "undrained, pond", "undrained, machine and pond",
    "drained", "drained, machine", "drained, pond", "drained, machine and pond",
)  # fmt: skip
SCREENING = (
    "This is screening by an infinite slope: it knows no cracks, pipes, toes or weak layers. "
    "A competent engineer decides."
)


def undrained_factor(
    strength_kpa: ArrayLike,
    depth_m: ArrayLike,
    slope_deg: ArrayLike,
    *,
    weight_kn_m3: ArrayLike,
    load_kpa: ArrayLike = 0.0,
) -> F64:
    """Return su / ((γ z + q) sinβ cosβ); infinite on level ground or without peat and load.

    Arguments broadcast: undrained strength (kPa), depth (m), slope (°), weight of saturated peat
    (kN/m³), uniform load (kPa).
    """
    su, z, g, q = (
        np.asarray(v, np.float64) for v in (strength_kpa, depth_m, weight_kn_m3, load_kpa)
    )
    b = np.radians(np.asarray(slope_deg, np.float64))
    with np.errstate(divide="ignore"):
        return np.asarray(su / ((g * z + q) * np.sin(b) * np.cos(b)))


def drained_factor(
    cohesion_kpa: ArrayLike,
    friction_deg: ArrayLike,
    depth_m: ArrayLike,
    slope_deg: ArrayLike,
    wet_ratio: ArrayLike,
    *,
    weight_kn_m3: ArrayLike,
    load_kpa: ArrayLike = 0.0,
    pond_m: ArrayLike = 0.0,
) -> F64:
    """Return [c' + (γ z + q − m γw z) cos²β tanφ'] / ((γ z + q) sinβ cosβ).

    Standing water (`pond_m`) adds its weight to the load and as much to the water pressure on the
    slip plane, so it drives without pressing the peat together. Treated as a dead load it would
    raise the factor, which is not safe to believe. Give `wet_ratio` 1 with it.
    """
    c, z, m, g, q, h = (
        np.asarray(v, np.float64)
        for v in (cohesion_kpa, depth_m, wet_ratio, weight_kn_m3, load_kpa, pond_m)
    )
    b = np.radians(np.asarray(slope_deg, np.float64))
    t = np.tan(np.radians(np.asarray(friction_deg, np.float64)))
    w = float(WATER_KN_M3.value)
    with np.errstate(divide="ignore"):
        return np.asarray(
            (c + (g * z + q - m * w * z) * np.cos(b) ** 2 * t)
            / ((g * z + q + w * h) * np.sin(b) * np.cos(b))
        )


def critical_depth_m(
    strength_kpa: ArrayLike, slope_deg: ArrayLike, factor: ArrayLike, *, weight_kn_m3: ArrayLike
) -> F64:
    """Return the peat depth (m) at which the undrained factor without load is `factor`."""
    b = np.radians(np.asarray(slope_deg, np.float64))
    with np.errstate(divide="ignore"):
        return np.asarray(
            np.asarray(strength_kpa, np.float64)
            / (np.asarray(weight_kn_m3, np.float64) * np.asarray(factor) * np.sin(b) * np.cos(b))
        )


@dataclass(frozen=True, eq=False)
class Draws:
    """Rows: weight, undrained strength, cohesion, tangent of friction, wet share, depth deviate.

    `likely` (6,) holds the single values, `values` (6, draws) the draws, `ends` (2, 6) the lowest
    and highest of them.
    """

    likely: F32
    values: F32
    ends: F32


def _triangular(u: F64, low: float, likely: float, high: float) -> F64:
    """Inverse of the triangular distribution."""
    if high <= low:
        return np.full(u.shape, likely)
    at = (likely - low) / (high - low)
    rising = low + np.sqrt(u * (high - low) * (likely - low))
    falling = high - np.sqrt((1.0 - u) * (high - low) * (high - likely))
    return np.where(u < at, rising, falling)


def draw(rules: StabilityRules) -> Draws:
    """Return the draws that the rules ask for: the same for the same rules, on any machine.

    A Latin hypercube by the counter-based Philox generator, triangular between low, likely and
    high; the depth's deviate is standard normal. All cells share the draws, since strength is
    unknown for the site rather than for each cell.
    """
    r = rules
    made = np.random.Generator(np.random.Philox(key=r.seed))
    u = np.array([(made.permutation(r.draws) + made.random(r.draws)) / r.draws for _ in range(6)])
    triples = (
        (r.weight_low_kn_m3, r.weight_kn_m3, r.weight_high_kn_m3),
        (r.strength_low_kpa, r.strength_kpa, r.strength_high_kpa),
        (r.cohesion_low_kpa, r.cohesion_kpa, r.cohesion_high_kpa),
        (r.friction_low_deg, r.friction_deg, r.friction_high_deg),
        (r.wet_before_low_ratio, r.wet_before_ratio, r.wet_before_high_ratio),
    )
    rows = [_triangular(u[k], *triple) for k, triple in enumerate(triples)]
    rows[3] = np.tan(np.radians(rows[3]))
    rows.append(ndtri(u[5]))
    values = np.ascontiguousarray(rows, np.float32)
    likely = np.array([t[1] for t in triples] + [0.0])
    likely[3] = np.tan(np.radians(likely[3]))
    return Draws(
        likely.astype(np.float32), values, np.stack([values.min(axis=1), values.max(axis=1)])
    )


@dataclass(frozen=True, eq=False)
class PointFactors:
    """Factor of safety (8, n) by `CASES`, and share of draws (8, n) under the set factor, 0 to 1.

    NaN where depth or slope is not known.
    """

    factor: F64
    share_ratio: F64


def factors_at(
    depth_m: ArrayLike,
    error_m: ArrayLike,
    slope_ratio: ArrayLike,
    rules: StabilityRules,
    *,
    machine_kpa: ArrayLike | None = None,
    pond_m: ArrayLike | None = None,
    draws: Draws | None = None,
) -> PointFactors:
    """Screen points: peat depth (m), its standard error (m) and slope (m/m), each (n,).

    `machine_kpa` and `pond_m` are numbers or (n,), by default those of the rules. In plain numpy:
    for the places of items, and as the twin of the compiled loop over all cells.
    """
    held = draws if draws is not None else draw(rules)
    cap = float(CAP.value)
    z, e, b = (np.atleast_1d(np.asarray(v, np.float64)) for v in (depth_m, error_m, slope_ratio))
    qm = np.asarray(rules.machine_kpa if machine_kpa is None else machine_kpa, np.float64)
    h = np.asarray(rules.pond_m if pond_m is None else pond_m, np.float64)
    w = float(WATER_KN_M3.value)
    g0, s0, c0, t0, m0 = (float(v) for v in held.likely[:5])
    slope, friction = np.degrees(np.arctan(b)), np.degrees(np.arctan(t0))
    rows: list[F64] = [
        undrained_factor(s0, z, slope, weight_kn_m3=g0, load_kpa=q)
        for q in (0.0, qm, w * h, qm + w * h)
    ]
    rows += [
        drained_factor(c0, friction, z, slope, m, weight_kn_m3=g0, load_kpa=q, pond_m=p)
        for m, q, p in ((m0, 0.0, 0.0), (m0, qm, 0.0), (1.0, 0.0, h), (1.0, qm, h))
    ]
    thin = (z < rules.thinnest_m) | (b <= 0.0)
    known = np.isfinite(z) & np.isfinite(b)
    factor = np.where(thin, cap, np.minimum(np.array(rows), cap))
    g, s, c, t, m, n = (row.astype(np.float64)[:, None] for row in held.values)
    d = np.maximum(0.0, z + np.nan_to_num(e) * n)
    cos2 = 1.0 / (1.0 + b * b)
    a = rules.factor_look * b * cos2
    share = np.empty_like(factor)
    for k, q in enumerate((0.0 * qm, qm, w * h, qm + w * h)):
        share[k] = (s < a * (g * d + q)).mean(axis=0)
    for k, (wet, q, p) in enumerate(
        ((m, 0.0 * qm, 0.0 * h), (m, qm, 0.0 * h), (1.0, 0.0 * qm, h), (1.0, qm, h))
    ):
        stands = c + (g * d + q - wet * w * d) * cos2 * t
        share[4 + k] = (stands < a * (g * d + q + w * p)).mean(axis=0)
    share[:, thin] = 0.0
    factor[:, ~known] = np.nan
    share[:, ~known] = np.nan
    return PointFactors(factor, share)
