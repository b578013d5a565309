"""The sheet of found lines: what the terrain shows, by kind and by how sure it is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
import pyproj
import shapely

from peatwright.model.found_layers import FOUND_KINDS
from peatwright.model.raster import Raster
from peatwright.packs.drawing import plan
from peatwright.packs.drawing.look import FAINT, INK, PAPER, SOFT, Stroke
from peatwright.packs.drawing.overview import EDGE, MAP_HIGH, MAP_WIDE, Overview
from peatwright.packs.drawing.svg import Svg, path_of, rings
from peatwright.packs.info import PackInfo
from peatwright.packs.wording import number, plain

KIND_COLOURS = {
    "drain": "#15588F",
    "roadside ditch": "#84460F",
    "natural channel": "#0F8577",
    "furrow": "#C7751B",
    "rut": "#6A6A5E",
    "gully": "#A8326E",
}
SURE, LIKELY = 0.8, 0.5
CLASSES = (
    (SURE, "sure, 0.8 or more", ""),
    (LIKELY, "likely, 0.5 to 0.8", "3 1"),
    (0.0, "doubtful, under 0.5", "0.8 1.2"),
)
CAUTION = (
    "Found by computer in a terrain model. A line is a drain when someone who knows the ground has "
    "accepted it: walk or check a fair sample, and look for what the terrain hides."
)


def stroke_of(kind: str, confidence: float, width: float = 0.8) -> Stroke:
    """Return the line of a kind; the less sure, the more broken."""
    dash = next(d for least, _, d in CLASSES if confidence >= least)
    return Stroke(KIND_COLOURS.get(kind, SOFT), width, dash)


def report_rows(found: pd.DataFrame, area_ha: float) -> list[list[str]]:
    """Return kind, metres sure, likely and doubtful, and metres of sure and likely a hectare."""
    rows = []
    for kind in FOUND_KINDS:
        here = found[(found["kind"] == kind) & (found["decision"] != "refused")]
        if not len(here):
            continue
        c, m = here["confidence"], here["length_m"]
        parts = [
            m[c >= SURE].sum(), m[(c >= LIKELY) & (c < SURE)].sum(), m[c < LIKELY].sum(),
        ]  # fmt: skip
        density = (parts[0] + parts[1]) / area_ha if area_ha else 0.0
        rows.append([kind, *(number(p) for p in parts), number(density, 1)])
    return rows


def report_lines(found: pd.DataFrame, furrows: pd.DataFrame, area_ha: float) -> list[str]:
    """Return the report in words: length by kind and confidence, density, furrow ground."""
    lines = [
        f"{'Found':16} {'sure m':>9} {'likely m':>9} {'doubtful m':>10} {'m/ha':>7}",
        *(
            f"{kind:16} {sure:>9} {likely:>9} {doubtful:>10} {density:>7}"
            for kind, sure, likely, doubtful, density in report_rows(found, area_ha)
        ),
        f"over {number(area_ha, 1)} ha; m/ha counts sure and likely lines",
    ]
    if len(furrows):
        mean = (furrows["spacing_m"] * furrows["area_m2"]).sum() / furrows["area_m2"].sum()
        lines.append(
            f"furrow ground {number(furrows['area_m2'].sum() / 1e4, 1)} ha in {len(furrows)} "
            f"patches, furrows about {mean:.1f} m apart"
        )
    return lines


def draw_found(
    found: pd.DataFrame, furrows: pd.DataFrame, boundary: pd.DataFrame, dtm: Raster,
    area_ha: float, info: PackInfo,
) -> Overview:  # fmt: skip
    """Draw found lines over shaded ground, with their lengths by kind and confidence."""
    held = {"boundary": boundary, "drains": found}
    frame = plan.fitted(plan.extent(held, dtm), MAP_WIDE, MAP_HIGH)
    frame = plan.kept_on(dtm.grid.bounds, frame)
    scale = Svg(84, 19)
    plan.draw_north(scale, 8, 8)
    plan.draw_scale_bar(scale, 20, 7, frame.scale, 50)
    pictures = {"map.svg": _map(found, furrows, boundary, dtm, frame), "scale.svg": scale.done()}

    def swatch(name: str, stroke: Stroke) -> str:
        svg = Svg(13, 3.4)
        plan.draw_stroke(svg, "M0.5 1.7H12.5", stroke)
        pictures[f"{name}.svg"] = svg.done()
        return f"{name}.svg"

    rows = report_rows(found, area_ha)
    data: dict[str, Any] = {
        "title": plain(info.title, 90),
        "date": plain(info.date),
        "origin": plain(info.origin),
        "attribution": plain(info.attribution, 300),
        "invented": info.invented,
        "map": {"wide": MAP_WIDE, "high": MAP_HIGH, "edge": EDGE},
        "scale": f"1:{number(frame.scale)} at A3",
        "crs": plain(pyproj.CRS(dtm.grid.crs).name, 60),
        "kinds": [
            [swatch(f"k{k}", Stroke(KIND_COLOURS[row[0]], 0.8)), *row] for k, row in enumerate(rows)
        ],
        "classes": [
            [swatch(f"c{k}", Stroke(INK, 0.7, dash)), words]
            for k, (_, words, dash) in enumerate(CLASSES)
        ],
        "states": _states(found),
        "furrows": report_lines(found, furrows, area_ha)[-1] if len(furrows) else "",
        "caution": CAUTION,
    }
    return Overview(data, pictures, "found.typ")


def _states(found: pd.DataFrame) -> list[list[str]]:
    parts: Mapping[str, pd.Series] = {
        "accepted or redrawn": found["decision"].isin(["accepted", "redrawn"]),
        "refused": found["decision"] == "refused",
        "already given": (found["given_id"] != "") & (found["decision"] == ""),
        "waiting for a decision": (found["given_id"] == "") & (found["decision"] == ""),
    }
    return [
        [words, number(int(chosen.sum())), number(found.loc[chosen, "length_m"].sum(), 0, "m")]
        for words, chosen in parts.items()
    ]


def _map(
    found: pd.DataFrame, furrows: pd.DataFrame, boundary: pd.DataFrame, dtm: Raster,
    frame: plan.Frame,
) -> bytes:  # fmt: skip
    svg = Svg(MAP_WIDE + 2 * EDGE, MAP_HIGH + 2 * EDGE)
    svg.clip("map", EDGE, EDGE, MAP_WIDE, MAP_HIGH)
    svg.add(f'<g transform="translate({EDGE} {EDGE})">')
    ground = plan.shaded(dtm, frame)
    if ground is not None:
        svg.picture(*ground)
    plan.draw_boundary(svg, boundary, frame)
    for shape in furrows.geometry if len(furrows) else ():
        edge = rings(
            frame.mm(shapely.get_coordinates(r)) for r in (shape.exterior, *shape.interiors)
        )
        svg.path(edge, KIND_COLOURS["furrow"], 0.3, fill=KIND_COLOURS["furrow"], opacity=0.25)
    ordered = found.sort_values("confidence")
    shapes = shapely.simplify(ordered.geometry.to_numpy(), 3e-5 * frame.scale)
    refused = (ordered["decision"] == "refused").to_numpy()
    paths = [path_of(frame.mm(shapely.get_coordinates(s))) for s in shapes]
    for d, gone in zip(paths, refused, strict=True):
        svg.path(d, PAPER, 1.3, opacity=0.0 if gone else 0.8, cap="round")
    for d, gone, kind, sure in zip(
        paths, refused, ordered["kind"], ordered["confidence"], strict=True
    ):
        plan.draw_stroke(svg, d, Stroke(FAINT, 0.3) if gone else stroke_of(kind, sure))
    svg.end()
    svg.end()
    plan.draw_grid(svg, frame, EDGE, EDGE)
    return svg.done()
