"""A small SVG writer whose unit is a millimetre of paper."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from peatwright.packs.wording import plain

Points = NDArray[np.float64]
FONT = "Open Sans"
LETTER = 0.56
"""Mean width of a letter over its size in Open Sans, for keeping labels apart."""


def text_width(text: str, size: float) -> float:
    """Return roughly how wide a text runs, in mm."""
    return LETTER * size * len(text)


def path_of(points: Points, *, close: bool = False) -> str:
    """Return the path of a chain of points, shape (n, 2), in mm; gaps (NaN) lift the pen."""
    out = []
    pen = "M"
    for x, y in points.tolist():
        if x != x or y != y:  # noqa: PLR0124 - NaN
            pen = "M"
            continue
        out.append(f"{pen}{x:.2f} {y:.2f}")
        pen = "L"
    return "".join(out) + ("Z" if close and out else "")


class Svg:
    """Collects shapes; `done` gives the file."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self._parts: list[str] = []
        self._defs: list[str] = []
        self._names: dict[str, None] = {}

    def add(self, markup: str) -> None:
        """Add markup as it is: never pass text of others here."""
        self._parts.append(markup)

    def define(self, name: str, markup: str) -> None:
        """Add a definition once."""
        if name not in self._names:
            self._names[name] = None
            self._defs.append(markup)

    def path(
        self,
        d: str,
        stroke: str = "none",
        width: float = 0.2,
        *,
        fill: str = "none",
        dash: str = "",
        opacity: float = 1.0,
        cap: str = "butt",
    ) -> None:
        """Draw a path; `dash` is in mm."""
        if not d:
            return
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        extra += f' opacity="{opacity:g}"' if opacity < 1 else ""
        extra += f' stroke-linecap="{cap}"' if cap != "butt" else ""
        rule = ' fill-rule="evenodd"' if fill != "none" else ""
        self._parts.append(
            f'<path d="{d}" fill="{fill}"{rule} stroke="{stroke}" stroke-width="{width:g}"'
            f' stroke-linejoin="round"{extra}/>'
        )

    def line(
        self, x1: float, y1: float, x2: float, y2: float, stroke: str, width: float, dash: str = ""
    ) -> None:
        """Draw a straight line."""
        self.path(f"M{x1:.2f} {y1:.2f}L{x2:.2f} {y2:.2f}", stroke, width, dash=dash)

    def rect(
        self,
        x: float,
        y: float,
        wide: float,
        high: float,
        *,
        fill: str = "none",
        stroke: str = "none",
        width: float = 0.2,
        opacity: float = 1.0,
    ) -> None:
        """Draw a rectangle; one without area is left out."""
        if wide > 0 and high > 0:
            self.path(
                f"M{x:.2f} {y:.2f}h{wide:.2f}v{high:.2f}h{-wide:.2f}Z",
                stroke, width, fill=fill, opacity=opacity,
            )  # fmt: skip

    def dot(self, x: float, y: float, radius: float, fill: str, stroke: str = "none") -> None:
        """Draw a dot."""
        self._parts.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{radius:g}" fill="{fill}" stroke="{stroke}"'
            ' stroke-width="0.15"/>'
        )

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        fill: str = "#22313A",
        anchor: str = "start",
        bold: bool = False,
        italic: bool = False,
        halo: float = 0.0,
        turn: float = 0.0,
    ) -> None:
        """Write a text at its baseline; `turn` in degrees clockwise, `halo` a white rim in mm."""
        shown = escape(plain(text))
        if not shown:
            return
        extra = ' font-weight="600"' if bold else ""
        extra += ' font-style="italic"' if italic else ""
        extra += f' transform="rotate({turn:.1f} {x:.2f} {y:.2f})"' if turn else ""
        if halo:
            extra += (
                f' paint-order="stroke" stroke="#fff" stroke-width="{2 * halo:g}"'
                ' stroke-linejoin="round"'
            )
        self._parts.append(
            f'<text x="{x:.2f}" y="{y:.2f}" font-family={quoteattr(FONT)} font-size="{size:g}"'
            f' text-anchor="{anchor}" fill="{fill}"{extra}>{shown}</text>'
        )

    def picture(self, jpeg: bytes, x: float, y: float, wide: float, high: float) -> None:
        """Lay down a JPEG."""
        held = base64.b64encode(jpeg).decode()
        self._parts.append(
            f'<image x="{x:.3f}" y="{y:.3f}" width="{wide:.3f}" height="{high:.3f}"'
            f' preserveAspectRatio="none" href="data:image/jpeg;base64,{held}"/>'
        )

    def join(self, other: Svg) -> None:
        """Add all that another picture holds, where it lies there."""
        self._parts += other._parts
        for name, markup in zip(other._names, other._defs, strict=True):
            self.define(name, markup)

    def clip(self, name: str, x: float, y: float, wide: float, high: float) -> None:
        """Start a group that shows only what lies in a rectangle; end it with `end`."""
        self.define(
            name,
            f'<clipPath id="{name}"><rect x="{x:.2f}" y="{y:.2f}" width="{wide:.2f}"'
            f' height="{high:.2f}"/></clipPath>',
        )
        self._parts.append(f'<g clip-path="url(#{name})">')

    def end(self) -> None:
        """End a group."""
        self._parts.append("</g>")

    def hatch(self, x: float, y: float, wide: float, high: float, step: float, lean: float) -> str:
        """Return the path of slanted lines over a rectangle; `lean` is run over rise."""
        lines = []
        run = abs(lean) * high
        start = x - run if lean >= 0 else x
        end = x + wide if lean >= 0 else x + wide + run
        for at in np.arange(start, end, step):
            low, high_x = at, at + lean * high
            lines.append(_clipped(low, y + high, high_x, y, x, x + wide))
        return "".join(lines)

    def done(self) -> bytes:
        """Return the file."""
        defs = f"<defs>{''.join(self._defs)}</defs>" if self._defs else ""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}mm"'
            f' height="{self.height:g}mm" viewBox="0 0 {self.width:g} {self.height:g}">'
            f"{defs}{''.join(self._parts)}</svg>"
        ).encode()


def _clipped(x1: float, y1: float, x2: float, y2: float, low: float, high: float) -> str:
    if x1 == x2:
        return f"M{x1:.2f} {y1:.2f}L{x2:.2f} {y2:.2f}" if low <= x1 <= high else ""
    across = sorted((max(min(x1, x2), low), min(max(x1, x2), high)))
    ends = [(x, y1 + (y2 - y1) * (x - x1) / (x2 - x1)) for x in across]
    if ends[0][0] < low or ends[1][0] > high or max(min(x1, x2), low) > min(max(x1, x2), high):
        return ""
    return "".join(f"{p}{x:.2f} {y:.2f}" for p, (x, y) in zip("ML", ends, strict=True))


def rings(polygon_coords: Iterable[Points]) -> str:
    """Return the path of a polygon's rings."""
    return "".join(path_of(ring, close=True) for ring in polygon_coords)
