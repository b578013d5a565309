"""The dam that would stand at each station: its width, crest, pool, outlet, spoil gap and volumes.

Every station is sized before dams are placed, so that placing can weigh what each would cost and
hold; items then take the rows that were chosen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from peatwright.model.cited import Cited
from peatwright.model.rules import Rules
from peatwright.works import _kernels, volumes
from peatwright.works import methods as mt
from peatwright.works.sections import Bools, Floats, Ints, Sections
from peatwright.works.span import Span, spans

SILL_TIE = Cited(
    0.03, "m", "two sills closer in level than this are called equal: airborne levels are no surer",
    0, 0.3,
)  # fmt: skip
LEFT, RIGHT, OVER = 0, 1, -1


@dataclass(frozen=True)
class Sized:
    """A dam at each row (M), in metres and cubic metres; NaN where not known or not of its kind."""

    method: Ints
    soft: Bools
    side: Ints
    poor: Bools
    fall_m: Floats
    sill_m: Floats
    pool_m: Floats
    head_max_m: Floats
    crest_m: Floats
    height_m: Floats
    width_m: Floats
    span_m: Floats
    buckets: Floats
    left_m: Floats
    right_m: Floats
    edge_m: Floats
    beyond_m: Floats
    short_left_m: Floats
    short_right_m: Floats
    thickness_m: Floats
    up_m: Floats
    down_m: Floats
    toe_m: Floats
    dig_m: Floats
    base_key_m: Floats
    fill_m3: Floats
    hollow_depth_m: Floats
    hollow_m3: Floats
    spoiled: Bools
    gap_height_m: Floats
    gap_width_m: Floats
    gap_m3: Floats

    def rows(self, chosen: Ints) -> Sized:
        """Return the dams at the chosen rows."""
        return Sized(**{k: v[chosen] for k, v in vars(self).items()})


SAG = (
    "sag_left_width_m", "sag_right_width_m", "left_edge_level_m", "right_edge_level_m",
    "left_fall_m", "right_fall_m",
)  # fmt: skip
SECTION = ("depth_m", "top_width_m", "bottom_width_m")


def steadied(s: Sections, names: tuple[str, ...], rules: Rules) -> Sections:
    """Return the sections with some of their values evened out along the drain.

    The edge of a sag is a shallow thing: from one section to the next it may jump by metres, and
    the level of a sill with it. A dam is several metres wide and spans what lies around it.
    """
    half = round(0.5 * rules.dam.steady_m / rules.measure.station_m)
    if half < 1:
        return s
    value = dict(s.value)
    fall = _or(s["bed_gradient_ratio"], 0.0)
    for name in names:
        out = np.empty_like(value[name])
        slope = fall if name.endswith("level_m") else np.zeros_like(fall)
        known = np.where(s.usable, value[name], np.nan)
        _kernels.steady(s.off, s["chainage_m"], known, slope, half, out)
        value[name] = out
    return replace(s, value=value)


def _or(values: Floats, other: Floats | float) -> Floats:
    out: Floats = np.where(np.isfinite(values), values, other)
    return out


def size(s: Sections, method: Ints, rules: Rules) -> Sized:
    """Size a dam of each station's `method` (N, codes of METHODS).

    Dams of peat span the sag in whole buckets, as far as their pool needs it (see `span.spans`);
    they spill at the edge of the sag, on ground.
    Hard dams stand in the channel alone and spill over their own notch, which lies no higher than
    the lower shoulder and the greatest height of their kind.
    """
    d = rules.dam
    with np.errstate(invalid="ignore", divide="ignore"):
        soft = method <= mt.PEAT
        bed, depth = s["bed_level_m"], s["depth_m"]
        top = s["top_width_m"]
        bottom = _or(s["bottom_width_m"], 0.5 * top)
        shoulder = bed + depth
        side, poor, fall, sill = _outlet(s, shoulder, rules)
        held = spans(s, method, sill, float(SILL_TIE.value), rules)
        left, right = held.reach_m
        span = left + right
        buckets = held.buckets
        width = np.where(soft, buckets * d.bucket_m, top + 2.0 * d.key_m)
        spare = held.end_m[0] - left
        left_end, right_end = np.where(soft, held.end_m, 0.5 * top + d.key_m)

        highest = np.select(
            [method == mt.TIMBER, method == mt.STONE],
            [rules.method.timber_height_max_m, rules.method.stone_height_max_m],
            np.inf,
        )
        notch = np.minimum(shoulder, bed + highest - d.freeboard_m)
        pool = np.where(soft, sill, notch)
        ground = s["ground_level_m"]
        crest = np.where(soft, np.fmax(sill + d.freeboard_m, ground), notch + d.freeboard_m)
        height = np.maximum(crest - bed, 0.0)
        thickness = np.where(
            method == mt.PEAT, np.maximum(d.crest_thickness_m, d.peat_length_ratio * top),
            d.crest_thickness_m,
        )  # fmt: skip
        # The hollow's length runs from the crest line: its bevel rises to the dam's upslope face.
        up = np.where(soft, np.maximum(d.hollow_length_m, 0.5 * thickness), 0.5 * thickness)
        down = 0.5 * thickness
        toe = down + np.where(soft, d.face_slope_ratio * height, 0.0)

        p = rules.spacing
        head_max = np.where(soft, p.head_max_m, p.head_hard_max_m)

        peat = s["peat_below_bed_m"]
        base_key = np.where(
            method == mt.PEAT, np.minimum(d.key_m, np.maximum(_or(peat, d.key_m), 0.0)), 0.0
        )
        fill = _fill(s, rules, top, bottom, depth, height, crest, shoulder, thickness, spare,
                     base_key, method, held)  # fmt: skip
        hollow_depth = np.minimum(depth, d.hollow_length_m / d.hollow_bevel_ratio)
        hollow = volumes.hollow_m3(d.hollow_length_m, hollow_depth, d.hollow_bevel_ratio)

        gap_height, gap_width, spoiled = _spoil(s, side, rules)
        spoiled &= soft
        gap = volumes.gap_m3(gap_height, gap_width, d.spoil_gap_width_m)
    nan = np.nan
    return Sized(
        method=method, soft=soft,
        side=np.where(soft, side, OVER), poor=poor & soft, fall_m=np.where(soft, fall, nan),
        sill_m=pool, pool_m=pool, head_max_m=head_max, crest_m=crest,
        height_m=height, width_m=width, span_m=span,
        buckets=np.where(soft, buckets, nan), left_m=left_end, right_m=right_end,
        edge_m=np.where(side == LEFT, left, right), beyond_m=np.where(soft, held.beyond_m, 0.0),
        short_left_m=np.where(soft, held.short_m[0], 0.0),
        short_right_m=np.where(soft, held.short_m[1], 0.0),
        thickness_m=thickness, up_m=up, down_m=down, toe_m=toe,
        dig_m=np.where(soft, depth + base_key, depth), base_key_m=base_key,
        fill_m3=np.where(soft, fill, nan), hollow_depth_m=np.where(soft, hollow_depth, nan),
        hollow_m3=np.where(soft, hollow, nan), spoiled=spoiled,
        gap_height_m=np.where(spoiled, gap_height, nan),
        gap_width_m=np.where(spoiled, gap_width, nan), gap_m3=np.where(spoiled, gap, nan),
    )  # fmt: skip


def _outlet(s: Sections, shoulder: Floats, rules: Rules) -> tuple[Ints, Bools, Floats, Floats]:
    """Side, whether it is poor, its fall, and the level of its sill.

    Water leaves where ground falls away; if it does on both sides, over the lower sill. Where the
    sills are as good as equal, the side without spoil is taken, then the downhill one.
    """
    sill_l = _or(_or(s["left_edge_level_m"], s["left_level_m"]), shoulder)
    sill_r = _or(_or(s["right_edge_level_m"], s["right_level_m"]), shoulder)
    fall_l, fall_r = s["left_fall_m"], s["right_fall_m"]
    good_l = fall_l >= rules.dam.outlet_fall_min_m
    good_r = fall_r >= rules.dam.outlet_fall_min_m
    high_l, _ = _bank(s, LEFT, rules)
    high_r, _ = _bank(s, RIGHT, rules)
    tie = np.abs(sill_l - sill_r) <= float(SILL_TIE.value)
    downhill_right = s.text["downhill_side"] == "right"
    by_sill = np.where(tie, np.where(high_l != high_r, high_l, downhill_right), sill_r < sill_l)
    # Neither falls away: water leaves over the lower sill; where they are as good as equal, the
    # side that falls most, or rises least, is still the better way out.
    least_bad = np.where(tie, _or(fall_r, -np.inf) > _or(fall_l, -np.inf), sill_r < sill_l)
    neither = ~good_l & ~good_r
    right = np.where(good_l & good_r, by_sill, np.where(neither, least_bad, good_r))
    unknown = ~np.isfinite(fall_l) & ~np.isfinite(fall_r)
    right = np.where(unknown, by_sill, right).astype(bool)
    side = right.astype(np.int64)
    fall = np.where(right, fall_r, fall_l)
    return side, neither, fall, np.where(right, sill_r, sill_l)


def _bank(s: Sections, side: int, rules: Rules) -> tuple[Bools, Floats]:
    """Whether spoil stands on a side, and its height (NaN where not known)."""
    name = "left" if side == LEFT else "right"
    height = s[f"spoil_{name}_height_m"]
    said = np.isin(s.text["spoil_side"], [name, "both"])
    bank: Bools = (height >= rules.measure.spoil_height_m) | (said & ~np.isfinite(height))
    return bank, height


def banks(s: Sections, side: int, rules: Rules) -> Bools:
    """Whether old spoil stands on the side at each station."""
    return _bank(s, side, rules)[0]


def _spoil(s: Sections, side: Ints, rules: Rules) -> tuple[Floats, Floats, Bools]:
    """Height and width of the spoil on the outlet's side, and whether there is any."""
    on_l, high_l = _bank(s, LEFT, rules)
    on_r, high_r = _bank(s, RIGHT, rules)
    right = side == RIGHT
    return (
        np.where(right, high_r, high_l),
        np.where(right, s["spoil_right_width_m"], s["spoil_left_width_m"]),
        np.where(right, on_r, on_l),
    )


