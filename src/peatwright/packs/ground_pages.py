"""Pages of the ground: peat depth and its error, condition, stability, going, limits."""

from __future__ import annotations

import io
import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray
from PIL import Image, ImageColor

from peatwright.ground import bearing, season
from peatwright.ground.depth import UNPROBED, depth_class_names, depth_edges_m
from peatwright.ground.findings import still_open
from peatwright.ground.survey import NO_PROBES, stability_codes, stability_names
from peatwright.model.cited import citations
from peatwright.model.ground_layers import GOING
from peatwright.model.ground_rules import scheme
from peatwright.model.layers import LIMIT_KINDS
from peatwright.model.raster import Raster
from peatwright.model.rules import LimitRules, Rules
from peatwright.packs.drawing import plan
from peatwright.packs.drawing.look import INK, PAPER, WARN, hatch_pattern, limit_colour
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.drawing.svg import Svg, path_of, rings
from peatwright.packs.info import PackInfo
from peatwright.packs.wording import count, number, plain

U8 = NDArray[np.uint8]
Rasters = Mapping[str, Raster]
MAP_WIDE, MAP_HIGH, EDGE = 306.0, 258.0, 6.0
NO_DATA = 255
HECTARE_M2 = 10_000.0
DEPTH_COLOURS = ("#F4EAD2", "#E4CF9F", "#D0AC6B", "#B08143", "#855528", "#55331A")
ERROR_EDGES_M = (0.3, 0.5, 0.7, 0.9)
ERROR_COLOURS = ("#DDEBF2", "#B3CFE3", "#8FA6D0", "#8A78B4", "#6F3F87")
CONDITION_RAMP = ("#6FA87C", "#D3E2A4", "#E5B565", "#B4472F")
STABILITY_COLOURS = ("#7C1414", "#D4603F", "#F1B56A", "#DCE7DC")
GOING_COLOURS = ("#BFDCC4", "#F4E7AE", "#E8A655", "#A33B2E")
UNKNOWN_COLOUR = "#C9CECC"
OVER = 0.78
"""How much of a class's colour lies over the shaded ground."""
SLIDES = (
    "Screening by an infinite slope: it knows no cracks, pipes, toes or weak layers, and where it "
    "finds nothing that is no proof. A competent engineer decides, on the ground, before machines "
    "or water go there. Local rules come first."
)
DEPTHS = (
    "Peat between probes is estimated. Probe again where something heavy stands or is dug; thinly "
    "probed and unprobed ground says nothing."
)
CONDITIONS_SAID = (
    "Screening: a person walks the ground and says its condition. Drained ground is drawn at a set "
    "distance from drains, whatever the peat."
)
LIMITS_SAID = (
    "Distances are those of the rule sheet; owners, licences and local rules say what holds. A "
    "service or nest that nobody gave is not on this page. Trace, look and ask first."
)


@dataclass(frozen=True)
class _Base:
    """What all pages share: the frame, the shaded ground, drains and names drawn once."""

    frame: plan.Frame
    tables: Mapping[str, pd.DataFrame]
    cut: plan.Cut | None
    light: U8 | None
    lines: str
    names: Svg

    def map(self, draw: Callable[[Svg], None], codes: U8 | None = None,
            colours: Sequence[str] = ()) -> bytes:  # fmt: skip
        """Return a map; `codes` of the cut's cells are places in `colours`."""
        svg = Svg(MAP_WIDE + 2 * EDGE, MAP_HIGH + 2 * EDGE)
        svg.clip("map", EDGE, EDGE, MAP_WIDE, MAP_HIGH)
        svg.add(f'<g transform="translate({EDGE} {EDGE})">')
        if self.cut is not None and self.light is not None:
            picture = _jpeg(self.light, codes, colours)
            svg.picture(picture, *plan.corners_mm(self.cut, self.frame))
        plan.draw_boundary(svg, self.tables["boundary"], self.frame)
        draw(svg)
        svg.end()
        svg.end()
        plan.draw_grid(svg, self.frame, EDGE, EDGE)
        return svg.done()

    def drains(self, svg: Svg) -> None:
        svg.path(self.lines, PAPER, 0.75, opacity=0.7, cap="round")
        svg.path(self.lines, INK, 0.28, cap="round")
        svg.join(self.names)

    def picked(self, raster: Raster) -> NDArray[np.float32]:
        """Return the middle cell of each block of the cut: classes must not be mixed."""
        assert self.cut is not None
        half = self.cut.step // 2
        values = raster.values[self.cut.rows, self.cut.cols]
        return values[half :: self.cut.step, half :: self.cut.step]

    def dots(self, svg: Svg, table: pd.DataFrame, radius: float, fill: str) -> None:
        if len(table):
            for x, y in self.frame.mm(shapely.get_coordinates(table.geometry.to_numpy())).tolist():
                svg.dot(x, y, radius, fill, INK)


