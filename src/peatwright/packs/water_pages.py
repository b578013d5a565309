"""Pages of the water: flow, spills, storm flows, the water table and a storm, before and after."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from PIL import Image, ImageColor

from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.packs import water_words as ww
from peatwright.packs.drawing import plan
from peatwright.packs.drawing.hydrograph import hydrograph_svg
from peatwright.packs.drawing.look import INK, PAPER, SOFT, WARN
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.drawing.svg import Svg, path_of
from peatwright.packs.info import PackInfo
from peatwright.packs.wording import count as counted
from peatwright.packs.wording import number, plain
from peatwright.terrain.relief import hillshade

U8 = NDArray[np.uint8]
Rasters = Mapping[str, Raster]
Tables = Mapping[str, Any]
F32 = NDArray[np.float32]
WIDE, HIGH, EDGE = 188.0, 182.0, 6.0
"""Each of the two maps of a page, and the room around it for coordinates, mm."""
PIXELS = 1150
OVER = 0.82
FLOW_EDGES_M2 = (500.0, 2000.0, 10_000.0, 50_000.0, 200_000.0)
FLOW_COLOURS = ("", "#B9D7EA", "#7FB6DB", "#3F8CC4", "#15588F", "#08304F")
TABLE_EDGES_M = (0.02, 0.05, 0.1, 0.2, 0.3)
TABLE_COLOURS = ("#1F4E79", "#3F8CC4", "#9CCBE3", "#E9E3B8", "#D9A441", "#8C4A1F")
DEPTH_EDGES_M = (0.01, 0.02, 0.05, 0.1, 0.25)
DEPTH_COLOURS = ("", "#D6E8F2", "#A5CDE4", "#62A5D0", "#2B6FA8", "#0B3358")
SPILLED_EDGES_M2 = (25.0, 100.0, 500.0, 2000.0, 10_000.0)
PLACE_COLOURS = {
    "outlet": "#15588F", "other side": "#C7751B", "over its notch": "#4A4A4A",
    "over the dam": "#A33B2E", "past the dam": "#A8326E", "unknown": "#5B6B70",
}  # fmt: skip
MOST_DAMS, MOST_PANELS, MOST_ARRIVALS = 44, 4, 12
ROUTED = (
    "Screening: one way down for each cell of an airborne terrain model, works as drawn and not "
    "yet settled. Terrain models are known to miss true drain catchments. Walk the spill paths in "
    "wet weather, tell neighbours before water goes to them; a competent person decides."
)


@dataclass(frozen=True)
class _Maps:
    """The frame that all maps share, and its shaded ground."""

    frame: plan.Frame
    tables: Tables
    west: float
    north: float
    pixel_m: float
    light: U8

    @property
    def xy(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return centres of the pixels, east along one row and north down one column."""
        rows, cols = self.light.shape
        x = self.west + (np.arange(cols, dtype=np.float64) + 0.5) * self.pixel_m
        y = self.north - (np.arange(rows, dtype=np.float64) + 0.5) * self.pixel_m
        return x, y

    def read(self, raster: Raster, *, greatest: bool = False) -> F32:
        """Return a raster on the map's pixels; thin ways of water take the greatest near them."""
        g = raster.grid
        values = raster.values
        x, y = self.xy
        span = int(np.ceil(self.pixel_m / min(g.dx_m, g.dy_m))) if greatest else 1
        if span > 1:
            from scipy import ndimage

            values = ndimage.maximum_filter(np.nan_to_num(values, nan=-1.0), span)
        c = np.floor((x - g.x_left_m) / g.dx_m).astype(int)
        r = np.floor((g.y_top_m - y) / g.dy_m).astype(int)
        inside = ((r >= 0) & (r < g.rows))[:, None] & ((c >= 0) & (c < g.cols))[None, :]
        held = values[np.clip(r, 0, g.rows - 1)[:, None], np.clip(c, 0, g.cols - 1)[None, :]]
        out: F32 = np.where(inside, held, np.nan).astype(np.float32)
        return out

    def draw(
        self, values: F32 | None, edges: Sequence[float], colours: Sequence[str],
        over: Callable[[Svg], None] | None = None,
    ) -> bytes:  # fmt: skip
        """Return a map: classes of values over shaded ground, then whatever `over` draws."""
        tone = (0.62 + 0.43 * (self.light / 255.0) ** 0.8)[..., None]
        shown = tone * np.array([250.0, 249.0, 243.0])
        if values is not None:
            known = np.isfinite(values) & (self.light > 0)
            codes = np.digitize(np.nan_to_num(values), edges)
            for k, colour in enumerate(colours):
                if colour:
                    here = known & (codes == k)
                    rgb = np.array(ImageColor.getrgb(colour), np.float64)
                    shown[here] = (1 - OVER) * shown[here] + OVER * rgb * tone[here]
        shown[self.light == 0] = 255.0
        held = io.BytesIO()
        pixels = np.clip(shown, 0, 255).astype(np.uint8)
        Image.fromarray(pixels).save(held, "JPEG", quality=86)
        svg = Svg(WIDE + 2 * EDGE, self.frame.high_mm + 2 * EDGE)
        svg.clip("map", EDGE, EDGE, WIDE, self.frame.high_mm)
        svg.add(f'<g transform="translate({EDGE} {EDGE})">')
        corner = self.frame.mm(np.array([[self.west, self.north]]))[0]
        per_mm = self.frame.scale / 1000
        rows, cols = self.light.shape
        wide, high = cols * self.pixel_m / per_mm, rows * self.pixel_m / per_mm
        svg.picture(held.getvalue(), float(corner[0]), float(corner[1]), wide, high)
        plan.draw_boundary(svg, self.tables["boundary"], self.frame)
        if over is not None:
            over(svg)
        svg.end()
        svg.end()
        plan.draw_grid(svg, self.frame, EDGE, EDGE)
        return svg.done()

    def drains(self, svg: Svg) -> None:
        shapes = shapely.simplify(
            self.tables["drains"].geometry.to_numpy(), 4e-5 * self.frame.scale
        )
        lines = "".join(path_of(self.frame.mm(shapely.get_coordinates(s))) for s in shapes)
        svg.path(lines, INK, 0.14, opacity=0.7)


