"""Water over outlets and dam faces, and along drains: heads, depths, speeds, shear.

All functions take numbers or arrays of one shape and return arrays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from peatwright.model.cited import Cited
from peatwright.model.water_rules import OverflowRules
from peatwright.water._refuse import numbers, refuse
from peatwright.water.storm_formulas import F64, v

GRAVITY = Cited(9.81, "m/s²", "gravity", 9.7, 9.9, source="common value", read="memory")
WEIGHT = Cited(9810.0, "N/m³", "weight of water", 9700, 9900, source="common value", read="memory")

ISO_3846 = "ISO 3846, rectangular broad-crested weir"
BROAD_FACTOR = Cited(
    0.864, "ratio", "discharge coefficient of a neat broad crest", 0.5, 1.1, source=ISO_3846,
    read="memory",
)  # fmt: skip
BROAD_HEAD_LENGTH_LOW = Cited(
    0.08, "ratio", "least head over crest length", 0, 1, source=ISO_3846, read="memory"
)
BROAD_HEAD_LENGTH_HIGH = Cited(
    0.33, "ratio", "greatest head over crest length", 0, 1, source=ISO_3846, read="memory"
)
BROAD_HEAD_DEPTH_HIGH = Cited(
    0.35, "ratio", "greatest head over upstream depth", 0, 1, source=ISO_3846, read="memory"
)
BROAD_HEAD_LOW_M = Cited(0.06, "m", "least head", 0, 1, source=ISO_3846, read="memory")
BROAD_WIDTH_LOW_M = Cited(0.3, "m", "least crest width", 0, 5, source=ISO_3846, read="memory")
BROAD_HEIGHT_LOW_M = Cited(0.15, "m", "least crest height", 0, 5, source=ISO_3846, read="memory")

VILLEMONTE = "Villemonte 1947"
VILLEMONTE_POWER = Cited(
    0.385, "power", "power of the submergence ratio", 0, 1, source=VILLEMONTE, read="memory"
)
WEIR_POWER = Cited(
    1.5, "power", "power of head over a rectangular weir", 1, 2,
    source="weir theory", read="memory",
)  # fmt: skip
NOTCH_FACTOR = Cited(
    0.585, "ratio", "discharge coefficient of a 90° V-notch", 0.5, 0.7,
    source="common textbook value", read="memory",
)  # fmt: skip
SHARP_FACTOR = Cited(
    0.62, "ratio", "discharge coefficient of a sharp rectangular weir", 0.5, 0.8,
    source="common textbook value", read="memory",
)  # fmt: skip

FISCHENICH = "Fischenich 2001, ERDC stability thresholds"
HEC15 = "FHWA HEC-15, grass retardance"
CIRIA116 = "CIRIA 116 (Hewlett 1987)"


@dataclass(frozen=True)
class Stand:
    """What a kind of ground stands: a shear and, where one is known, a speed."""

    ground: str
    shear_pa: Cited
    speed_mps: Cited | None


STANDS: dict[str, Stand] = {
    s.ground: s
    for s in (
        Stand(
            "bare peat",
            Cited(12.0, "Pa", "bare soil in beds and banks, 0.25 lb/ft²", 0, 500,
                  source=FISCHENICH, read="original"),
            None,
        ),
        Stand(
            "thin vegetation",
            Cited(24.0, "Pa", "vegetated soil, low end (0.5 lb/ft²)", 0, 500,
                  source=FISCHENICH, read="original"),
            Cited(1.5, "m/s", "plain grass under long flow, low end", 0, 10,
                  source=CIRIA116, read="memory"),
        ),
        Stand(
            "turf",
            Cited(48.0, "Pa", "grass of retardance C", 0, 500, source=HEC15, read="memory"),
            Cited(2.0, "m/s", "plain grass, good cover, under long flow", 0, 10,
                  source=CIRIA116, read="memory"),
        ),
        Stand(
            "dense vegetation",
            Cited(192.0, "Pa", "vegetated soil, high end (4 lb/ft²)", 0, 500,
                  source=FISCHENICH, read="original"),
            Cited(3.0, "m/s", "plain grass, good cover, 10 hours", 0, 10,
                  source=CIRIA116, read="memory"),
        ),
    )
}  # fmt: skip
"""Permissible shear and speed by ground. Well-decomposed peat stands far less than fibrous peat."""

_DEEPEST_M = 100.0
_ROUNDS = 80  # halvings: each round halves the bracket, so this ends at the limit of float64


def broad_crested_m3s(
    head_m: ArrayLike, width_m: ArrayLike, factor: float = v(BROAD_FACTOR)
) -> F64:
    """Return flow over a broad crest, Q = (2/3)^1.5 Ce b sqrt(g) h^1.5 (BS 3680, ISO 3846)."""
    head = np.maximum(np.asarray(head_m, np.float64), 0.0)
    power = v(WEIR_POWER)
    return np.asarray(
        (2.0 / 3.0) ** power
        * factor
        * np.asarray(width_m, np.float64)
        * np.sqrt(v(GRAVITY))
        * head**power
    )


def head_over_crest_m(flow_m3s: ArrayLike, width_m: ArrayLike, coefficient: float) -> F64:
    """Return the head for a flow over a crest, h = (Q / (c b))^(2/3), c in m^0.5/s."""
    flow = np.asarray(flow_m3s, np.float64)
    return np.asarray((flow / (coefficient * np.asarray(width_m))) ** (1.0 / v(WEIR_POWER)))


def required_width_m(flow_m3s: ArrayLike, head_m: ArrayLike, coefficient: float) -> F64:
    """Return the crest width that passes a flow at a head, b = Q / (c h^1.5)."""
    head = np.asarray(head_m, np.float64)
    return np.asarray(np.asarray(flow_m3s, np.float64) / (coefficient * head ** v(WEIR_POWER)))


def broad_crested_limits(
    head_m: float, length_m: float, height_m: float, width_m: float
) -> list[str]:
    """Say which limits of the broad-crested formula a weir breaks; empty when it holds.

    `length_m` runs along the flow, `height_m` is the crest above the bed upstream.
    """
    over_length = head_m / length_m
    over_depth = head_m / (head_m + height_m)
    said = []
    if not v(BROAD_HEAD_LENGTH_LOW) <= over_length <= v(BROAD_HEAD_LENGTH_HIGH):
        said.append(
            f"head over crest length is {over_length:.2f}, the formula holds for "
            f"{v(BROAD_HEAD_LENGTH_LOW)} to {v(BROAD_HEAD_LENGTH_HIGH)}"
        )
    if over_depth > v(BROAD_HEAD_DEPTH_HIGH):
        said.append(
            f"head over upstream depth is {over_depth:.2f}, the formula holds up to "
            f"{v(BROAD_HEAD_DEPTH_HIGH)}"
        )
    if head_m < v(BROAD_HEAD_LOW_M):
        said.append(f"head {head_m:.3f} m is under {v(BROAD_HEAD_LOW_M)} m")
    if width_m < v(BROAD_WIDTH_LOW_M):
        said.append(f"crest width {width_m:.2f} m is under {v(BROAD_WIDTH_LOW_M)} m")
    if height_m < v(BROAD_HEIGHT_LOW_M):
        said.append(f"crest height {height_m:.2f} m is under {v(BROAD_HEIGHT_LOW_M)} m")
    return said


def submerged_ratio(head_down_m: ArrayLike, head_up_m: ArrayLike) -> F64:
    """Return Villemonte's share of the free flow when the water below stands above the crest."""
    up = np.asarray(head_up_m, np.float64)
    ratio = np.clip(np.asarray(head_down_m, np.float64) / up, 0.0, 1.0)
    return np.asarray((1.0 - ratio ** v(WEIR_POWER)) ** v(VILLEMONTE_POWER))


