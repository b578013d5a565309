"""The long section on a card: black on white, with few and large marks."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from peatwright.model.rules import Rules
from peatwright.packs.cards.rows import Row
from peatwright.packs.drawing.svg import Svg, path_of, text_width
from peatwright.packs.words import Words

Floats = NDArray[np.float64]
WIDE = 190.0
LEFT, TOP, FOOT = 13.0, 5.0, 6.0
HIGH_ONE, HIGH_MORE = 29.0, 22.0
"""Height of the graph where a drain needs one strip, and where it needs more."""
SMALL = 2.9
EXAGGERATIONS = (10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.5, 1.0, 0.5, 0.25, 0.1)
PEAT_METHODS = ("wave dam", "peat dam")
BLACK, DARK, GREY, PALE, WATER = "#000", "#333", "#888", "#E4E4E4", "#C9C9C9"


@dataclass(frozen=True)
class Strip:
    """One strip of a section: chainages from and to, and its picture."""

    from_m: float
    to_m: float
    times: float
    picture: bytes


class _Scale:
    def __init__(
        self, from_m: float, to_m: float, low_m: float, high_m: float, high: float
    ) -> None:
        self.from_m = from_m
        self.high = high
        self.per_m = (WIDE - LEFT - 2) / max(to_m - from_m, 1.0)
        span = max(high_m - low_m, 0.6) * 1.15
        self.times = next(
            (e for e in EXAGGERATIONS if span * e * self.per_m <= high), EXAGGERATIONS[-1]
        )
        self.low_m = low_m - 0.06 * span
        self.per_level = self.times * self.per_m

    def x(self, c: Floats | float) -> Floats:
        return LEFT + (np.asarray(c, np.float64) - self.from_m) * self.per_m

    def y(self, z: Floats | float) -> Floats:
        return TOP + self.high - (np.asarray(z, np.float64) - self.low_m) * self.per_level

    def xy(self, c: Floats, z: Floats) -> Floats:
        return np.stack([self.x(c), self.y(z)], axis=1)


def strips(
    stations: pd.DataFrame, items: pd.DataFrame, rows: list[Row], length_m: float, rules: Rules,
    w: Words, *, most_m: float = 320.0,
) -> list[Strip]:  # fmt: skip
    """Return the section of a drain in as few strips as keep its dams apart."""
    parts = max(1, int(np.ceil(length_m / most_m - 1e-9)))
    edges = np.linspace(0.0, max(length_m, 1.0), parts + 1)
    high = HIGH_ONE if parts == 1 else HIGH_MORE
    return [
        _strip(stations, items, rows, (float(a), float(b)), high, rules, w)
        for a, b in itertools.pairwise(edges.tolist())
    ]


def _strip(
    stations: pd.DataFrame, items: pd.DataFrame, rows: list[Row], ends: tuple[float, float],
    high_mm: float, rules: Rules, w: Words,
) -> Strip:  # fmt: skip
    a, b = ends
    at_all = stations["chainage_m"].to_numpy(np.float64)
    s = stations[(at_all >= a - 0.6) & (at_all <= b + 0.6)]
    at = s["chainage_m"].to_numpy(np.float64)
    bed = s["bed_level_m"].to_numpy(np.float64)
    lower = np.fmin(s["left_level_m"].to_numpy(np.float64), s["right_level_m"].to_numpy(np.float64))
    dams = items[(items["kind"] == "dam") & items["chainage_m"].between(a, b)]
    crest = dams["crest_level_m"].to_numpy(np.float64)
    known = np.concatenate([bed, lower, crest])
    known = known[np.isfinite(known)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
    scale = _Scale(a, b, low, high, high_mm)
    svg = Svg(WIDE, TOP + high_mm + FOOT)
    right = float(scale.x(b))
    svg.clip("g", LEFT, TOP, right - LEFT, scale.high)
    foot = np.full_like(bed, scale.low_m - 5)
    _fill(svg, scale, at, foot, bed, PALE)
    _zips(svg, scale, items, at, bed, lower)
    _pools(svg, scale, dams, at, bed, rules)
    svg.path(path_of(scale.xy(at, lower)), BLACK, 0.45)
    svg.path(path_of(scale.xy(at, bed)), BLACK, 0.7)
    _dams(svg, scale, dams, rules)
    svg.end()
    _bands(svg, scale, s, at, a, b, w)
    _frame(svg, scale, a, b, rows, w)
    return Strip(a, b, scale.times, svg.done())


def _fill(svg: Svg, scale: _Scale, at: Floats, low: Floats, high: Floats, fill: str) -> None:
    known = np.isfinite(low) & np.isfinite(high)
    edge = np.flatnonzero(np.diff(np.r_[False, known, False].astype(np.int8)))
    for i, j in zip(edge[::2], edge[1::2], strict=True):
        if j - i > 1:
            cut = slice(i, j)
            top, base = scale.xy(at[cut], high[cut]), scale.xy(at[cut], low[cut])[::-1]
            svg.path(path_of(np.concatenate([top, base]), close=True), fill=fill)


def _zips(svg: Svg, scale: _Scale, items: pd.DataFrame, at: Floats, bed: Floats,
          lower: Floats) -> None:  # fmt: skip
    """Slanted strokes where the drain is closed from both sides."""
    for run in each(items[items["kind"].isin(["zip", "reprofile"])]):
        inside = (at >= run.from_m) & (at <= run.to_m) & np.isfinite(bed) & np.isfinite(lower)
        if inside.sum() < 2:
            continue
        step = max(1.1 / scale.per_m, 0.6)
        marks = np.arange(run.from_m + step / 2, run.to_m, step)
        low, high = (np.interp(marks, at[inside], v[inside]) for v in (bed, lower))
        d = "".join(
            f"M{x:.2f} {y1:.2f}L{x + 0.7:.2f} {y2:.2f}"
            for x, y1, y2 in zip(scale.x(marks), scale.y(low), scale.y(high), strict=True)
        )
        svg.path(d, GREY, 0.3)


def _pools(svg: Svg, scale: _Scale, dams: pd.DataFrame, at: Floats, bed: Floats,
           rules: Rules) -> None:  # fmt: skip
    known = np.isfinite(bed)
    if known.sum() < 2:
        return
    for dam in each(dams):
        level, long = float(dam.pool_level_m), float(dam.pool_length_m)
        if not (np.isfinite(level) and np.isfinite(long)) or long <= 0:
            continue
        rise = max(float(dam.crest_level_m) - level, 0.0)
        face = rules.dam.crest_thickness_m / 2 + rise * rules.dam.face_slope_ratio
        end = float(dam.chainage_m) - face
        within = np.unique(np.r_[end - long, at[(at > end - long) & (at < end)], end])
        floor = np.minimum(np.interp(within, at[known], bed[known]), level)
        loop = np.concatenate(
            [scale.xy(within, np.full_like(within, level)), scale.xy(within, floor)[::-1]]
        )
        svg.path(path_of(loop, close=True), fill=WATER)
        svg.line(float(scale.x(end - long)), float(scale.y(level)), float(scale.x(end)),
                 float(scale.y(level)), BLACK, 0.3)  # fmt: skip


def _dams(svg: Svg, scale: _Scale, dams: pd.DataFrame, rules: Rules) -> None:
    for dam in each(dams):
        top, base, c = float(dam.crest_level_m), float(dam.bed_level_m), float(dam.chainage_m)
        if not (np.isfinite(top) and np.isfinite(base)):
            continue
        half = rules.dam.crest_thickness_m / 2
        foot = half + max(top - base, 0.0) * rules.dam.face_slope_ratio
        body = scale.xy(
            np.array([c - foot, c - half, c + half, c + foot]), np.array([base, top, top, base])
        )
        peat = dam.method in PEAT_METHODS
        svg.path(path_of(body, close=True), BLACK, 0.5, fill=BLACK if peat else "#fff")
        if not peat:  # a cross in the body: a hard dam, told apart without colour
            a, b, c2, d = body
            svg.path(path_of(np.stack([a, c2])) + path_of(np.stack([b, d])), BLACK, 0.35)


def _bands(svg: Svg, scale: _Scale, s: pd.DataFrame, at: Floats, a: float, b: float,
           w: Words) -> None:  # fmt: skip
    for x1, x2 in runs((s["forbidden_why"].astype(str) != "").to_numpy(bool), at):
        left, right = (float(scale.x(np.clip(v, a, b))) for v in (x1, x2))
        svg.path(svg.hatch(left, TOP, right - left, scale.high, 2.0, 0.5), BLACK, 0.25)
        svg.rect(left, TOP, right - left, scale.high, stroke=BLACK, width=0.35)
        words = w("card.nothing_built")
        if right - left > text_width(words, SMALL) + 2:
            half, foot = text_width(words, SMALL) / 2 + 0.6, TOP + scale.high - 1.2
            x = (left + right) / 2
            svg.rect(x - half, foot - SMALL, 2 * half, SMALL + 1, fill="#fff")
            svg.text(x, foot, words, SMALL, anchor="middle", bold=True)


def each(table: pd.DataFrame) -> list[Any]:
    """Return the rows of a table as tuples with names."""
    return list(table.itertuples())


def runs(flags: NDArray[np.bool_], at: Floats) -> list[tuple[float, float]]:
    """Return chainages from and to of each unbroken run of flagged stations."""
    if not len(flags):
        return []
    edge = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(np.int8)))
    half = float(np.median(np.diff(at))) / 2 if len(at) > 1 else 0.5
    return [
        (float(at[i]) - half, float(at[j - 1]) + half)
        for i, j in zip(edge[::2], edge[1::2], strict=True)
    ]


def _frame(svg: Svg, scale: _Scale, a: float, b: float, rows: list[Row], w: Words) -> None:
    right, low = float(scale.x(b)), TOP + scale.high
    svg.rect(LEFT, TOP, right - LEFT, scale.high, stroke=BLACK, width=0.35)
    step = next(k for k in (5, 10, 20, 25, 50, 100, 200, 500, 1000, 5000, 50_000)
                if k * scale.per_m >= 11)  # fmt: skip
    for mark in np.arange(np.ceil(a / step), np.floor(b / step + 1e-9) + 1) * step:
        x = float(scale.x(mark))
        svg.line(x, low, x, low + 1.2, BLACK, 0.35)
        anchor = "start" if x < LEFT + 3 else "end" if x > right - 4 else "middle"
        svg.text(x, low + 4.6, w.number(mark), SMALL + 0.2, anchor=anchor, bold=True)
    up = next((s for s in (0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
               if s * scale.per_level >= 7), 100.0)  # fmt: skip
    top = scale.low_m + scale.high / scale.per_level
    digits = 2 if up < 0.5 else 1 if up < 1 else 0
    for level in np.arange(np.ceil(scale.low_m / up), np.floor(top / up) + 1) * up:
        y = float(scale.y(level))
        svg.line(LEFT - 1, y, LEFT, y, BLACK, 0.3)
        if TOP + 1 < y < low:
            svg.text(LEFT - 1.5, y + 1.0, w.number(level, digits), SMALL, anchor="end")
    free = -1e9
    for row in (r for r in rows if r.kind == "dam" and a <= r.chainage_m <= b):
        x = float(scale.x(row.chainage_m))
        name = row.number.lstrip("0") or row.number
        half = text_width(name, SMALL + 0.2) / 2
        if x - half > free + 1.0:
            svg.text(x, TOP - 1.3, name, SMALL + 0.2, anchor="middle", bold=True)
            free = x + half
