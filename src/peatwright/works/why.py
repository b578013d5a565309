"""The sentences that every reach and item carries: what an officer can say to an owner."""

from __future__ import annotations

import math
from collections.abc import Sequence

from peatwright.model.cited import Cited
from peatwright.model.layers import METHODS
from peatwright.model.rules import Rules
from peatwright.works import methods as mt

STOCK_POOL = Cited(
    0.5, "m", "an open pool deeper than this beside the dam is marked as a danger to stock", 0, 2
)
STEEP_LOOK = Cited(0.08, "m/m", "a bed steeper than this is marked for a look", 0, 1)
QUALITY_LOOK = Cited(0.4, "ratio", "a section of less quality is marked for a look", 0, 1)

# One row of the measured values of a reach, in this order.
MEASURED = (
    "depth_m", "top_width_m", "peat_depth_m", "bed_gradient_ratio", "upslope_area_m2",
    "peat_below_bed_m",
)  # fmt: skip


def _known(*values: float) -> bool:
    return all(math.isfinite(v) for v in values)


def percent(ratio: float) -> str:
    """Say a gradient in per cent."""
    return f"{ratio * 100:.1f} %"


def hectares(area_m2: float) -> str:
    """Say an area in hectares."""
    return f"{area_m2 / 1e4:.1f} ha"


def drain_text(depth: float, width: float, peat: float, fall: float) -> str:
    """Say what a drain measures: depth, width, peat and fall, leaving out what is not known."""
    parts = ["Drain"]
    if _known(depth, width):
        parts.append(f"{depth:.2f} m deep and {width:.1f} m wide")
    elif _known(depth):
        parts.append(f"{depth:.2f} m deep")
    parts.append(f"in {peat:.1f} m of peat" if _known(peat) else "in peat of unknown depth")
    said = " ".join(parts)
    if not _known(fall):
        return said
    if fall < 0:
        return f"{said}, bed rising {percent(-fall)} downstream"
    return f"{said}, bed falling {percent(fall)}"


def bears_out(cause: str, measured: Sequence[float], rules: Rules) -> bool:
    """Whether the medians of a reach bear out a cause that some of its stations gave."""
    m = rules.method
    depth, width, peat, fall, water, below = measured
    tests = {
        "deep": depth > m.wave_depth_max_m,
        "wide": width > m.wave_width_max_m,
        "swale": width > m.wave_width_max_m,
        "too wide": width > m.piling_width_max_m,
        "steep": fall > m.gradient_dam_max_ratio,
        "too steep": fall > m.gradient_hard_max_ratio,
        "mineral": below < m.peat_below_bed_min_m,
        "thin": peat < m.peat_min_m,
        "much water": water > m.upslope_peat_max_m2,
        "shallow": depth < m.zip_only_depth_m,
        "ordinary": depth <= m.wave_depth_max_m,
        "narrow": width > m.peat_width_max_m,
    }
    return tests.get(cause, True)


def reach_text(method: int, cause: str, measured: Sequence[float], marks: str, rules: Rules) -> str:
    """Say why a reach has its method: measured medians, then the rule with key and value.

    `marks` holds what the stations say of a forbidden or unmeasured stretch.
    """
    m = rules.method
    depth, width, peat, fall, water, below = measured
    name = METHODS[method]
    does = f"{name} with zipping" if method == mt.WAVE else name
    if cause == "forbidden":
        return f"Nothing may be built here: {marks or 'marked as no-go'}."
    if cause == "unseen":
        return (
            "No drain is visible here "
            f"(rule measure.seen_depth_m {rules.measure.seen_depth_m:g} m): left alone."
        )
    if cause == "unmeasured":
        why = f" ({marks})" if marks else ""
        return f"The drain could not be measured here{why}: left alone until it has been walked."
    if cause == "watercourse":
        return (
            f"{hectares(water)} of ground drain to here: taken for a natural watercourse and left "
            f"alone (rule method.upslope_watercourse_m2 {m.upslope_watercourse_m2:g} m²)."
        )
    head = drain_text(depth, width, peat, fall)
    probe = "" if _known(peat) or _known(below) else " Peat depth is not known: probe first."
    rule = {
        "ordinary": f"(rule method.wave_depth_max_m {m.wave_depth_max_m:g} m)",
        "narrow": f"(wider than rule method.peat_width_max_m {m.peat_width_max_m:g} m)",
        "shallow": f"(shallower than rule method.zip_only_depth_m {m.zip_only_depth_m:g} m)",
        "thin": f"(peat under rule method.peat_min_m {m.peat_min_m:g} m, where dams of peat fail)",
        "deep": f"(deeper than rule method.wave_depth_max_m {m.wave_depth_max_m:g} m)",
        "wide": f"(wider than rule method.wave_width_max_m {m.wave_width_max_m:g} m)",
        "steep": f"(steeper than rule method.gradient_dam_max_ratio "
        f"{percent(m.gradient_dam_max_ratio)}, where dams of peat fail)",
        "swale": f"(wider than rule method.wave_width_max_m {m.wave_width_max_m:g} m, but with "
        f"sides gentler than rule method.reprofile_side_ratio {m.reprofile_side_ratio:g} there is "
        "nothing to reprofile)",
        "too steep": f"(steeper than rule method.gradient_hard_max_ratio "
        f"{percent(m.gradient_hard_max_ratio)}, too steep for any dam)",
        "too wide": f"(wider than rule method.piling_width_max_m {m.piling_width_max_m:g} m, "
        "too wide for any dam)",
    }.get(cause, "")
    if cause == "mineral":
        bed = f"{below:.2f} m of peat below it" if _known(below) else "little peat below it"
        if _known(below) and below <= 0:
            bed = "no peat below it: it is cut into mineral"
        rule = (
            f"(rule method.peat_below_bed_min_m {m.peat_below_bed_min_m:g} m; the bed has {bed}, "
            "and dams of peat leak there)"
        )
    if cause == "much water":
        rule = (
            f"({hectares(water)} drain to it, over rule method.upslope_peat_max_m2 "
            f"{hectares(m.upslope_peat_max_m2)} for dams of peat)"
        )
    if method == mt.LEAVE:
        does = "left alone, for none of the methods would hold"
    if cause == "ordinary" and method == mt.PEAT:
        rule = f"(rule method.peat_width_max_m {m.peat_width_max_m:g} m)"
    return f"{head}: {does} {rule}.{probe}"