def _jpeg(light: U8, codes: U8 | None, colours: Sequence[str]) -> bytes:
    tone = (0.60 + 0.46 * (light / 255.0) ** 0.8)[..., None]
    shown = tone * np.array([250.0, 249.0, 243.0])
    if codes is not None:
        codes = codes[: light.shape[0], : light.shape[1]]
        table = np.full((256, 3), np.nan)
        for k, colour in enumerate(colours):
            table[k] = ImageColor.getrgb(colour)
        over = table[codes]
        known = np.isfinite(over[..., :1])
        # Ground shows through by its light, so that slopes are read under the colour.
        shown = np.where(known, (1 - OVER) * shown + OVER * np.nan_to_num(over) * tone, shown)
    shown[light == 0] = 255.0
    held = io.BytesIO()
    Image.fromarray(np.clip(shown, 0, 255).astype(np.uint8)).save(held, "JPEG", quality=84)
    return held.getvalue()


def _base(tables: Mapping[str, pd.DataFrame], dtm: Raster) -> _Base:
    frame = plan.fitted(plan.extent(tables, dtm), MAP_WIDE, MAP_HIGH)
    frame = plan.kept_on(dtm.grid.bounds, frame)
    cut = plan.cut_of(dtm.grid, frame)
    thin = shapely.simplify(tables["drains"].geometry.to_numpy(), 3e-5 * frame.scale)
    lines = "".join(path_of(frame.mm(shapely.get_coordinates(s))) for s in thin)
    names = Svg(MAP_WIDE, MAP_HIGH)
    plan.draw_names(names, tables["drains"], frame, 2.2)
    light = plan.light_of(dtm, cut) if cut is not None else None
    return _Base(frame, tables, cut, light, lines, names)


class _Pages:
    """Gathers pages with their pictures."""

    def __init__(self) -> None:
        self.pages: list[dict[str, Any]] = []
        self.pictures: dict[str, bytes] = {}

    def picture(self, svg: Svg) -> str:
        name = f"s{len(self.pictures)}.svg"
        self.pictures[name] = svg.done()
        return name

    def box(self, colour: str) -> str:
        svg = Svg(9, 4.2)
        svg.rect(0.4, 0.4, 8.2, 3.4, fill=colour, stroke=INK, width=0.15)
        return self.picture(svg)

    def dot(self, fill: str, radius: float) -> str:
        svg = Svg(9, 4.2)
        svg.dot(4.5, 2.1, radius, fill, INK)
        return self.picture(svg)

    def add(
        self,
        title: str,
        drawn: bytes,
        legend: Sequence[tuple[str, str, str]],
        facts: Sequence[str],
        caution: str,
        *,
        head: str = "",
        rows: Sequence[Sequence[str]] = (),
    ) -> None:
        name = f"map{len(self.pages)}.svg"
        self.pictures[name] = drawn
        self.pages.append(
            {"title": title, "map": name, "legend": [list(x) for x in legend], "facts": list(facts),
             "caution": caution, "head": head, "rows": [list(r) for r in rows]}
        )  # fmt: skip


