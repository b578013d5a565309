"""A picture of flow over time at some lines, before and after, with the rain above it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from peatwright.packs.drawing.look import FAINT, INK, SOFT, WATER, WATER_EDGE
from peatwright.packs.drawing.svg import Svg, path_of

WIDE, HIGH = 196.0, 84.0
LEFT, RIGHT, TOP, BOTTOM, RAIN = 17.0, 6.0, 8.0, 11.0, 12.0
BEFORE, AFTER = "#84460F", "#15588F"
GAP = 6.0
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


def round_step(most: float, parts: int) -> float:
    """Return a round step that divides 0 to `most` into about `parts`."""
    if most <= 0.0:
        return 1.0
    rough = most / parts
    ten = 10.0 ** np.floor(np.log10(rough))
    return float(next(s * ten for s in STEPS if s * ten >= rough - 1e-12))


def hydrograph_svg(series: pd.DataFrame, names: Sequence[str]) -> bytes:
    """Return up to four panels, two a row, from HYDROGRAPHS."""
    rows = (len(names) + 1) // 2
    svg = Svg(2 * WIDE + GAP, max(1, rows) * (HIGH + GAP))
    for k, name in enumerate(names):
        own = series[series["line"] == name].sort_values("time_s")
        _panel(svg, (k % 2) * (WIDE + GAP), (k // 2) * (HIGH + GAP), name, own)
    return svg.done()


def _panel(svg: Svg, x0: float, y0: float, name: str, own: pd.DataFrame) -> None:
    time_h = own["time_s"].to_numpy(np.float64) / 3600.0
    flows = {
        "before": own["before_m3s"].to_numpy(np.float64) * 1000.0,
        "after": own["after_m3s"].to_numpy(np.float64) * 1000.0,
    }
    rain_mmh = own["rain_mps"].to_numpy(np.float64) * 3.6e6
    end = float(time_h[-1])
    most = max(1e-6, *(float(f.max()) for f in flows.values()))
    low = min(0.0, *(float(f.min()) for f in flows.values()))
    step = round_step(most, 4)
    high = step * float(np.ceil(most / step))
    low = -step * float(np.ceil(-low / step - 1e-9))
    left, right = x0 + LEFT, x0 + WIDE - RIGHT
    top, bottom = y0 + TOP + RAIN, y0 + HIGH - BOTTOM

    def px(t: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return np.asarray(left + np.asarray(t) / end * (right - left))

    def py(q: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return np.asarray(bottom - (np.asarray(q) - low) / (high - low) * (bottom - top))

    title = "all that leaves the terrain" if name == "edges" else name
    svg.text(left, y0 + 4.4, title, 3.6, bold=True)
    for n in range(round((high - low) / step) + 1):
        value = low + n * step
        y = float(py(value))
        svg.line(left, y, right, y, INK if value == 0.0 else FAINT, 0.25 if value == 0.0 else 0.15)
        svg.text(
            left - 1.4, y + 1.0, f"{value:,.6g}".replace(",", " "), 2.7, anchor="end", fill=SOFT
        )
    hours = round_step(end, 6)
    for n in range(int(end / hours + 1e-9) + 1):
        x = float(px(n * hours))
        svg.line(x, bottom, x, bottom + 1.2, SOFT, 0.2)
        svg.text(x, bottom + 4.4, f"{n * hours:g}", 2.7, anchor="middle", fill=SOFT)
    svg.text((left + right) / 2, bottom + 8.4, "hours from the start of the rain", 2.7,
             anchor="middle", fill=SOFT)  # fmt: skip
    svg.text(x0 + 3.6, (top + bottom) / 2, "flow, l/s", 2.7, anchor="middle", fill=SOFT, turn=-90)
    wettest = float(rain_mmh.max())
    if wettest > 0.0:
        start = np.concatenate([[0.0], time_h[:-1]])
        for a, b, r in zip(start, time_h, rain_mmh, strict=True):
            if r > 0.0:
                tall = r / wettest * (RAIN - 2.0)
                xa, xb = float(px(float(a))), float(px(float(b)))
                svg.rect(xa, y0 + TOP - 2.0, xb - xa, float(tall), fill=WATER)
        rains = float(px(float(time_h[np.flatnonzero(rain_mmh > 0.0)[-1]])))
        svg.text(
            rains + 2.0, y0 + TOP + 1.4, f"rain, at most {wettest:.0f} mm/h", 2.7, fill=WATER_EDGE
        )
    # The broken line lies over the whole one, so that both are seen where they run together.
    for when, colour, dash in (("after", AFTER, ""), ("before", BEFORE, "2.2 1")):
        line = np.column_stack([px(time_h), py(flows[when])])
        svg.path(path_of(line), colour, 0.55, dash=dash)
    for k, (when, colour, dash) in enumerate((("before", BEFORE, "2.2 1"), ("after", AFTER, ""))):
        x, y = right - 44.0 + 22.0 * k, top + 3.4
        svg.line(x, y, x + 8.0, y, colour, 0.6, dash)
        svg.text(x + 9.4, y + 1.0, when, 2.9)
