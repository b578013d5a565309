"""One panel of a long section: ground, bed, peat, dams, pools and works along a drain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from peatwright.model.layers import ITEM_KINDS
from peatwright.packs.drawing.look import (
    FAINT,
    GROUND,
    INK,
    METHOD_STROKES,
    MINERAL,
    PAPER,
    PEAT,
    PEAT_PALE,
    SOFT,
    WARN,
    WATER,
    WATER_EDGE,
    ZIP,
)
from peatwright.packs.drawing.svg import Svg, path_of, text_width

Floats = NDArray[np.float64]
PANEL_M, STEEP_PANEL_M = 160.0, 80.0
"""Length of drain on one panel; a steep drain is cut shorter and drawn larger."""
STEEP_FALL_M = 5.0
"""A drain that spans more than this over a panel is drawn as a steep one."""
LEFT, RIGHT, GRAPH_WIDE = 19.0, 4.0, 256.0
WIDE = LEFT + GRAPH_WIDE + RIGHT
GRAPH_TOP, GRAPH_HIGH = 7.5, 38.5
ROW = 3.25
ROWS = ("works", "spoil left", "spoil right", "chainage, m", "depth, m", "top width, m",
        "gradient, %", "peat below bed, m")  # fmt: skip
HIGH = GRAPH_TOP + GRAPH_HIGH + ROW * len(ROWS) + 1.0
EXAGGERATIONS = (10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0, 0.75, 0.5, 0.25)
SHOWN_APART_M = 0.02
"""The airborne bed gets a line of its own when it differs from the corrected one by more."""


@dataclass(frozen=True)
class Panel:
    """What one panel shows: the stations, items and joins between two chainages.

    `length_m` is the length of drain that would fill the panel's width.
    """

    stations: pd.DataFrame
    items: pd.DataFrame
    joins: list[tuple[float, str]]
    from_m: float
    to_m: float
    length_m: float
    outfall: str
    crest_thickness_m: float
    face_slope_ratio: float

    @property
    def per_m(self) -> float:
        """Millimetres of paper for one metre along the drain."""
        return GRAPH_WIDE / self.length_m


@dataclass(frozen=True)
class _Scale:
    from_m: float
    per_m: float
    low_m: float
    per_level_m: float

    def x(self, chainage_m: Floats | float) -> Floats:
        return LEFT + (np.asarray(chainage_m, np.float64) - self.from_m) * self.per_m

    def y(self, level_m: Floats | float) -> Floats:
        up = (np.asarray(level_m, np.float64) - self.low_m) * self.per_level_m
        return GRAPH_TOP + GRAPH_HIGH - up

    def points(self, chainage_m: Floats, level_m: Floats) -> Floats:
        return np.stack([self.x(chainage_m), self.y(level_m)], axis=1)


def draw(panel: Panel) -> tuple[bytes, float]:
    """Return the panel as SVG and its vertical exaggeration."""
    scale, times = _scaled(panel)
    svg = Svg(WIDE, HIGH)
    s = panel.stations
    at = s["chainage_m"].to_numpy(np.float64)
    wide = (panel.to_m - panel.from_m) * panel.per_m
    svg.clip("graph", LEFT, GRAPH_TOP, wide, GRAPH_HIGH)
    _ground(svg, panel, scale, at)
    _zips(svg, panel, scale, at)
    _lines(svg, panel, scale, at)
    _dams(svg, panel, scale)
    _pools(svg, panel, scale, at)
    _bands(svg, panel, scale, at)
    svg.end()
    _levels(svg, scale, wide)
    _heads(svg, panel, scale)
    _strip(svg, panel, scale, at, wide)
    svg.rect(LEFT, GRAPH_TOP, wide, GRAPH_HIGH, stroke=INK, width=0.25)
    return svg.done(), times


def _column(panel: Panel, name: str) -> Floats:
    return panel.stations[name].to_numpy(np.float64)


def _scaled(panel: Panel) -> tuple[_Scale, float]:
    """Fit the levels that matter; peat far below the bed may run out at the foot."""
    names = ("bed_level_m", "airborne_bed_level_m", "left_level_m", "right_level_m")
    held = [_column(panel, n) for n in names]
    held.append(panel.items["crest_level_m"].to_numpy(np.float64))
    known = np.concatenate(held)
    known = known[np.isfinite(known)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
    span = max(high - low, 0.8)
    low -= 0.14 * span
    span *= 1.34
    times = next(
        (e for e in EXAGGERATIONS if span * e * panel.per_m <= GRAPH_HIGH), EXAGGERATIONS[-1]
    )
    return _Scale(panel.from_m, panel.per_m, low, times * panel.per_m), times


def _runs(flags: NDArray[np.bool_], at: Floats) -> list[tuple[float, float]]:
    """Return chainages from and to of each unbroken run of flagged stations."""
    if not len(flags):
        return []
    edge = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(np.int8)))
    half = float(np.median(np.diff(at))) / 2 if len(at) > 1 else 0.5
    return [
        (float(at[a]) - half, float(at[b - 1]) + half)
        for a, b in zip(edge[::2], edge[1::2], strict=True)
    ]


def _ground(svg: Svg, panel: Panel, scale: _Scale, at: Floats) -> None:
    bed = _column(panel, "bed_level_m")
    lower = np.fmin(_column(panel, "left_level_m"), _column(panel, "right_level_m"))
    foot = np.full_like(bed, scale.low_m - 5)
    base = bed - _column(panel, "peat_below_bed_m")
    # Peat is coloured only where probes tell of it.
    _between(svg, scale, at, foot, lower, GROUND)
    _between(svg, scale, at, foot, base, MINERAL)
    _between(svg, scale, at, np.maximum(base, foot), bed, PEAT_PALE)
    # The open drain stays white paper, between bed and lower shoulder.
    _between(svg, scale, at, bed, lower, PAPER)
    svg.path(path_of(scale.points(at, base)), PEAT, 0.3, dash="1.6 0.9")


def _between(svg: Svg, scale: _Scale, at: Floats, low: Floats, high: Floats, fill: str) -> None:
    known = np.isfinite(low) & np.isfinite(high)
    edge = np.flatnonzero(np.diff(np.r_[False, known, False].astype(np.int8)))
    for a, b in zip(edge[::2], edge[1::2], strict=True):
        if b - a < 2:
            continue
        cut = slice(a, b)
        loop = np.concatenate(
            [scale.points(at[cut], high[cut]), scale.points(at[cut], low[cut])[::-1]]
        )
        svg.path(path_of(loop, close=True), fill=fill)


def _inside(panel: Panel, kinds: tuple[str, ...]) -> list[Any]:
    items = panel.items
    return list(items[items["kind"].isin(kinds)].itertuples())


def _zips(svg: Svg, panel: Panel, scale: _Scale, at: Floats) -> None:
    bed = _column(panel, "bed_level_m")
    lower = np.fmin(_column(panel, "left_level_m"), _column(panel, "right_level_m"))
    for run in _inside(panel, ("zip", "reprofile")):
        ends = np.clip([run.from_m, run.to_m], panel.from_m, panel.to_m)
        if ends[1] <= ends[0] or len(at) < 2:
            continue
        within = np.unique(np.r_[ends[0], at[(at > ends[0]) & (at < ends[1])], ends[1]])
        low, high = np.interp(within, at, bed), np.interp(within, at, lower)
        fill = "#F6E3C7" if run.kind == "zip" else "#F1D9E4"
        _between(svg, scale, within, low, high, fill)
        # Blocks from alternate sides: upright strokes at their usual length.
        colour = ZIP if run.kind == "zip" else METHOD_STROKES["reprofile"].colour
        blocks = np.arange(ends[0] + 0.6, ends[1], 1.2)
        d = "".join(
            f"M{scale.x(c):.2f} {scale.y(np.interp(c, within, low)):.2f}"
            f"V{scale.y(np.interp(c, within, high)):.2f}"
            for c in blocks
            if np.isfinite(np.interp(c, within, low)) and np.isfinite(np.interp(c, within, high))
        )
        svg.path(d, colour, 0.14, opacity=0.8)


def _pools(svg: Svg, panel: Panel, scale: _Scale, at: Floats) -> None:
    """Draw water from the dam's upstream face as far up as the pool reaches."""
    bed = _column(panel, "bed_level_m")
    known = np.isfinite(bed)
    if known.sum() < 2:
        return
    for dam in _inside(panel, ("dam",)):
        level, length = float(dam.pool_level_m), float(dam.pool_length_m)
        if not (np.isfinite(level) and np.isfinite(length)) or length <= 0:
            continue
        rise = max(float(dam.crest_level_m) - level, 0.0)
        face = panel.crest_thickness_m / 2 + rise * panel.face_slope_ratio
        end = min(float(dam.chainage_m) - face, panel.to_m)
        top = max(end - length, panel.from_m)
        if not end > top:
            continue
        within = np.unique(np.r_[top, at[(at > top) & (at < end)], end])
        floor = np.minimum(np.interp(within, at[known], bed[known]), level)
        loop = np.concatenate(
            [scale.points(within, np.full_like(within, level)), scale.points(within, floor)[::-1]]
        )
        svg.path(path_of(loop, close=True), fill=WATER, opacity=0.8)
        svg.line(
            float(scale.x(top)), float(scale.y(level)), float(scale.x(end)), float(scale.y(level)),
            WATER_EDGE, 0.35,
        )  # fmt: skip


