"""The overview: one A3 sheet with the map, its legend and what the layout comes to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd
import pyproj

from peatwright.model.layers import LIMIT_KINDS
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.packs.costing import each_rows, figures
from peatwright.packs.drawing import plan
from peatwright.packs.drawing.look import (
    INK,
    METHOD_STROKES,
    PAPER,
    hatch_pattern,
    limit_colour,
)
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.drawing.svg import Svg
from peatwright.packs.info import PackInfo
from peatwright.packs.stops import open_stops
from peatwright.packs.summary import looks, method_rows, site_row
from peatwright.packs.wording import SAFETY, SCREENING, count, number, plain

MAP_WIDE, MAP_HIGH = 306.0, 258.0
STOPS_SHOWN = 3
EDGE = 6.0
"""Room around the map for coordinates, in mm."""


@dataclass(frozen=True)
class Overview:
    """A drawn overview, to be set as often as needed."""

    data: Mapping[str, Any]
    pictures: Mapping[str, bytes]
    page: str = "overview.typ"

    def pdf(self) -> bytes:
        """Return the A3 sheet."""
        return set_pages(self.page, self.data, self.pictures)[0]

    def png(self, dots_per_inch: float = 110.0) -> bytes:
        """Return a picture of the sheet."""
        return set_pages(
            self.page, self.data, self.pictures, form="png", dots_per_inch=dots_per_inch
        )[0]


def draw_overview(
    tables: Mapping[str, pd.DataFrame], dtm: Raster, rules: Rules, info: PackInfo
) -> Overview:
    """Draw boundary, limits, drains by method, dams and names over shaded ground."""
    frame = plan.fitted(plan.extent(tables, dtm), MAP_WIDE, MAP_HIGH)
    frame = plan.kept_on(dtm.grid.bounds, frame)
    pictures: dict[str, bytes] = {}
    pictures["map.svg"], unnamed, dams_shown = _map(tables, dtm, frame)
    pictures["scale.svg"] = _scale_strip(frame)
    legend = _legend(tables, pictures, dams_shown=dams_shown)
    data: dict[str, Any] = {
        "title": plain(info.title, 90),
        "date": plain(info.date),
        "origin": plain(info.origin),
        "attribution": plain(info.attribution, 300),
        "invented": info.invented,
        "map": {"wide": MAP_WIDE, "high": MAP_HIGH, "edge": EDGE},
        "scale": f"1:{number(frame.scale)} at A3",
        "crs": plain(pyproj.CRS(dtm.grid.crs).name, 60),
        "methods": legend["methods"],
        "marks": legend["marks"],
        "limits": legend["limits"],
        "unnamed": unnamed,
        "hidden": not dams_shown and bool((tables["items"]["kind"] == "dam").any()),
        "facts": _facts(tables, rules),
        "look": looks(tables, rules),
        "stops": _stops(tables),
        "screening": SCREENING,
        "safety": SAFETY,
    }
    return Overview(data, pictures)


def _map(
    tables: Mapping[str, pd.DataFrame], dtm: Raster, frame: plan.Frame
) -> tuple[bytes, int, bool]:
    svg = Svg(MAP_WIDE + 2 * EDGE, MAP_HIGH + 2 * EDGE)
    svg.clip("map", EDGE, EDGE, MAP_WIDE, MAP_HIGH)
    svg.add(f'<g transform="translate({EDGE} {EDGE})">')
    ground = plan.shaded(dtm, frame)
    if ground is not None:
        svg.picture(*ground)
    plan.draw_boundary(svg, tables["boundary"], frame)
    plan.draw_limits(svg, tables["limits"], frame)
    plan.draw_reaches(svg, tables["reaches"], frame)
    dams_shown = plan.draw_dams(svg, tables["items"], frame)
    unnamed = plan.draw_names(svg, tables["drains"], frame)
    svg.end()
    svg.end()
    plan.draw_grid(svg, frame, EDGE, EDGE)
    return svg.done(), unnamed, dams_shown


def _scale_strip(frame: plan.Frame) -> bytes:
    svg = Svg(84, 19)
    plan.draw_north(svg, 8, 8)
    plan.draw_scale_bar(svg, 20, 7, frame.scale, 50)
    return svg.done()


def _legend(
    tables: Mapping[str, pd.DataFrame], pictures: dict[str, bytes], *, dams_shown: bool
) -> dict[str, list[list[str]]]:
    def swatch(name: str, svg: Svg) -> str:
        pictures[f"{name}.svg"] = svg.done()
        return f"{name}.svg"

    methods = []
    for k, (method, length, dams) in enumerate(method_rows(tables)):
        svg = Svg(13, 3.4)
        plan.draw_stroke(svg, "M0.5 1.7H12.5", METHOD_STROKES[method])
        methods.append(
            [swatch(f"m{k}", svg), method, number(length, 0, "m"), number(dams) if dams else ""]
        )
    marks = []
    if dams_shown:
        svg = Svg(13, 4.4)
        svg.path("M6.5 0.6V3.8", INK, 0.5)
        svg.line(6.5, 2.2, 9.4, 2.2, INK, 0.18)
        svg.dot(9.4, 2.2, 0.42, "#4FA8D8", INK)
        marks.append([swatch("dam", svg), "dam: its crest, and the side on which its pool spills"])
    if len(tables["boundary"]):
        svg = Svg(13, 3.4)
        svg.path("M0.5 1.7H12.5", INK, 0.5, dash="5 1 1 1")
        marks.append([swatch("edge", svg), "site boundary"])
    limits = []
    kinds = set(tables["limits"]["kind"]) - {"boundary"}
    for k, kind in enumerate(kind for kind in LIMIT_KINDS if kind in kinds):
        svg = Svg(13, 4.6)
        svg.rect(0.5, 0.4, 12, 3.8, fill=PAPER)
        svg.rect(
            0.5, 0.4, 12, 3.8, fill=hatch_pattern(svg, kind), stroke=limit_colour(kind), width=0.25
        )
        limits.append([swatch(f"l{k}", svg), kind])
    return {"methods": methods, "marks": marks, "limits": limits}


def _stops(tables: Mapping[str, pd.DataFrame]) -> str:
    """Say how many findings must stop the work, and where the first few are."""
    stops = open_stops(tables)
    if not stops:
        return ""
    places = [plain(t.partition(": ")[0], 48) for t in stops[:STOPS_SHOWN]]
    left = [f"{number(len(stops) - STOPS_SHOWN)} more"] if len(stops) > STOPS_SHOWN else []
    said = count(len(stops), "finding")
    return f"{said} without an answer, no work there: {'; '.join([*places, *left])}. See register."


def _facts(tables: Mapping[str, pd.DataFrame], rules: Rules) -> list[list[str]]:
    site, drains, items = site_row(tables), tables["drains"], tables["items"]
    money = rules.rates.currency
    hours = f"{number(site['hours'])} ({number(site['hours_low'])} to {number(site['hours_high'])})"
    total = figures(tables).get("total")
    cost, spread = number(site["cost"]), [site["cost_low"], site["cost_high"]]
    names = (f"Cost, {money}, likely rates", "All rates low, all high")
    if total is not None:
        cost, spread = number(total["p50"]), [total["p10"], total["p90"]]
        names = (f"Cost, {money}, P50", "P10 to P90")
    return [
        ["Drains", f"{number(len(drains))}, {number(drains['length_m'].sum() / 1000, 2, 'km')}"],
        ["Dams", number((items["kind"] == "dam").sum())],
        ["Zipped", number(site["zip_m"], 0, "m")],
        ["Peat moved", number(site["fill_m3"] + site["zip_m3"] + site["spoil_m3"], 0, "m³")],
        ["Machine hours", hours],
        [names[0], cost],
        [names[1], " to ".join(number(v) for v in spread)],
        *[
            [f"{basis[:1].upper()}{basis[1:]} (published)", f"{ours} ({seen})"]
            for basis, ours, seen in each_rows(tables)
        ],
        ["Not measured", number(drains["unmeasured_m"].sum(), 0, "m")],
    ]
