"""Works as strips that are cut into the terrain, and the drains they stand on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from peatwright.model.cited import Cited
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import DamRules
from peatwright.model.spill_rules import SpillRules
from peatwright.terrain.sampling import sample
from peatwright.water._refuse import refuse
from peatwright.water.spill import _kernels as k

F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
Flags = NDArray[np.bool_]

BAR_CELLS = Cited(
    0.75, "cells", "half the least thickness of a dam: a thinner one would leak at its corners",
    0.71, 3,
)  # fmt: skip
UNSEEN_HALF_M = Cited(0.75, "m", "half width of a drain where it was not measured", 0.2, 3)
RAISED_M = Cited(0.005, "m", "a cell that a dam lifts by less does not count as the dam", 0, 0.1)
OPEN, DAMMED, CLOSED = 0, 1, 2
STATES = ("open", "dammed", "closed")
_APART = 1e6  # keeps the chainages of different drains apart on one axis


@dataclass(frozen=True, eq=False)
class Drains:
    """Stations of all drains as arrays, in order of drain and chainage; `state` of `STATES`."""

    ids: NDArray[np.object_]
    drain: I32
    chainage_m: F64
    x_m: F64
    y_m: F64
    left_m: F64
    right_m: F64
    fill_level_m: F64
    tilt_ratio: F64
    bed_level_m: F64
    gradient_ratio: F64
    state: NDArray[np.uint8]

    @property
    def key(self) -> F64:
        """Drain and chainage as one growing number."""
        return np.asarray(self.drain * _APART + self.chainage_m)

    def at(self, drain: I32, chainage_m: F64, values: F64) -> F64:
        """Return `values` between stations; the nearest station's beyond the ends."""
        first = np.searchsorted(self.drain, drain)
        last = np.searchsorted(self.drain, drain, side="right") - 1
        held = np.clip(chainage_m, self.chainage_m[first], self.chainage_m[last])
        return np.asarray(np.interp(drain * _APART + held, self.key, values))


@dataclass(frozen=True, eq=False)
class Dams:
    """Dams as arrays. `start_m` is the chainage at which the pool's water is picked up."""

    item_id: NDArray[np.object_]
    drain: I32
    soft: Flags
    at_m: F64
    below_m: F64
    start_m: F64
    band: F64
    crest_m: F64
    sill_m: F64
    side: NDArray[np.object_]
    outlet_width_m: F64


@dataclass(frozen=True, eq=False)
class Works:
    """Strips in the order of cutting, each of one drain, with the dams."""

    strips: F64
    modes: NDArray[np.uint8]
    rise: F64
    rank: NDArray[np.uint8]
    drain: I32
    dams: Dams


def drains_of(stations: pd.DataFrame) -> Drains:
    """Return the stations as arrays, all still open; gaps in what was measured are bridged.

    Raises:
        PeatwrightError: no station at all.

    """
    if not len(stations):
        refuse("stations", "no station", "at least one drain", "Measure the drains first.")
    table = stations.sort_values(["drain_id", "chainage_m"], kind="stable")
    ids, drain = np.unique(table["drain_id"].to_numpy(dtype=object), return_inverse=True)
    chainage = table["chainage_m"].to_numpy(np.float64)
    key = drain * _APART + chainage
    half = float(UNSEEN_HALF_M.value)

    def bridged(values: F64, other: F64) -> F64:
        known = np.isfinite(values)
        if not known.any():
            return other
        # Only what lies on the same drain may bridge a gap.
        has = np.bincount(drain, known, minlength=len(ids))[drain] > 0
        first = np.searchsorted(key[known], drain * _APART)
        last = np.searchsorted(key[known], (drain + 1) * _APART) - 1
        held = np.clip(
            key,
            key[known][np.minimum(first, known.sum() - 1)],
            key[known][np.maximum(last, 0)],
        )
        return np.where(has, np.interp(held, key[known], values[known]), other)

    def column(name: str) -> F64:
        return table[name].to_numpy(np.float64)

    nothing = np.full(len(table), np.nan)
    wide = np.full(len(table), half)
    left, right = column("left_offset_m"), column("right_offset_m")
    bank_l, bank_r = column("left_level_m"), column("right_level_m")
    with np.errstate(invalid="ignore", divide="ignore"):
        tilt = (bank_r - bank_l) / (left + right)
    tilt[~np.isfinite(tilt)] = np.nan
    # Ground as it ran before the drain was dug: straight from shoulder to shoulder.
    level = np.where(np.isfinite(tilt), bank_l + left * tilt, np.fmin(bank_l, bank_r))
    xy = shapely.get_coordinates(table.geometry.to_numpy())
    return Drains(
        ids, drain.astype(np.int32), chainage, xy[:, 0], xy[:, 1],
        bridged(column("left_offset_m"), wide), bridged(column("right_offset_m"), wide),
        bridged(level, nothing), bridged(tilt, np.zeros(len(table))),
        bridged(column("airborne_bed_level_m"), nothing),
        bridged(column("bed_gradient_ratio"), np.zeros(len(table))),
        np.zeros(len(table), np.uint8),
    )  # fmt: skip


