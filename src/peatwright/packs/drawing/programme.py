"""The programme on paper: a map of the order with the ways between, and a calendar picture."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import shapely

from peatwright.model.errors import RuleError
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.packs.costing import programme_sums
from peatwright.packs.drawing import plan
from peatwright.packs.drawing.look import FAINT, INK, PAPER, SOFT, WARN
from peatwright.packs.drawing.overview import EDGE, MAP_HIGH, MAP_WIDE
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.drawing.svg import Points, Svg, path_of, text_width
from peatwright.packs.info import PackInfo
from peatwright.packs.version import Issue
from peatwright.packs.wording import plain
from peatwright.packs.words import Words
from peatwright.works.programme import calendar as cal

WAY = "#A33B2E"
RAMP = ("#1B3A6B", "#2A7AA8", "#0F8577", "#7A8F2A", "#C7751B", "#8E3B6B")
MACHINES = ("#15588F", "#C7751B", "#0F8577", "#5C3A93", "#84460F", "#4A4A4A")
NO_TIME = "#8A8F8C"
ROWS_A_PAGE, HEAD_MM = 58, 12.0
ROW_LEAST_MM, ROW_MOST_MM, ROWS_MM = 4.1, 6.5, 238.0
WIDE_MM, NAMES_MM = 402.0, 92.0
SHOW_SEASON_DAYS = 75
"""A closed season that begins so soon after the last day of work is shown, with the time to it."""
LOOKS_SHOWN, PLACES_SHOWN = 5, 6
MONTHS_SHOWN = 14


def programme_pdf(
    tables: Mapping[str, pd.DataFrame], dtm: Raster, rules: Rules, info: PackInfo, issue: Issue,
    w: Words,
) -> bytes:  # fmt: skip
    """Return the A3 sheets of the programme: order map with ways, then the calendar."""
    visits = _visits(tables["programme"])
    frame = plan.fitted(_extent(tables, dtm), MAP_WIDE, MAP_HIGH)
    frame = plan.kept_on(dtm.grid.bounds, frame)
    months = _months(visits)
    strip = Svg(84, 19)
    plan.draw_north(strip, 8, 8)
    plan.draw_scale_bar(strip, 20, 7, frame.scale, 50)
    pictures = {"map.svg": _map(tables, visits, months, dtm, frame), "scale.svg": strip.done()}
    by_month = _by_month(tables, months)
    for month in by_month:
        svg = Svg(10, 3.0)
        svg.path("M0.3 1.5H9.7", months.get(month, "none"), 1.1)
        pictures[f"{month}.svg"] = svg.done()
    keys = []
    if (visits["start_date"] == "").any():
        svg = Svg(13, 3.4)
        svg.path("M0.5 1.7H12.5", NO_TIME, 1.1, dash="1.2 1")
        pictures["none.svg"] = svg.done()
        keys.append(["none.svg", w("programme.no_day")])
    svg = Svg(13, 3.4)
    svg.path("M0.5 1.7H12.5", WAY, 0.45, dash="1.6 1")
    pictures["way.svg"] = svg.done()
    keys.append(["way.svg", w("programme.way")])
    calendars = []
    pages = -(-len(visits) // ROWS_A_PAGE)
    each = -(-len(visits) // max(pages, 1))
    for n in range(pages):
        rows = visits.iloc[n * each : (n + 1) * each]
        pictures[f"cal{n}.svg"] = _calendar(rows, visits, rules, w)
        calendars.append(f"cal{n}.svg")
    looks = tables.get("programme_looks")
    said = [] if looks is None else _looks(looks)
    more = len(said) - LOOKS_SHOWN
    data: dict[str, Any] = {
        "title": plain(info.title, 90), "date": w.date(issue.date), "origin": plain(info.origin),
        "attribution": plain(info.attribution, 300), "invented": info.invented,
        "lang": w.language, "issue": w("common.pack", number=issue.number), "code": issue.code,
        "map": {"wide": MAP_WIDE, "high": MAP_HIGH, "edge": EDGE},
        "scale": f"1:{w.number(frame.scale)}",
        "crs": plain(pyproj.CRS(dtm.grid.crs).name, 60),
        "keys": keys, "calendars": calendars, "calendar_wide": WIDE_MM,
        "facts": _facts(tables, w), "compared": _compared(tables, w),
        "by_month": [
            [f"{m}.svg", _month_words(m, w), *(w.number(v) for v in row)]
            for m, row in by_month.items()
        ],
        "looks": said[:LOOKS_SHOWN] + ([w("programme.more", n=more)] if more > 0 else []),
        "words": {k.removeprefix("programme."): v for k, v in w.texts().items()
                  if k.startswith("programme.") and isinstance(v, str)},
        "common": {k.removeprefix("common."): v for k, v in w.texts().items()
                   if k.startswith("common.")},
    }  # fmt: skip
    return set_pages("programme.typ", data, pictures)[0]


def _visits(table: pd.DataFrame) -> pd.DataFrame:
    """Join the parts of a visit that a closed season cuts; order by machine and visit."""
    machines = {m: k for k, m in enumerate(dict.fromkeys(table["machine"]))}
    out = table.copy()
    out["nth"] = out["machine"].map(machines).astype("int64") if len(out) else 0
    return out.sort_values(["nth", "visit"], kind="stable").reset_index(drop=True)


def _extent(tables: Mapping[str, pd.DataFrame], dtm: Raster) -> tuple[float, float, float, float]:
    west, south, east, north = plan.extent(tables, dtm)
    trips = tables["trips"]
    if not len(trips):
        return west, south, east, north
    a, b, c, d = trips.total_bounds
    return min(west, a), min(south, b), max(east, c), max(north, d)


def _months(visits: pd.DataFrame) -> dict[str, str]:
    """Return a colour for each month in which work on a drain begins, dark to light and on."""
    held = sorted({d[:7] for d in visits["start_date"] if d})
    if not held:
        return {}
    stops = np.array([[int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in RAMP], dtype=float)
    at = np.linspace(0, len(RAMP) - 1, len(held))
    rgb = [np.interp(at, np.arange(len(RAMP)), stops[:, k]) for k in range(3)]
    return {
        m: "#" + "".join(f"{round(v):02X}" for v in colour)
        for m, colour in zip(held, zip(*rgb, strict=True), strict=True)
    }


def _month_words(month: str, w: Words) -> str:
    year, number = month.split("-")
    return f"{w.each('format.months')[int(number) - 1]} {year}"


def _map(
    tables: Mapping[str, pd.DataFrame], visits: pd.DataFrame, months: dict[str, str], dtm: Raster,
    frame: plan.Frame,
) -> bytes:  # fmt: skip
    svg = Svg(MAP_WIDE + 2 * EDGE, MAP_HIGH + 2 * EDGE)
    svg.clip("map", EDGE, EDGE, MAP_WIDE, MAP_HIGH)
    svg.add(f'<g transform="translate({EDGE} {EDGE})">')
    ground = plan.shaded(dtm, frame)
    if ground is not None:
        svg.picture(*ground)
    plan.draw_boundary(svg, tables["boundary"], frame)
    plan.draw_limits(svg, tables["limits"], frame)
    first = visits.drop_duplicates("drain_id").set_index("drain_id")
    lines: dict[str, Points] = {}
    for drain, shape in zip(tables["drains"]["drain_id"], tables["drains"].geometry, strict=True):
        thin = shapely.simplify(shape, 3e-5 * frame.scale)
        lines[drain] = frame.mm(shapely.get_coordinates(thin))
        svg.path(path_of(lines[drain]), PAPER, 1.7, opacity=0.8, cap="round")
    for drain, xy in lines.items():
        if drain not in first.index:
            svg.path(path_of(xy), FAINT, 0.5)
            continue
        month = str(first.loc[drain, "start_date"])[:7]
        colour = months.get(month, NO_TIME)
        svg.path(path_of(xy), colour, 1.0, dash="" if month else "1.2 1")
    _ways(svg, tables["trips"], frame)
    _numbers(svg, first, lines, months, frame)
    svg.end()
    svg.end()
    plan.draw_grid(svg, frame, EDGE, EDGE)
    return svg.done()


def _ways(svg: Svg, trips: pd.DataFrame, frame: plan.Frame) -> None:
    """Draw the ways with an arrow in the middle of each that is long enough to hold one."""
    for shape in trips.geometry if len(trips) else ():
        xy = frame.mm(shapely.get_coordinates(shapely.simplify(shape, 8e-5 * frame.scale)))
        d = path_of(xy)
        svg.path(d, PAPER, 0.9, opacity=0.55)
        svg.path(d, WAY, 0.4, dash="1.6 1")
        run = shapely.LineString(xy)
        if run.length < 5:
            continue
        tip = run.interpolate(0.5, normalized=True)
        back = run.interpolate(run.length / 2 - 2.0)
        way = np.array([tip.x - back.x, tip.y - back.y])
        size = float(np.hypot(*way))
        if size < 0.1:
            continue
        along, side = way / size, np.array([-way[1], way[0]]) / size
        end = np.array([tip.x, tip.y])
        wings = [end - 2.2 * along + 0.9 * side, end - 2.2 * along - 0.9 * side]
        svg.path(path_of(np.array([end, *wings]), close=True), WAY, 0.1, fill=WAY)
    if len(trips):
        start = frame.mm(shapely.get_coordinates(trips.geometry.iloc[0])[:1])[0]
        svg.dot(start[0], start[1], 2.0, PAPER, WAY)
        svg.dot(start[0], start[1], 1.2, WAY)


def _numbers(
    svg: Svg, first: pd.DataFrame, lines: dict[str, Points], months: dict[str, str],
    frame: plan.Frame,
) -> None:  # fmt: skip
    """Write the place of each drain in its machine's order at the end where the work begins."""
    taken: list[tuple[float, float]] = []
    several = len(set(first["machine"])) > 1
    for drain, row in first.iterrows():
        xy = lines.get(str(drain))
        if xy is None:
            continue
        xy = xy[::-1] if row["direction"] == "upstream" else xy
        run = shapely.LineString(xy)
        # of the places along the drain the first that keeps clear of numbers already there
        spots = [run.interpolate(s) for s in np.arange(0.0, min(run.length, 40.0) + 0.1, 2.5)]
        clear = [s for s in spots if all(np.hypot(s.x - a, s.y - b) > 4.6 for a, b in taken)]
        at = (clear or spots)[0]
        x = float(np.clip(at.x, 3, frame.wide_mm - 3))
        y = float(np.clip(at.y, 3, frame.high_mm - 3))
        taken.append((x, y))
        text = f"{'ABCDEFGHIJ'[int(row['nth']) % 10] if several else ''}{row['visit']}"
        half = max(text_width(text, 2.7) / 2 + 0.5, 1.9)
        svg.add(
            f'<rect x="{x - half:.2f}" y="{y - 1.9:.2f}" width="{2 * half:.2f}" height="3.8" '
            f'rx="1.9" fill="{PAPER}" stroke="'
            f'{months.get(str(row["start_date"])[:7], NO_TIME)}" stroke-width="0.5"/>'
        )
        svg.text(x, y + 0.98, text, 2.7, anchor="middle", bold=True)


