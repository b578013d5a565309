"""Findings: what a person must see before a machine moves.

Dams of one drain with one fault make one finding, led by the worst of them; the table of dams holds
the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from peatwright.ground.findings import Found, Where, source_words
from peatwright.model.cited import Cited, citations
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_rules import OverflowRules, WaterRules
from peatwright.water.hydraulics import STANDS, drain_erosion, head_over_crest_m, normal_depth
from peatwright.water.spill.site import Hands, rows_of
from peatwright.water.spill.storms import greatest_flow
from peatwright.water.spill.summary import CAUTION, Summary
from peatwright.water.spill.works import OPEN, Drains

F64 = NDArray[np.float64]
Flags = NDArray[np.bool_]

TOPIC = "water"
STEEPEST_FLAT = Cited(0.001, "m/m", "beds gentler than this are not checked for washing", 0, 0.1)
MORE_FLOW = Cited(1.2, "ratio", "a drain left open with so much more water than before", 1, 10)
SEVERITY = {"water supply": "stop", "building": "stop"}
ARRIVE_TO_DO = {
    "water supply": "Move or leave out the dams above it; ask its owner before anything is built.",
    "building": "Move or leave out the dams above it.",
    "track": "Check culverts and ditches of the track, or turn the water away above it.",
    "boundary": "Tell the neighbour and agree, or keep the water on the site with another outlet.",
    "heritage": "Ask the archaeologist; turn outlets away from it.",
    "bare peat": "Turn the outlets away from it or cover it first.",
}


def _rule(key: str, rules: SpillRules, said: str) -> tuple[str, str]:
    """Return a rule with its value and what it says, and its source."""
    value = getattr(rules, key)
    shown = f"{value:g}" if isinstance(value, float) else str(value)
    return f"spill.{key} = {shown}: {said}", source_words(citations(SpillRules)[key])


def _metres(value: float) -> str:
    return f"{value:.2f} m" if value < 10 else f"{value:.0f} m"


def m2(value: float) -> str:
    """Return an area in words: m² up to one hectare, hectares above; two figures are enough."""
    if not np.isfinite(value):
        return "an unknown area"
    if value >= 1e4:
        return f"{value / 1e4:.1f} ha"
    step = 10 if value >= 100 else 1
    return f"{step * round(value / step):d} m²"


@dataclass(frozen=True)
class Fault:
    """One kind of fault of dams: which, how bad, and the words."""

    key: str
    severity: str
    which: Flags
    badness: F64
    words: Callable[[Any], str]
    rule: tuple[str, str]
    to_do: str


def spill_findings(
    dams: pd.DataFrame, stations: pd.DataFrame, came: pd.DataFrame, hands: Hands, summary: Summary,
    drains: Drains, was_m2: F64, now_m2: F64, rules: SpillRules, water: WaterRules,
) -> list[Found]:  # fmt: skip
    """Return everything worth a person's look, before it becomes the table of findings.

    Args:
        dams: SPILLS.
        stations: STATIONS, in the order of `drains`.
        came: ARRIVALS.
        hands: outfalls before and after.
        summary: figures of the site.
        drains: stations with their states after the works.
        was_m2: water between the shoulders of each station before, as ground.
        now_m2: the same after.
        rules: settings.
        water: settings of storm flow and overflow.

    """
    out: list[Found] = []
    if len(dams):
        for fault in _dam_faults(dams, stations, drains, rules, water):
            out += _by_drain(dams, fault)
    out += _open_drains(stations, drains, was_m2, now_m2, rules, water)
    out += _arrivals(came, rules)
    out += _outfalls(hands, rules)
    out += _whole(summary)
    return out


def _by_drain(dams: pd.DataFrame, fault: Fault) -> Iterator[Found]:
    of = dams["drain_id"].to_numpy(object)
    ids = dams["item_id"].to_numpy(object)
    for drain in sorted(set(of[fault.which])):
        here = np.flatnonzero(fault.which & (of == drain))
        worst = here[np.argmax(fault.badness[here])]
        row = dams.iloc[worst]
        alone = len(here) == 1
        named = ", ".join(str(i) for i in ids[here][:6]) + (" …" if len(here) > 6 else "")
        lead = f"{row.item_id}: " if alone else (
            f"{len(here)} of {int((of == drain).sum())} dams ({named}); worst {row.item_id}: "
        )  # fmt: skip
        yield Found(
            severity=fault.severity, topic=TOPIC,
            where=Where(
                f"drain {drain}, chainage {row.chainage_m:.0f} m", drain, "",
                float(row.geometry.x), float(row.geometry.y),
            ),
            what=lead + fault.words(row), rule=fault.rule[0], source=fault.rule[1],
            to_do=fault.to_do, key=fault.key,
        )  # fmt: skip


def _dam_faults(
    dams: pd.DataFrame, stations: pd.DataFrame, drains: Drains, rules: SpillRules, water: WaterRules
) -> Iterator[Fault]:
    def col(name: str) -> F64:
        return dams[name].to_numpy(np.float64)

    soft = dams["method"].isin(["wave dam", "peat dam"]).to_numpy()
    place = dams["place"].to_numpy(object)
    yield from _storm_faults(dams, soft, rules, water)
    yield Fault(
        "over the dam", "look", soft & (place == "over the dam"), -col("below_crest_m"),
        lambda r: f"the routed water runs over the crest; the pool stands "
        f"{_metres(r.over_sill_m)} over the sill of the outlet",
        _rule("outlet_beyond_m", rules, "an outlet is dressed so far beyond the edge of the sag"),
        "Lower the outlet or raise the crest, or move the dam to where the ground falls away.",
    )  # fmt: skip
    yield Fault(
        "other side", "look", soft & (place == "other side"), -col("over_sill_m"),
        lambda r: f"the routed water leaves on the other side than the outlet, at a level "
        f"{_metres(abs(r.over_sill_m))} {'below' if r.over_sill_m < 0 else 'above'} its sill",
        ("routed water leaves through the outlet", "judgement"),
        "Look which side is lower on the ground; put the outlet there or lengthen the dam.",
    )  # fmt: skip
    yield Fault(
        "past the dam", "look", place == "past the dam", col("upslope_after_m2"),
        lambda r: f"the routed water of {m2(r.upslope_after_m2)} passes the dam in the drain",
        ("a dam turns the water out of its drain", "judgement"),
        "Check the crest's ends against the ground on both sides.",
    )  # fmt: skip
    yield Fault(
        "blocked outlet", "look", soft & (col("over_sill_m") > rules.pool_over_sill_m),
        col("over_sill_m"),
        lambda r: f"ground beyond the outlet holds the pool {_metres(r.over_sill_m)} over its sill",
        _rule("pool_over_sill_m", rules, "a pool stands no higher than this over its sill"),
        "Lower old spoil and tussocks further out, or choose the other side.",
    )  # fmt: skip
    back = col("back_in_drain_m")
    soon = soft & (back < rules.back_soon_m) & (place != "over the dam")
    yield Fault(
        "back soon", "look", soon, -np.nan_to_num(back, nan=np.inf),
        lambda r: (
            f"spilled water is back in its drain after {_metres(r.back_in_drain_m)}, at chainage"
            if r.back_in_drain_m > 0.0
            else "the pool reaches round the dam into its own drain, at chainage"
        ) + f" {r.back_at_chainage_m:.0f} m, where the drain is {r.back_into}",
        _rule("back_soon_m", rules, "water that is back sooner has hardly left"),
        "Lengthen the dam on that side or lead the outlet further out.",
    )  # fmt: skip
    yield Fault(
        "bare peat", "look", dams["ground_below"].to_numpy(object) == "bare peat", col("shear_pa"),
        lambda r: f"the outlet spills onto bare peat: shear {r.shear_pa:.0f} Pa in the design "
        f"storm, which stands about {r.shear_stands_pa:.0f} Pa",
        ("no outlet onto bare peat", source_words(STANDS["bare peat"].shear_pa)),
        "Move the outlet to vegetated ground, or turf the way below it.",
    )  # fmt: skip
    peat = _beside(stations, drains, dams, "peat_below_bed_m")
    yield Fault(
        "mineral bed", "look", soft & (peat <= 0.0), -np.nan_to_num(peat, nan=np.inf),
        lambda _: "the drain is cut into mineral ground here: a dam of peat leaks and washes",
        ("peat below the bed of a dam", "Stenberg et al. 2015, Ecol. Eng. 75: 421 (memory)"),
        "Probe the bed; key the dam into firm ground or take a hard dam.",
    )  # fmt: skip


def _storm_faults(
    dams: pd.DataFrame, soft: Flags, rules: SpillRules, water: WaterRules
) -> Iterator[Fault]:
    def col(name: str) -> F64:
        return dams[name].to_numpy(np.float64)

    period = f"{rules.design_period_years:g}-year storm"
    crest = col("freeboard_m") + col("head_m")
    with np.errstate(invalid="ignore"):
        low = crest - head_over_crest_m(
            col("flow_low_m3s"), col("outlet_width_m"), water.overflow.weir_coefficient
        )
    now, full = col("freeboard_after_m"), col("freeboard_m")
    design = _rule(
        "design_period_years", rules, "storm that dams are checked against, no water over the crest"
    )

    def flow(r: Any) -> str:
        return (
            f"{r.flow_m3s:.2g} m³/s ({r.flow_low_m3s:.2g} to {r.flow_high_m3s:.2g}; "
            f"{r.flow_method} is the greatest) from {m2(r.upslope_m2)} "
            f"({m2(r.upslope_low_m2)} to {m2(r.upslope_high_m2)})"
        )

    hopeless = low < 0.0
    over = (now < 0.0) & ~hopeless
    maybe = (full < 0.0) & ~over & ~hopeless
    yield Fault(
        "too much flow", "stop", soft & hopeless & (now < 0.0), -low,
        lambda r: f"in the {period} {flow(r)}: even the low end runs over the crest",
        design, "Take a hard dam here or turn water out of the drain further up.",
    )  # fmt: skip
    yield Fault(
        "too much flow", "look", (over | (hopeless & ~soft) | (hopeless & ~(now < 0.0))), -now,
        lambda r: f"in the {period} {flow(r)}; with the water as routed after the works "
        f"{r.flow_after_m3s:.2g} m³/s, head {_metres(r.head_after_m)} over an outlet "
        f"{r.outlet_width_m:.1f} m wide, "
        + (
            f"{-r.freeboard_after_m:.2f} m over the crest"
            if r.freeboard_after_m < 0
            else f"{r.freeboard_after_m:.2f} m of crest left"
        ),
        design, "Widen the outlet, take a hard dam, or turn water out of the drain further up.",
    )  # fmt: skip
    yield Fault(
        "if dams above fail", "note", maybe, -full,
        lambda r: f"should all water still come down the drain, {flow(r)} in the {period} stands "
        f"{_metres(r.head_m)} over the outlet, {-r.freeboard_m:.2f} m over the crest",
        design, "Build from the head downwards and keep the upper dams in repair.",
    )  # fmt: skip
    asked = water.overflow.freeboard_m
    short = (now >= 0.0) & (now < asked) & ~hopeless
    yield Fault(
        "freeboard", "look", short, -now,
        lambda r: f"in the {period} {r.flow_after_m3s:.2g} m³/s stands {_metres(r.head_after_m)} "
        f"over the outlet; {r.freeboard_after_m:.2f} m of crest is left",
        (f"overflow.freeboard_m = {asked:g}: crest above the water",
         source_words(citations(OverflowRules)["freeboard_m"])),
        "Widen or lower the outlet, or raise the crest.",
    )  # fmt: skip
    washes = col("shear_pa") > col("shear_stands_pa")
    yield Fault(
        "washing below outlet", "look", washes & (dams["ground_below"] != "bare peat").to_numpy(),
        col("shear_pa"),
        lambda r: f"in the {period} {r.flow_after_m3s:.2g} m³/s runs down a fall of "
        f"{r.face_slope_ratio:.2f} below the spill at {r.speed_mps:.1f} m/s; shear "
        f"{r.shear_pa:.0f} Pa, {r.ground_below} stands about {r.shear_stands_pa:.0f} Pa",
        ("permissible shear of the ground below",
         source_words(STANDS[rules.ground_below_outlet].shear_pa)),
        "Spread the water over a wider outlet, turf or armour the way below it.",
    )  # fmt: skip


def _beside(stations: pd.DataFrame, drains: Drains, dams: pd.DataFrame, name: str) -> F64:
    place = {d: i for i, d in enumerate(drains.ids)}
    of = dams["drain_id"].map(place).to_numpy()
    values = stations[name].to_numpy(np.float64)
    chainage = dams["chainage_m"].to_numpy(np.float64)
    out = np.full(len(dams), np.nan)
    for d in np.unique(of):
        a, b = np.searchsorted(drains.drain, [d, d + 1])
        here = of == d
        nearest = np.abs(drains.chainage_m[a:b][None, :] - chainage[here][:, None]).argmin(axis=1)
        out[here] = values[a:b][nearest]
    return out


def _open_drains(
    stations: pd.DataFrame, drains: Drains, was_m2: F64, now_m2: F64, rules: SpillRules,
    water: WaterRules,
) -> Iterator[Found]:  # fmt: skip
    """Stretches left open that get clearly more water and may wash."""
    fall = stations["bed_gradient_ratio"].to_numpy(np.float64)
    bed = stations["bottom_width_m"].to_numpy(np.float64)
    top, depth = (stations[n].to_numpy(np.float64) for n in ("top_width_m", "depth_m"))
    with np.errstate(invalid="ignore", divide="ignore"):
        side = np.maximum(top - bed, 0.0) / (2.0 * depth)
        grown = (now_m2 > float(MORE_FLOW.value) * was_m2) & (now_m2 >= rules.carries_m2)
        check = (drains.state == OPEN) & grown & (fall > float(STEEPEST_FLAT.value))
        check &= np.isfinite(side) & (bed > 0.0)
    at = np.flatnonzero(check)
    if not len(at):
        return
    flow = greatest_flow(now_m2[at], rules, water)
    uniform = normal_depth(flow, bed[at], side[at], fall[at], water.overflow.roughness_drain)
    peat = stations["peat_below_bed_m"].to_numpy(np.float64)[at]
    erodes, words = drain_erosion(uniform, "bare peat", peat)
    for d in np.unique(drains.drain[at[erodes]]):
        here = np.flatnonzero(erodes & (drains.drain[at] == d))
        worst = here[np.argmax(uniform.shear_bed_pa[here])]
        s = at[worst]
        name = str(drains.ids[d])
        yield Found(
            severity="look", topic=TOPIC,
            where=Where(
                f"drain {name}, chainage {drains.chainage_m[s]:.0f} m", name, "",
                float(drains.x_m[s]), float(drains.y_m[s]),
            ),
            what=f"{len(here)} stations left open get more water than before; worst: "
            f"{m2(was_m2[s])} before, {m2(now_m2[s])} after, {flow[worst]:.2g} m³/s "
            f"{uniform.depth_m[worst]:.2f} m deep at {uniform.speed_mps[worst]:.1f} m/s, "
            + words[worst],
            rule="permissible shear of bare peat in the bed",
            source=source_words(STANDS["bare peat"].shear_pa),
            to_do="Close this stretch too, or turn the water away above it.",
            key="open drain washes",
        )  # fmt: skip


def _arrivals(came: pd.DataFrame, rules: SpillRules) -> Iterator[Found]:
    rule, source = _rule("arrives_m2", rules, "more water than that of so much ground arriving")
    for row in rows_of(came):
        called = f" {row.name}" if row.name else ""
        yield Found(
            severity=SEVERITY.get(str(row.kind), "look"), topic=TOPIC,
            where=Where(f"{row.kind}{called}", "", "", row.geometry.x, row.geometry.y),
            what=f"the water of {m2(row.more_here_m2)} more arrives here, {row.flow_more_m3s:.2g} "
            f"m³/s in the {rules.design_period_years:g}-year storm; at the whole of it "
            f"{m2(row.before_m2)} before, {m2(row.after_m2)} after",
            rule=rule, source=source, to_do=ARRIVE_TO_DO[str(row.kind)],
            key=f"arrives at {row.kind}{called}",
        )  # fmt: skip


def _outfalls(hands: Hands, rules: SpillRules) -> Iterator[Found]:
    rule, source = _rule("outfall_change_ratio", rules, "an outfall gains no more than this share")
    for row in rows_of(hands.table):
        more = row.after_m2 - row.before_m2
        if not row.drain_id or more < rules.arrives_m2:
            continue
        if more > rules.outfall_change_ratio * row.before_m2:
            yield Found(
                severity="look", topic=TOPIC,
                where=Where(f"outfall of {row.drain_id}", row.drain_id, "", row.geometry.x,
                            row.geometry.y),
                what=f"the outfall gains: {m2(row.before_m2)} before, {m2(row.after_m2)} after",
                rule=rule, source=source, key="outfall gains",
                to_do="Check that what lies below it takes the water.",
            )  # fmt: skip


def _whole(s: Summary) -> Iterator[Found]:
    if not s.dams:
        return
    yield Found(
        severity="note", topic=TOPIC, where=Where(),
        what=f"{s.at_outlet + s.over_notch} of {s.dams} dams spill where they are meant to. "
        f"Drain that carries flow: {s.carrying_before_m:.0f} m before; after, "
        f"{s.carrying_open_after_m:.0f} m left open, {s.carrying_dammed_after_m:.0f} m between "
        f"hard dams and {s.carrying_closed_after_m:.0f} m over closed drain. {m2(s.spilled_m2)} "
        f"receive spilled water; the water of {m2(s.changed_hands_m2)} comes out elsewhere",
        rule="where the water goes", source="routing of the terrain as built",
        to_do=CAUTION, key="summary",
    )  # fmt: skip