def ground_pdf(
    tables: Mapping[str, pd.DataFrame],
    dtm: Raster,
    rasters: Rasters,
    surveyed: Mapping[str, Any],
    rules: Rules,
    info: PackInfo,
    *,
    form: str = "pdf",
) -> list[bytes]:
    """Return the pages of the ground on A3: one PDF, or with `form` "png" one picture a page.

    Args:
        tables: layers by name; those of the ground count as empty where they are missing.
        dtm: ground that the maps shade.
        rasters: those of the ground survey; without them only condition and limits are drawn.
        surveyed: report of the ground survey.
        rules: the rule sheet.
        info: what each page says of the site and the run.
        form: `pdf` or `png`.

    """
    base, made = _base(tables, dtm), _Pages()
    if "peat_depth" in rasters and base.cut is not None:
        _depth_pages(made, base, rasters, surveyed, rules)
    _condition_page(made, base, rules)
    if "factor_lowest" in rasters and base.cut is not None:
        _stability_page(made, base, rasters, surveyed, rules)
        _going_page(made, base, rasters, surveyed, rules)
    _limits_page(made, base, rules, probed="peat_depth" in rasters)
    strip = Svg(84, 19)
    plan.draw_north(strip, 8, 8)
    plan.draw_scale_bar(strip, 20, 7, base.frame.scale, 50)
    made.pictures["scale.svg"] = strip.done()
    data = {
        "title": plain(info.title, 90), "date": plain(info.date), "origin": plain(info.origin),
        "attribution": plain(info.attribution, 300), "invented": info.invented,
        "map": {"wide": MAP_WIDE, "high": MAP_HIGH, "edge": EDGE},
        "scale": f"1:{number(base.frame.scale)} at A3",
        "crs": plain(pyproj.CRS(dtm.grid.crs).name, 60), "pages": made.pages,
    }  # fmt: skip
    return set_pages("ground.typ", data, made.pictures, form=form, dots_per_inch=70)


def _ha(value: float) -> str:
    return number(value, 1, "ha")


def _depth_pages(
    made: _Pages, base: _Base, rasters: Rasters, surveyed: Mapping[str, Any], rules: Rules
) -> None:
    depth, error = base.picked(rasters["peat_depth"]), base.picked(rasters["peat_error"])
    far = base.picked(rasters["peat_state"]) == UNPROBED
    names, areas = depth_class_names(rules.depth), surveyed.get("class_ha", {})
    unknown = len(names)
    codes = _classed(depth, depth_edges_m(rules.depth))
    codes[far & (codes != NO_DATA)] = unknown
    colours = (*DEPTH_COLOURS, UNKNOWN_COLOUR)
    probes, wanted = base.tables["probes"], base.tables["probes_wanted"]
    reach = rules.depth.reach_m

    def draw(svg: Svg) -> None:
        base.drains(svg)
        base.dots(svg, probes, 0.55, PAPER)

    legend = [(made.box(c), n, _ha(areas.get(n, 0.0)))
              for c, n in zip(DEPTH_COLOURS, names, strict=True)]  # fmt: skip
    legend += [
        (made.box(UNKNOWN_COLOUR), f"unprobed: over {reach:g} m from every probe",
         _ha(surveyed.get("unprobed_ha", 0.0))),
        (made.dot(PAPER, 0.8), "probe", number(len(probes))),
    ]  # fmt: skip
    made.add("Peat depth", base.map(draw, codes, colours), legend, surveyed.get("lines", []),
             DEPTHS)  # fmt: skip

    off = _classed(error, np.array(ERROR_EDGES_M))
    off[far & (off != NO_DATA)] = len(ERROR_COLOURS)

    def draw_error(svg: Svg) -> None:
        base.drains(svg)
        base.dots(svg, probes, 0.45, PAPER)
        base.dots(svg, wanted, 1.0, "#F2C230")
        if len(wanted):
            at = base.frame.mm(shapely.get_coordinates(wanted.geometry.to_numpy()))
            for n, (x, y) in zip(wanted["order"], at.tolist(), strict=True):
                svg.text(x + 1.5, y + 0.8, str(n), 2.6, bold=True, halo=0.45)

    edges = [f"{e:g}" for e in ERROR_EDGES_M]
    spans = [f"under {edges[0]} m", *(f"{a} to {b} m" for a, b in itertools.pairwise(edges)),
             f"{edges[-1]} m and more"]  # fmt: skip
    legend = [(made.box(c), n, "") for c, n in zip(ERROR_COLOURS, spans, strict=True)]
    legend += [
        (made.box(UNKNOWN_COLOUR), f"unprobed: over {reach:g} m from every probe", ""),
        (made.dot(PAPER, 0.7), "probe", ""),
        (made.dot("#F2C230", 1.0), "one more probe would help most here, 1 first", ""),
    ]
    rows = [
        [str(r["order"]), f"{number(r['peat_depth_m'], 1)} ± {number(r['error_m'], 1)} m",
         number(r["from_probe_m"], 0, "m")]
        for r in wanted.to_dict("records")
    ]  # fmt: skip
    if rows:
        rows.insert(0, ["", "thought to be", "from a probe"])
    made.add("How sure the peat depth is (standard error)",
             base.map(draw_error, off, (*ERROR_COLOURS, UNKNOWN_COLOUR)), legend,
             surveyed.get("lines", [])[:1], DEPTHS, head="More probes", rows=rows)  # fmt: skip


