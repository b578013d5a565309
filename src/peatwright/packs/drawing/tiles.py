"""Maps in sheets of A3 or A4 with an index, for the office wall and the field."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import shapely

from peatwright.model.layers import LIMIT_KINDS
from peatwright.model.progress import Progress, silent
from peatwright.model.raster import Raster
from peatwright.packs.drawing import plan
from peatwright.packs.drawing.look import INK, METHOD_STROKES, PAPER, hatch_pattern, limit_colour
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.drawing.svg import Svg, text_width
from peatwright.packs.info import PackInfo
from peatwright.packs.version import Issue
from peatwright.packs.wording import methods_present, plain
from peatwright.packs.words import Words

PAPERS = {
    # name: page wide, page high, map wide, map high, in mm
    "A3": (420.0, 297.0, 334.0, 264.0),
    "A4": (297.0, 210.0, 224.0, 178.0),
}
EDGE = 6.0
MOST_SHEETS = 16
SCALES = (500, 1000, 1250, 2000, 2500, 5000, 10_000, 25_000, 50_000, 100_000)
SHEETS_A_FILE = 24
OVERLAP_MM = 8.0
NUMBER_ROOM_MM = 4.5


@dataclass(frozen=True)
class Sheet:
    """One sheet: its name such as B2, its place in the rows and columns, and what it frames."""

    name: str
    row: int
    col: int
    frame: plan.Frame


def sheet_name(row: int, col: int) -> str:
    """Return the name of a sheet: a letter for the column from the west, a number for the row."""
    letters = ""
    col += 1
    while col:
        col, rest = divmod(col - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row + 1}"


def sheets_of(tables: Mapping[str, pd.DataFrame], paper: str) -> list[Sheet]:
    """Return the sheets that hold drains, at the largest scale that needs few enough of them."""
    drains = tables["drains"]
    if not len(drains):
        return []
    shapes = drains.geometry.to_numpy()
    tree = shapely.STRtree(shapes)
    _, _, wide, high = PAPERS[paper]
    for scale in SCALES:
        made = _grid(tree, drains.total_bounds, wide, high, float(scale))
        if len(made) <= MOST_SHEETS:
            return made
    return made


def _grid(
    tree: shapely.STRtree, bounds: Any, wide: float, high: float, scale: float
) -> list[Sheet]:
    west, south, east, north = (float(v) for v in bounds)
    step_x, step_y = (wide - OVERLAP_MM) * scale / 1000, (high - OVERLAP_MM) * scale / 1000
    margin = OVERLAP_MM * scale / 1000
    cols = max(1, int(np.ceil((east - west + margin) / step_x)))
    rows = max(1, int(np.ceil((north - south + margin) / step_y)))
    if rows * cols > 40 * MOST_SHEETS:
        return [Sheet("", 0, 0, plan.Frame(west, north, wide, high, scale))] * (MOST_SHEETS + 1)
    x0 = (west + east) / 2 - (cols * step_x + margin) / 2
    y0 = (south + north) / 2 + (rows * step_y + margin) / 2
    out = []
    for row in range(rows):
        for col in range(cols):
            frame = plan.Frame(x0 + col * step_x, y0 - row * step_y, wide, high, scale)
            if len(tree.query(shapely.box(*frame.bounds), "intersects")):
                out.append(Sheet(sheet_name(row, col), row, col, frame))
    return out


def map_files(
    tables: Mapping[str, pd.DataFrame], dtm: Raster, info: PackInfo, issue: Issue, w: Words,
    paper: str = "A3", progress: Progress = silent,
) -> Iterator[bytes]:  # fmt: skip
    """Yield PDFs with the index and the sheets, some sheets a file so that memory is bounded."""
    sheets = sheets_of(tables, paper)
    chunks = [sheets[k : k + SHEETS_A_FILE] for k in range(0, len(sheets), SHEETS_A_FILE)] or [[]]
    for n, chunk in enumerate(chunks):
        pictures: dict[str, bytes] = {}
        data = _common(tables, dtm, info, issue, w, paper, pictures)
        scale = w.number(sheets[0].frame.scale) if sheets else ""
        data["scale"] = scale
        data["index"] = n == 0
        if n == 0:
            pictures["index.svg"] = _index(tables, dtm, sheets, paper)
            data["index_words"] = (
                w("maps.index_words", n=len(sheets), scale=scale) if sheets else ""
            )
            data["listed"] = [[s.name, _drains_on(tables, s)] for s in sheets]
        data["sheets"] = []
        for k, sheet in enumerate(chunk):
            pictures[f"t{k}.svg"] = _tile(tables, dtm, sheet, sheets, w)
            data["sheets"].append({
                "name": sheet.name, "picture": f"t{k}.svg", "drains": _drains_on(tables, sheet),
                "words": w("maps.sheet_words", title=plain(info.title, 60), name=sheet.name,
                           scale=scale, paper=paper),
            })  # fmt: skip
            progress((k + 1) / len(chunk), f"map sheet {sheet.name}")
        if sheets:
            svg = Svg(60, 18)
            plan.draw_north(svg, 7, 8, w("common.grid_north"))
            plan.draw_scale_bar(svg, 17, 7, sheets[0].frame.scale, 36)
            pictures["scale.svg"] = svg.done()
        yield set_pages("maps.typ", data, pictures)[0]


def _common(
    tables: Mapping[str, pd.DataFrame], dtm: Raster, info: PackInfo, issue: Issue, w: Words,
    paper: str, pictures: dict[str, bytes],
) -> dict[str, Any]:  # fmt: skip
    wide, high, map_wide, map_high = PAPERS[paper]
    methods, limits = [], []
    for k, method in enumerate(methods_present(tables["reaches"])):
        svg = Svg(13, 3.4)
        plan.draw_stroke(svg, "M0.5 1.7H12.5", METHOD_STROKES[method])
        pictures[f"m{k}.svg"] = svg.done()
        methods.append([f"m{k}.svg", w.said("methods", method)])
    svg = Svg(13, 4.4)
    svg.path("M6.5 0.6V3.8", INK, 0.5)
    svg.line(6.5, 2.2, 9.4, 2.2, INK, 0.18)
    svg.dot(9.4, 2.2, 0.42, "#4FA8D8", INK)
    pictures["dam.svg"] = svg.done()
    svg = Svg(13, 3.4)
    svg.path("M0.5 1.7H12.5", INK, 0.5, dash="5 1 1 1")
    pictures["edge.svg"] = svg.done()
    kinds = set(tables["limits"]["kind"])
    for k, kind in enumerate(kind for kind in LIMIT_KINDS if kind in kinds and kind != "boundary"):
        svg = Svg(13, 4.6)
        svg.rect(0.5, 0.4, 12, 3.8, fill=PAPER)
        svg.rect(0.5, 0.4, 12, 3.8, fill=hatch_pattern(svg, kind), stroke=limit_colour(kind),
                 width=0.25)  # fmt: skip
        pictures[f"l{k}.svg"] = svg.done()
        limits.append([f"l{k}.svg", w.said("limits", kind)])
    return {
        "lang": w.language, "title": plain(info.title, 60), "page": [wide, high],
        "map": [map_wide + 2 * EDGE, map_high + 2 * EDGE], "edge": EDGE,
        "legend": [*methods, ["dam.svg", w("maps.dam")], ["edge.svg", w("maps.boundary")], *limits],
        "issue": w("common.pack", number=issue.number),
        "code": w("common.layout_code", code=issue.code), "date": w.date(issue.date),
        "origin": plain(info.origin, 120), "attribution": plain(info.attribution, 300),
        "crs": plain(pyproj.CRS(dtm.grid.crs).name, 60),
        "w": {k: v for k, v in w.texts().items() if k.startswith(("maps.", "common."))},
    }  # fmt: skip


def _within(tables: Mapping[str, pd.DataFrame], name: str, sheet: Sheet) -> pd.DataFrame:
    table = tables[name]
    west, south, east, north = sheet.frame.bounds
    if not len(table):
        return table
    at = table.bounds
    inside = (
        (at["minx"] <= east) & (at["maxx"] >= west) & (at["miny"] <= north) & (at["maxy"] >= south)
    )
    chosen: pd.DataFrame = table[inside]
    return chosen


def _drains_on(tables: Mapping[str, pd.DataFrame], sheet: Sheet) -> str:
    ids = [plain(i, 24) for i in _within(tables, "drains", sheet)["drain_id"]]
    return ", ".join(ids[:60]) + (" …" if len(ids) > 60 else "")


def _tile(
    tables: Mapping[str, pd.DataFrame], dtm: Raster, sheet: Sheet, sheets: list[Sheet], w: Words
) -> bytes:
    frame = sheet.frame
    wide, high = frame.wide_mm, frame.high_mm
    svg = Svg(wide + 2 * EDGE, high + 2 * EDGE)
    svg.clip("map", EDGE, EDGE, wide, high)
    svg.add(f'<g transform="translate({EDGE} {EDGE})">')
    ground = plan.shaded(dtm, frame)
    if ground is not None:
        svg.picture(*ground)
    plan.draw_boundary(svg, tables["boundary"], frame)
    plan.draw_limits(svg, _within(tables, "limits", sheet), frame)
    plan.draw_reaches(svg, _within(tables, "reaches", sheet), frame)
    items = _within(tables, "items", sheet)
    plan.draw_dams(svg, items, frame)
    _numbers(svg, items, frame)
    shown = shapely.box(*frame.bounds)
    drains = _within(tables, "drains", sheet)
    if len(drains):
        drains = drains.assign(geometry=_longest(shapely.intersection(drains.geometry, shown)))
        plan.draw_names(svg, drains[shapely.length(drains.geometry) > 0], frame, 3.0)
    svg.end()
    svg.end()
    plan.draw_grid(svg, frame, EDGE, EDGE)
    at = {(s.row, s.col): s.name for s in sheets}
    middle_x, middle_y = EDGE + wide / 2, EDGE + high / 2
    for (dr, dc), x, y, turn in (
        ((-1, 0), middle_x, 3.4, 0.0), ((1, 0), middle_x, high + 2 * EDGE - 1.2, 0.0),
        ((0, -1), 3.2, middle_y, -90.0), ((0, 1), wide + 2 * EDGE - 1.6, middle_y, -90.0),
    ):  # fmt: skip
        name = at.get((sheet.row + dr, sheet.col + dc))
        if name:
            words = w("maps.joins_up", name=name)
            half = text_width(words, 2.8) / 2
            across, up = (half, 2.6) if not turn else (2.6, half)
            # Over a coordinate that happens to stand there: the grid has others.
            svg.rect(x - across, y - up - (0 if turn else -0.9), 2 * across,
                     2 * up if turn else 3.4, fill=PAPER)  # fmt: skip
            svg.text(x, y, words, 2.8, anchor="middle", bold=True, turn=turn)
    return svg.done()


def _longest(shapes: Any) -> Any:
    out = []
    for shape in shapes:
        parts = [p for p in shapely.get_parts(shape) if p.geom_type == "LineString"]
        out.append(max(parts, key=shapely.length, default=shapely.LineString()))
    return out


def _numbers(svg: Svg, items: pd.DataFrame, frame: plan.Frame) -> None:
    """Write dam numbers opposite their outlets, every one or every few as there is room."""
    dams = items[items["kind"] == "dam"]
    if not len(dams):
        return
    every = max(1, int(np.ceil(NUMBER_ROOM_MM / max(plan.dam_room_mm(items, frame), 0.1))))
    for _, rows in dams.groupby("drain_id", sort=False):
        for k, row in enumerate(list[Any](rows.itertuples())):
            if k % every:
                continue
            ends = shapely.get_coordinates(row.geometry)
            a, b = frame.mm(ends[[0, -1]])
            middle, way = (a + b) / 2, b - a
            way = way / max(float(np.hypot(*way)), 1e-9)
            half = max(float(np.hypot(*(b - a))) / 2, plan.TICK_MM / 2)
            out = frame.mm(np.array([[row.outlet_x_m, row.outlet_y_m]]))[0] - middle
            sign = -1.0 if np.isfinite(out).all() and float(out @ way) > 0 else 1.0
            x, y = middle + way * sign * (half + 1.7)
            name = str(row.item_id).rsplit("-", 1)[-1].lstrip("0")[:8]
            svg.text(x, y + 0.75, name, 2.1, anchor="middle", bold=True)


def _index(
    tables: Mapping[str, pd.DataFrame], dtm: Raster, sheets: list[Sheet], paper: str
) -> bytes:
    _, _, wide, high = PAPERS[paper]
    bounds = plan.extent(tables, dtm)
    if sheets:
        held = np.array([s.frame.bounds for s in sheets])
        west, south = np.minimum(bounds[:2], held[:, :2].min(axis=0)).tolist()
        east, north = np.maximum(bounds[2:], held[:, 2:].max(axis=0)).tolist()
        bounds = (west, south, east, north)
    frame = plan.fitted(bounds, wide, high)
    svg = Svg(wide + 2 * EDGE, high + 2 * EDGE)
    svg.clip("map", EDGE, EDGE, wide, high)
    svg.add(f'<g transform="translate({EDGE} {EDGE})">')
    ground = plan.shaded(dtm, frame)
    if ground is not None:
        svg.picture(*ground)
    plan.draw_boundary(svg, tables["boundary"], frame)
    plan.draw_reaches(svg, tables["reaches"], frame)
    for s in sheets:
        west, south, east, north = s.frame.bounds
        (left, top), (right, low) = frame.mm(np.array([[west, north], [east, south]])).tolist()
        svg.rect(left, top, right - left, low - top, stroke=INK, width=0.6)
        svg.rect(left + 1, top + 1, 4.4 + 3.6 * len(s.name), 8.4, fill=PAPER, opacity=0.9)
        svg.text(left + 2.6, top + 7.6, s.name, 6.5, bold=True)
    svg.end()
    svg.end()
    plan.draw_grid(svg, frame, EDGE, EDGE)
    return svg.done()
