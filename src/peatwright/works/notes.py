"""What a person should look at before a dam is built: rules not met, doubts and cautions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from peatwright.model.cited import Cited
from peatwright.model.rules import Rules
from peatwright.works import spacing, why
from peatwright.works.dams import Sized
from peatwright.works.sections import Bools, Floats, Ints, Sections

BEYOND = Cited(0.6, "m", "a sag that reaches this much further than a dam is said beside it", 0, 5)


@dataclass(frozen=True)
class Excess:
    """By how much each dam (M) breaks a rule that gave way, in metres; 0 where it holds."""

    head_m: Floats
    pool_m: Floats
    drop_m: Floats
    spacing_m: Floats
    first_m: Floats


def dam_notes(
    s: Sections, row: Ints, dam: Sized, excess: Excess, governs: Ints, pool_depth_m: Floats,
    open_pool: Bools, rules: Rules,
) -> list[str]:  # fmt: skip
    """Say for each dam what a person should look at; an empty text where there is nothing."""
    d, p = rules.dam, rules.spacing
    below, fall, quality = (
        s[n][row].tolist() for n in ("peat_below_bed_m", "bed_gradient_ratio", "fit_quality_ratio")
    )
    peat = s["peat_depth_m"][row].tolist()
    unspanned = [np.isnan(s[f"sag_{side}_width_m"][row]).tolist() for side in ("left", "right")]
    left, right = s["left_fall_m"][row].tolist(), s["right_fall_m"][row].tolist()
    out = []
    rows = zip(
        excess.head_m.tolist(), excess.pool_m.tolist(), excess.drop_m.tolist(),
        excess.spacing_m.tolist(), excess.first_m.tolist(), governs.tolist(),
        dam.soft.tolist(), dam.poor.tolist(), dam.buckets.tolist(),
        dam.beyond_m.tolist(), dam.short_left_m.tolist(), dam.short_right_m.tolist(),
        pool_depth_m.tolist(), open_pool.tolist(),
        below, fall, quality, peat, left, right, *unspanned, strict=True,
    )  # fmt: skip
    for (
        head, pool, drop, far, first, code, soft, poor, buckets, beyond, short_l, short_r,
        deep, is_open,
        under, gradient, sure, peat_m, fall_l, fall_r, no_left, no_right,
    ) in rows:  # fmt: skip
        said = []
        if head > 0:
            said.append(
                f"Head is {head:.2f} m over {spacing.head_key(soft, rules)}: no nearer place "
                "for the next dam meets all rules"
            )
        if pool > 0:
            said.append(
                f"The next pool stays {pool:.2f} m below this dam's base "
                "(spacing.pool_reaches_base): look for scour below it"
            )
        if drop > 0:
            said.append(
                f"Drop to the next dam is {drop:.2f} m over spacing.drop_per_dam_m "
                f"{p.drop_per_dam_m:g} m"
            )
        if far > 0:
            said.append(
                f"Distance to the next dam or the end is {far:.1f} m over "
                f"spacing.max_m {p.max_m:g} m"
            )
        if first > 0:
            said.append(f"First dam stands {first:.1f} m further down than the rule sheet asks")
        if code == spacing.LAST:
            said.append("Last dam: no pool below holds water against it")
        if soft and buckets > d.buckets_usual_max:
            said.append(
                f"{buckets:.0f} buckets wide, more than the usual {d.buckets_usual_max}: "
                "look at the ground"
            )
        if beyond > float(BEYOND.value):
            said.append(
                f"The sag reaches {beyond:.1f} m further than the dam, over ground as high as its "
                "pool: look at the ground"
            )
        if short_l > 0 or short_r > 0:
            end = (
                "both ends"
                if short_l > 0 and short_r > 0
                else (f"its {'left' if short_l > 0 else 'right'} end")
            )
            said.append(
                f"Water may pass round {end}: ground there stays below the pool further out than "
                f"the dam reaches (dam.buckets_most {d.buckets_most})"
            )
        if soft and (no_left or no_right):
            where = (
                "either side" if no_left and no_right else f"the {'left' if no_left else 'right'}"
            )
            said.append(f"Sag could not be measured on {where}: widen the dam to what is found")
        if poor:
            if np.isfinite(fall_l) or np.isfinite(fall_r):
                said.append(
                    "Ground does not fall away on either side (left "
                    f"{_fall(fall_l)}, right {_fall(fall_r)}): water may come back into the drain"
                )
            else:
                said.append("How the ground falls beside the outlet is not known: look")
        if not soft:
            said.append("Spills over its own notch: guard the bed below it against scour")
        elif np.isnan(under) and np.isnan(peat_m):
            said.append("Peat depth is not known here: probe before building")
        elif under < rules.method.peat_below_bed_min_m:
            said.append(f"Only {max(under, 0.0):.2f} m of peat below the bed: it may leak")
        if gradient > float(why.STEEP_LOOK.value):
            said.append(f"Bed falls {why.percent(gradient)}: steep, watch for scour")
        if is_open and deep > float(why.STOCK_POOL.value):
            said.append(
                f"Open pool {deep:.2f} m deep: a danger to stock and people, bevel its sides so "
                "that animals can get out"
            )
        if sure < float(why.QUALITY_LOOK.value):
            said.append("Section measured poorly here: check on the ground")
        out.append("; ".join(said))
    return out


def _fall(fall_m: float) -> str:
    if np.isnan(fall_m):
        return "not known"
    return f"falls {fall_m:.2f} m" if fall_m >= 0 else f"rises {-fall_m:.2f} m"
