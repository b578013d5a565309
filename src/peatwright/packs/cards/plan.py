"""The small plan on a card: black on white, north up, with the neighbours."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import shapely

from peatwright.packs.cards.rows import Row
from peatwright.packs.drawing import labels, plan
from peatwright.packs.drawing.svg import Points, Svg, path_of, rings, text_width
from peatwright.packs.words import Words

BLACK, DARK, GREY, WHITE = "#000", "#333", "#777", "#fff"
SMALL = 2.9
"""Smallest letters in mm: 8.2 points."""
ROOM_M = 14.0
"""Ground shown around the drain."""
LABEL_ROOM_MM = 5.2
TICK_MM = 3.2
CLEAR_MM, LABEL_APART_MM = 9.0, 11.0
"""Names of limits keep this far from the drain, and from one another."""
OUTLET_ROOM_MM = 2.2


class CardPlans:
    """Draws the plan of one drain after another from the same tables."""

    def __init__(self, tables: Mapping[str, pd.DataFrame], w: Words) -> None:
        self.w = w
        self.drains = tables["drains"]
        self.lines = self.drains.geometry.to_numpy()
        self.ids = self.drains["drain_id"].astype(str).tolist()
        self.limits = tables["limits"]
        self.boundary = tables["boundary"]
        self._tree = shapely.STRtree(self.lines)
        self._limits = shapely.STRtree(self.limits.geometry.to_numpy())

    def draw(self, at: int, rows: list[Row], wide: float, high: float) -> tuple[bytes, float]:
        """Return the picture of drain number `at` in the table, and its scale."""
        line = self.lines[at]
        west, south, east, north = line.bounds
        bounds = (west - ROOM_M, south - ROOM_M, east + ROOM_M, north + ROOM_M)
        frame = plan.fitted(bounds, wide, high)
        svg = Svg(wide, high)
        svg.clip("sheet", 0, 0, wide, high)
        shown = shapely.box(*frame.bounds)
        names_of = self._draw_limits(svg, frame, shown)
        for shape in self.boundary.geometry if len(self.boundary) else ():
            edge = rings(frame.mm(shapely.get_coordinates(r))
                         for r in (shape.exterior, *shape.interiors))  # fmt: skip
            svg.path(edge, BLACK, 0.5, dash="5 1.2 1 1.2")
        others, names = [], []
        for k in self._tree.query(shown, "intersects").tolist():
            if k != at:
                part = shapely.intersection(self.lines[k], shown)
                for piece in shapely.get_parts(part):
                    others.append(frame.mm(shapely.get_coordinates(piece)))
                    names.append(self.ids[k])
        for points in others:
            svg.path(path_of(points), GREY, 0.6)
        mine = frame.mm(shapely.get_coordinates(line))
        svg.path(path_of(mine), WHITE, 2.0, cap="round")
        svg.path(path_of(mine), BLACK, 1.0, cap="round")
        taken = _dams(svg, frame, mine, rows)
        taken += self._ends(svg, mine)
        corner = _corner(svg, frame, mine, self.w("common.north"))
        taken += corner
        taken += self._name_limits(svg, frame, names_of, line, corner)
        taken.append(shapely.LineString(mine).buffer(1.6))
        longest: dict[str, tuple[float, Points]] = {}
        for name, points in zip(names, others, strict=True):
            length = shapely.LineString(points).length
            if length > 6 and length > longest.get(name, (0.0, points))[0]:
                longest[name] = (length, points)
        if longest:
            edges = (1.0, 1.0, wide - 1, high - 1)
            placed = labels.place(
                list(longest), [p for _, p in longest.values()], SMALL, edges, taken
            )  # fmt: skip
            for k in placed:
                svg.text(k.x, k.y, k.text, SMALL, anchor="middle", fill=DARK, halo=0.5, turn=k.turn)
        svg.end()
        svg.rect(0.15, 0.15, wide - 0.3, high - 0.3, stroke=BLACK, width=0.3)
        return svg.done(), frame.scale

    def _draw_limits(self, svg: Svg, frame: plan.Frame, shown: shapely.Polygon) -> dict[str, Any]:
        names: dict[str, Any] = {}
        for k in self._limits.query(shown, "intersects").tolist():
            kind = str(self.limits["kind"].iloc[k])
            if kind == "boundary":
                continue
            shape = self.limits.geometry.iloc[k]
            edge = rings(frame.mm(shapely.get_coordinates(r))
                         for r in (shape.exterior, *shape.interiors))  # fmt: skip
            svg.define(
                "no",
                '<pattern id="no" width="2" height="2" patternUnits="userSpaceOnUse"'
                ' patternTransform="rotate(45)"><rect width="0.25" height="2" fill="#555"/>'
                "</pattern>",
            )
            svg.path(edge, DARK, 0.3, fill="url(#no)", dash="1.5 0.8")
            part = shapely.intersection(shape, shown)
            if kind not in names or part.area > names[kind].area:
                names[kind] = part
        return names

    def _name_limits(
        self, svg: Svg, frame: plan.Frame, names: dict[str, Any], line: shapely.LineString,
        full: list[Any],
    ) -> list[Any]:  # fmt: skip
        """Write the kind of each limit once, off the drain and off what is drawn already."""
        taken = [shapely.buffer(f, 4.0) for f in full]
        for kind, part in names.items():
            x, y = _free_place(part, line, taken, frame)
            taken.append(shapely.Point(x, y).buffer(LABEL_APART_MM))
            words = self.w.said("limits", kind)
            half = text_width(words, SMALL) / 2 + 0.8
            x = float(np.clip(x, half, frame.wide_mm - half))
            y = float(np.clip(y, SMALL + 1, frame.high_mm - 1))
            svg.rect(x - half, y - SMALL, 2 * half, SMALL + 1.1, fill=WHITE)
            svg.text(x, y, words, SMALL, anchor="middle", fill=BLACK, bold=True)
        return taken[len(full) :]

    def _ends(self, svg: Svg, mine: Points) -> list[Any]:
        x, y = mine[0]
        svg.rect(x - 1.5, y - 1.5, 3, 3, fill=WHITE, stroke=BLACK, width=0.6)
        svg.text(x, y + 1.05, "0", 2.9, anchor="middle", bold=True)
        a, b = mine[-1]
        svg.dot(a, b, 1.3, BLACK)
        # The way the water goes, halfway along.
        whole = shapely.LineString(mine)
        if whole.length > 12:
            d = whole.length / 2
            p, q = whole.interpolate(d - 2.2), whole.interpolate(d + 2.2)
            away = np.array([q.x - p.x, q.y - p.y])
            away /= max(float(np.hypot(*away)), 1e-9)
            side = np.array([-away[1], away[0]])
            tip = np.array([q.x, q.y])
            tail = tip - away * 3.6
            loop = np.stack([tip, tail + side * 1.7, tail - side * 1.7])
            svg.path(path_of(loop, close=True), WHITE, 0.5, fill=BLACK)
        return [shapely.box(x - 2, y - 2, x + 2, y + 2), shapely.Point(a, b).buffer(2)]


def _free_place(
    part: Any, line: shapely.LineString, taken: list[Any], frame: plan.Frame
) -> tuple[float, float]:
    """Return where on paper a limit's name covers neither the drain nor another name."""
    per_mm = frame.scale / 1000
    apart = part.difference(line.buffer(CLEAR_MM * per_mm))
    pieces = sorted(shapely.get_parts(apart), key=shapely.area, reverse=True)
    best = frame.mm(shapely.get_coordinates(part.representative_point()))[0]
    for piece in (p for p in pieces if not p.is_empty):
        west, south, east, north = piece.bounds
        middle = shapely.LineString([(west, (south + north) / 2), (east, (south + north) / 2)])
        across = shapely.intersection(middle, piece)
        for spot in (piece.representative_point(), shapely.centroid(across)):
            if spot.is_empty:
                continue
            x, y = frame.mm(shapely.get_coordinates(spot))[0]
            if not any(t.contains(shapely.Point(x, y)) for t in taken):
                return float(x), float(y)
    return float(best[0]), float(best[1])