def _frame(bounds: tuple[float, float, float, float]) -> plan.Frame:
    """Return a frame no higher than what it shows, at a scale round enough for a ruler."""
    west, south, east, north = bounds
    need = plan.fitted(bounds, WIDE, HIGH, nice=False).scale
    round_to = 50.0 if need < 2000 else 250.0 if need < 20_000 else 1000.0
    scale = round_to * float(np.ceil(need / round_to))
    high = min(HIGH, max(60.0, (north - south) * 1.06 * 1000 / scale))
    x, y = (west + east) / 2, (south + north) / 2
    return plan.Frame(x - WIDE * scale / 2000, y + high * scale / 2000, WIDE, high, scale)


def _maps(tables: Tables, dtm: Raster) -> _Maps:
    frame = plan.kept_on(dtm.grid.bounds, _frame(plan.extent(tables, dtm)))
    west, south, east, north = frame.bounds
    gw, gs, ge, gn = dtm.grid.bounds
    west, south, east, north = max(west, gw), max(south, gs), min(east, ge), min(north, gn)
    pixel = max((east - west) / PIXELS, (north - south) / PIXELS, min(dtm.grid.dx_m, dtm.grid.dy_m))
    rows, cols = max(2, int((north - south) / pixel)), max(2, int((east - west) / pixel))
    held = _Maps(frame, tables, west, north, pixel, np.zeros((rows, cols), np.uint8))
    from peatwright.model.raster import Grid

    ground = held.read(dtm)
    light = hillshade(
        Raster(ground, Grid(west, north, pixel, pixel, rows, cols, dtm.grid.crs)),
        z_factor=2.5, many_sided=True,
    )  # fmt: skip
    return _Maps(frame, tables, west, north, pixel, light)