def works_of(
    items: pd.DataFrame, drains: Drains, ground: Raster, rules: SpillRules, dam_rules: DamRules
) -> Works:
    """Turn items into strips to cut, each with its levels.

    Args:
        items: ITEMS.
        drains: from `drains_of`.
        ground: terrain before the works, to find the foot of spoil along a zipped run.
        rules: settings.
        dam_rules: sizes of hollows.

    Raises:
        PeatwrightError: an item on a drain that has no stations, or a dam without crest or outlet
            level.

    """
    place = {name: i for i, name in enumerate(drains.ids)}
    strange = sorted(set(items["drain_id"]) - set(place))
    if strange:
        refuse(
            "items", f"items on drains without stations: {', '.join(strange[:5])}",
            "drains that were measured", "Run measure and lay again.",
        )  # fmt: skip
    drain = items["drain_id"].map(place).to_numpy().astype(np.int32)
    kind = items["kind"].to_numpy(dtype=object)
    cell = max(ground.grid.dx_m, ground.grid.dy_m)
    dams = _dams(items[kind == "dam"], drain[kind == "dam"], rules, cell)
    parts = [
        _zips(items[kind == "zip"], drain[kind == "zip"], drains, cell),
        _reprofiles(items[kind == "reprofile"], drain[kind == "reprofile"], drains, rules, cell),
        _gaps(items[np.isin(kind, ["spoil gap", "spoil break"])],
              drain[np.isin(kind, ["spoil gap", "spoil break"])], ground),
        _hollows(items[kind == "dam"], dams, drains, dam_rules, cell),
        _outlets(items[kind == "dam"], dams, drains, rules, cell),
        (dams.band, k.RAISE, np.zeros(len(dams.band)), 5, dams.drain),
        _notches(dams, drains, cell),
    ]  # fmt: skip
    return Works(
        np.concatenate([p[0] for p in parts]),
        np.concatenate([np.full(len(p[0]), p[1], np.uint8) for p in parts]),
        np.concatenate([p[2] for p in parts]),
        np.concatenate([np.full(len(p[0]), p[3], np.uint8) for p in parts]),
        np.concatenate([p[4] for p in parts]),
        dams,
    )


Part = tuple[F64, int, F64, int, I32]


def _strip(x0: F64, y0: F64, x1: F64, y1: F64, half: F64, level: F64) -> F64:
    return np.column_stack([x0, y0, x1, y1, half, half, half, half, level, level])


def _columns(ends: F64) -> tuple[F64, F64, F64, F64]:
    return ends[:, 0], ends[:, 1], ends[:, 2], ends[:, 3]


def _dams(items: pd.DataFrame, drain: I32, rules: SpillRules, cell: float) -> Dams:
    crest = items["crest_level_m"].to_numpy(np.float64)
    sill = items["outlet_level_m"].to_numpy(np.float64)
    bad = ~np.isfinite(crest) | ~np.isfinite(sill) | (crest < sill)
    if bad.any():
        refuse(
            f"dam {items['item_id'].to_numpy()[bad][0]}",
            f"crest {crest[bad][0]:.2f} m, outlet {sill[bad][0]:.2f} m ({int(bad.sum())} dams)",
            "a crest that is not below its outlet, both known", "Lay the works again.",
        )  # fmt: skip
    lines = items.geometry.to_numpy()
    ends = np.array([[*g.coords[0][:2], *g.coords[-1][:2]] for g in lines]).reshape(-1, 4)
    half = np.maximum(0.5 * items["length_m"].to_numpy(np.float64), float(BAR_CELLS.value) * cell)
    side = items["outlet_side"].to_numpy(dtype=object)
    at = items["chainage_m"].to_numpy(np.float64)
    width = items["width_m"].to_numpy(np.float64)
    return Dams(
        item_id=items["item_id"].to_numpy(dtype=object), drain=drain,
        soft=np.isin(items["method"].to_numpy(dtype=object), ["wave dam", "peat dam"]),
        at_m=at, below_m=at + half, start_m=at - half - float(BAR_CELLS.value) * cell,
        band=_strip(*_columns(ends), half, crest), crest_m=crest, sill_m=sill, side=side,
        outlet_width_m=np.where(side == "", rules.notch_ratio * width, rules.outlet_width_m),
    )  # fmt: skip


