"""Items and reaches as tables: numbers, sentences and lines put together in order from the head."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from peatwright.model import columns
from peatwright.model.layers import ITEMS, METHODS, REACHES, SIDES
from peatwright.model.rules import Rules
from peatwright.works import dams, shapes, volumes, why, zips
from peatwright.works import methods as mt
from peatwright.works import spacing as sp
from peatwright.works._kernels import pool_reach, run_medians
from peatwright.works.notes import Excess, dam_notes
from peatwright.works.placement import Places
from peatwright.works.sections import Floats, Ints, Sections

_RANK = {"dam": 0, "spoil gap": 1, "zip": 2, "spoil break": 3, "reprofile": 4}
Texts = NDArray[np.object_]


@dataclass(frozen=True)
class Part:
    """Items of one kind (M): columns by name, lines, drain and order within a chainage."""

    kind: str
    drain: Ints
    station: Ints
    data: dict[str, Any]
    lines: NDArray[np.object_]


@dataclass(frozen=True)
class Placed:
    """Chosen dams (M): station, stretch, size, and the ground each takes."""

    row: Ints
    stretch: Ints
    sized: dams.Sized
    stand: zips.Standing


def reach_table(
    s: Sections, reach: mt.Reaches, rules: Rules, ids: list[str], crs: Any
) -> gpd.GeoDataFrame:
    """Return the REACHES table, in order of drain and chainage."""
    values = np.stack([np.where(s.usable, s[n], np.nan) for n in why.MEASURED])
    values[why.MEASURED.index("upslope_area_m2")] = s["upslope_area_m2"]
    measured = np.empty((len(why.MEASURED), reach.first.size))
    run_medians(reach.first, reach.last, values, measured)
    said = []
    ranked = np.argsort(-reach.votes, axis=1, kind="stable").tolist()
    for k, method in enumerate(reach.method.tolist()):
        own = [c for c in ranked[k] if reach.votes[k, c]] or ranked[k][:1]
        # The commonest cause that the reach's own medians bear out speaks for it.
        fits = [c for c in own if why.bears_out(mt.CAUSES[c], measured[:, k].tolist(), rules)]
        name = mt.CAUSES[(fits or own)[0]]
        marks = ""
        if name in {"forbidden", "unmeasured"}:
            texts = s.text[f"{name}_why"][reach.first[k] : reach.last[k] + 1]
            marks = "; ".join(sorted({str(t) for t in texts if t}))
        said.append(why.reach_text(method, name, measured[:, k].tolist(), marks, rules))
    names = np.array(METHODS, dtype=object)
    data = {
        "reach_id": ids,
        "drain_id": s.drain_ids[reach.drain],
        "from_m": reach.from_m,
        "to_m": reach.to_m,
        "length_m": reach.to_m - reach.from_m,
        "method": names[reach.method],
        "why": said,
    }
    lines = shapes.along(s, reach.drain, reach.from_m, reach.to_m)
    return gpd.GeoDataFrame(pd.DataFrame(data), geometry=lines, crs=crs)


def excesses(placed: Placed, held: Places, toe_m: Floats, rules: Rules) -> tuple[Excess, Floats]:
    """By how much each dam breaks a rule that gave way, and the head on each dam."""
    p = rules.spacing
    pool = placed.sized.pool_m
    at = placed.stand.at_m
    n = pool.size
    follows = np.zeros(n, dtype=bool)
    follows[:-1] = placed.stretch[1:] == placed.stretch[:-1]
    leads = np.ones(n, dtype=bool)
    leads[1:] = placed.stretch[1:] != placed.stretch[:-1]
    after = np.minimum(np.arange(n) + 1, max(n - 1, 0))
    water = np.where(follows, np.maximum(pool[after], toe_m), toe_m)
    head = np.maximum(pool - water, 0.0)

    def over(values: Floats, where: NDArray[np.bool_]) -> Floats:
        # To the millimetre, as dams are placed.
        out: Floats = np.where(where, np.maximum(np.round(values, 3), 0.0), 0.0)
        return out

    start, end, first_max = (
        v[placed.stretch] / 1000.0 for v in (held.start, held.end, held.first_max)
    )
    none = np.zeros(n)
    return Excess(
        over(head - placed.sized.head_max_m, follows),
        over(toe_m - pool[after], follows) if p.pool_reaches_base else none,
        over(pool - pool[after] - p.drop_per_dam_m, follows) if p.drop_per_dam_governs else none,
        over(np.where(follows, at[after], end) - at - p.max_m, np.ones(n, dtype=bool)),
        over(at - start - first_max, leads),
    ), head


def dam_part(
    s: Sections, placed: Placed, held: Places, run: zips.Runs, reach: mt.Reaches, rules: Rules
) -> tuple[Part, Part, Excess]:
    """Dams and the spoil gaps at their outlets."""
    row, dam, stand = placed.row, placed.sized, placed.stand
    n, drain, at = row.size, stand.drain, stand.at_m
    toe = s.at(drain, at + dam.toe_m, s.bed_m)
    excess, head = excesses(placed, held, toe, rules)

    last = np.ones(n, dtype=bool)
    last[:-1] = drain[1:] != drain[:-1]
    after = np.minimum(np.arange(n) + 1, max(n - 1, 0))
    spacing = np.where(last, np.nan, at[after] - at)
    same = ~last & (placed.stretch[after] == placed.stretch)
    gradient = s["bed_gradient_ratio"][row]
    # What the distance to the next dam keeps to rests on the fall between the two; what other
    # rules would give here, on the gradient of the bed.
    with np.errstate(invalid="ignore", divide="ignore"):
        fall = np.where(same, (dam.pool_m - dam.pool_m[after]) / spacing, gradient)
    limits = sp.limits(fall, dam.pool_m, toe, dam.head_max_m, rules)
    code = sp.governs(spacing, same, *limits, rules)
    here = sp.limits(gradient, dam.pool_m, toe, dam.head_max_m, rules)
    limit = np.stack([
        np.full(n, rules.spacing.target_m), *limits, np.full(n, rules.spacing.max_m)
    ])  # fmt: skip
    governing = limit[np.minimum(code, sp.MOST), np.arange(n)]
    between = [
        _between(s, row[k], row[after[k]]) if c == sp.GAP else "" for k, c in enumerate(code)
    ]
    rule = [
        sp.rule_text(c, g, d, b, soft, rules)
        for c, g, d, b, soft in zip(
            code.tolist(),
            governing.tolist(),
            spacing.tolist(),
            between,
            dam.soft.tolist(),
            strict=True,
        )
    ]
    others = [
        sp.others_text(g, h, m)
        for g, h, m in zip(
            gradient.tolist(), here[0].tolist(), dam.head_max_m.tolist(), strict=True
        )
    ]

    # The pool runs up to the lower base of the dam above, if it does not end before.
    above = np.zeros(n)
    above[1:] = np.where(drain[1:] == drain[:-1], (at + dam.toe_m)[:-1], 0.0)
    reach_m = np.zeros(n)
    pool_reach(s.off, s["chainage_m"], s.bed_m, drain, at, dam.pool_m, above, reach_m)
    closed = np.zeros(n, dtype=bool)
    closed[run.above_dam[run.above_dam >= 0]] = True
    bed, depth = s["bed_level_m"][row], s["depth_m"][row]
    deep = np.maximum(dam.pool_m - bed, 0.0)
    in_hollow = np.clip(dam.pool_m - (bed + depth - dam.hollow_depth_m), 0.0, deep)
    pool_depth = np.where(closed, in_hollow, deep)
    pool_length = np.where(closed, rules.dam.hollow_length_m, reach_m)
    bottom, top = s["bottom_width_m"][row], s["top_width_m"][row]
    with np.errstate(invalid="ignore", divide="ignore"):
        whole = reach_m < at - above - 1e-6
        sides = 0.5 * np.maximum(top - bottom, 0.0) / depth
        water = volumes.pool_m3(bottom, sides, np.minimum(deep, depth), gradient)
        water = np.where(whole & (gradient > float(sp.FLAT.value)), water, np.nan)
    notes = dam_notes(
        s, row, dam, excess, code, pool_depth, ~closed, rules
    )  # fmt: skip

    x, y = shapes.point(s, drain, at)
    rx, ry = shapes.rightwards(s, row)
    sign = np.where(dam.side == dams.RIGHT, 1.0, -1.0)
    out_at = np.maximum(at - dam.up_m, 0.0)
    ox, oy = shapes.point(s, drain, out_at)
    spills = dam.side != dams.OVER
    side_text = np.where(spills, np.array(SIDES, dtype=object)[np.maximum(dam.side, 0)], "")
    measured = [
        np.where(np.isfinite(s[c][row]), s[c][row], np.nan).tolist()
        for c in ("depth_m", "top_width_m", "peat_depth_m", "bed_gradient_ratio")
    ]
    said = [
        " ".join((
            why.dam_text(m, b, w, sn, why.drain_text(*v), r, d, rules),
            why.pool_text(shut, long, far, vol),
        ))
        for m, b, w, sn, r, d, shut, long, far, vol, *v in zip(
            dam.method.tolist(), dam.buckets.tolist(), dam.width_m.tolist(), dam.span_m.tolist(),
            rule, spacing.tolist(), closed.tolist(), pool_length.tolist(), reach_m.tolist(),
            water.tolist(), *measured, strict=True,
        )
    ]  # fmt: skip
    nan = np.nan
    data: dict[str, Any] = {
        "method": np.array(METHODS, dtype=object)[dam.method], "why": said,
        "chainage_m": at, "from_m": stand.from_m, "to_m": stand.to_m, "x_m": x, "y_m": y,
        "length_m": stand.to_m - stand.from_m, "width_m": dam.width_m, "buckets": dam.buckets,
        "dig_depth_m": dam.dig_m, "bed_level_m": bed, "crest_level_m": dam.crest_m,
        "height_m": dam.height_m, "crest_above_ground_m": dam.crest_m - s["ground_level_m"][row],
        "key_m": np.full(n, rules.dam.key_m), "pool_level_m": dam.pool_m,
        "pool_depth_m": pool_depth, "pool_length_m": pool_length, "head_m": head,
        "fill_m3": dam.fill_m3, "hollow_m3": dam.hollow_m3, "outlet_side": side_text,
        "outlet_bearing_deg": np.where(
            spills, (s["bearing_deg"][row] + sign * 90.0) % 360.0, nan
        ),
        "outlet_x_m": np.where(spills, ox + sign * rx * dam.edge_m, x),
        "outlet_y_m": np.where(spills, oy + sign * ry * dam.edge_m, y),
        "outlet_level_m": dam.sill_m, "outlet_fall_m": dam.fall_m, "spacing_m": spacing,
        "spacing_rule": rule, "spacing_others": others, "note": notes,
    }  # fmt: skip
    lines = shapes.across(x, y, (rx, ry), -dam.left_m, dam.right_m)
    part = Part("dam", drain, row, data, lines)
    return part, _gap_part(s, placed, out_at, reach, rules), excess


def _between(s: Sections, a: int, b: int) -> str:
    """What the stations between two dams say against building."""
    part = slice(int(a) + 1, int(b))
    said = {str(t) for t in s.text["forbidden_why"][part] if t}
    if not said and not s.usable[part].all():
        said = {str(t) for t in s.text["unmeasured_why"][part] if t} or {"not measured"}
    return "; ".join(sorted(said))


def _gap_part(s: Sections, placed: Placed, out_at: Floats, reach: mt.Reaches, rules: Rules) -> Part:
    """Spoil gaps at the outlets of dams that have spoil on that side."""
    k = np.flatnonzero(placed.sized.spoiled)
    row, dam, drain = placed.row[k], placed.sized.rows(k), placed.stand.drain[k]
    at = out_at[k]
    half = 0.5 * rules.dam.spoil_gap_width_m
    # A gap keeps to the dam's own reach: beside it may lie ground that must not be touched.
    home = reach.of_station[row]
    low = np.minimum(np.maximum(at - half, reach.from_m[home]), at)
    high = np.maximum(np.minimum(at + half, reach.to_m[home]), at)
    right = dam.side == dams.RIGHT
    inner = np.where(right, s["right_offset_m"][row], s["left_offset_m"][row])
    inner = np.where(np.isfinite(inner), inner, 0.5 * s["top_width_m"][row])
    data = _bank_data(s, drain, row, at, low, high, right, inner, dam.gap_height_m, dam.gap_width_m)
    sill = dam.sill_m.tolist()
    data["why"] = [
        why.gap_text(side, h, b, level, wide)
        for side, h, b, level, wide in zip(
            data["outlet_side"].tolist(), dam.gap_height_m.tolist(), dam.gap_width_m.tolist(),
            sill, data["gap_width_m"].tolist(), strict=True,
        )
    ]  # fmt: skip
    data["method"] = np.array(METHODS, dtype=object)[dam.method]
    data["outlet_level_m"] = dam.sill_m
    lines = data.pop("lines")
    return Part("spoil gap", drain, row, data, lines)


def _bank_data(
    s: Sections, drain: Ints, row: Ints, at: Floats, low: Floats, high: Floats,
    right: NDArray[np.bool_], inner: Floats, height: Floats, bank: Floats,
) -> dict[str, Any]:  # fmt: skip
    """Columns that gaps and breaks share, with their lines across the bank."""
    x, y = shapes.point(s, drain, at)
    rx, ry = shapes.rightwards(s, row)
    sign = np.where(right, 1.0, -1.0)
    # A bank whose width is not known is drawn one metre wide.
    outer = inner + np.where(np.isfinite(bank) & (bank > 0), bank, 1.0)
    return {
        "chainage_m": at, "from_m": low, "to_m": high, "x_m": x, "y_m": y, "length_m": high - low,
        "outlet_side": np.array(SIDES, dtype=object)[right.astype(np.int64)],
        "outlet_bearing_deg": (s["bearing_deg"][row] + sign * 90.0) % 360.0,
        "gap_width_m": high - low, "gap_height_m": height,
        "gap_m3": volumes.gap_m3(height, bank, high - low),
        "lines": shapes.across(x, y, (rx, ry), sign * inner, sign * outer),
    }  # fmt: skip


def zip_part(s: Sections, run: zips.Runs, rules: Rules) -> Part:
    """Zip runs. Their sentences name the dams at their ends once these have ids."""
    middle = 0.5 * (run.from_m + run.to_m)
    x, y = shapes.point(s, run.drain, middle)
    row = s.nearest(run.drain, middle)
    n = run.drain.size
    data: dict[str, Any] = {
        "method": np.full(n, "zip", dtype=object), "why": [""] * n, "chainage_m": middle,
        "from_m": run.from_m, "to_m": run.to_m, "x_m": x, "y_m": y,
        "length_m": run.to_m - run.from_m, "dig_depth_m": run.first_cut_m,
        "bed_level_m": s.at(run.drain, middle, s.bed_m), "block_pairs": run.pairs,
        "first_cut_m": run.first_cut_m, "second_cut_m": run.second_cut_m, "zip_m3": run.volume_m3,
        "note": _zip_notes(s, run),
    }  # fmt: skip
    lines = shapes.along(s, run.drain, run.from_m, run.to_m)
    del rules
    return Part("zip", run.drain, row, data, lines)


def _zip_notes(s: Sections, run: zips.Runs) -> list[str]:
    first, last = s.nearest(run.drain, run.from_m), s.nearest(run.drain, run.to_m)
    bad = np.concatenate([[0], np.cumsum(~s.usable)])
    count = bad[last + 1] - bad[first]
    return [f"{c} of its stations could not be measured: look" if c else "" for c in count.tolist()]


def break_part(s: Sections, cut: zips.Breaks, rules: Rules) -> Part:
    """Breaks through spoil along zip runs."""
    row = s.nearest(cut.drain, cut.at_m)
    right = cut.side == dams.RIGHT
    inner = np.where(right, s["right_offset_m"][row], s["left_offset_m"][row])
    inner = np.where(np.isfinite(inner), inner, np.nan_to_num(0.5 * s["top_width_m"][row], nan=0.5))
    data = _bank_data(
        s, cut.drain, row, cut.at_m, cut.from_m, cut.to_m, right, inner, cut.height_m, cut.bank_m
    )
    data["why"] = [
        why.break_text(side, h, rules)
        for side, h in zip(data["outlet_side"].tolist(), cut.height_m.tolist(), strict=True)
    ]
    data["method"] = np.full(row.size, "zip", dtype=object)
    lines = data.pop("lines")
    return Part("spoil break", cut.drain, row, data, lines)


def reprofile_part(s: Sections, reach: mt.Reaches, said: list[str]) -> Part:
    """Reaches to reprofile, each as one item."""
    k = np.flatnonzero(reach.method == mt.REPROFILE)
    drain, low, high = reach.drain[k], reach.from_m[k], reach.to_m[k]
    middle = 0.5 * (low + high)
    x, y = shapes.point(s, drain, middle)
    found = np.empty((2, k.size))
    values = np.stack([np.where(s.usable, s[n], np.nan) for n in ("depth_m", "top_width_m")])
    run_medians(reach.first[k], reach.last[k], values, found)
    data: dict[str, Any] = {
        "method": np.full(k.size, "reprofile", dtype=object), "why": [said[i] for i in k],
        "chainage_m": middle, "from_m": low, "to_m": high, "x_m": x, "y_m": y,
        "length_m": high - low, "width_m": found[1], "dig_depth_m": found[0],
        "bed_level_m": s.at(drain, middle, s.bed_m),
    }  # fmt: skip
    lines = shapes.along(s, drain, low, high)
    return Part("reprofile", drain, s.nearest(drain, middle), data, lines)


def item_table(
    s: Sections, parts: list[Part], reach: mt.Reaches, reach_ids: list[str], run: zips.Runs,
    rules: Rules, crs: Any,
) -> gpd.GeoDataFrame:  # fmt: skip
    """Join all parts, in order of drain and chainage, number them, and name dams in zip runs."""
    drain = np.concatenate([p.drain for p in parts])
    n = drain.size
    if not n:
        empty: gpd.GeoDataFrame = columns.empty(ITEMS, crs)
        return empty
    sizes = [p.drain.size for p in parts]
    chainage = np.concatenate([p.data["chainage_m"] for p in parts])
    rank = np.repeat([_RANK[p.kind] for p in parts], sizes)
    order = np.lexsort((rank, chainage, drain))
    first = np.searchsorted(drain[order], drain[order])
    number = np.arange(n) - first + 1
    names = s.drain_ids[drain[order]]
    ids = np.array([f"{d}-{k:03d}" for d, k in zip(names, number.tolist(), strict=True)], object)
    data: dict[str, Any] = {}
    for c in ITEMS.columns:
        blank: Any = np.nan if c.kind == "float" else ""
        held = [
            p.data.get(c.name, np.full(p.drain.size, blank, dtype=object if blank == "" else float))
            for p in parts
        ]
        data[c.name] = np.concatenate(
            [np.asarray(h, object if blank == "" else float) for h in held]
        )[order]
    data["item_id"] = ids
    data["drain_id"] = names
    data["order_on_drain"] = number
    data["kind"] = np.repeat(np.array([p.kind for p in parts], dtype=object), sizes)[order]
    station = np.concatenate([p.station for p in parts])[order]
    data["reach_id"] = np.array(reach_ids, dtype=object)[reach.of_station[station]]
    _name_runs(data, parts, order, ids, run, rules)
    lines = np.concatenate([p.lines for p in parts])[order]
    return gpd.GeoDataFrame(pd.DataFrame(data), geometry=lines, crs=crs)


def _name_runs(
    data: dict[str, Any], parts: list[Part], order: Ints, ids: Texts, run: zips.Runs, rules: Rules
) -> None:
    """Write the sentences of zip runs, with the ids of the dams at their ends."""
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    begin = 0
    where: dict[str, Ints] = {}
    for p in parts:
        where[p.kind] = place[begin : begin + p.drain.size]
        begin += p.drain.size
    dam_ids = ids[where["dam"]].tolist()
    said = data["why"]
    rows = zip(
        where["zip"].tolist(), (run.to_m - run.from_m).tolist(), run.depth_m.tolist(),
        run.below_dam.tolist(), run.above_dam.tolist(), run.first_cut_m.tolist(),
        run.second_cut_m.tolist(), strict=True,
    )  # fmt: skip
    for at, length, depth, upper, lower, one, two in rows:
        above = dam_ids[upper] if upper >= 0 else ""
        below = dam_ids[lower] if lower >= 0 else ""
        said[at] = why.zip_text(length, depth, above, below, (one, two), rules)


__all__ = ["REACHES", "Part", "Placed", "item_table", "reach_table"]