def _calendar(rows: pd.DataFrame, visits: pd.DataFrame, rules: Rules, w: Words) -> bytes:
    """Draw one bar a visit over the weeks, closed seasons hatched."""
    row_mm = float(np.clip(ROWS_MM / max(len(rows), 1), ROW_LEAST_MM, ROW_MOST_MM))
    high = HEAD_MM + row_mm * len(rows) + 2
    svg = Svg(WIDE_MM, high)
    starts = [dt.date.fromisoformat(d) for d in rows["start_date"] if d]
    ends = [dt.date.fromisoformat(d) for d in rows["end_date"] if d]
    first = (min(starts) if starts else cal.start(rules.programme)).replace(day=1)
    last = max([*ends, first + dt.timedelta(days=27)])
    seasons = cal.seasons(rules.programme)
    for k in range(1, SHOW_SEASON_DAYS):
        day = last + dt.timedelta(days=k)
        if any(s.closed(day) for s in seasons):
            last = day + dt.timedelta(days=10)
            break
    total = (last - first).days + 1
    per_day = (WIDE_MM - NAMES_MM) / total
    top, foot = HEAD_MM, HEAD_MM + row_mm * len(rows)

    def x_of(day: dt.date) -> float:
        return NAMES_MM + (day - first).days * per_day

    shut = [first + dt.timedelta(days=k) for k in range(total)]
    shut = [d for d in shut if any(s.closed(d) for s in seasons)]
    if shut:
        svg.define(
            "shut",
            '<pattern id="shut" width="1.6" height="1.6" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate(45)"><rect width="0.3" height="1.6" fill="{WARN}"/>'
            "</pattern>",
        )
    for a, b in _runs(shut):
        wide = ((b - a).days + 1) * per_day
        svg.rect(x_of(a), top, wide, foot - top, fill="url(#shut)", opacity=0.7)
        if wide > 22:
            svg.text(x_of(a) + wide / 2, top - 6.6, w("programme.closed"), 2.5, anchor="middle",
                     fill=WARN, bold=True)  # fmt: skip
    _time_axis(svg, first, total, per_day, (top, foot), w)
    colours = {m: MACHINES[k % len(MACHINES)] for k, m in enumerate(dict.fromkeys(
        visits["machine"]))}  # fmt: skip
    heads = w.each("programme.calendar_head")
    for x, head, anchor in zip(
        (1.0, 10.0, 26.0, 88.0), heads, ("start", "start", "start", "end"), strict=True
    ):
        svg.text(x, top - 1.6, head, 2.5, fill=SOFT, anchor=anchor)
    for k, row in enumerate(rows.to_dict("records")):
        y = top + k * row_mm
        if k % 2 == 0:
            svg.rect(0, y, NAMES_MM - 1, row_mm, fill="#F1F4F1")
        mid = y + 0.5 * row_mm + 0.9
        svg.text(1.0, mid, str(row["visit"]), 2.7, bold=True)
        svg.text(10.0, mid, plain(str(row["drain_id"]), 9), 2.7)
        way = w.said("programme.ways", str(row["direction"]))
        svg.text(26.0, mid, plain(f"{row['machine']}, {way}", 29), 2.7)
        svg.text(88.0, mid, w.number(row["hours"], 1), 2.7, anchor="end")
        if not row["start_date"]:
            svg.text(NAMES_MM + 2, mid, w("programme.no_day"), 2.6, fill=WARN, bold=True)
            continue
        a = dt.date.fromisoformat(row["start_date"])
        b = dt.date.fromisoformat(row["end_date"]) if row["end_date"] else last
        wide = max(((b - a).days + 1) * per_day, 0.9)
        late = int(row["season"]) != 1
        svg.rect(x_of(a), y + 0.7, wide, row_mm - 1.4, fill=colours[row["machine"]],
                 stroke=WARN if late else "none", width=0.5)  # fmt: skip
        days = dict.fromkeys(_short(str(d), w, year=False) for d in (a, b))
        said = " – ".join(days)
        room = text_width(said, 2.3) + 1
        left = x_of(a) + wide + 1
        left = left if left + room < WIDE_MM else x_of(a) - room - 0.5
        svg.rect(left - 0.4, y + 0.6, room, row_mm - 1.2, fill=PAPER)
        svg.text(left, mid - 0.1, said, 2.3, fill=SOFT)
    svg.rect(NAMES_MM, top, WIDE_MM - NAMES_MM - 0.15, foot - top, stroke=INK, width=0.25)
    return svg.done()