def _along(drains: Drains, drain: I32, from_m: F64, to_m: F64) -> tuple[I64, F64, F64, I32]:
    """Cut runs at every station: return the run of each piece, its two chainages, its drain."""
    key = np.concatenate([drains.key, drain * _APART + from_m, drain * _APART + to_m])
    knots = np.unique(key)
    run, lows, highs = [], [], []
    first = np.searchsorted(knots, drain * _APART + from_m)
    last = np.searchsorted(knots, drain * _APART + to_m)
    for i, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        run.append(np.full(b - a, i))
        lows.append(knots[a:b])
        highs.append(knots[a + 1 : b + 1])
    if not run:
        none = np.empty(0)
        return np.empty(0, np.int64), none, none, np.empty(0, np.int32)
    of = np.concatenate(run).astype(np.int64)
    base = drain[of] * _APART
    return of, np.concatenate(lows) - base, np.concatenate(highs) - base, drain[of]


def _pieces(
    drains: Drains, drain: I32, low: F64, high: F64, wider_m: float, level: F64 | None
) -> F64:
    """Return strips along the drain between chainages, as wide as its shoulders and some more."""

    def at(c: F64, values: F64) -> F64:
        return drains.at(drain, c, values)

    fill = drains.fill_level_m if level is None else level
    return np.column_stack([
        at(low, drains.x_m), at(low, drains.y_m), at(high, drains.x_m), at(high, drains.y_m),
        at(low, drains.left_m) + wider_m, at(high, drains.left_m) + wider_m,
        at(low, drains.right_m) + wider_m, at(high, drains.right_m) + wider_m,
        at(low, fill), at(high, fill),
    ])  # fmt: skip


def _spans(items: pd.DataFrame) -> tuple[F64, F64]:
    return items["from_m"].to_numpy(np.float64), items["to_m"].to_numpy(np.float64)


def _zips(items: pd.DataFrame, drain: I32, drains: Drains, cell: float) -> Part:
    """A zipped drain is raised to the line from shoulder to shoulder."""
    _, low, high, of = _along(drains, drain, *_spans(items))
    strips = _pieces(drains, of, low, high, 0.5 * cell, None)
    known = np.isfinite(strips).all(axis=1)
    tilt = drains.at(of, 0.5 * (low + high), drains.tilt_ratio)
    return strips[known], k.RAISE, tilt[known], 0, of[known]


def _reprofiles(
    items: pd.DataFrame, drain: I32, drains: Drains, rules: SpillRules, cell: float
) -> Part:
    """The sides of a channel are cut back to a gentle slope; its bed stays."""
    run, low, high, of = _along(drains, drain, *_spans(items))
    strips = _pieces(drains, of, low, high, 0.0, drains.bed_level_m)
    reach = items["dig_depth_m"].to_numpy(np.float64)[run] / rules.reprofile_side_ratio
    strips[:, k.LEFT0 : k.LEVEL0] = np.maximum(
        strips[:, k.LEFT0 : k.LEVEL0], np.nan_to_num(reach, nan=cell)[:, None]
    )
    known = np.isfinite(strips).all(axis=1)
    rise = np.full(int(known.sum()), rules.reprofile_side_ratio)
    return strips[known], k.LOWER, rise, 1, of[known]


def _gaps(items: pd.DataFrame, drain: I32, ground: Raster) -> Part:
    """A gap is lowered to its outlet's sill, a break to the lower foot of the bank."""
    ends = np.array(
        [[*g.coords[0][:2], *g.coords[-1][:2]] for g in items.geometry.to_numpy()]
    ).reshape(-1, 4)
    foot = np.fmin(sample(ground, ends[:, 0], ends[:, 1]), sample(ground, ends[:, 2], ends[:, 3]))
    sill = items["outlet_level_m"].to_numpy(np.float64)
    level = np.where(np.isfinite(sill), sill, foot)
    half = 0.5 * items["gap_width_m"].to_numpy(np.float64)
    strips = _strip(*_columns(ends), half, level)
    known = np.isfinite(strips).all(axis=1) & (half > 0)
    return strips[known], k.LOWER, np.zeros(int(known.sum())), 2, drain[known]


