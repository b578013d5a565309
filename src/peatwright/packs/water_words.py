"""Water in words and figures, for the command line and the pack."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from peatwright.packs.wording import number

WIDE = 96
UNKNOWN = "-"
SIDE_BY_SIDE = (
    "Methods differ by several times on one small catchment: none of them is measured here. A "
    "competent person chooses."
)


def shown(value: float, unit: str) -> str:
    if not np.isfinite(value):
        return UNKNOWN
    if unit == "ratio":
        return f"{value:.0%}"
    if unit == "m" and abs(value) < 10:
        return f"{value * 100:.1f} cm"
    if unit == "m²" and value >= 1e4:
        return f"{value / 1e4:.1f} ha"
    return number(value, 0, unit if unit in {"m", "m²"} else "")


def figure_rows(figures: Any) -> list[list[str]]:
    """Return figure, before, after and words of each row of WATER_FIGURES."""
    return [
        [str(r.figure), shown(r.before, r.unit), shown(r.after, r.unit), str(r.words or "")]
        for r in figures.itertuples()
    ]


def figure_lines(figures: Any) -> list[str]:
    """Return the figures as lines of a screen."""
    lines = [f"{'':68} {'before':>12} {'after':>12}"]
    for what, before, after, words in figure_rows(figures):
        lines.append(f"{what:68} {before:>12} {after:>12}")
        lines += textwrap.wrap(words, WIDE, initial_indent="    ", subsequent_indent="    ")
    return lines


def flow(value: float) -> str:
    """Return a flow in l/s with two or three figures."""
    if not np.isfinite(value):
        return UNKNOWN
    litres = value * 1000.0
    return f"{litres:.1f}" if litres < 10 else number(litres)


def method_table(flows: Any, period_years: float) -> pd.DataFrame:
    """Return a row per dam and a column per method: peak flow, m³/s, of one return period."""
    at = flows[flows["return_period_years"] == period_years]
    order = list(dict.fromkeys(at["method"]))
    wide = at.pivot_table(index="item_id", columns="method", values="flow_m3s", sort=False)
    out: pd.DataFrame = wide[order]
    return out


def dam_lines(dam: Any, flows: Any) -> list[str]:
    """Return what is known of the water of one dam, from its rows of SPILLS and SPILL_FLOWS."""
    own = flows[flows["item_id"] == dam["item_id"]]
    lines = [
        (
            f"{dam['item_id']}  {dam['method']}, drain {dam['drain_id']}, chainage "
            f"{dam['chainage_m']:.0f} m"
        ),
        (
            f"Ground that drains to it: {shown(dam['upslope_m2'], 'm²')} "
            f"({shown(dam['upslope_low_m2'], 'm²')} to {shown(dam['upslope_high_m2'], 'm²')}, "
            f"{dam['range_from']}); to its spill after the works "
            f"{shown(dam['upslope_after_m2'], 'm²')}"
        ),
        "",
        f"{'Storm flow, l/s, with uplift':28} "
        + " ".join(f"{p:g} years".rjust(17) for p in sorted(set(own["return_period_years"]))),
    ]
    for method, rows in own.groupby("method", sort=False):
        cells = [
            f"{flow(r.flow_m3s)} ({flow(r.low_m3s)}-{flow(r.high_m3s)})".rjust(17)
            for r in rows.sort_values("return_period_years").itertuples()
        ]
        outside = "" if (rows["in_range"] == "yes").all() else "  beyond its range"
        lines.append(f"{method:28} " + " ".join(cells) + outside)
    years = f"{dam['return_period_years']:g}-year storm"
    lines += textwrap.wrap(SIDE_BY_SIDE, WIDE)
    lines += [
        "",
        (
            f"In the {years}, all water coming down the drain: head {dam['head_m']:.2f} m over the "
            f"outlet, {dam['freeboard_m']:.2f} m of crest left"
        ),
        (
            f"with the water as routed after: head {dam['head_after_m']:.2f} m, "
            f"{dam['freeboard_after_m']:.2f} m left; on the ground below "
            f"{dam['speed_mps']:.2f} m/s, {dam['shear_pa']:.0f} Pa on "
            f"{dam['ground_below']}, which stands about {dam['shear_stands_pa']:.0f} Pa"
        ),
    ]
    back = (
        f"back in its drain after {dam['back_in_drain_m']:.0f} m"
        if np.isfinite(dam["back_in_drain_m"])
        else "not back in its drain"
    )
    over = f"{dam['over_bog_m']:.0f} m over bog" if np.isfinite(dam["over_bog_m"]) else "unknown"
    lines.append(f"Spills: {dam['place']}; runs {over} to {dam['path_end']}; {back}")
    return lines


def rain_words(report: Mapping[str, Any]) -> str:
    """Return the storm in words."""
    return (
        f"{report['rain_m'] * 1000:.0f} mm of rain in {report['rain_s'] / 3600:g} h, with "
        f"{report['uplift_ratio']:.0%} climate uplift; cells of {report['cell_m']:g} m"
    )


def peak_rows(peaks: Any) -> list[list[str]]:
    """Return line, peaks before and after, change, delay and volumes of STORM_PEAKS."""
    return [
        [
            "all that leaves the terrain" if r.line == "edges" else str(r.line),
            flow(r.peak_before_m3s), flow(r.peak_after_m3s),
            f"{r.peak_change_ratio:+.0%}" if np.isfinite(r.peak_change_ratio) else UNKNOWN,
            f"{r.delay_s / 60:+.0f}", number(r.volume_before_m3), number(r.volume_after_m3),
        ]
        for r in peaks.itertuples()
    ]  # fmt: skip


def peak_lines(peaks: Any, report: Mapping[str, Any]) -> list[str]:
    """Return the peaks of a storm as lines of a screen."""
    lines = [
        f"Storm: {rain_words(report)}",
        (
            f"{'':30} {'peak before':>12} {'after':>9} {'change':>7} {'later by':>9} "
            f"{'water before':>13} {'after':>9}"
        ),
        f"{'':30} {'l/s':>12} {'l/s':>9} {'':>7} {'min':>9} {'m³':>13} {'m³':>9}",
    ]
    for name, before, after, change, delay, was, now in peak_rows(peaks):
        lines.append(f"{name:30} {before:>12} {after:>9} {change:>7} {delay:>9} {was:>13} {now:>9}")
    return lines