def _classed(values: NDArray[np.float32], edges: NDArray[np.float64]) -> U8:
    codes = np.digitize(values, edges).astype(np.uint8)
    codes[np.isnan(values)] = NO_DATA
    return codes


def _ramp(ramp: Sequence[str], steps: int) -> list[str]:
    """Return colours from the first to the last of a ramp in even steps."""
    known = np.array([ImageColor.getrgb(c)[:3] for c in ramp], np.float64)
    at = np.linspace(0, len(ramp) - 1, steps) if steps > 1 else np.array([0.0])
    mixed = [np.interp(at, np.arange(len(ramp)), known[:, k]) for k in range(3)]
    return [
        "#" + "".join(f"{round(v):02X}" for v in rgb) for rgb in zip(*mixed, strict=True)
    ]  # fmt: skip


def _fill(svg: Svg, base: _Base, shape: shapely.Geometry, fill: str, opacity: float,
          stroke: str = "none", width: float = 0.2) -> None:  # fmt: skip
    for part in shapely.get_parts(shape):
        edge = rings(base.frame.mm(shapely.get_coordinates(r))
                     for r in (part.exterior, *part.interiors))  # fmt: skip
        svg.path(edge, stroke, width, fill=fill, opacity=opacity)


def _condition_page(made: _Pages, base: _Base, rules: Rules) -> None:
    table, wrong = base.tables["condition"], base.tables["condition_faults"]
    if not len(table):
        return
    names = scheme(rules.condition)
    colours = dict(zip(names, _ramp(CONDITION_RAMP, len(names)), strict=True))
    thin = shapely.simplify(table.geometry.to_numpy(), 5e-5 * base.frame.scale)

    def draw(svg: Svg) -> None:
        for name, shape in zip(table["category"], thin, strict=True):
            if name in colours and not shape.is_empty:
                _fill(svg, base, shape, colours[name], 0.72)
        for shape in wrong.geometry:
            _fill(svg, base, shape, "none", 1.0, WARN, 0.5)
        base.drains(svg)

    area = table.groupby("category")["area_m2"].sum() / HECTARE_M2
    legend = [(made.box(c), n, _ha(area.get(n, 0.0))) for n, c in colours.items()]
    if "not mapped" in area.index:
        legend.append((made.box(PAPER), "not mapped", _ha(area["not mapped"])))
    if len(wrong):
        svg = Svg(9, 4.2)
        svg.rect(0.6, 0.6, 7.8, 3.0, stroke=WARN, width=0.5)
        held = number(wrong["area_m2"].sum() / HECTARE_M2, 1, "ha")
        legend.append((made.picture(svg), "gap or overlap in the given map", held))
    origin = table.groupby("taken_from")["area_m2"].sum() / HECTARE_M2
    reach = f"{rules.condition.drained_m:g} m"
    facts = [
        "Condition before the work.",
        f"Drained ground lies within {reach} of a drain; natural watercourses are left out.",
    ]
    rows = [[str(k), _ha(float(v))] for k, v in origin.sort_values(ascending=False).items()]
    made.add("Condition of the ground", base.map(draw), legend, facts, CONDITIONS_SAID,
             head="What it rests on", rows=rows)  # fmt: skip