def _time_axis(
    svg: Svg, first: dt.date, total: int, per_day: float, span: tuple[float, float], w: Words
) -> None:
    """Draw lines at Mondays and months, and name the months."""
    names = w.each("format.months")
    top, foot = span
    for k in range(total):
        day = first + dt.timedelta(days=k)
        x = NAMES_MM + k * per_day
        if day.weekday() == 0:
            svg.line(x, top, x, foot, FAINT, 0.12)
            if per_day * 7 > 5.5:
                svg.text(x + 0.3, top - 0.9, str(day.day), 2.0, fill=SOFT)
        if day.day == 1:
            svg.line(x, top - 5.5, x, foot, SOFT, 0.3)
            left = min(total - k, 28) * per_day
            long = f"{names[day.month - 1]} {day.year}"
            shown = long if text_width(long, 2.7) < left else names[day.month - 1][:3]
            if text_width(shown, 2.7) < left:
                svg.text(x + 0.8, top - 3.4, shown, 2.7, bold=True)


def _runs(days: list[dt.date]) -> list[tuple[dt.date, dt.date]]:
    """Return first and last of each run of days without a gap."""
    out: list[tuple[dt.date, dt.date]] = []
    for day in days:
        if out and (day - out[-1][1]).days == 1:
            out[-1] = (out[-1][0], day)
        else:
            out.append((day, day))
    return out


