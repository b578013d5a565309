"""The map seen from above: where things lie on paper, and how each is drawn."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from PIL import Image

from peatwright.model.raster import Grid, Raster
from peatwright.packs.drawing import labels
from peatwright.packs.drawing.look import (
    FAINT,
    INK,
    METHOD_STROKES,
    PAPER,
    SOFT,
    Stroke,
    hatch_pattern,
    limit_colour,
)
from peatwright.packs.drawing.svg import Points, Svg, path_of, rings
from peatwright.terrain.relief import hillshade

SCALES = (
    250, 500, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 7500, 10_000, 12_500,
    15_000, 20_000, 25_000, 30_000, 40_000, 50_000, 75_000, 100_000, 150_000, 200_000, 500_000,
    1_000_000,
)  # fmt: skip
PIXELS = 1900
"""Most pixels along the longer side of the shaded ground."""
TICK_MM = 2.4
"""A dam is drawn at least this wide, so that it can be seen at every scale."""

LEAST_ROOM_MM, OUTLET_ROOM_MM = 0.7, 1.5
"""Dams closer than this on paper are left out, or lose the tick to their outlet."""


@dataclass(frozen=True)
class Frame:
    """A window of ground on paper: `scale` metres of ground are one metre of paper."""

    west_m: float
    north_m: float
    wide_mm: float
    high_mm: float
    scale: float

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east and north in metres."""
        per_mm = self.scale / 1000
        return (
            self.west_m,
            self.north_m - self.high_mm * per_mm,
            self.west_m + self.wide_mm * per_mm,
            self.north_m,
        )

    def mm(self, xy_m: NDArray[np.float64]) -> Points:
        """Return points on paper, y down, for points on the ground, shape (n, 2)."""
        per_m = 1000 / self.scale
        return np.stack(
            [(xy_m[:, 0] - self.west_m) * per_m, (self.north_m - xy_m[:, 1]) * per_m], axis=1
        )


def fitted(
    bounds: tuple[float, float, float, float], wide_mm: float, high_mm: float, *, nice: bool = True
) -> Frame:
    """Return the frame of given size that shows `bounds` with a margin, at a round scale."""
    west, south, east, north = bounds
    wide = max(east - west, 20.0) * 1.06
    high = max(north - south, 20.0) * 1.06
    need = max(wide / wide_mm, high / high_mm) * 1000
    scale = next((s for s in SCALES if s >= need), need) if nice else need
    x, y = (west + east) / 2, (south + north) / 2
    return Frame(
        x - wide_mm * scale / 2000, y + high_mm * scale / 2000, wide_mm, high_mm, float(scale)
    )


def kept_on(ground: tuple[float, float, float, float], frame: Frame) -> Frame:
    """Return the frame moved, not scaled, so that as little as may be lies off the ground."""
    west, south, east, north = frame.bounds
    shift_x = _shift(west, east, ground[0], ground[2])
    shift_y = _shift(south, north, ground[1], ground[3])
    return replace(frame, west_m=west + shift_x, north_m=north + shift_y)


def _shift(low: float, high: float, ground_low: float, ground_high: float) -> float:
    if high - low >= ground_high - ground_low:
        return 0.0
    return max(ground_low - low, 0.0) or min(ground_high - high, 0.0)


def extent(tables: Mapping[str, pd.DataFrame], dtm: Raster) -> tuple[float, float, float, float]:
    """Return what a map of the site must show: boundary and drains, else the terrain."""
    held = [
        tables[name].total_bounds for name in ("boundary", "drains") if len(tables.get(name, ()))
    ]
    if not held:
        return dtm.grid.bounds
    at = np.array(held)
    west, south = at[:, :2].min(axis=0)
    east, north = at[:, 2:].max(axis=0)
    return float(west), float(south), float(east), float(north)


@dataclass(frozen=True)
class Cut:
    """The part of a grid that a frame shows, thinned to every `step`-th cell."""

    rows: slice
    cols: slice
    step: int
    grid: Grid