def _lines(svg: Svg, panel: Panel, scale: _Scale, at: Floats) -> None:
    bed, air = _column(panel, "bed_level_m"), _column(panel, "airborne_bed_level_m")
    svg.path(
        path_of(scale.points(at, _column(panel, "ground_level_m"))), SOFT, 0.15, dash="0.4 0.7"
    )
    svg.path(path_of(scale.points(at, _column(panel, "left_level_m"))), "#2F5D3A", 0.32)
    svg.path(
        path_of(scale.points(at, _column(panel, "right_level_m"))), "#2F5D3A", 0.32, dash="1.8 0.8"
    )
    apart = np.where(np.abs(air - bed) > SHOWN_APART_M, air, np.nan)
    svg.path(path_of(scale.points(at, apart)), "#8B5E3C", 0.25, dash="0.5 0.6")
    svg.path(path_of(scale.points(at, bed)), INK, 0.5)


def _dams(svg: Svg, panel: Panel, scale: _Scale) -> None:
    for dam in _inside(panel, ("dam",)):
        crest, bed = float(dam.crest_level_m), float(dam.bed_level_m)
        if not (np.isfinite(crest) and np.isfinite(bed)):
            x = float(scale.x(dam.chainage_m))
            svg.line(x, GRAPH_TOP, x, GRAPH_TOP + GRAPH_HIGH, INK, 0.3, "0.8 0.6")
            continue
        half = panel.crest_thickness_m / 2
        foot = half + max(crest - bed, 0.0) * panel.face_slope_ratio
        c = float(dam.chainage_m)
        body = scale.points(
            np.array([c - foot, c - half, c + half, c + foot]), np.array([bed, crest, crest, bed])
        )
        peat = dam.method in {"wave dam", "peat dam"}
        svg.path(path_of(body, close=True), INK, 0.25, fill=PEAT if peat else "#8C8F91")