def _fill(
    s: Sections, rules: Rules, top: Floats, bottom: Floats, depth: Floats, height: Floats,
    crest: Floats, shoulder: Floats, thickness: Floats, spare: Floats, base_key: Floats,
    method: Ints, held: Span,
) -> Floats:  # fmt: skip
    """Peat in a dam: the plug in the drain, the strip over it, both wings and the key."""
    d = rules.dam
    face = d.face_slope_ratio
    plug = volumes.plug_m3(top, bottom, depth, height, thickness, face)
    over = np.maximum(crest - shoulder, 0.0)
    strip = volumes.wing_m3(top, over, over, thickness, face)
    wings = np.zeros_like(plug)
    for k, name in enumerate(("left", "right")):
        inner = np.maximum(crest - _or(s[f"{name}_level_m"], shoulder), 0.0)
        edge = np.maximum(crest - _or(s[f"{name}_edge_level_m"], crest - over), 0.0)
        reach = np.maximum(held.reach_m[k] - _or(s[f"{name}_offset_m"], 0.5 * top), 0.0)
        sag = _or(s[f"sag_{name}_width_m"], 0.0)
        # A dam that ends within the sag is as high there as the ground has not risen yet.
        edge = inner + (edge - inner) * np.where(sag > reach, reach / np.maximum(sag, 1e-9), 1.0)
        wings += volumes.wing_m3(reach, inner, edge, thickness, face)
        # Beyond the sag the dam runs on to the last whole bucket at the height of the sag's edge.
        wings += volumes.wing_m3(spare, edge, edge, thickness, face)
    side_key = np.where(method == mt.PEAT, d.key_m, 0.0)
    key = volumes.key_m3(bottom, depth, thickness, side_key, base_key)
    out: Floats = plug + strip + wings + key
    return out