def _hollows(
    items: pd.DataFrame, dams: Dams, drains: Drains, dam_rules: DamRules, cell: float
) -> Part:
    """Behind a dam of peat the drain stays open as a bevelled hollow."""
    chosen = dams.soft & (dam_rules.hollow_length_m > 0.0)
    drain, at = dams.drain[chosen], dams.at_m[chosen]
    # The hollow reaches at least to where the pool's water is picked up.
    top = np.minimum(at - dam_rules.hollow_length_m, dams.start_m[chosen])
    low = np.maximum(top, 0.0)
    depth = np.nan_to_num(items["pool_depth_m"].to_numpy(np.float64)[chosen])
    x0, y0 = drains.at(drain, low, drains.x_m), drains.at(drain, low, drains.y_m)
    x1, y1 = drains.at(drain, at, drains.x_m), drains.at(drain, at, drains.y_m)
    half = np.full(len(at), max(0.5 * dam_rules.hollow_length_m, 0.5 * cell))
    strips = _strip(x0, y0, x1, y1, half, dams.sill_m[chosen] - depth)
    rise = np.full(len(at), 1.0 / dam_rules.hollow_bevel_ratio)
    known = np.isfinite(strips).all(axis=1)
    return strips[known], k.LOWER, rise[known], 3, drain[known]


def _outlets(
    items: pd.DataFrame, dams: Dams, drains: Drains, rules: SpillRules, cell: float
) -> Part:
    """An outlet is dressed to its sill from the hollow out over the edge of the sag."""
    sides = dams.side != ""
    drain = dams.drain[sides]
    at = np.maximum(dams.start_m[sides], 0.0)
    x, y = drains.at(drain, at, drains.x_m), drains.at(drain, at, drains.y_m)
    ex = items["outlet_x_m"].to_numpy(np.float64)[sides]
    ey = items["outlet_y_m"].to_numpy(np.float64)[sides]
    # The outlet's end keeps its distance from the drain, but stands beside where the pool is.
    mx, my = (drains.at(drain, dams.at_m[sides], v) for v in (drains.x_m, drains.y_m))
    toward = np.radians(items["outlet_bearing_deg"].to_numpy(np.float64)[sides])
    ux, uy = np.sin(toward), np.cos(toward)
    out = np.maximum((ex - mx) * ux + (ey - my) * uy, cell) + rules.outlet_beyond_m
    half = 0.5 * np.maximum(dams.outlet_width_m[sides], cell)
    strips = _strip(x, y, x + out * ux, y + out * uy, half, dams.sill_m[sides])
    known = np.isfinite(strips).all(axis=1)
    return strips[known], k.LOWER, np.zeros(int(known.sum())), 4, drain[known]


def _notches(dams: Dams, drains: Drains, cell: float) -> Part:
    """A dam without an outlet sideways spills through a notch in its own middle."""
    own = dams.side == ""
    drain = dams.drain[own]
    reach = dams.below_m[own] - dams.at_m[own] + float(BAR_CELLS.value) * cell
    low, high = dams.at_m[own] - reach, dams.at_m[own] + reach
    half = np.maximum(0.5 * dams.outlet_width_m[own], float(BAR_CELLS.value) * cell)
    strips = _strip(
        drains.at(drain, low, drains.x_m), drains.at(drain, low, drains.y_m),
        drains.at(drain, high, drains.x_m), drains.at(drain, high, drains.y_m),
        half, dams.sill_m[own],
    )  # fmt: skip
    known = np.isfinite(strips).all(axis=1)
    return strips[known], k.LOWER, np.zeros(int(known.sum())), 6, drain[known]