def v_notch_m3s(head_m: ArrayLike, angle_rad: float = np.pi / 2) -> F64:
    """Return flow over a sharp V-notch, 8/15 Cd sqrt(2g) tan(angle/2) h^2.5."""
    head = np.maximum(np.asarray(head_m, np.float64), 0.0)
    root = np.sqrt(2.0 * v(GRAVITY))
    return np.asarray(8.0 / 15.0 * v(NOTCH_FACTOR) * root * np.tan(angle_rad / 2) * head**2.5)


def sharp_crested_m3s(head_m: ArrayLike, width_m: ArrayLike) -> F64:
    """Return flow over a sharp rectangular weir, 2/3 Cd sqrt(2g) b h^1.5."""
    head = np.maximum(np.asarray(head_m, np.float64), 0.0)
    root = np.sqrt(2.0 * v(GRAVITY))
    return np.asarray(
        2.0 / 3.0 * v(SHARP_FACTOR) * root * np.asarray(width_m) * head ** v(WEIR_POWER)
    )


@dataclass(frozen=True)
class ChannelFlow:
    """Uniform flow in a trapezoid; every field has the shape of what was given."""

    depth_m: F64
    area_m2: F64
    radius_m: F64
    speed_mps: F64
    flow_m3s: F64
    shear_mean_pa: F64
    shear_bed_pa: F64