def cut_of(grid: Grid, frame: Frame) -> Cut | None:
    """Return what of a grid lies inside the frame, or None where that is next to nothing."""
    west, south, east, north = frame.bounds
    col0 = max(0, int((west - grid.x_left_m) / grid.dx_m))
    col1 = min(grid.cols, int(np.ceil((east - grid.x_left_m) / grid.dx_m)))
    row0 = max(0, int((grid.y_top_m - north) / grid.dy_m))
    row1 = min(grid.rows, int(np.ceil((grid.y_top_m - south) / grid.dy_m)))
    if col1 - col0 < 3 or row1 - row0 < 3:
        return None
    step = max(1, int(np.ceil(max(row1 - row0, col1 - col0) / PIXELS)))
    rows, cols = (row1 - row0) // step, (col1 - col0) // step
    part = Grid(
        grid.x_left_m + col0 * grid.dx_m, grid.y_top_m - row0 * grid.dy_m,
        grid.dx_m * step, grid.dy_m * step, rows, cols, grid.crs,
    )  # fmt: skip
    return Cut(slice(row0, row0 + rows * step), slice(col0, col0 + cols * step), step, part)


def light_of(dtm: Raster, cut: Cut) -> NDArray[np.uint8]:
    """Return the shading of the ground in a cut; 0 is no data."""
    values = _thinned(dtm.values[cut.rows, cut.cols], cut.step)
    return hillshade(Raster(values, cut.grid), z_factor=2.5, many_sided=True)


def corners_mm(cut: Cut, frame: Frame) -> tuple[float, float, float, float]:
    """Return left, top, width and height of a cut on paper, mm."""
    west, south, east, north = cut.grid.bounds
    (left, top), (right, low) = frame.mm(np.array([[west, north], [east, south]])).tolist()
    return left, top, right - left, low - top


def shaded(dtm: Raster, frame: Frame) -> tuple[bytes, float, float, float, float] | None:
    """Return the ground inside the frame as a JPEG, and its left, top, width, height in mm."""
    cut = cut_of(dtm.grid, frame)
    return None if cut is None else (_tinted(light_of(dtm, cut)), *corners_mm(cut, frame))