class _Pages:
    def __init__(self) -> None:
        self.pages: list[dict[str, Any]] = []
        self.pictures: dict[str, bytes] = {}

    def picture(self, content: bytes) -> str:
        name = f"p{len(self.pictures)}.svg"
        self.pictures[name] = content
        return name

    def swatch(self, colour: str) -> str:
        svg = Svg(9, 3.6)
        svg.rect(0.2, 0.2, 8.6, 3.2, fill=colour or PAPER, stroke=SOFT, width=0.15)
        return self.picture(svg.done())

    def stroke(self, colour: str, *, dot: bool = False) -> str:
        svg = Svg(9, 3.6)
        svg.path("M0.4 1.8H8.6", colour, 0.5)
        if dot:
            svg.dot(1.4, 1.8, 0.8, colour, INK)
        return self.picture(svg.done())

    def classes(self, edges: Sequence[float], colours: Sequence[str], show: Callable[[float], str],
                under: str = "under {}", over: str = "{} or more") -> list[list[str]]:  # fmt: skip
        """Return swatch and words of each coloured class."""
        rows = []
        for k, colour in enumerate(colours):
            if not colour:
                continue
            if k == 0:
                words = under.format(show(edges[0]))
            elif k == len(edges):
                words = over.format(show(edges[-1]))
            else:
                words = f"{show(edges[k - 1])} to {show(edges[k])}"
            rows.append([self.swatch(colour), words])
        return rows

    def add(self, **page: Any) -> None:
        lists = ("legend", "more_legend", "facts", "maps", "rows", "head", "figures")
        self.pages.append({**{name: [] for name in lists}, "chart": "", **page})


def _area(m2: float) -> str:
    return f"{round(m2 / 1e4, 1):g} ha" if m2 >= 1e4 else f"{number(m2)} m²"


def _level(value: float) -> str:
    """Return metres to the centimetre, without a minus before nothing."""
    return f"{round(value, 2) + 0.0:.2f}"


def _figure(figures: Any, starts: str) -> str:
    """Return one figure in a sentence, empty where it is not there."""
    for what, before, after, words in ww.figure_rows(figures):
        if what.startswith(starts):
            said = f"{what}: {after}" if before == ww.UNKNOWN else f"{what}: {before}, then {after}"
            return said[0].upper() + said[1:] + (f" ({words})" if words and len(words) < 90 else "")
    return ""


def _flow_page(out: _Pages, maps: _Maps, rasters: Rasters, figures: Any) -> None:
    drawn = [
        out.picture(maps.draw(maps.read(rasters[name], greatest=True), FLOW_EDGES_M2, FLOW_COLOURS))
        for name in ("flow_before", "flow_after")
    ]
    out.add(
        title="Where the water runs, before and after the works",
        maps=[["Before: drains carry it", drawn[0]],
              ["After: works cut into the ground", drawn[1]]],
        legend=out.classes(FLOW_EDGES_M2, FLOW_COLOURS, _area),
        legend_head="Ground whose water runs here",
        facts=[f for f in (
            _figure(figures, "length of drain that carries"),
            _figure(figures, "ground whose water comes out"),
        ) if f],
        caution=ROUTED,
    )  # fmt: skip


def _spill_page(out: _Pages, maps: _Maps, rasters: Rasters, tables: Tables, figures: Any) -> None:
    paths, spills, arrivals = tables["spill_paths"], tables["spills"], tables["arrivals"]

    def ways(svg: Svg) -> None:
        maps.drains(svg)
        for place, colour in PLACE_COLOURS.items():
            here = paths[paths["place"] == place]
            if len(here):
                shapes = shapely.simplify(here.geometry.to_numpy(), 3e-5 * maps.frame.scale)
                d = "".join(path_of(maps.frame.mm(shapely.get_coordinates(s))) for s in shapes)
                svg.path(d, colour, 0.22, opacity=0.85)
        for row in spills.itertuples():
            xy = np.array([[row.spill_x_m, row.spill_y_m]])
            if np.isfinite(xy).all():
                x, y = maps.frame.mm(xy)[0].tolist()
                svg.dot(x, y, 0.34, PLACE_COLOURS[row.place])

    def places(svg: Svg) -> None:
        maps.drains(svg)
        for row in arrivals.head(MOST_ARRIVALS).itertuples():
            x, y = maps.frame.mm(np.array([[row.geometry.x, row.geometry.y]]))[0].tolist()
            svg.dot(x, y, 2.1, PAPER, WARN)
            svg.text(x, y + 1.0, str(row.order), 2.8, anchor="middle", fill=WARN, bold=True)

    left = out.picture(maps.draw(None, (), (), ways))
    spilled = maps.read(rasters["spilled"], greatest=True)
    right = out.picture(maps.draw(spilled, SPILLED_EDGES_M2, FLOW_COLOURS, places))
    count = spills["place"].value_counts()
    legend = [
        [out.stroke(colour, dot=True), f"{place}: {counted(int(count[place]), 'dam')}"]
        for place, colour in PLACE_COLOURS.items()
        if count.get(place, 0)
    ]
    spilled_legend = out.classes(SPILLED_EDGES_M2, FLOW_COLOURS, _area)
    more = len(arrivals) - MOST_ARRIVALS
    out.add(
        title="Where dams spill, and where that water goes",
        maps=[["Way of each dam's water to the first channel", left],
              ["Spilled water, and numbered places at which more arrives", right]],
        legend=legend,
        more_legend=spilled_legend,
        legend_head="Where the pool spills; spilled water",
        facts=[f for f in (
            _figure(figures, "ground outside drains"), _figure(figures, "dams whose spilled"),
            *[f"{r.order}  {f'{r.kind} {r.name}'.strip()}: the water of "
              f"{_area(round(r.more_here_m2, -1))} more, {ww.flow(r.flow_more_m3s)} l/s"
              for r in arrivals.head(MOST_ARRIVALS).itertuples()],
            f"and {more} more places in the layer arrivals" if more > 0 else "",
        ) if f],
        caution=ROUTED,
    )  # fmt: skip


