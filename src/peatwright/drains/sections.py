"""Cross-sections: sampled, cut at other drains, averaged along the drain and measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from peatwright.drains import _kernels
from peatwright.drains.across import _kernels as across
from peatwright.drains.across.sag.fit import fitted_sags
from peatwright.drains.bed import normals_right
from peatwright.drains.lines import along, chainages
from peatwright.model.cited import Cited
from peatwright.model.raster import Raster
from peatwright.model.rules import MeasureRules
from peatwright.terrain._strips import run_strips, threads_for

ENOUGH_SECTIONS = 5
SIDES = (across.LEFT, across.RIGHT)

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

GROUND_FROM_M = Cited(4.0, "m", "ground beyond this from the bed is taken as unsunk", 2, 15)
WIDE_OVER_M = Cited(
    11.0, "m", "length along the drain over which ground, sag and spoil are averaged", 1, 50
)
SLOPE_OVER_M = Cited(5.0, "m", "length over which the slope across is evened out", 1, 50)
SIDE_RUN_RATIO = Cited(
    0.53,
    "m/m",
    "run per metre of rise of the steepest side that a drain is taken to have",
    0.0,
    2.0,
    source="Game & Wildlife Conservation Trust, Erosion and moorland drainage: new drains of top "
    "68, bottom 30 and depth 36 cm",
    read="via",
)
SAG_EVEN_M = Cited(9.0, "m", "length along the drain over which fitted sags are evened out", 1, 50)
SPOIL_SEEN_M = Cited(7.0, "m", "length over which spoil must show to be kept out of the sag", 1, 50)
SPOIL_WIDE_M = Cited(3.5, "m", "a bank wider than this is not old spoil", 1, 10)
OUTWARD_M = Cited(6.0, "m", "length outwards from a sag's edge over which the fall is taken", 1, 20)
OTHER_KEEP_M = Cited(2.0, "m", "a section ends this far short of another drain", 0.5, 6)
OTHER_NEAR_M = Cited(1.5, "m", "nearer than this to another drain nothing is measured", 0, 5)
OWN_REACH_M = Cited(30.0, "m", "the same drain this far on counts as another one", 10, 200)
BED_REACH_M = Cited(0.5, "m", "the bed is the lowest level within this of the line", 0, 2)
SEEN_OVER_M = Cited(9.0, "m", "length over which a trough must show to be called seen", 1, 50)
TURN_M = Cited(2.0, "m", "half length over which a drain's direction is taken", 0.5, 10)
FIT_GOOD_M = Cited(0.1, "m", "misfit of the ground at which a section's quality is halved", 0.01, 1)


@dataclass(frozen=True, eq=False)
class Stations:
    """Places of all stations: drain number, chainage, x and y, and the unit vector to the right.

    `first` and `past` are the range of stations of each station's own drain.
    """

    drain: NDArray[np.int32]
    chainage_m: F64
    xy: F64
    right: F64
    first: I64
    past: I64


@dataclass(frozen=True, eq=False)
class Sections:
    """What was measured: columns as `_kernels` names them, why not (0 measured), and more.

    `bed_m` is known wherever a bed can be told, `seen` where a trough shows over some length,
    `met` is the drain met on the left, on the right and beside the bed (-1 none).
    """

    values: F64
    status: NDArray[np.int8]
    seen: NDArray[np.bool_]
    slope: F64
    met: NDArray[np.int32]
    quality: F64
    bed_spread_m: F64


def stations_of(lines: Sequence[F64], station_m: float) -> Stations:
    """Return a station every `station_m` along each line (n, 2), from its first point on."""
    drain, chain, xy, right, size = [], [], [], [], []
    half = max(1, round(float(TURN_M.value) / station_m))
    for k, line in enumerate(lines):
        at = np.arange(0.0, chainages(line)[-1] + 1e-9, station_m)
        points = along(line, at)
        if len(points) > 1:
            normal = normals_right(points, half)
        else:
            normal = normals_right(line[[0, -1]], 1)[:1]
        drain.append(np.full(len(at), k, np.int32))
        chain.append(at)
        xy.append(points)
        right.append(normal)
        size.append(len(at))
    past = np.cumsum(size).astype(np.int64)
    return Stations(
        np.concatenate(drain),
        np.concatenate(chain),
        np.concatenate(xy),
        np.concatenate(right),
        np.repeat(past - size, size),
        np.repeat(past, size),
    )


def offsets_of(rules: MeasureRules) -> F64:
    """Return the distances across at which sections are sampled, right positive, m."""
    half = max(4, round(rules.section_half_m / rules.section_step_m))
    return np.arange(-half, half + 1, dtype=np.float64) * rules.section_step_m


def _half_window(length_m: float, station_m: float) -> int:
    """Stations on each side of one that make up a length."""
    return max(0, round(length_m / station_m) - 1) // 2


def sampled(dtm: Raster, stations: Stations, offsets: F64) -> NDArray[np.float32]:
    """Return levels (n, m) at `offsets` across each station."""
    row, col = dtm.grid.to_cells(stations.xy[:, 0], stations.xy[:, 1])
    by_row = -stations.right[:, 1] / dtm.grid.dy_m
    by_col = stations.right[:, 0] / dtm.grid.dx_m
    out = np.empty((len(row), len(offsets)), np.float32)
    run_strips(
        len(row),
        threads_for(out.size, None),
        lambda a, b: _kernels.profiles(dtm.values, row, col, by_row, by_col, offsets, a, b, out),
    )
    return out


def _cut(
    section: NDArray[np.float32], stations: Stations, offsets: F64, rules: MeasureRules
) -> NDArray[np.int32]:
    """Blank what belongs to other drains, in place; return the stations met."""
    low = np.floor(stations.xy.min(axis=0)) - 2.0
    high = np.ceil(stations.xy.max(axis=0)) + 2.0
    cols, rows = (high - low).astype(int)
    # Cells of one metre, rows running south like those of the terrain.
    row, col = high[1] - stations.xy[:, 1], stations.xy[:, 0] - low[0]
    on = np.arange(len(row)) + 1
    on = np.where(on < stations.past, on, on - 1)
    labels = np.zeros((rows, cols), np.int32)
    _kernels.stamp_stations(row, col, row[on], col[on], labels)
    met = np.empty((len(row), 3), np.int32)
    reach = round(float(OWN_REACH_M.value) / rules.station_m)
    run_strips(
        len(row),
        threads_for(section.size, None),
        lambda a, b: _kernels.cut_at_others(
            labels,
            row,
            col,
            -stations.right[:, 1],
            stations.right[:, 0],
            offsets,
            stations.drain,
            reach,
            float(OTHER_NEAR_M.value),
            float(OTHER_KEEP_M.value),
            a,
            b,
            section,
            met,
        ),
    )
    return met


def rolling(values: F64, stations: Stations, length_m: float, station_m: float) -> F64:
    """Return the median over a length along the same drain, NaN left out."""
    out = np.empty(len(values))
    half = _half_window(length_m, station_m)
    values = np.ascontiguousarray(values)
    run_strips(
        len(values),
        threads_for(len(values) * 8, None),
        lambda a, b: _kernels.rolling_median(
            values, stations.first, stations.past, half, a, b, out
        ),
    )
    return out


def measured(dtm: Raster, stations: Stations, rules: MeasureRules) -> Sections:
    """Measure the cross-section of every station."""
    offsets = offsets_of(rules)
    section = sampled(dtm, stations, offsets)
    n = len(section)
    threads = threads_for(section.size, None)
    single = np.empty(n)
    run_strips(
        n,
        threads,
        lambda a, b: _kernels.beds(section, offsets, float(BED_REACH_M.value), a, b, single),
    )
    bed = rolling(single, stations, rules.average_m, rules.station_m)
    bed[np.isnan(single)] = np.nan
    met = _cut(section, stations, offsets, rules)
    averaged = _averaged(section, bed, stations, rules.average_m, rules.station_m)
    over_m = max(rules.average_m, float(WIDE_OVER_M.value))
    wide = _averaged(section, bed, stations, over_m, rules.station_m)
    fitted = np.empty((n, 2))
    from_m = min(float(GROUND_FROM_M.value), 0.5 * rules.section_half_m)
    run_strips(
        n,
        threads,
        lambda a, b: _kernels.ground_slopes(wide, offsets, from_m, a, b, fitted),
    )
    slope = rolling(fitted[:, 0], stations, float(SLOPE_OVER_M.value), rules.station_m)
    values = np.empty((n, across.COLUMNS))
    status = np.empty(n, np.int8)
    blur = _blur_m2(dtm, stations)
    run_strips(
        n,
        threads,
        lambda a, b: across.measure_sections(
            averaged,
            wide,
            offsets,
            blur,
            bed,
            slope,
            met,
            from_m,
            float(BED_REACH_M.value),
            rules.widest_m,
            rules.seen_depth_m,
            rules.spoil_height_m,
            float(SPOIL_WIDE_M.value),
            float(SIDE_RUN_RATIO.value),
            a,
            b,
            values,
            status,
        ),
    )
    shoulder, banked = _beside(values, status, stations, rules)
    sag = fitted_sags(section, offsets, slope, stations, shoulder, banked, rules)
    for k in np.ndindex(2, 2):
        sag[:, *k] = rolling(sag[:, *k], stations, float(SAG_EVEN_M.value), rules.station_m)
    run_strips(
        n,
        threads,
        lambda a, b: across.measure_outside(
            wide, offsets, slope, shoulder, sag, rules.sag_depth_m, float(OUTWARD_M.value), a, b,
            values,
        ),
    )  # fmt: skip
    shown = values[:, across.DEPTH].copy()
    shown[status == across.NO_BANK] = 0.0
    over = rolling(shown, stations, float(SEEN_OVER_M.value), rules.station_m)
    seen = over >= rules.seen_depth_m
    seen &= status != across.NO_TERRAIN
    lost = ~seen & (status != across.NO_TERRAIN) & (status != across.BESIDE_OTHER)
    status[lost] = across.NO_DRAIN
    spread = rolling(np.abs(single - bed), stations, 9.0 * rules.station_m, rules.station_m)
    return Sections(values, status, seen, slope, met, _quality(values, rules), 1.4826 * spread)


def _beside(
    values: F64, status: NDArray[np.int8], stations: Stations, rules: MeasureRules
) -> tuple[F64, NDArray[np.bool_]]:
    """Return where sags begin, from the bed (n, 2), m, and whether old spoil lies there (n, 2)."""
    known = np.where((status == across.MEASURED)[:, None], values, np.nan)
    over_m, seen_m = rules.sag_average_m, float(SPOIL_SEEN_M.value)
    out, high = (
        np.stack([rolling(known[:, s + c], stations, m, rules.station_m) for s in SIDES], axis=1)
        for c, m in ((across.OFFSET, over_m), (across.SPOIL_HEIGHT, seen_m))
    )
    # A deep sag or old spoil can draw a shoulder outwards, seldom both: the bed's line lies in the
    # middle of the trough, so the nearer shoulder tells where the other one is.
    nearer = np.fmin(known[:, across.LEFT + across.OFFSET], known[:, across.RIGHT + across.OFFSET])
    least = rolling(nearer, stations, over_m, rules.station_m)
    return np.fmin(out, least[:, None]), high > 0.0


def _averaged(
    section: NDArray[np.float32], bed: F64, stations: Stations, over_m: float, station_m: float
) -> NDArray[np.float32]:
    """Return sections averaged by their median over a length along the same drain."""
    out = np.empty_like(section)
    half = _half_window(over_m, station_m)
    # Hummocks are longer than a station: over a long window a share of the sections will do.
    stride = max(1, (2 * half + 1) // ENOUGH_SECTIONS)
    run_strips(
        len(section),
        threads_for(section.size, None),
        lambda a, b: _kernels.average_sections(
            section, bed, stations.first, stations.past, half, stride, a, b, out
        ),
    )
    return out


def _blur_m2(dtm: Raster, stations: Stations) -> F64:
    """Return twelve times the variance, across each drain, that interpolating between cells adds.

    Linear interpolation spreads a level over a triangle of one cell to each side, whose variance
    is the cell size squared over six; across a slanting drain those of both axes add.
    """
    u, v = stations.right.T
    return np.asarray(2.0 * ((u * dtm.grid.dx_m) ** 2 + (v * dtm.grid.dy_m) ** 2))


def _quality(values: F64, rules: MeasureRules) -> F64:
    """Return the quality of sections: how well ground fits, how much of it shows, how deep.

    The product of three ratios: 1 / (1 + (misfit / FIT_GOOD_M)²), half of it where ground shows
    on one side only or not at all; the share of the section that could be used; and depth over
    three times the least visible depth, at most 1.
    """
    rms = values[:, across.RMS]
    fit = np.where(np.isfinite(rms), 1.0 / (1.0 + (rms / float(FIT_GOOD_M.value)) ** 2), 0.5)
    room = [values[:, side + across.ROOM] for side in (across.LEFT, across.RIGHT)]
    share = np.clip(np.nan_to_num(room).sum(axis=0) / (2.0 * rules.section_half_m), 0.0, 1.0)
    depth = np.nan_to_num(values[:, across.DEPTH])
    return np.asarray(fit * share * np.clip(depth / (3.0 * rules.seen_depth_m), 0.0, 1.0))