def manning(
    depth_m: ArrayLike,
    bed_width_m: ArrayLike,
    side_ratio: ArrayLike,
    slope_ratio: ArrayLike,
    roughness: ArrayLike,
) -> ChannelFlow:
    """Return uniform flow at a depth: Q = A R^(2/3) S^(1/2) / n in a trapezoid.

    Args:
        depth_m: water depth.
        bed_width_m: bed width; 0 for a V.
        side_ratio: horizontal run of the sides per metre of height.
        slope_ratio: bed gradient, m/m.
        roughness: Manning's n, s/m^(1/3).

    """
    y, b, z, s, n = np.broadcast_arrays(
        *(np.asarray(a, np.float64) for a in (depth_m, bed_width_m, side_ratio, slope_ratio)),
        np.asarray(roughness, np.float64),
    )
    area = (b + z * y) * y
    wetted = b + 2.0 * y * np.sqrt(1.0 + z**2)
    radius = np.divide(area, wetted, out=np.zeros(area.shape), where=wetted > 0.0)
    speed = radius ** (2.0 / 3.0) * np.sqrt(s) / n
    return ChannelFlow(
        depth_m=y.copy(),
        area_m2=area,
        radius_m=radius,
        speed_mps=speed,
        flow_m3s=area * speed,
        shear_mean_pa=v(WEIGHT) * radius * s,
        shear_bed_pa=v(WEIGHT) * y * s,
    )


def normal_depth(
    flow_m3s: ArrayLike,
    bed_width_m: ArrayLike,
    side_ratio: ArrayLike,
    slope_ratio: ArrayLike,
    roughness: ArrayLike,
) -> ChannelFlow:
    """Return the uniform flow that carries `flow_m3s`; the other arguments are as in `manning`.

    Raises:
        PeatwrightError: a flow, width, side, slope or roughness is outside its range, or a section
            has neither bed nor sloping sides.

    """
    q = numbers("flow (m³/s)", flow_m3s, 0.0, 1e4)
    b = numbers("bed width (m)", bed_width_m, 0.0, 1e3)
    z = numbers("side slope (m/m)", side_ratio, 0.0, 100.0)
    s = numbers("gradient (m/m)", slope_ratio, 0.0, 10.0, open_low=True)
    n = numbers("roughness (s/m^(1/3))", roughness, 1e-3, 10.0)
    q, b, z, s, n = np.broadcast_arrays(q, b, z, s, n)
    if ((b == 0.0) & (z == 0.0)).any():
        refuse("channel", "no width at all", "a bed or sloping sides", "Mend the section.")
    low = np.zeros(q.shape)
    high = np.full(q.shape, _DEEPEST_M)
    if (manning(high, b, z, s, n).flow_m3s < q).any():
        refuse(
            "channel",
            f"a flow that stands over {_DEEPEST_M:g} m deep",
            f"at most {_DEEPEST_M:g} m",
            "Mend the flow or the section.",
        )
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        more = manning(middle, b, z, s, n).flow_m3s < q
        low = np.where(more, middle, low)
        high = np.where(more, high, middle)
    # An exactly dry channel stays exactly dry.
    return manning(np.where(q > 0.0, 0.5 * (low + high), 0.0), b, z, s, n)


