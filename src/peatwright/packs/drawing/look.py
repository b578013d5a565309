"""Colours and line styles: told apart by dash and weight in grey, and by the colour-blind."""

from __future__ import annotations

from dataclasses import dataclass

from peatwright.packs.drawing.svg import Svg

INK, SOFT, FAINT, PAPER = "#22313A", "#5B6B70", "#C3CCC9", "#FFFFFF"
MOSS, MOSS_PALE = "#3F6250", "#E9EFEA"
WATER, WATER_EDGE = "#9CC9E3", "#2A7AA8"
PEAT, PEAT_PALE, MINERAL, GROUND = "#6B4A34", "#EADFD3", "#D9D9D4", "#F6F5F0"
ZIP, ZIP_PALE = "#C7751B", "#F3DDBE"
WARN = "#A33B2E"


@dataclass(frozen=True)
class Stroke:
    """Colour, width in mm, dash in mm and cap of a line."""

    colour: str
    width: float
    dash: str = ""
    cap: str = "butt"


METHOD_STROKES = {
    "wave dam": Stroke("#15588F", 0.75),
    "peat dam": Stroke("#0F8577", 0.65, "5 1"),
    "timber dam": Stroke("#84460F", 0.7, "3 0.9 0.7 0.9"),
    "stone dam": Stroke("#4A4A4A", 0.7, "2.2 0.8 0.5 0.8 0.5 0.8"),
    "piling dam": Stroke("#5C3A93", 0.8, "1.3 0.9"),
    "zip": Stroke("#C7751B", 0.6, "2.6 1.2"),
    "reprofile": Stroke("#A8326E", 0.55, "1.1 1"),
    "leave alone": Stroke("#5B6B70", 0.5, "0.05 1.3", "round"),
}
LIMIT_HATCHES = {
    # colour, step in mm, lean
    "heritage": ("#7A3E8E", 1.5, 1.0),
    "overhead line": ("#B0392B", 1.8, -1.0),
    "watercourse": ("#2A7AA8", 1.1, 0.0),
    "water supply": ("#0E6E9C", 2.4, 1.0),
    "buried service": ("#B0392B", 1.1, 1.0),
    "track": ("#6A6A5E", 2.6, -1.0),
    "boundary": ("#22313A", 3.2, 1.0),
    "nest": ("#7A5C00", 2.0, -1.0),
    "sett": ("#7A5C00", 1.4, -1.0),
    "forest edge": ("#2E6B2E", 2.2, 0.0),
    "unexploded ordnance": ("#B0392B", 0.8, 1.0),
    "other": ("#555555", 2.0, 0.5),
}


def hatch_pattern(svg: Svg, kind: str) -> str:
    """Define the hatch of a kind of limit and return its fill."""
    colour, step, lean = LIMIT_HATCHES.get(kind, LIMIT_HATCHES["other"])
    name = f"h-{kind.replace(' ', '-')}"
    turn = {1.0: 45, -1.0: -45, 0.0: 0}.get(lean, 25)
    svg.define(
        name,
        f'<pattern id="{name}" width="{step}" height="{step}" patternUnits="userSpaceOnUse"'
        f' patternTransform="rotate({turn})"><rect width="0.22" height="{step}"'
        f' fill="{colour}"/></pattern>',
    )
    return f"url(#{name})"


def limit_colour(kind: str) -> str:
    """Return the outline colour of a kind of limit."""
    return LIMIT_HATCHES.get(kind, LIMIT_HATCHES["other"])[0]