def _short(text: str, w: Words, *, year: bool = True) -> str:
    """Return a date with the month cut to three letters, kept on one line."""
    day = dt.date.fromisoformat(text)
    month = w.each("format.months")[day.month - 1][:3]
    said = w("format.date", day=day.day, month=month, year=day.year if year else "").strip()
    return said.replace(" ", "\u00a0")


def _facts(tables: Mapping[str, pd.DataFrame], w: Words) -> list[list[str]]:
    sums = programme_sums(tables)
    out = []
    for key, figure, digits in (
        ("hours", "machine hours of work", 0), ("days", "days of work", 0), ("wait", "waiting", 1),
        ("later", "drains outside the first season", 0),
    ):  # fmt: skip
        if figure in sums:
            out.append([w(f"programme.facts_{key}"), w.number(sums[figure]["ours"], digits)])
    visits = tables["programme"]
    begun, ended = ([d for d in visits[n] if d] for n in ("start_date", "end_date"))
    when = f"{_short(min(begun), w)} – {_short(max(ended), w)}" if begun and ended else "–"
    out.insert(0, [w("programme.facts_when"), when])
    machines = dict.fromkeys(str(m) for m in visits["machine"])
    out.insert(0, [w("programme.facts_machines"), plain(", ".join(machines), 60) or "–"])
    return out