def _table_page(out: _Pages, maps: _Maps, rasters: Rasters, figures: Any) -> None:
    drawn = [
        out.picture(maps.draw(maps.read(rasters[n]), TABLE_EDGES_M, TABLE_COLOURS, maps.drains))
        for n in ("water_depth_before", "water_depth_after")
    ]
    said = figures.loc[figures["figure"] == "mean depth to water", "words"]
    out.add(
        title="Depth to water under steady recharge, before and after the works",
        maps=[["Before: drains at their bed", drawn[0]],
              ["After: zipped drain is peat again, hard dams hold their pools", drawn[1]]],
        legend=out.classes(TABLE_EDGES_M, TABLE_COLOURS, lambda v: f"{v * 100:g} cm"),
        legend_head="Water stands below the ground by",
        facts=[_figure(figures, "mean depth"), _figure(figures, "share of ground")],
        caution=" ".join(said.astype(str)),
    )  # fmt: skip


def _storm_pages(
    out: _Pages, maps: _Maps, rasters: Rasters, tables: Tables, storm: Mapping[str, Any]
) -> None:
    lines = tables["storm_lines"]

    def crossed(svg: Svg) -> None:
        maps.drains(svg)
        for row in lines.itertuples():
            mm = maps.frame.mm(shapely.get_coordinates(row.geometry))
            svg.path(path_of(mm), PAPER, 1.3)
            svg.path(path_of(mm), WARN, 0.6)
            x, y = mm.mean(axis=0).tolist()
            svg.text(min(max(x, 22.0), WIDE - 22.0), max(y - 3.0, 4.0), str(row.line), 2.6,
                     anchor="middle", halo=0.5, bold=True)  # fmt: skip

    drawn = [
        out.picture(maps.draw(maps.read(rasters[n]), DEPTH_EDGES_M, DEPTH_COLOURS, crossed))
        for n in ("storm_depth_before", "storm_depth_after")
    ]
    rain = ww.rain_words(storm)
    out.add(
        title="A storm over the surface: greatest depth of water",
        maps=[["Before", drawn[0]], ["After", drawn[1]]],
        legend=out.classes(DEPTH_EDGES_M, DEPTH_COLOURS, lambda v: f"{v * 100:g} cm"),
        legend_head="Greatest depth during the storm",
        facts=[rain[0].upper() + rain[1:], f"Water, before: {storm['balance_before']}",
               f"Water, after: {storm['balance_after']}"],
        caution=str(storm["caution"]),
    )  # fmt: skip
    series = tables["hydrographs"]
    names = list(dict.fromkeys(series["line"]))
    # All that leaves the terrain comes first, since it is what the lines are a part of.
    names = [*[n for n in names if n == "edges"], *[n for n in names if n != "edges"]]
    out.add(
        title="A storm over the surface: flow before and after",
        chart=out.picture(hydrograph_svg(series, names[:MOST_PANELS])),
        head=["", "peak before, l/s", "peak after, l/s", "change", "later by, min",
              "water before, m³", "water after, m³"],
        rows=ww.peak_rows(tables["storm_peaks"]),
        facts=[rain[0].upper() + rain[1:]],
        caution=str(storm["caution"]),
    )  # fmt: skip