def _stability_page(
    made: _Pages, base: _Base, rasters: Rasters, surveyed: Mapping[str, Any], rules: Rules
) -> None:
    codes = stability_codes(
        base.picked(rasters["factor_lowest"]), base.picked(rasters["factor_standing"]),
        rules.stability,
    )  # fmt: skip
    findings = base.tables["findings"]
    mine = findings[(findings["topic"] == "stability") & ~findings.geometry.is_empty]
    stops, looks = (mine[mine["severity"] == s] for s in ("stop", "look"))

    def draw(svg: Svg) -> None:
        for shape in base.tables["unstable"].geometry:
            _fill(svg, base, shape, "none", 1.0, INK, 0.2)
        base.drains(svg)
        base.dots(svg, looks, 0.8, "#F2C230")
        base.dots(svg, stops, 1.2, WARN)

    names, areas = stability_names(rules.stability), surveyed.get("stability_ha", {})
    legend = [(made.box(c), n, _ha(areas.get(n, 0.0)))
              for c, n in zip(STABILITY_COLOURS, names, strict=True)]  # fmt: skip
    svg = Svg(9, 4.2)
    svg.rect(0.6, 0.6, 7.8, 3.0, stroke=INK, width=0.25)
    legend += [
        (made.picture(svg), "patch named in the register", number(len(base.tables["unstable"]))),
        (made.dot(WARN, 1.2), "finding: stop", number(len(stops))),
        (made.dot("#F2C230", 0.9), "finding: look", number(len(looks))),
    ]
    s = rules.stability
    facts = [
        (
            "Lowest factor of safety of an infinite slope, undrained and drained, as it is, with a "
            f"machine of {s.machine_kpa:g} kPa, and with {s.pond_m:g} m of water standing."
        ),
        (
            f"Undrained strength {s.strength_kpa:g} kPa ({s.strength_low_kpa:g} to "
            f"{s.strength_high_kpa:g}); {s.draws} draws of all uncertain values. Measure strength "
            "on the site."
        ),
    ]
    made.add("Slope stability: screening", base.map(draw, codes, STABILITY_COLOURS), legend, facts,
             SLIDES)  # fmt: skip


def _going_page(
    made: _Pages, base: _Base, rasters: Rasters, surveyed: Mapping[str, Any], rules: Rules
) -> None:
    going = base.picked(rasters["going"])
    codes = np.where(np.isnan(going), NO_DATA, np.nan_to_num(going)).astype(np.uint8)
    areas = surveyed.get("going_ha", {})
    legend = [(made.box(c), n, _ha(areas.get(n, 0.0)))
              for c, n in zip(GOING_COLOURS, GOING, strict=True)]  # fmt: skip
    b, held = rules.bearing, bearing.bearing(rules.bearing)
    facts = [
        (
            f"Machine of {b.mass_kg / 1000:g} t on tracks of {b.track_width_m:g} by "
            f"{b.track_length_m:g} m: presses {held.pressure_kpa:.1f} kPa, on mats "
            f"{held.mat_pressure_kpa:.1f} kPa."
        ),
        (
            f"Peat of {b.strength_kpa:g} kPa bears {held.capacity_kpa:.1f} kPa, {held.ratio:.1f} "
            f"times as much; {held.mat_ratio:.1f} times on mats. Bare peat counts as weaker."
        ),
        (
            f"Machines keep off limits, ground steeper than {b.steepest_deg:g}° and ground whose "
            "stability stops the work."
        ),
    ]
    made.add("Going for machines", base.map(base.drains, codes, GOING_COLOURS), legend, facts,
             bearing.CAUTION)  # fmt: skip