def _thinned(values: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    if step == 1:
        return np.ascontiguousarray(values)
    rows, cols = values.shape[0] // step * step, values.shape[1] // step * step
    blocks = values[:rows, :cols].reshape(rows // step, step, cols // step, step)
    known = np.isfinite(blocks)
    total = np.where(known, blocks, 0).sum(axis=(1, 3), dtype=np.float64)
    count = known.sum(axis=(1, 3))
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return mean.astype(np.float32)


def _tinted(light: NDArray[np.uint8]) -> bytes:
    # Pale, so that lines and names stay on top; no data is white paper.
    share = np.arange(256) / 255.0
    tone = 0.40 + 0.60 * share**0.85
    ramp = np.stack([tone * 249, tone * 248, tone * 240], axis=1)
    ramp[0] = 255
    held = io.BytesIO()
    Image.fromarray(ramp.astype(np.uint8)[light]).save(held, "JPEG", quality=86)
    return held.getvalue()


def draw_boundary(svg: Svg, boundary: pd.DataFrame, frame: Frame) -> None:
    """Draw the boundary, and veil what lies outside it."""
    if not len(boundary):
        return
    parts = [
        frame.mm(shapely.get_coordinates(ring))
        for shape in boundary.geometry
        for ring in (shape.exterior, *shape.interiors)
    ]
    edge = rings(parts)
    sheet = f"M0 0H{frame.wide_mm:g}V{frame.high_mm:g}H0Z"
    svg.path(sheet + edge, fill=PAPER, opacity=0.55)
    svg.path(edge, PAPER, 1.3)
    svg.path(edge, INK, 0.5, dash="5 1 1 1")


def draw_limits(svg: Svg, limits: pd.DataFrame, frame: Frame) -> None:
    """Draw ground that must not be touched, hatched by kind."""
    # The boundary is drawn as a line of its own, and all beyond it veiled.
    limits = limits[limits["kind"] != "boundary"]
    for kind, shape in zip(limits["kind"], limits.geometry, strict=True):
        edge = rings(
            frame.mm(shapely.get_coordinates(ring)) for ring in (shape.exterior, *shape.interiors)
        )
        svg.path(edge, fill=PAPER, opacity=0.4)
        svg.path(edge, limit_colour(kind), 0.25, fill=hatch_pattern(svg, kind))


def draw_reaches(svg: Svg, reaches: pd.DataFrame, frame: Frame) -> None:
    """Draw drains with the line of their method."""
    thin = shapely.simplify(reaches.geometry.to_numpy(), 3e-5 * frame.scale)
    paths = [path_of(frame.mm(shapely.get_coordinates(s))) for s in thin]
    weight = float(np.clip(6000 / frame.scale, 0.5, 1.0))
    for d in paths:
        svg.path(d, PAPER, 1.35 * weight, opacity=0.8, cap="round")
    for d, method in zip(paths, reaches["method"], strict=True):
        draw_stroke(svg, d, METHOD_STROKES.get(method, Stroke(SOFT, 0.5)), weight)


def draw_stroke(svg: Svg, d: str, stroke: Stroke, weight: float = 1.0) -> None:
    """Draw a path with a stroke."""
    svg.path(d, stroke.colour, stroke.width * weight, dash=stroke.dash, cap=stroke.cap)


def dam_room_mm(items: pd.DataFrame, frame: Frame) -> float:
    """Return how far apart neighbouring dams usually stand on paper."""
    spacing = items.loc[items["kind"] == "dam", "spacing_m"].to_numpy(np.float64)
    known = spacing[np.isfinite(spacing)]
    return float(np.median(known)) * 1000 / frame.scale if len(known) else 10.0


def draw_dams(svg: Svg, items: pd.DataFrame, frame: Frame) -> bool:
    """Draw each dam as its crest, with a tick ending in a dot towards its outlet.

    Marks shrink where dams stand close on paper, and are left out where they would run together;
    returns whether they were drawn.
    """
    dams = items[items["kind"] == "dam"]
    room = dam_room_mm(items, frame)
    if not len(dams) or room < LEAST_ROOM_MM:
        return False
    weight = min(1.0, room / 3.0)
    ends = np.array([_two_ends(s) for s in dams.geometry])
    a, b = frame.mm(ends[:, 0]), frame.mm(ends[:, 1])
    middle, half = (a + b) / 2, (b - a) / 2
    length = np.maximum(np.hypot(half[:, 0], half[:, 1]), 1e-9)
    half *= np.maximum(1.0, weight * TICK_MM / 2 / length)[:, None]
    crests = "".join(path_of(np.stack(p)) for p in zip(middle - half, middle + half, strict=True))
    svg.path(crests, PAPER, 1.0 * weight, cap="round")
    if room >= OUTLET_ROOM_MM:
        out = frame.mm(dams[["outlet_x_m", "outlet_y_m"]].to_numpy(np.float64)) - middle
        far = np.hypot(out[:, 0], out[:, 1])
        for at, way, reach in zip(middle, out, far, strict=True):
            if reach > 0:
                tip = at + way / reach * max(reach, TICK_MM * 0.8 * weight)
                svg.line(at[0], at[1], tip[0], tip[1], INK, 0.18)
                svg.dot(tip[0], tip[1], 0.4 * weight, "#4FA8D8", INK)
    svg.path(crests, INK, 0.45 * weight)
    return True


def _two_ends(line: shapely.LineString) -> list[tuple[float, float]]:
    at = shapely.get_coordinates(line)
    return [(at[0, 0], at[0, 1]), (at[-1, 0], at[-1, 1])]


def draw_names(svg: Svg, drains: pd.DataFrame, frame: Frame, size: float = 2.6) -> int:
    """Write drain ids beside their lines; return how many found no room."""
    if not len(drains):
        return 0
    lines = [frame.mm(shapely.get_coordinates(s)) for s in drains.geometry]
    edges = (1.0, 1.0, frame.wide_mm - 1.0, frame.high_mm - 1.0)
    placed = labels.place([str(i) for i in drains["drain_id"]], lines, size, edges)
    for k in placed:
        svg.text(k.x, k.y, k.text, size, anchor="middle", bold=True, halo=0.45, turn=k.turn)
    return len(drains) - len(placed)


def draw_grid(svg: Svg, frame: Frame, left: float, top: float) -> float:
    """Draw grid crosses inside and coordinates outside the frame; return the step in m.

    The frame's corner lies at (`left`, `top`) of the picture, which has room for the numbers.
    """
    west, south, east, north = frame.bounds
    step = next(
        s * 10.0**p for p in range(1, 7) for s in (1, 2, 5) if s * 10.0**p / frame.scale >= 0.036
    )
    xs = np.arange(np.ceil(west / step), np.floor(east / step) + 1) * step
    ys = np.arange(np.ceil(south / step), np.floor(north / step) + 1) * step
    right, low = left + frame.wide_mm, top + frame.high_mm
    for x in xs:
        px = left + (x - west) * 1000 / frame.scale
        svg.line(px, low, px, low + 1.4, INK, 0.2)
        svg.line(px, top, px, top - 1.4, INK, 0.2)
        svg.text(px, low + 4.0, f"{x:.0f}", 2.1, anchor="middle", fill=SOFT)
    for y in ys:
        py = top + (north - y) * 1000 / frame.scale
        svg.line(left, py, left - 1.4, py, INK, 0.2)
        svg.line(right, py, right + 1.4, py, INK, 0.2)
        svg.text(left - 2.2, py, f"{y:.0f}", 2.1, anchor="middle", fill=SOFT, turn=-90)
    for x in xs:
        for y in ys:
            px = left + (x - west) * 1000 / frame.scale
            py = top + (north - y) * 1000 / frame.scale
            svg.path(f"M{px - 1:.2f} {py:.2f}h2M{px:.2f} {py - 1:.2f}v2", SOFT, 0.15, opacity=0.7)
    svg.rect(left, top, frame.wide_mm, frame.high_mm, stroke=INK, width=0.3)
    return step


def draw_scale_bar(svg: Svg, x: float, y: float, scale: float, longest_mm: float = 70.0) -> None:
    """Draw a scale bar of round length from (x, y) on."""
    room = longest_mm * scale / 1000
    length = max(
        s * 10.0**p for p in range(7) for s in (1, 2, 5) if s * 10.0**p <= room or (p, s) == (0, 1)
    )
    wide = length * 1000 / scale
    for k in range(4):
        svg.rect(
            x + wide * k / 4, y, wide / 4, 1.5,
            fill=INK if k % 2 == 0 else PAPER, stroke=INK, width=0.2,
        )  # fmt: skip
    for k in (0, 2, 4):
        svg.text(x + wide * k / 4, y + 4.4, f"{length * k / 4:g}", 2.2, anchor="middle")
    svg.text(x + wide + 3.2, y + 4.4, "m", 2.2)


def draw_north(svg: Svg, x: float, y: float, words: str = "grid north") -> None:
    """Draw an arrow to grid north, its middle at (x, y)."""
    svg.path(f"M{x} {y - 6.5}L{x + 2.6} {y + 4}L{x} {y + 2.2}Z", fill=INK, stroke=INK)
    svg.path(f"M{x} {y - 6.5}L{x - 2.6} {y + 4}L{x} {y + 2.2}Z", fill=PAPER, stroke=INK)
    svg.text(x, y + 8, words, 2.1, anchor="middle", fill=SOFT)


class TinyPlans:
    """Small pictures of all drains with one of them picked out and its outfall marked."""

    def __init__(self, drains: pd.DataFrame, wide: float, high: float) -> None:
        self.wide, self.high = wide, high
        self._lines: dict[str, Points] = {}
        if len(drains):
            frame = fitted(tuple(drains.total_bounds), wide - 3, high - 3, nice=False)
            # A tenth of a millimetre is finer than the line is wide.
            thin = shapely.simplify(drains.geometry.to_numpy(), 1e-4 * frame.scale)
            for name, shape in zip(drains["drain_id"], thin, strict=True):
                self._lines[name] = frame.mm(shapely.get_coordinates(shape)) + 1.5
        self._all = "".join(path_of(p) for p in self._lines.values())

    def picture(self, drain_id: str) -> bytes:
        """Return the picture for one drain."""
        svg = Svg(self.wide, self.high)
        svg.rect(0, 0, self.wide, self.high, fill="#F6F8F6", stroke=FAINT, width=0.2)
        svg.path(self._all, SOFT, 0.13, opacity=0.7)
        line = self._lines[drain_id]
        svg.path(path_of(line), METHOD_STROKES["wave dam"].colour, 0.8, cap="round")
        svg.dot(line[-1, 0], line[-1, 1], 0.8, PAPER, INK)
        return svg.done()