def _dam_page(out: _Pages, tables: Tables, rules: Rules) -> None:
    spills, flows = tables["spills"], tables["spill_flows"]
    period = rules.spill.design_period_years
    known = spills[np.isfinite(spills["flow_m3s"])].sort_values("flow_m3s", ascending=False)
    shown = known.drop_duplicates("drain_id").head(MOST_DAMS)
    if not len(shown):
        return
    at = flows[flows["return_period_years"] == period].set_index(["item_id", "method"])
    methods = list(dict.fromkeys(flows["method"]))
    rows = []
    for dam in shown.itertuples():
        cells = []
        for method in methods:
            key = (dam.item_id, method)
            if key not in at.index:
                cells.append(ww.UNKNOWN)
                continue
            f = at.loc[key]
            mark = "" if f["in_range"] == "yes" else "*"
            cells.append(
                f"{ww.flow(f['flow_m3s'])}{mark} ({ww.flow(f['low_m3s'])}–{ww.flow(f['high_m3s'])})"
            )
        rows.append([
            dam.item_id, dam.method, ww.shown(dam.upslope_m2, "m²"), *cells,
            f"{dam.head_m:.2f}", _level(dam.freeboard_m), _level(dam.freeboard_after_m),
            f"{dam.speed_mps:.2f}", f"{dam.shear_pa:.0f} of {dam.shear_stands_pa:.0f}",
        ])  # fmt: skip
    uplift = rules.storm.climate_uplift_ratio
    out.add(
        title=f"Storm flow to the dams by every method, {period:g}-year storm",
        head=["dam", "method", "ground", *[f"{m}, l/s" for m in methods], "head, m",
              "crest left, m", "after, m", "speed, m/s", "shear, Pa"],
        rows=rows,
        figures=ww.figure_rows(tables["water_figures"]),
        facts=[
            (f"The dam with most water of each of {len(shown)} drains, of "
                f"{number(len(spills))} dams. The layers spills and spill_flows hold all, for "
                "every return period."),
            (f"With {uplift:.0%} climate uplift. In brackets the method's own range. * a catchment "
            "smaller than the method is meant for: its figure is scaled by area."),
            ("Head and crest left: all water still coming down the drain, greatest of the methods. "
            "After, speed and shear: with the water as routed after the works. Shear of what the "
            "ground below stands."),
        ],
        caution=ww.SIDE_BY_SIDE + " Rain depths are the rule sheet's: set those of the place. A "
        "catchment taken from a terrain model may be far from the true one.",
    )  # fmt: skip


def water_pdf(
    tables: Tables, dtm: Raster, rasters: Rasters,
    storm: Mapping[str, Any], rules: Rules, info: PackInfo, *, form: str = "pdf",
) -> list[bytes]:  # fmt: skip
    """Return the pages of the water: one PDF, or one PNG a page; none where nothing was made.

    Args:
        tables: layers by name; those of the water where they were made.
        dtm: ground, for the shading.
        rasters: those of the water stage and of a storm, by name.
        storm: report of the storm run for this layout; empty without one.
        rules: the rule sheet.
        info: what each page says of the site.
        form: `pdf` or `png`.

    """
    if "water_figures" not in tables or "spills" not in tables:
        return []
    out, maps, figures = _Pages(), _maps(tables, dtm), tables["water_figures"]
    if {"flow_before", "flow_after", "spilled"} <= set(rasters):
        _flow_page(out, maps, rasters, figures)
        _spill_page(out, maps, rasters, tables, figures)
    _dam_page(out, tables, rules)
    if {"water_depth_before", "water_depth_after"} <= set(rasters):
        _table_page(out, maps, rasters, figures)
    if storm and {"storm_depth_before", "storm_depth_after"} <= set(rasters):
        _storm_pages(out, maps, rasters, tables, storm)
    if not out.pages:
        return []
    scale = Svg(84, 19)
    plan.draw_north(scale, 8, 8)
    plan.draw_scale_bar(scale, 20, 7, maps.frame.scale, 50)
    out.pictures["scale.svg"] = scale.done()
    data = {
        "title": plain(info.title, 90), "date": plain(info.date), "origin": plain(info.origin),
        "attribution": plain(info.attribution, 300), "invented": info.invented,
        "map": {"wide": WIDE, "edge": EDGE},
        "scale": f"1:{number(maps.frame.scale)} at A3",
        "crs": plain(pyproj.CRS(dtm.grid.crs).name, 60),
        "pages": out.pages,
    }  # fmt: skip
    return set_pages("water.typ", data, out.pictures, form=form, dots_per_inch=110.0)