def _bands(svg: Svg, panel: Panel, scale: _Scale, at: Floats) -> None:
    s = panel.stations
    for a, b, why in _told_runs(s["forbidden_why"].astype(str).tolist(), at):
        x, wide = float(scale.x(a)), (b - a) * panel.per_m
        svg.path(svg.hatch(x, GRAPH_TOP, wide, GRAPH_HIGH, 2.2, 0.55), WARN, 0.16, opacity=0.75)
        svg.line(x, GRAPH_TOP, x, GRAPH_TOP + GRAPH_HIGH, WARN, 0.25)
        svg.line(x + wide, GRAPH_TOP, x + wide, GRAPH_TOP + GRAPH_HIGH, WARN, 0.25)
        _band_words(svg, x, wide, why, WARN)
    unmeasured = ~s["measured"].to_numpy(bool)
    words = np.where(unmeasured, "not measured: " + s["unmeasured_why"].astype(str), "")
    for a, b, why in _told_runs(words.tolist(), at):
        x, wide = float(scale.x(a)), (b - a) * panel.per_m
        svg.rect(x, GRAPH_TOP, wide, GRAPH_HIGH, fill="#ECEEEE", opacity=0.85)
        _band_words(svg, x, wide, why.removesuffix(": "), SOFT)


def _told_runs(words: list[str], at: Floats) -> list[tuple[float, float, str]]:
    """Return from, to and text of each run of stations with the same text."""
    told = np.array(words, dtype=object)
    return [
        (a, b, word)
        for word in dict.fromkeys(w for w in words if w)
        for a, b in _runs(told == word, at)
    ]