def _dams(svg: Svg, frame: plan.Frame, mine: Points, rows: list[Row]) -> list[Any]:
    dams = [r for r in rows if r.kind == "dam"]
    if not dams or len(mine) < 2:
        return []
    at = frame.mm(np.array([[r.x_m, r.y_m] for r in dams]))
    line = shapely.LineString(mine)
    room = line.length / max(len(dams), 1)
    every = max(1, int(np.ceil(LABEL_ROOM_MM / max(room, 1e-6))))
    taken: list[Any] = []
    weight = min(1.0, max(room / 3.0, 0.4))
    for k, (row, (x, y)) in enumerate(zip(dams, at.tolist(), strict=True)):
        d = line.project(shapely.Point(x, y))
        p, q = line.interpolate(max(d - 0.8, 0.0)), line.interpolate(min(d + 0.8, line.length))
        way = np.array([q.x - p.x, q.y - p.y])
        way /= max(float(np.hypot(*way)), 1e-9)
        # On paper y runs down, so the right hand of someone going downstream is (-y, x).
        right = np.array([-way[1], way[0]])
        here = np.array([x, y])
        half = TICK_MM / 2 * weight
        svg.path(path_of(np.stack([here - right * half, here + right * half])), BLACK, 0.9 * weight)
        sign = {"right": 1.0, "left": -1.0}.get(row.outlet_side, 0.0)
        if sign and room >= OUTLET_ROOM_MM:
            tip = here + right * sign * (half + 1.9 * weight)
            foot = here + right * sign * half
            loop = np.stack([tip, foot + way * 0.8 * weight, foot - way * 0.8 * weight])
            svg.path(path_of(loop, close=True), BLACK, 0.2, fill=WHITE if sign < 0 else BLACK)
        if k % every == 0 and d > LABEL_ROOM_MM * 0.8:
            away = here - right * (sign or 1.0) * (half + 2.6)
            name = row.number.lstrip("0") or row.number
            svg.text(away[0], away[1] + 1.0, name, SMALL, anchor="middle", bold=True, halo=0.5)
            taken.append(shapely.box(away[0] - 3, away[1] - 2, away[0] + 3, away[1] + 2))
    return taken