def _compared(tables: Mapping[str, pd.DataFrame], w: Words) -> list[list[str]]:
    """Return what the order spares, beside a plain order."""
    sums = programme_sums(tables)
    rows = [("tracked", "tracked", 1000, 1, "km"), ("dry", "tracked, as if dry", 1000, 1, "km"),
            ("wet", "tracked over wet ground", 1, 0, "m"),
            ("crossed", "finished drains crossed", 1, 0, "")]  # fmt: skip
    return [
        [w(f"programme.compared_{key}"), *(w.number(sums[figure][side] / by, digits, unit)
                                           for side in ("ours", "plain"))]
        for key, figure, by, digits, unit in rows if figure in sums
    ]  # fmt: skip


def _by_month(
    tables: Mapping[str, pd.DataFrame], months: Mapping[str, str]
) -> dict[str, tuple[float, ...]]:
    """Return days of work, hours and drains of each month that has any, the last ones left out."""
    days = tables["programme_days"]
    held = days.assign(month=days["date"].str[:7]).groupby("month", sort=True)
    out: dict[str, tuple[float, ...]] = dict.fromkeys(months, (0.0, 0.0, 0.0))
    for month, rows in held:
        out[str(month)] = (
            rows["date"].nunique(), float(rows["hours"].sum()), rows["drain_id"].nunique()
        )  # fmt: skip
    return dict(sorted(out.items())[:MONTHS_SHOWN])


def _looks(table: pd.DataFrame) -> list[str]:
    """Return what to look at; places of which the same is said stand together."""
    out = []
    for (found, fix), rows in table.groupby(["found", "fix"], sort=False):
        places = [p for p in rows["place"] if p]
        more = f" +{len(places) - PLACES_SHOWN}" if len(places) > PLACES_SHOWN else ""
        place = plain(", ".join(places[:PLACES_SHOWN]), 110) + more
        out.append(
            f"{place + ': ' if place else ''}{plain(str(found), 150)}. {plain(str(fix), 110)}"
        )
    return out


def can_draw(tables: Mapping[str, pd.DataFrame], rules: Rules) -> bool:
    """Say whether there is a programme to draw."""
    try:
        cal.seasons(rules.programme)
    except RuleError:
        return False
    return "programme" in tables and len(tables["programme"]) > 0 and "trips" in tables
