"""Which rule governs the distance between two dams, and what the other published rules would give.

Published rules disagree (a fixed 7 m and one dam per 20 cm of drop meet only on slopes under half a
degree), so the layout says at each dam which one holds and sets the others beside it.
"""

from __future__ import annotations

import numpy as np

from peatwright.model.cited import Cited
from peatwright.model.rules import IUCN_WAVE, SRDP, WN1, YPP, Rules
from peatwright.works.sections import Bools, Floats, Ints

WN1_USUAL = Cited(7.0, "m", "spacing, about", 1, 50, source=WN1, read="original")
WN1_MAX = Cited(10.0, "m", "spacing, never over", 1, 50, source=WN1, read="original")
SRDP_MEAN = Cited(25.0, "m", "spacing, average", 1, 100, source=SRDP, read="original")
SRDP_MAX = Cited(50.0, "m", "spacing, at most", 1, 100, source=SRDP, read="original")
SRDP_DROP = Cited(0.2, "m", "drop in ground per dam", 0.05, 1, source=SRDP, read="original")
YPP_MEAN = Cited(7.5, "m", "spacing, average, by gradient", 1, 50, source=YPP, read="original")
WAVE_LOW = Cited(3.0, "m", "spacing of wave dams, from", 1, 50, source=IUCN_WAVE, read="original")
WAVE_HIGH = Cited(4.0, "m", "spacing of wave dams, to", 1, 50, source=IUCN_WAVE, read="original")
WELSH = Cited(
    10.0, "m", "spacing in a Welsh trial", 1, 50,
    source="Holden et al. 2017, Hydrol. Process. doi 10.1002/hyp.11031", read="original",
)  # fmt: skip
PRACTICE = Cited(8.0, "m", "spacing, roughly", 1, 50, read="common practice")
# A bed flatter than this sets no distance by its fall.
FLAT = Cited(0.0005, "m/m", "bed gradient below which no distance is worked out", 0, 0.01)

TARGET, HEAD, POOL, DROP, MOST, GAP, LAST, PARTED = range(8)


def limits(
    gradient: Floats, pool_m: Floats, toe_m: Floats, head_max_m: Floats, rules: Rules
) -> tuple[Floats, Floats, Floats]:
    """Distances (M) at which the head limit, the pool rule and the drop rule begin to bind.

    On an even gradient S: head limit / S; (pool - lower base of this dam) / S; drop / S. Infinite
    where the bed is flat, or the drain so shallow that its bed alone keeps the head in bounds.
    """
    p = rules.spacing
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(gradient > float(FLAT.value), gradient, np.nan)
        above = pool_m - toe_m
        head = np.where(above > head_max_m, head_max_m / slope, np.nan)
        pool = np.maximum(above, 0.0) / slope
        drop = p.drop_per_dam_m / slope
    return tuple(np.where(np.isfinite(v), v, np.inf) for v in (head, pool, drop))  # type: ignore[return-value]


def governs(
    spacing_m: Floats, same: Bools, head: Floats, pool: Floats, drop: Floats, rules: Rules
) -> Ints:
    """Which rule sets the distance to the next dam down (M): one of the codes above.

    `same` says whether the next dam belongs to the same stretch.
    """
    p = rules.spacing
    off = np.full(spacing_m.size, np.inf)
    table = np.stack(
        [
            np.full(spacing_m.size, p.target_m),
            head,
            pool if p.pool_reaches_base else off,
            drop if p.drop_per_dam_governs else off,
            np.full(spacing_m.size, p.max_m),
        ]
    )
    code = table.argmin(axis=0)
    with np.errstate(invalid="ignore"):
        code = np.where(spacing_m > p.max_m + 1e-9, GAP, code)
    code = np.where(same, code, PARTED)
    out: Ints = np.where(np.isfinite(spacing_m), code, LAST).astype(np.int64)
    return out


def rule_text(
    code: int, limit_m: float, spacing_m: float, between: str, soft: bool, rules: Rules
) -> str:
    """Say which rule governs, with its key and value."""
    p = rules.spacing
    if code == LAST:
        return "last dam on this drain"
    if code == PARTED:
        return "the next dam stands beyond a stretch without dams"
    if code == GAP:
        why = between or "no place fit for a dam"
        return f"over spacing.max_m {p.max_m:g} m: nothing can be built between ({why})"
    said = {
        TARGET: f"usual distance (spacing.target_m {p.target_m:g} m)",
        HEAD: f"head limit ({head_key(soft, rules)}, here {limit_m:.1f} m)",
        POOL: f"pool must reach the base of the next dam up (spacing.pool_reaches_base, "
        f"here {limit_m:.1f} m)",
        DROP: f"drop per dam (spacing.drop_per_dam_m {p.drop_per_dam_m:g} m, here {limit_m:.1f} m)",
        MOST: f"greatest distance (spacing.max_m {p.max_m:g} m)",
    }[code]
    if abs(spacing_m - min(limit_m, p.max_m)) > rules.measure.station_m + 1e-9:
        side = "closer" if spacing_m < limit_m else "further"
        said += f", {side} here to fit the ground, an end, a junction or another rule"
    return said


def head_key(soft: bool, rules: Rules) -> str:
    """Name the head limit of dams of peat, or of hard dams, with its value."""
    p = rules.spacing
    if soft:
        return f"spacing.head_max_m {p.head_max_m:g} m"
    return f"spacing.head_hard_max_m {p.head_hard_max_m:g} m"


def others_text(gradient: float, head_m: float, head_max_m: float) -> str:
    """Say what the other published rules would give at a bed gradient (m/m, NaN if not known)."""
    known = gradient > float(FLAT.value)
    drop = float(SRDP_DROP.value)
    by_drop = f"{drop / gradient:.1f} m here" if known else "no limit on so flat a bed"
    by_head = f"{head_m:.1f} m here" if np.isfinite(head_m) else "no limit here"
    return (
        f"WN1 about {WN1_USUAL.value:g} m, never over {WN1_MAX.value:g} m; "
        f"older Scottish average {SRDP_MEAN.value:g} m, at most {SRDP_MAX.value:g} m, and one per "
        f"{drop * 100:.0f} cm drop: {by_drop}; "
        f"Yorkshire average {YPP_MEAN.value:g} m; "
        f"wave dams {WAVE_LOW.value:g}-{WAVE_HIGH.value:g} m; "
        f"Welsh trial {WELSH.value:g} m; common practice {PRACTICE.value:g} m; "
        f"head limit {head_max_m:g} m: {by_head}"
    )