def overflow_check(
    flow_m3s: ArrayLike,
    outlet_width_m: ArrayLike,
    crest_above_outlet_m: ArrayLike,
    face_slope_ratio: ArrayLike,
    ground: ArrayLike,
    rules: OverflowRules | None = None,
) -> pd.DataFrame:
    """Check outlets against a storm: head, freeboard left, speed and shear on the ground below.

    Screening only: uniform flow on a smooth wide face, no turbulence, no seepage, new turf not yet
    knitted. A person who knows the ground decides.

    Args:
        flow_m3s: design flow at each outlet, shape (n,).
        outlet_width_m: width over which the water leaves.
        crest_above_outlet_m: crest of the dam less level of the outlet.
        face_slope_ratio: fall of the ground the water runs down, m/m.
        ground: names of `STANDS`, text of shape (n,) or one text.
        rules: settings.

    Returns:
        A row per outlet: `head_m`, `freeboard_m` (crest less water level, below zero when water
        runs over the dam), `required_width_m` (outlet that keeps the freeboard asked for, inf when
        the crest leaves no room), `face_depth_m`, `speed_mps`, `shear_pa`, `shear_stands_pa`,
        `speed_stands_mps` (NaN where no figure is known), `overtopped`, `freeboard_short`,
        `erodes`, and `why` in words.

    Raises:
        PeatwrightError: a value is outside its range or a ground is not known.

    """
    rules = rules or OverflowRules()
    kinds = np.atleast_1d(np.asarray(ground, dtype=object))
    unknown = sorted({str(k) for k in kinds} - STANDS.keys())
    if unknown:
        refuse("ground", ", ".join(unknown), ", ".join(STANDS), "Choose one of these.")
    q, b, crest, slope = (
        np.atleast_1d(numbers("flow (m³/s)", flow_m3s, 0.0, 1e4)),
        np.atleast_1d(numbers("outlet width (m)", outlet_width_m, 0.0, 1e3, open_low=True)),
        np.atleast_1d(numbers("crest above outlet (m)", crest_above_outlet_m, -10.0, 10.0)),
        np.atleast_1d(numbers("face slope (m/m)", face_slope_ratio, 0.0, 100.0, open_low=True)),
    )
    q, b, crest, slope, kinds = np.broadcast_arrays(q, b, crest, slope, kinds)
    c = rules.weir_coefficient
    head = head_over_crest_m(q, b, c)
    freeboard = crest - head
    room = crest - rules.freeboard_m
    width = np.full(q.shape, np.inf)
    width[room > 0.0] = required_width_m(q[room > 0.0], room[room > 0.0], c)
    width[q == 0.0] = 0.0
    # A steep ratio is turned into the sine of the slope, which is what drives water down a face.
    sine = slope / np.sqrt(1.0 + slope**2)
    depth = (q / b * rules.roughness_face / np.sqrt(sine)) ** 0.6
    speed = np.divide(q / b, depth, out=np.zeros(q.shape), where=depth > 0.0)
    shear = v(WEIGHT) * depth * sine
    shear_stands = np.array([v(STANDS[str(k)].shear_pa) for k in kinds])
    speed_stands = np.array([_speed(STANDS[str(k)]) for k in kinds])
    erodes = (shear > shear_stands) | (speed > speed_stands)
    table = pd.DataFrame(
        {
            "head_m": head,
            "freeboard_m": freeboard,
            "required_width_m": width,
            "face_depth_m": depth,
            "speed_mps": speed,
            "shear_pa": shear,
            "shear_stands_pa": shear_stands,
            "speed_stands_mps": speed_stands,
            "overtopped": freeboard < 0.0,
            "freeboard_short": freeboard < rules.freeboard_m,
            "erodes": erodes,
        }
    )
    table["why"] = [
        _words(row, str(kind), rules) for row, kind in zip(table.itertuples(), kinds, strict=True)
    ]
    return table


def _speed(stand: Stand) -> float:
    return np.nan if stand.speed_mps is None else v(stand.speed_mps)


def _words(row: Any, kind: str, rules: OverflowRules) -> str:
    at = row._asdict()
    head, left = at["head_m"], at["freeboard_m"]
    if left < 0.0:
        said = f"water stands {head:.2f} m over the outlet and runs over the dam by {-left:.2f} m"
    elif left < rules.freeboard_m:
        said = (
            f"water stands {head:.2f} m over the outlet; {left:.2f} m of crest is left, "
            f"{rules.freeboard_m:.2f} m is asked for"
        )
    else:
        said = f"water stands {head:.2f} m over the outlet; {left:.2f} m of crest is left"
    if left < rules.freeboard_m and np.isfinite(at["required_width_m"]):
        said += f"; an outlet {at['required_width_m']:.1f} m wide would do"
    shear, limit = at["shear_pa"], at["shear_stands_pa"]
    if shear > limit:
        said += f"; shear {shear:.0f} Pa on {kind}, which stands about {limit:.0f} Pa"
    if at["speed_mps"] > at["speed_stands_mps"]:
        said += (
            f"; speed {at['speed_mps']:.1f} m/s on {kind}, "
            f"which stands about {at['speed_stands_mps']:.1f} m/s"
        )
    return said


def drain_erosion(
    flow: ChannelFlow, ground: str, peat_below_bed_m: ArrayLike
) -> tuple[NDArray[np.bool_], list[str]]:
    """Say where a drain's bed is likely to wash: shear over what it stands, or mineral ground.

    Args:
        flow: uniform flow of each station.
        ground: a name of `STANDS`.
        peat_below_bed_m: peat left under the bed; 0 or less where the drain is cut into mineral,
            NaN where not known.

    Returns:
        Whether each station erodes, and words for each.

    """
    if ground not in STANDS:
        refuse("ground", ground, ", ".join(STANDS), "Choose one of these.")
    limit = v(STANDS[ground].shear_pa)
    shear, peat = np.broadcast_arrays(flow.shear_bed_pa, np.asarray(peat_below_bed_m, np.float64))
    # Ditches wash most where they are cut into mineral ground (Stenberg 2015, Ecol. Eng. 75: 421).
    mineral = peat <= 0.0
    erodes = np.atleast_1d((shear > limit) | mineral)
    words = []
    for pa, cut in zip(np.atleast_1d(shear), np.atleast_1d(mineral), strict=True):
        said = f"bed shear {pa:.0f} Pa; {ground} stands about {limit:.0f} Pa"
        words.append(said + ("; the drain is cut into mineral ground" if cut else ""))
    return erodes, words