def _band_words(svg: Svg, x: float, wide: float, words: str, fill: str) -> None:
    foot = GRAPH_TOP + GRAPH_HIGH
    if text_width(words, 1.9) < wide - 1:
        svg.text(x + wide / 2, foot - 1.3, words, 1.9, anchor="middle", fill=fill, halo=0.4)
    elif wide >= 2.8:
        line = _cut(words, int((GRAPH_HIGH - 2) / (0.56 * 1.9)))
        svg.text(x + wide / 2 + 0.7, foot - 1, line, 1.9, fill=fill, turn=-90)


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _levels(svg: Svg, scale: _Scale, wide: float) -> None:
    step = next(s for s in (0.25, 0.5, 1, 2, 5, 10, 20, 50) if s * scale.per_level_m >= 5.5)
    top = scale.low_m + GRAPH_HIGH / scale.per_level_m
    for level in np.arange(np.ceil(scale.low_m / step), np.floor(top / step) + 1) * step:
        y = float(scale.y(level))
        svg.path(f"M{LEFT:.2f} {y:.2f}h{wide:.2f}", SOFT, 0.1, opacity=0.45)
        svg.line(LEFT - 1, y, LEFT, y, INK, 0.2)
        svg.text(LEFT - 1.6, y + 0.75, f"{level:.2f}" if step < 0.5 else f"{level:.1f}", 2.1,
                 anchor="end")  # fmt: skip
    svg.text(3.2, GRAPH_TOP + GRAPH_HIGH / 2, "level, m", 2.1, anchor="middle", turn=-90, fill=SOFT)


def _heads(svg: Svg, panel: Panel, scale: _Scale) -> None:
    for dam in _inside(panel, ("dam",)):
        x = float(scale.x(dam.chainage_m))
        tail = str(dam.item_id).rsplit("-", 1)[-1]
        svg.text(x, 3.4, _cut(tail, 8), 2.0, anchor="middle", bold=True)
        _outlet(svg, x, str(dam.outlet_side))
        crest = float(dam.crest_level_m)
        if np.isfinite(crest):
            svg.line(x, GRAPH_TOP, x, float(scale.y(crest)), SOFT, 0.12, "0.4 0.5")
    for chainage, name in panel.joins:
        x = float(scale.x(chainage))
        svg.path(
            f"M{x:.2f} {GRAPH_TOP + 3.4:.2f}l-1.3 -2.6h2.6Z", INK, 0.2,
            fill=METHOD_STROKES["wave dam"].colour,
        )  # fmt: skip
        svg.text(x + 1.8, GRAPH_TOP + 3.0, f"{name} joins", 1.9, halo=0.4)
    if panel.from_m <= 0:
        svg.text(LEFT + 0.8, GRAPH_TOP + 2.6, "head", 1.9, italic=True, fill=SOFT, halo=0.4)
    if panel.outfall:
        right = float(scale.x(panel.to_m)) - 0.8
        svg.text(
            right, GRAPH_TOP + 2.6, panel.outfall, 1.9, anchor="end", italic=True, fill=SOFT,
            halo=0.4,
        )  # fmt: skip


def _outlet(svg: Svg, x: float, side: str) -> None:
    svg.text(
        x, 6.0, side or "no outlet", 1.8, anchor="middle", fill=WATER_EDGE if side else WARN
    )  # fmt: skip
    if side:
        way = -1 if side == "left" else 1
        at = x + way * (3.0 if side == "right" else 2.5)
        svg.path(f"M{at:.2f} 4.7l{way * 1.2:.2f} 0.7l{-way * 1.2:.2f} 0.7Z", fill=WATER_EDGE)


