"""The site as a whole: whose water comes out where, what it arrives at, and what carries flow."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from peatwright.model.columns import checked, empty
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_layers import ARRIVALS, OUTFALLS
from peatwright.model.water_rules import WaterRules
from peatwright.terrain.burning import cells_along
from peatwright.terrain.flow.codes import LEAVES
from peatwright.water.spill import _kernels as k
from peatwright.water.spill.ground_marks import Watched
from peatwright.water.spill.route import Routed
from peatwright.water.spill.storms import greatest_flow

F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
_MOST_PLACES = 20


def rows_of(table: pd.DataFrame) -> Iterator[Any]:
    """Return the rows of a table, each with its columns as attributes."""
    return iter(table.itertuples())


def closure(routed: Routed) -> float:
    """Return how far the water that leaves differs from the ground it fell on, as a ratio."""
    leaves = float(routed.upslope_m2[routed.codes == LEAVES].sum())
    ground = float(np.isfinite(routed.ground.values).sum()) * routed.ground.grid.cell_area_m2
    return abs(leaves - ground) / ground


BLOCK_CELLS = 1 << 20
"""Cells that are counted at a time."""


@dataclass(frozen=True, eq=False)
class Hands:
    """Ground whose water comes out elsewhere after the works."""

    table: pd.DataFrame
    changed_m2: float
    before_m2: float
    after_m2: float


def outfalls(drains: pd.DataFrame, before: Routed, after: Routed) -> Hands:
    """Return each outfall's ground before and after, and what changed hands.

    Water belongs to the first outfall that it passes; what passes none belongs to the open ground.

    Args:
        drains: DRAINS; those that flow into no other end at an outfall.
        before: routing before the works.
        after: routing after.

    """
    grid = before.ground.grid
    ends = drains[drains["flows_into"].fillna("").astype(str) == ""]
    seeds, names, points = [], [""], [shapely.Point()]
    for row in rows_of(ends):
        line = np.asarray(row.geometry.coords)[:, :2]
        r, c, _ = cells_along(grid, line)
        if len(r):
            seeds.append(int(r[-1]) * grid.cols + int(c[-1]))
            names.append(str(row.drain_id))
            points.append(shapely.Point(line[-1]))
    n = len(names)
    was, now = (_labels(routed, np.array(seeds, np.int64)) for routed in (before, after))
    counted = np.zeros(n * n)
    # Block by block: whole numbers of pairs for all cells at once would fill the memory.
    for a in range(0, was.size, BLOCK_CELLS):
        old, new = was.ravel()[a : a + BLOCK_CELLS], now.ravel()[a : a + BLOCK_CELLS]
        held = old >= 0
        counted += np.bincount(old[held].astype(np.int64) * n + new[held], minlength=n * n)
    pairs = counted.reshape(n, n) * grid.cell_area_m2
    own = np.diag(pairs)
    before_m2, after_m2 = pairs.sum(axis=1), pairs.sum(axis=0)
    elsewhere = pairs.copy()
    np.fill_diagonal(elsewhere, 0.0)
    to = elsewhere.argmax(axis=1)
    gives = [
        "" if elsewhere[i].max() <= 0.0 else (names[to[i]] or "the open ground") for i in range(n)
    ]
    table = gpd.GeoDataFrame(
        {
            "drain_id": names, "before_m2": before_m2, "after_m2": after_m2,
            "lost_m2": before_m2 - own, "gained_m2": after_m2 - own, "gives_to": gives,
        },
        geometry=points, crs=grid.crs or None,
    )  # fmt: skip
    return Hands(
        checked(table, OUTFALLS), float(elsewhere.sum()), float(before_m2[1:].sum()),
        float(after_m2[1:].sum()),
    )  # fmt: skip


def _labels(routed: Routed, seeds: NDArray[np.int64]) -> I32:
    out = np.empty(routed.codes.shape, np.int32)
    stack = np.empty(routed.codes.size, np.int64)
    labels = np.arange(1, len(seeds) + 1, dtype=np.int32)
    k.label_cells(routed.codes, seeds, labels, stack, out)
    return out


def arrivals(
    things: list[Watched], before: Routed, after: Routed, rules: SpillRules, water: WaterRules
) -> pd.DataFrame:
    """Return the places at which more water arrives than before, as ARRIVALS.

    What flows in is added up over squares; since a way may shift by a few cells, a square counts
    with its eight neighbours.

    Args:
        things: what is watched.
        before: routing before the works.
        after: routing after.
        rules: settings.
        water: settings of storm flow.

    """
    grid = before.ground.grid
    rows = []
    side_r = max(1, round(rules.arrives_block_m / grid.dy_m))
    side_c = max(1, round(rules.arrives_block_m / grid.dx_m))
    for thing in things:
        shape = (
            -(-thing.inside.shape[0] // side_r), -(-thing.inside.shape[1] // side_c)
        )  # fmt: skip
        blocks, whole = [np.zeros(shape), np.zeros(shape)], []
        for routed, out in zip((before, after), blocks, strict=True):
            whole.append(
                k.arriving(
                    routed.codes, routed.upslope_m2, thing.inside, thing.row0, thing.col0, side_r,
                    side_c, out,
                )
            )  # fmt: skip
        near = [
            ndimage.uniform_filter(b, 3, mode="constant") * 9.0 for b in blocks
        ]  # sums over each square and its neighbours
        gain = near[1] - near[0]
        enough = np.maximum(rules.arrives_m2, rules.arrives_ratio * near[0])
        left = np.where(gain > enough, gain, 0.0)
        for _ in range(_MOST_PLACES):
            r, c = np.unravel_index(int(left.argmax()), left.shape)
            if left[r, c] <= 0.0:
                break
            most = blocks[1] - blocks[0]
            part = most[max(r - 1, 0) : r + 2, max(c - 1, 0) : c + 2]
            pr, pc = np.unravel_index(int(part.argmax()), part.shape)
            br, bc = max(int(r) - 1, 0) + int(pr), max(int(c) - 1, 0) + int(pc)
            x, y = grid.to_metres(
                np.array([thing.row0 + (br + 0.5) * side_r - 0.5]),
                np.array([thing.col0 + (bc + 0.5) * side_c - 0.5]),
            )
            rows.append((thing.kind, thing.name, whole[0], whole[1], left[r, c], x[0], y[0]))
            left[max(r - 2, 0) : r + 3, max(c - 2, 0) : c + 3] = 0.0
    if not rows:
        return empty(ARRIVALS, grid.crs)
    rows.sort(key=lambda row: -row[4])
    data = dict(zip(ARRIVALS.names[:5], zip(*[row[:5] for row in rows], strict=True), strict=True))
    more = np.array([row[4] for row in rows])
    table = gpd.GeoDataFrame(
        {
            **{name: list(values) for name, values in data.items()},
            "flow_more_m3s": greatest_flow(more, rules, water),
            "order": np.arange(1, len(rows) + 1),
        },
        geometry=shapely.points([[row[5], row[6]] for row in rows]), crs=grid.crs or None,
    )  # fmt: skip
    return checked(table, ARRIVALS)


def carried(corridor: I32, upslope_m2: F64, stations: int) -> F64:
    """Return the greatest upslope area between the shoulders at each station, m²."""
    cells = np.flatnonzero(corridor.reshape(-1))
    out = np.zeros(stations)
    got = np.nan_to_num(upslope_m2.reshape(-1)[cells])
    np.maximum.at(out, corridor.reshape(-1)[cells] - 1, got)
    return out


def station_lengths(drain: I32, chainage_m: F64) -> F64:
    """Return the length of drain that each station stands for, m."""
    out = np.zeros(len(chainage_m))
    step = np.where(np.diff(drain) == 0, np.diff(chainage_m), 0.0)
    out[:-1] += 0.5 * step
    out[1:] += 0.5 * step
    return out