def _corner(svg: Svg, frame: plan.Frame, mine: Points, north: str) -> list[Any]:
    """Put north and scale in the corner that is furthest from the drain."""
    line = shapely.LineString(mine)
    w, h = 34.0, 14.0
    corners = [(x, y) for y in (frame.high_mm - h - 1, 1.0) for x in (1.0, frame.wide_mm - w - 1)]
    boxes = [shapely.box(x, y, x + w, y + h) for x, y in corners]
    best = max(range(4), key=lambda k: (line.distance(boxes[k]), -k))
    x, y = corners[best]
    svg.rect(x, y, w, h, fill=WHITE, stroke=WHITE)
    svg.path(f"M{x + 4} {y + 1}L{x + 6.4} {y + 10}L{x + 4} {y + 8.4}L{x + 1.6} {y + 10}Z",
             BLACK, 0.3, fill=BLACK)  # fmt: skip
    svg.text(x + 4, y + 13.2, north, SMALL, anchor="middle", bold=True)
    metres = next(s for s in (200, 100, 50, 20, 10, 5) if s * 1000 / frame.scale <= 20 or s == 5)
    wide = metres * 1000 / frame.scale
    for k in range(2):
        svg.rect(x + 11 + wide * k / 2, y + 5.5, wide / 2, 1.6, fill=WHITE if k else BLACK,
                 stroke=BLACK, width=0.3)  # fmt: skip
    svg.text(x + 11, y + 11, f"0–{metres} m", SMALL)
    return [boxes[best]]