def _strip(svg: Svg, panel: Panel, scale: _Scale, at: Floats, wide: float) -> None:
    top = GRAPH_TOP + GRAPH_HIGH
    for k, name in enumerate(ROWS):
        y = top + ROW * k
        svg.line(LEFT, y + ROW, LEFT + wide, y + ROW, FAINT, 0.12)
        svg.text(LEFT - 1.2, y + ROW - 1.05, name, 1.75, anchor="end", fill=SOFT)
    for run in _inside(panel, ITEM_KINDS):
        a, b = np.clip([run.from_m, run.to_m], panel.from_m, panel.to_m)
        x, y = float(scale.x(a)), top + 0.6
        if run.kind == "dam":
            svg.rect(x, y, max((b - a) * panel.per_m, 0.7), ROW - 1.2, fill=INK)
        elif run.kind in {"zip", "reprofile"}:
            colour = ZIP if run.kind == "zip" else METHOD_STROKES["reprofile"].colour
            svg.rect(x, y, (b - a) * panel.per_m, ROW - 1.2, fill=colour, opacity=0.75)
        else:
            svg.dot(float(scale.x(run.chainage_m)), y + 1.1, 0.7, PAPER, INK)
    for k, side in enumerate(("left", "right"), start=1):
        height = _column(panel, f"spoil_{side}_height_m")
        for start, end in _runs(np.nan_to_num(height) > 0, at):
            a, b = max(start, panel.from_m), min(end, panel.to_m)
            within = height[(at >= a) & (at <= b)]
            svg.rect(float(scale.x(a)), top + ROW * k + 0.7, (b - a) * panel.per_m, ROW - 1.4,
                     fill="#B5A48F")  # fmt: skip
            svg.text(
                float(scale.x((a + b) / 2)), top + ROW * (k + 1) - 1.05,
                f"{np.nanmax(within):.1f} m high", 1.75, anchor="middle",
            ) if (b - a) * panel.per_m > 14 else None  # fmt: skip
    values = {
        "depth, m": (_column(panel, "depth_m"), 2),
        "top width, m": (_column(panel, "top_width_m"), 1),
        "gradient, %": (100 * _column(panel, "bed_gradient_ratio"), 1),
        "peat below bed, m": (_column(panel, "peat_below_bed_m"), 1),
    }
    for mark in np.arange(np.ceil(panel.from_m / 10), np.floor(panel.to_m / 10) + 1) * 10:
        x = float(scale.x(mark))
        svg.path(f"M{x:.2f} {GRAPH_TOP:.2f}v{GRAPH_HIGH:.2f}", SOFT, 0.1, opacity=0.3)
        svg.line(x, top + 3 * ROW, x, top + 3 * ROW + 0.8, INK, 0.2)
        anchor = "start" if mark <= panel.from_m else "end" if mark >= panel.to_m else "middle"
        svg.text(x, top + 4 * ROW - 0.7, f"{mark:.0f}", 2.0, anchor=anchor, bold=True)
        if not len(at):
            continue
        near = int(np.argmin(np.abs(at - mark)))
        for name, (held, digits) in values.items():
            if np.isfinite(held[near]) and abs(at[near] - mark) < 5:
                y = top + ROW * (ROWS.index(name) + 1) - 1.05
                svg.text(x, y, f"{held[near]:.{digits}f}", 1.9, anchor=anchor)


def legend() -> bytes:
    """Return the key to all panels, as two lines."""
    svg = Svg(WIDE, 7.4)
    x = 0.0
    for colour, width, dash, words, room in (
        ("#2F5D3A", 0.32, "", "left shoulder", 29),
        ("#2F5D3A", 0.32, "1.8 0.8", "right shoulder", 30),
        (SOFT, 0.2, "0.4 0.7", "ground outside the sag", 40),
        (INK, 0.5, "", "bed, corrected", 30),
        ("#8B5E3C", 0.25, "0.5 0.6", "bed as the terrain shows it", 44),
        (PEAT, 0.3, "1.6 0.9", "base of peat", 27),
    ):
        svg.line(x + 0.2, 1.8, x + 6.2, 1.8, colour, width, dash)
        svg.text(x + 7.4, 2.5, words, 2.0, fill=SOFT)
        x += room
    svg.dot(x + 3.2, 1.8, 0.7, PAPER, INK)
    svg.text(x + 7.4, 2.5, "gap or break in spoil", 2.0, fill=SOFT)
    svg.rect(x + 36.2, 0.5, 6, 2.5, fill=GROUND, stroke=FAINT, width=0.15)
    svg.text(x + 43.4, 2.5, "ground, peat not known", 2.0, fill=SOFT)
    x = 0.0
    for fill, words, room in (
        (PEAT, "dam of peat", 27), ("#8C8F91", "hard dam", 24), (WATER, "pool", 18),
        ("#F6E3C7", "zipped", 20), ("#F1D9E4", "reprofiled", 24), ("#ECEEEE", "not measured", 29),
        (PEAT_PALE, "peat below the bed", 36), (MINERAL, "mineral ground", 31),
    ):  # fmt: skip
        svg.rect(x + 0.2, 4.3, 6, 2.5, fill=fill, stroke=FAINT, width=0.15)
        svg.text(x + 7.4, 6.3, words, 2.0, fill=SOFT)
        x += room
    svg.path(svg.hatch(x + 0.2, 4.3, 6, 2.5, 1.4, 0.55), WARN, 0.16)
    svg.rect(x + 0.2, 4.3, 6, 2.5, stroke=WARN, width=0.2)
    svg.text(x + 7.4, 6.3, "nothing may be built", 2.0, fill=SOFT)
    return svg.done()