def _limits_page(made: _Pages, base: _Base, rules: Rules, *, probed: bool) -> None:
    limits, findings = base.tables["limits"], base.tables["findings"]
    mine = findings[findings["topic"].isin(["limits"]) & ~findings.geometry.is_empty]
    closed = base.tables["closed_periods"]
    # What closes the whole site is said in words; only parts of it are drawn.
    whole = base.tables["condition"]["area_m2"].sum()
    by_name = closed.geometry.area.groupby(closed["name"]).transform("sum")
    areas = closed[by_name < 0.999 * whole] if len(closed) else closed

    def draw(svg: Svg) -> None:
        for shape in areas.geometry:
            _fill(svg, base, shape, "#7A5C00", 0.10)
            _fill(svg, base, shape, "none", 1.0, "#7A5C00", 0.35)
        plan.draw_limits(svg, limits, base.frame)
        base.drains(svg)
        base.dots(svg, mine, 1.1, WARN)

    cites = citations(LimitRules)
    kinds = set(limits["kind"])
    legend = []
    for kind in (k for k in LIMIT_KINDS if k in kinds):
        svg = Svg(9, 4.2)
        svg.rect(0.4, 0.4, 8.2, 3.4, fill=PAPER)
        fill = "none" if kind == "boundary" else hatch_pattern(svg, kind)
        svg.rect(0.4, 0.4, 8.2, 3.4, fill=fill, stroke=limit_colour(kind), width=0.25)
        key = f"{kind.replace(' ', '_')}_m"
        source = "" if cites[key].source else " (judgement)"
        legend.append((made.picture(svg), f"{kind}{source}", f"{getattr(rules.limits, key):g} m"))
    if len(areas):
        svg = Svg(9, 4.2)
        svg.rect(0.4, 0.4, 8.2, 3.4, fill="#7A5C00", stroke="#7A5C00", width=0.3, opacity=0.25)
        legend.append((made.picture(svg), "closed in a season", number(len(areas))))
    if len(mine):
        legend.append((made.dot(WARN, 1.1), "finding", number(len(mine))))
    facts = [] if probed else [NO_PROBES]
    unanswered = still_open(findings)
    stops = int((unanswered["severity"] == "stop").sum())
    if stops:
        facts.append(f"{count(stops, 'stop')} without an answer: see the register.")
    once = closed.drop_duplicates(["name", "from_day", "to_day"])
    facts += [
        f"{r['name']}: {'closed' if r['severity'] == 'stop' else 'case by case'} from "
        f"{_day(r['from_day'])} to {_day(r['to_day'])}."
        for r in once.to_dict("records")
    ]
    rows = [[str(r["place"]), f"{r['from_date']} to {r['to_date']}"]
            for r in base.tables["working_windows"].to_dict("records")]  # fmt: skip
    made.add("Limits and seasons", base.map(draw), legend, facts,
             f"{LIMITS_SAID} {season.CAUTION}",
             head="Working windows in the coming year", rows=rows)  # fmt: skip


def _day(text: str) -> str:
    month, _, day = text.partition("-")
    names = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
             "October", "November", "December")  # fmt: skip
    return f"{int(day)} {names[int(month) - 1]}"