def with_states(drains: Drains, items: pd.DataFrame, dam_rules: DamRules) -> Drains:
    """Return the drains with the state that each station is in after the works.

    Closed: zipped, or a dam of peat with its hollow. Dammed: open between two hard dams of its
    reach. All else is open.
    """
    state = np.zeros(len(drains.drain), np.uint8)
    place = {name: i for i, name in enumerate(drains.ids)}
    kind = items["kind"].to_numpy(dtype=object)
    soft = np.isin(items["method"].to_numpy(dtype=object), ["wave dam", "peat dam"])

    def within(table: pd.DataFrame, more_m: float) -> Flags:
        base = table["drain_id"].map(place).to_numpy(np.float64) * _APART
        low, high = _spans(table)
        key = drains.key
        opened = np.searchsorted(np.sort(base + np.maximum(low - more_m, 0.0)), key, side="right")
        shut = np.searchsorted(np.sort(base + high), key, side="left")
        return np.asarray(opened > shut)

    dams = items[kind == "dam"]
    if len(dams):
        spans = dams.groupby("reach_id").agg(
            drain_id=("drain_id", "first"), from_m=("from_m", "min"), to_m=("to_m", "max")
        )
        state[within(spans, 0.0)] = DAMMED
    closing = items[(kind == "zip") | ((kind == "dam") & soft)]
    if len(closing):
        # The hollow between a run and the dam below it holds water and lets none pass.
        state[within(closing, dam_rules.hollow_length_m)] = CLOSED
    return replace(drains, state=state)


def cut(base: Raster, works: Works) -> Raster:
    """Return the terrain with all works cut into it."""
    out = base.values.copy()
    cut_part(out, base.grid, 0, 0, works)
    return Raster(out, base.grid)


def cut_part(part: NDArray[np.float32], grid: Grid, row0: int, col0: int, works: Works) -> None:
    """Cut works into a part of a grid that begins at `row0`, `col0`; `part` is changed."""
    order = np.argsort(works.rank, kind="stable")
    pad = 0.5 * min(grid.dx_m, grid.dy_m)
    k.cut_strips(
        works.strips[order], works.modes[order], works.rise[order], pad, grid.x_left_m,
        grid.y_top_m, grid.dx_m, grid.dy_m, row0, col0, part,
    )  # fmt: skip


def corridors(grid: Grid, drains: Drains) -> I32:
    """Return, for each cell between the shoulders of a drain, its station plus one; else 0."""
    same = drains.drain[1:] == drains.drain[:-1]
    a = np.flatnonzero(same)
    cell = max(grid.dx_m, grid.dy_m)
    least = float(BAR_CELLS.value) * cell
    left, right = (np.maximum(v, least) for v in (drains.left_m, drains.right_m))
    # Two halves of each piece, so that a cell gets the station that it is nearest to.
    mx = 0.5 * (drains.x_m[a] + drains.x_m[a + 1])
    my = 0.5 * (drains.y_m[a] + drains.y_m[a + 1])

    def half(of: I64, x0: F64, y0: F64, x1: F64, y1: F64) -> F64:
        level = np.zeros(len(of))
        return np.column_stack(
            [x0, y0, x1, y1, left[of], left[of], right[of], right[of], level, level]
        )

    strips = np.concatenate([
        half(a, drains.x_m[a], drains.y_m[a], mx, my),
        half(a + 1, mx, my, drains.x_m[a + 1], drains.y_m[a + 1]),
    ])  # fmt: skip
    marks = np.concatenate([a, a + 1]).astype(np.int32) + np.int32(1)
    return _marked(grid, strips, marks, 0.5 * cell)


def dam_cells(grid: Grid, base: Raster, after: Raster, dams: Dams) -> I32:
    """Return, for each cell that a dam lifts, the dam's number plus one; else 0."""
    marks = np.arange(1, len(dams.at_m) + 1, dtype=np.int32)
    out = _marked(grid, dams.band, marks, 0.5 * min(grid.dx_m, grid.dy_m))
    out[~(after.values - base.values > float(RAISED_M.value))] = 0
    return out


def _marked(grid: Grid, strips: F64, marks: I32, pad: float) -> I32:
    out = np.zeros((grid.rows, grid.cols), np.int32)
    away = np.full((grid.rows, grid.cols), np.inf, np.float32)
    k.mark_strips(strips, marks, pad, grid.x_left_m, grid.y_top_m, grid.dx_m, grid.dy_m, away, out)
    return out


def only(works: Works, drain: int, other: Works) -> Works:
    """Return `works` with the strips and dams of one drain taken from `other` instead."""
    keep, new = works.drain != drain, other.drain == drain
    fields: dict[str, Any] = {
        name: np.concatenate([getattr(works, name)[keep], getattr(other, name)[new]])
        for name in ("strips", "modes", "rise", "rank", "drain")
    }
    mine, theirs = works.dams.drain != drain, other.dams.drain == drain
    dams = Dams(**{
        name: np.concatenate([held[mine], getattr(other.dams, name)[theirs]])
        for name, held in vars(works.dams).items()
    })  # fmt: skip
    return Works(**fields, dams=dams)
