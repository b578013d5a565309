"""A small kit for step pictures: peat, turf, water, a bucket, arrows and words, in grey."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from peatwright.packs.drawing.svg import Svg, path_of
from peatwright.packs.words import Words

WIDE, HIGH = 90.0, 46.0
BLACK, GREY, WHITE = "#000", "#6A6A6A", "#fff"
PEAT, DUG, WATER, WOOD, STONE = "#E3E3E3", "#B4B4B4", "#D4D4D4", "#F4F4F4", "#F0F0F0"
SMALL = 3.0
BANK, SAG, BED = 15.0, 18.0, 33.0
"""Heights on paper of firm ground, sunk ground and the drain's bed."""
TOP_BANK, LOW_BANK = 17.0, 29.0
"""Edges of the drain seen from above."""
Points = Sequence[tuple[float, float]]


def _wide(text: str) -> float:
    """Return how wide a short label runs in mm, closer than for keeping labels apart."""
    return 0.51 * SMALL * len(text)


class Sketch:
    """One step picture."""

    def __init__(self, w: Words, view: str) -> None:
        self.w = w
        self.svg = Svg(WIDE, HIGH)
        self.svg.rect(0.2, 0.2, WIDE - 0.4, HIGH - 0.4, fill=WHITE)
        self.svg.clip("f", 0.3, 0.3, WIDE - 0.6, HIGH - 0.6)
        self.view = view

    def done(self) -> bytes:
        """Return the picture, with the name of its view in the corner."""
        self.svg.end()
        words = self.w(f"label.{self.view}")
        self.svg.rect(0.2, 0.2, WIDE - 0.4, HIGH - 0.4, stroke=GREY, width=0.3)
        self.svg.rect(1, HIGH - 4.6, _wide(words) + 1, 3.9, fill=WHITE)
        self.svg.text(1.6, HIGH - 1.6, words, SMALL, fill="#333", italic=True)
        return self.svg.done()

    def shape(self, points: Points, fill: str, stroke: str = BLACK, width: float = 0.4) -> None:
        """Fill a closed shape."""
        self.svg.path(path_of(np.array(points, float), close=True), stroke, width, fill=fill)

    def line(
        self, points: Points, width: float = 0.45, dash: str = "", colour: str = BLACK
    ) -> None:
        """Draw a chain of points."""
        self.svg.path(path_of(np.array(points, float)), colour, width, dash=dash)

    def turf(self, points: Points, step: float = 1.7) -> None:
        """Draw a surface with grass along it."""
        at = np.array(points, float)
        self.line(points, 0.55)
        far = np.r_[0.0, np.cumsum(np.hypot(*np.diff(at, axis=0).T))]
        where = np.arange(step / 2, far[-1], step)
        x, y = np.interp(where, far, at[:, 0]), np.interp(where, far, at[:, 1])
        d = "".join(
            f"M{a:.2f} {b:.2f}l-0.45 -1.2M{a:.2f} {b:.2f}l0.05 -1.5M{a:.2f} {b:.2f}l0.55 -1.1"
            for a, b in zip(x, y, strict=True)
        )
        self.svg.path(d, BLACK, 0.18)

    def ground(self, points: Points, *, grass: bool = True) -> None:
        """Fill peat below a surface, with grass on it."""
        self.shape([*points, (WIDE, HIGH), (0, HIGH)], PEAT, "none")
        if grass:
            self.turf(points)
        else:
            self.line(points, 0.55)

    def water(self, points: Points) -> None:
        """Fill water; its surface is the first two points."""
        self.shape(points, WATER, "none")
        (x1, y1), (x2, _) = points[0], points[1]
        self.line([points[0], points[1]], 0.35)
        x = (x1 + x2) / 2
        self.svg.path(f"M{x - 1.4:.1f} {y1 - 2:.1f}h2.8l-1.4 1.9Z", BLACK, 0.2, fill=WHITE)

    def arrow(self, points: Points, width: float = 0.7, *, dash: str = "") -> None:
        """Draw a bent arrow that ends in the last point."""
        at = np.array(points, float)
        way = at[-1] - at[-2]
        way /= max(float(np.hypot(*way)), 1e-9)
        side = np.array([-way[1], way[0]])
        neck = at[-1] - way * 2.4
        self.svg.path(path_of(np.vstack([at[:-1], neck])), BLACK, width, dash=dash, cap="round")
        head = np.stack([at[-1], neck + side * 1.3, neck - side * 1.3])
        self.svg.path(path_of(head, close=True), BLACK, 0.1, fill=BLACK)

    def words(
        self, x: float, y: float, key: str, anchor: str = "middle", /, **values: object
    ) -> None:
        """Write a label on white, so that it can be read on any ground."""
        text = self.w(f"label.{key}", **values)
        wide = _wide(text)
        left = {"start": x, "middle": x - wide / 2, "end": x - wide}[anchor]
        self.svg.rect(left - 0.5, y - 2.7, wide + 1.0, 3.6, fill=WHITE, opacity=0.88)
        self.svg.text(x, y, text, SMALL, anchor=anchor)

    def dim(self, x1: float, y1: float, x2: float, y2: float, key: str, **values: object) -> None:
        """Draw a measure with its words beside its middle."""
        way = np.array([x2 - x1, y2 - y1], float)
        way /= max(float(np.hypot(*way)), 1e-9)
        a, b = np.array([x1, y1], float), np.array([x2, y2], float)
        self.line([tuple(a), tuple(b)], 0.3)
        for at, sign in ((a, 1.0), (b, -1.0)):
            side = np.array([-way[1], way[0]])
            tip = np.stack(
                [at, at + sign * way * 1.7 + side * 0.7, at + sign * way * 1.7 - side * 0.7]
            )
            self.svg.path(path_of(tip, close=True), BLACK, 0.1, fill=BLACK)
        if abs(way[0]) > abs(way[1]):
            self.words((x1 + x2) / 2, min(y1, y2) - 1.0, key, **values)
        else:
            self.words(max(x1, x2) + 1.2, (y1 + y2) / 2 + 1.0, key, "start", **values)

    def bucket(
        self, x: float, y: float, turn: float, size: float = 1.0, *, flip: bool = False
    ) -> None:
        """Draw a bucket with its teeth at (x, y); `turn` in degrees, 0 digs straight down."""
        s = -1 if flip else 1
        self.svg.add(
            f'<g transform="translate({x:.2f} {y:.2f}) rotate({turn:g})'
            f' scale({s * size:g} {size:g})">'
        )
        self.svg.path(
            "M0 0L-0.4 -8.5L1.2 -11.5H6.6C8.6 -8.4 8.2 -3.4 4.4 -1.2L1.4 -1.6Z",
            BLACK,
            0.5,
            fill=WHITE,
        )
        self.svg.path("M0 0L1.4 -1.6M0.1 -1.6L1.6 -2.2", BLACK, 0.5)
        self.svg.path("M2 -11.5L2.6 -24H5.2L5.6 -11.5Z", BLACK, 0.5, fill=WHITE)
        self.svg.dot(4.0, -12.2, 0.8, BLACK)
        self.svg.end()

    # --- scenes that several methods share ----------------------------------------------------

    def across(self, *, drain: bool = True, spoil: bool = False) -> None:
        """Draw the ground across the drain, sunk beside it, downhill to the right."""
        left = [(0, BANK - 1.5), (14, BANK - 0.5), (26, SAG - 1), (38, SAG)]
        right = [(51, SAG), (63, SAG - 0.2), (76, BANK + 1.2), (WIDE, BANK + 2.5)]
        if spoil:
            right = [(51, SAG), (54, SAG - 0.2), (57, SAG - 5), (64, SAG - 5), (68, SAG - 0.5),
                     (78, BANK + 1.6), (WIDE, BANK + 2.5)]  # fmt: skip
        cut = [(41, BED), (48, BED)] if drain else []
        self.shape([*left, *cut, *right, (WIDE, HIGH), (0, HIGH)], PEAT, "none")
        self.turf(left)
        self.turf(right)
        if drain:
            self.line([(38, SAG), (41, BED), (48, BED), (51, SAG)], 0.55)
        else:
            self.turf([(38, SAG), (44, SAG - 0.6), (51, SAG)])

    def along(self, bed: Points | None = None) -> None:
        """Draw the drain along its bed, running to the right, with the bank behind it."""
        bed = bed or [(0, BED - 2), (WIDE, BED + 1)]
        bank = [(0, BANK), (WIDE, BANK + 3)]
        self.shape([*bank, *reversed(bed)], WHITE, "none")
        self.shape([*bed, (WIDE, HIGH), (0, HIGH)], PEAT, "none")
        self.line(bank, 0.35, "1.6 1")
        self.line(bed, 0.6)

    def above(self, *, spoil: bool = True, flow: bool = True) -> None:
        """Draw the drain from above, running to the right, old spoil along its lower side."""
        self.shape([(0, 0), (WIDE, 0), (WIDE, HIGH), (0, HIGH)], PEAT, "none")
        self.shape(
            [(0, TOP_BANK), (WIDE, TOP_BANK), (WIDE, LOW_BANK), (0, LOW_BANK)], WHITE, "none"
        )
        self.line([(0, TOP_BANK), (WIDE, TOP_BANK)], 0.5)
        self.line([(0, LOW_BANK), (WIDE, LOW_BANK)], 0.5)
        if spoil:
            self.bank(0, WIDE)
        if flow:
            self.arrow([(3, 23), (13, 23)])
            self.words(2, 21, "flow", "start")

    def bank(self, x1: float, x2: float) -> None:
        """Draw a bank of old spoil from above."""
        y = LOW_BANK + 1.6
        self.svg.rect(x1, y, x2 - x1, 4.6, fill="#D0D0D0")
        ticks = "".join(f"M{x:.1f} {y:.1f}v1.5M{x + 1:.1f} {y + 4.6:.1f}v-1.5"
                        for x in np.arange(x1 + 0.8, x2 - 0.8, 2.2))  # fmt: skip
        self.svg.path(ticks, GREY, 0.25)

    def stones(self, outline: Points, size: float = 2.6, seed: int = 1) -> None:
        """Fill an outline with round stones."""
        shape = shapely.Polygon(outline)
        self.shape(outline, "#DDDDDD", BLACK, 0.3)
        x1, y1, x2, y2 = shape.bounds
        dice = np.random.default_rng(seed)
        for row, y in enumerate(np.arange(y2 - size / 2, y1, -size * 0.85)):
            for x in np.arange(x1 + size / 2 + (row % 2) * size / 2, x2, size * 1.02):
                if shape.buffer(-size * 0.3).contains(shapely.Point(x, y)):
                    r, q = size * dice.uniform(0.42, 0.55), size * dice.uniform(0.36, 0.48)
                    self.svg.add(
                        f'<ellipse cx="{x:.2f}" cy="{y:.2f}" rx="{r:.2f}" ry="{q:.2f}"'
                        f' fill="{WHITE}" stroke="{BLACK}" stroke-width="0.3"/>'
                    )