def dam_text(
    method: int, buckets: float, width: float, span: float, drain: str, rule: str, spacing: float,
    rules: Rules,
) -> str:  # fmt: skip
    """Say why a dam is as wide as it is and why it stands at its distance."""
    name = METHODS[method].capitalize()
    if method <= mt.PEAT:
        size = (
            f"{name} {buckets:.0f} buckets ({width:.1f} m) wide: it spans {span:.1f} m of drain "
            f"and sunk ground and {rules.dam.key_m:g} m of key on each side"
        )
    else:
        size = f"{name} {width:.1f} m wide with {rules.dam.key_m:g} m of key into each side"
    gap = f"{spacing:.1f} m to the next dam, {rule}" if _known(spacing) else rule.capitalize()
    return f"{drain}. {size}. {gap[0].upper()}{gap[1:]}."


def pool_text(closed: bool, length: float, unzipped: float, volume: float) -> str:
    """Say how far the pool reaches, and what it holds where it lies in the open drain."""
    if closed:
        return (
            f"The drain above is zipped, so the pool is its {length:.1f} m hollow; in the open "
            f"drain it would reach {unzipped:.1f} m up."
        )
    held = f" and holds about {volume:.1f} m³" if _known(volume) else ""
    return f"The pool reaches {length:.1f} m up the drain{held}."


def zip_text(
    length: float, depth: float, above: str, below: str, run: tuple[float, float], rules: Rules
) -> str:
    """Say why a run is zipped and how deep. `above` and `below` name the dams at its ends."""
    first, second = run
    where = f"{length:.1f} m of drain closed"
    if above and below:
        where += f" between dams {above} and {below}"
    elif above:
        where += f" below dam {above}"
    elif below:
        where += f" above dam {below}"
    left = (
        f", after {rules.dam.untouched_below_m:g} m left untouched below the upper one"
        if above
        else ""
    )
    cut = (
        f". Drain {depth:.2f} m deep: first cut {first:.2f} m, then {second:.2f} m further out"
        if _known(depth)
        else ". Depth not known here: look before cutting"
    )
    rule = (
        ""
        if above or below
        else f" (rule method.zip_only_depth_m {rules.method.zip_only_depth_m:g} m)"
    )
    return f"{where}{left}{cut}{rule}."


def gap_text(side: str, height: float, bank: float, sill: float, wide: float) -> str:
    """Say why spoil is lowered at an outlet."""
    what = "Old spoil"
    if _known(height, bank):
        what += f" {height:.2f} m high and {bank:.1f} m wide"
    elif _known(height):
        what += f" {height:.2f} m high"
    return (
        f"{what} stands in the way of the outlet on the {side}: lower it over {wide:.1f} m "
        f"to {sill:.2f} m, so that the pool spills onto the bog."
    )


def break_text(side: str, height: float, rules: Rules) -> str:
    """Say why a spoil bank is broken through along a run."""
    high = f" {height:.2f} m high" if _known(height) else ""
    return (
        f"Old spoil{high} runs along the {side}: break it through and press it down, so that water "
        f"crosses at least every {rules.zip.spoil_break_every_m:g} m "
        "(rule zip.spoil_break_every_m)."
    )
