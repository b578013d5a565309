"""The sag of every station, from one smooth shape a side fitted to sections averaged along it."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from peatwright.drains.across.sag import _kernels
from peatwright.model.cited import Cited
from peatwright.model.rules import MeasureRules
from peatwright.terrain._strips import run_strips, threads_for

if TYPE_CHECKING:
    from peatwright.drains.sections import Stations

F64 = NDArray[np.float64]

BESIDE_FROM_M = Cited(2.5, "m", "sections are brought to one level by ground beyond this", 1, 10)
BESIDE_TO_M = Cited(7.0, "m", "sections are brought to one level by ground within this", 3, 20)
START_M = Cited(0.35, "m", "nearer than this to the shoulder the blurred bank shows", 0, 1)
REACH_M = Cited(5.0, "m", "ground this far from the shoulder tells of the sag", 2, 12)
FEWEST_M = Cited(2.25, "m", "with less ground than this in sight no sag is told", 1, 6)
NARROWEST_M = Cited(0.4, "m", "narrowest sag that is weighed, shoulder to unsunk ground", 0.2, 2)
WIDEST_M = Cited(6.0, "m", "widest sag that is weighed, shoulder to unsunk ground", 2, 12)
USUAL_M = Cited(2.0, "m", "usual width of a sag, kept to where levels tell little", 0.5, 6)
USUAL_SPREAD = Cited(0.7, "", "standard deviation of a sag's width, of its logarithm", 0.1, 3)
DEPTH_PRIOR_M = Cited(0.3, "m", "usual size of sag depth and spoil height", 0.05, 2)
TILT_PRIOR = Cited(
    0.01, "m/m", "how far the ground beside a drain leans otherwise than the fitted slope", 0, 0.5
)
RELIEF_OVER_M = Cited(
    3.0, "m", "ground this far either way of the furthest seen for the sag tells of relief", 1, 10
)
RELIEF_FROM = Cited(
    0.03, "m/m", "ground that rises less than this beyond a sag is uneven and no relief", 0, 0.2
)
NOISE_M = Cited(0.03, "m", "unevenness left in averaged sections", 0.005, 0.2)
ALIKE = Cited(4.0, "samples", "samples across that a hummock makes alike", 1, 20)
BANK_NEAR_M = Cited(0.5, "m", "nearest middle of a spoil bank, from the shoulder", 0, 3)
BANK_FAR_M = Cited(1.5, "m", "furthest middle of a spoil bank, from the shoulder", 0.5, 5)
BANK_THIN_M = Cited(0.25, "m", "thinnest spoil bank, standard deviation of its bell", 0.1, 1)
BANK_THICK_M = Cited(0.5, "m", "thickest spoil bank, standard deviation of its bell", 0.1, 2)
# How finely shapes are laid out: numerical, no figure of the ground.
WIDTHS, BANK_MIDDLES, BANK_SPREADS = 14, 5, 3
STRIDE = 2


@lru_cache(maxsize=8)
def _shapes(step_m: float) -> tuple[F64, F64, F64, F64, NDArray[np.bool_], F64]:
    """Return what is fitted: shapes, banks, inverse matrices, widths, which are pointed, weights.

    With u from 0 at the shoulder to 1 at full width, a sag lowers the ground by depth · (1 - u²)²,
    a round trough, or by depth · (1 - u), a pointed one; what real ground does lies between. A
    spoil bank is a bell.
    """
    value = {k: float(v.value) for k, v in globals().items() if isinstance(v, Cited)}
    most = int(value["REACH_M"] / step_m) + 1
    out = value["START_M"] + np.arange(most) * step_m
    widths = np.geomspace(value["NARROWEST_M"], value["WIDEST_M"], WIDTHS)
    u = np.minimum(out / widths[:, None], 1.0)
    shapes = np.concatenate([-((1.0 - u * u) ** 2), u - 1.0])
    pointed = np.arange(len(shapes)) >= WIDTHS
    middles = np.linspace(value["BANK_NEAR_M"], value["BANK_FAR_M"], BANK_MIDDLES)
    spreads = np.linspace(value["BANK_THIN_M"], value["BANK_THICK_M"], BANK_SPREADS)
    middle, spread = (a.ravel()[:, None] for a in np.meshgrid(middles, spreads))
    banks = np.exp(-0.5 * ((out - middle) / spread) ** 2)
    noise = value["NOISE_M"]
    prior = np.diag([
        0.0, (noise / value["TILT_PRIOR"]) ** 2, *[(noise / value["DEPTH_PRIOR_M"]) ** 2] * 2
    ])  # fmt: skip
    inverse = np.zeros((most + 1, len(shapes), len(banks) + 1, 4, 4))
    some = np.zeros((len(banks) + 1, most))
    some[:-1] = banks
    for k in range(4, most + 1):
        for w in range(len(shapes)):
            for b in range(len(some)):
                part = np.stack([np.ones(k), np.arange(k) * step_m, shapes[w, :k], some[b, :k]])
                inverse[k, w, b] = np.linalg.inv(part @ part.T + prior)
    off = np.log(widths / value["USUAL_M"]) / value["USUAL_SPREAD"]
    weight = np.exp(-0.5 * off**2)
    return shapes, banks, inverse, np.tile(widths, 2), pointed, np.tile(weight, 2)


def fitted_sags(
    section: NDArray[np.float32],
    offsets: F64,
    slope: F64,
    stations: Stations,
    shoulder_m: F64,
    spoil: NDArray[np.bool_],
    rules: MeasureRules,
) -> F64:
    """Return width and depth of the sag on both sides of every station, (n, 2, 2), m.

    Sections are averaged over `sag_average_m` along the drain, each above its own fitted ground:
    the sag changes slowly, hummocks do not. To each side are fitted ground with a lean of its own,
    a sag, and a bell where spoil lies; every width of sag is weighed by how well it fits. Width
    runs from the shoulder out to where ground is sunk by no more than `sag_depth_m`, or
    `sag_edge_ratio` of the deepest sinking. Ground that falls to the drain over all that is seen is
    relief and no sag. What shows too little ground is NaN.

    Args:
        section: levels (n, m) at `offsets`, right positive, NaN beyond other drains.
        offsets: distances across (m), m.
        slope: the ground's slope to the right (n), m/m, NaN not known.
        stations: their drains.
        shoulder_m: distance of the shoulders from the bed (n, 2), left and right, NaN not known.
        spoil: whether old spoil lies on each side (n, 2).
        rules: the section `measure` of the rule sheet.

    """
    n = len(section)
    threads = threads_for(section.size, None)
    lean = np.nan_to_num(slope)
    level = np.empty(n)
    run_strips(
        n,
        threads,
        lambda a, b: _kernels.levels_beside(
            section, offsets, lean, float(BESIDE_FROM_M.value), float(BESIDE_TO_M.value), a, b,
            level,
        ),
    )  # fmt: skip
    half = max(1, round(0.5 * rules.sag_average_m / rules.station_m))
    profile = np.empty_like(section)
    run_strips(
        n,
        threads,
        lambda a, b: _kernels.average_beside(
            section, offsets, lean, level, stations.first, stations.past, half, STRIDE, a, b,
            profile,
        ),
    )  # fmt: skip
    step = float(offsets[1] - offsets[0])
    shapes, banks, inverse, widths, pointed, weight = _shapes(step)
    out = np.empty((n, 2, 2))
    fewest = max(4, round(float(FEWEST_M.value) / step))
    run_strips(
        n,
        threads,
        lambda a, b: _kernels.fit_sags(
            profile, offsets, shoulder_m, spoil, float(START_M.value), shapes, banks, inverse,
            fewest, widths, pointed, weight, float(NOISE_M.value), float(ALIKE.value),
            float(RELIEF_OVER_M.value), float(RELIEF_FROM.value),
            rules.sag_depth_m, rules.sag_edge_ratio, a, b, out,
        ),
    )  # fmt: skip
    return out
