"""Puts names beside lines so that none lies on another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate

from peatwright.packs.drawing.svg import text_width

PLACES = (0.5, 0.38, 0.62, 0.27, 0.73, 0.16, 0.84)
"""Shares of a line's length at which its name is tried, best first."""


@dataclass(frozen=True)
class Label:
    """A name with its baseline's middle in mm and its turn in degrees clockwise."""

    text: str
    x: float
    y: float
    turn: float


def place(
    names: list[str],
    lines: list[NDArray[np.float64]],
    size: float,
    frame: tuple[float, float, float, float],
    taken: list[shapely.Polygon] | None = None,
) -> list[Label]:
    """Return a place beside its line for each name that fits; others are left out.

    Args:
        names: text for each line.
        lines: points in mm of paper, shape (n, 2) each.
        size: letter size in mm.
        frame: left, top, right and bottom in mm; labels stay inside.
        taken: shapes that labels keep off.

    """
    inside = shapely.box(*frame)
    drawn = [shapely.LineString(points) for points in lines]
    tree = shapely.STRtree(drawn)
    kept: list[shapely.Polygon] = list(taken or [])
    out = []
    # Long lines first: they have most room to give way, but are looked for first too.
    for k in sorted(range(len(names)), key=lambda j: -drawn[j].length):
        best: tuple[float, Label, shapely.Polygon] | None = None
        for rank, (share, side) in enumerate((s, d) for s in PLACES for d in (1, -1)):
            label, box = _at(names[k], drawn[k], share, side, size)
            if not inside.contains(box) or any(box.intersects(other) for other in kept):
                continue
            crossed = sum(
                drawn[j].intersection(box).length for j in tree.query(box, "intersects").tolist()
            )
            cost = crossed + 0.15 * size * rank
            if best is None or cost < best[0]:
                best = (cost, label, box)
            if crossed == 0:
                break
        if best is not None:
            out.append(best[1])
            kept.append(best[2])
    return out


def _at(
    text: str, line: shapely.LineString, share: float, side: int, size: float
) -> tuple[Label, shapely.Polygon]:
    wide = text_width(text, size) + 0.6
    reach = min(line.length, wide) / 2
    middle = line.length * share
    a = line.interpolate(max(0.0, middle - reach))
    b = line.interpolate(min(line.length, middle + reach))
    at = line.interpolate(middle)
    angle = np.degrees(np.arctan2(b.y - a.y, b.x - a.x))
    if angle > 90:
        angle -= 180
    if angle <= -90:
        angle += 180
    across = np.radians(angle + 90)
    away = side * (0.5 * size + 1.0)
    cx, cy = at.x + away * np.cos(across), at.y + away * np.sin(across)
    box = rotate(
        shapely.box(cx - wide / 2, cy - 0.55 * size, cx + wide / 2, cy + 0.55 * size),
        angle,
        origin=(cx, cy),
    )
    base = 0.36 * size
    return Label(text, cx + base * np.cos(across), cy + base * np.sin(across), angle), box
