"""The site page: how to get there, what must not be touched, whom to ring."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import shapely

from peatwright.model.layers import LIMIT_KINDS
from peatwright.packs.coordinates import to_wgs84
from peatwright.packs.drawing import plan
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.drawing.svg import Svg, path_of, rings
from peatwright.packs.info import PackInfo
from peatwright.packs.national_grid import Places
from peatwright.packs.version import Issue
from peatwright.packs.wording import plain
from peatwright.packs.words import Words

MAP_WIDE, MAP_HIGH = 186.0, 92.0
MOST_LIMITS, MOST_PERIODS, MOST_VISITS = 14, 8, 24


def site_pdf(
    tables: Mapping[str, pd.DataFrame], crs: str, info: PackInfo, issue: Issue, w: Words
) -> bytes:
    """Return two A4 pages to fill in, with what the tables already know.

    Uses the layers `boundary`, `drains` and `limits`, and, where they are given,
    `closed_periods`, `working_windows` and `programme`.
    """
    places = Places(crs)
    drains, limits = tables["drains"], tables["limits"]
    middle = _middle(tables)
    ref, latlon = "–", "–"
    if middle is not None:
        lon, lat, _ = to_wgs84(np.array([middle.x]), np.array([middle.y]), crs)
        ref = places(middle.x, middle.y)
        latlon = f"{lat[0]:.5f}, {lon[0]:.5f}"
    data: dict[str, Any] = {
        "lang": w.language,
        "site": plain(info.title, 70),
        "invented": w("common.invented") if info.invented else "",
        "issue": w("common.pack", number=issue.number),
        "code": w("common.layout_code", code=issue.code),
        "date": w.date(issue.date),
        "origin": plain(info.origin, 120),
        "attribution": plain(info.attribution, 200),
        "ref": ref,
        "latlon": latlon,
        "limits": _limits(limits, drains, places, w),
        "more_limits": max(0, len(_named(limits)) - MOST_LIMITS),
        "periods": _periods(tables.get("closed_periods"), w),
        "windows": _windows(tables.get("working_windows"), w),
        "programme": _programme(tables.get("programme"), w),
        "map": _has_map(tables),
        "w": {k: v for k, v in w.texts().items() if k.startswith(("site.", "common."))},
    }
    pictures = {"map.svg": _map(tables, w)} if data["map"] else {}
    return set_pages("site.typ", data, pictures)[0]


def _has_map(tables: Mapping[str, pd.DataFrame]) -> bool:
    return any(len(tables[name]) for name in ("boundary", "drains"))


def _middle(tables: Mapping[str, pd.DataFrame]) -> shapely.Point | None:
    for name in ("drains", "boundary"):
        if len(tables[name]):
            west, south, east, north = tables[name].total_bounds
            return shapely.Point((west + east) / 2, (south + north) / 2)
    return None


def _named(limits: pd.DataFrame) -> pd.DataFrame:
    return limits[limits["kind"] != "boundary"]


def _limits(
    limits: pd.DataFrame, drains: pd.DataFrame, places: Places, w: Words
) -> list[list[str]]:
    """Return kind, name, distance and the place nearest to the drains of each limit."""
    held = _named(limits)
    order = {k: n for n, k in enumerate(LIMIT_KINDS)}
    works = shapely.union_all(drains.geometry.to_numpy()) if len(drains) else None
    out = []
    for k in sorted(range(len(held)), key=lambda n: order.get(str(held["kind"].iloc[n]), 99)):
        row = held.iloc[k]
        near = row.geometry.representative_point()
        if works is not None and not works.is_empty:
            near = shapely.Point(shapely.shortest_line(row.geometry, works).coords[0])
        out.append([w.said("limits", str(row["kind"])), plain(row["name"], 44) or "–",
                    w.number(row["distance_m"], 0, "m"), places(near.x, near.y)])  # fmt: skip
    return out[:MOST_LIMITS]


def _periods(table: pd.DataFrame | None, w: Words) -> list[list[str]]:
    if table is None:
        return []
    rows = table.drop(columns="geometry", errors="ignore").drop_duplicates()
    return [
        [_day(r["from_day"], w), _day(r["to_day"], w), plain(r["name"], 40), plain(r["why"], 120)]
        for r in rows.to_dict("records")[:MOST_PERIODS]
    ]


def _day(month_day: str, w: Words) -> str:
    """Return a month-day such as `04-15` with the month's name."""
    text = w.date(f"2000-{month_day}")
    return text.replace("2000", "").strip() if text != f"2000-{month_day}" else plain(month_day)


def _windows(table: pd.DataFrame | None, w: Words) -> list[str]:
    if table is None:
        return []
    return [
        w("site.season_window", a=w.date(str(r["from_date"])), b=w.date(str(r["to_date"])),
          days=w.number(r["days"]), place=plain(r["place"], 40))
        for r in table.to_dict("records")[:4]
    ]  # fmt: skip


def _programme(table: pd.DataFrame | None, w: Words) -> list[list[str]]:
    if table is None or not len(table):
        return []
    out = []
    for machine, rows in table.sort_values("visit", kind="stable").groupby("machine", sort=True):
        drains = list(dict.fromkeys(rows["drain_id"].astype(str)))
        more = " …" if len(drains) > MOST_VISITS else ""
        starts = [d for d in rows["start_date"].astype(str) if d]
        ends = [d for d in rows["end_date"].astype(str) if d]
        first = w.date(min(starts)) if starts else "–"
        last = w.date(max(ends)) if ends else "–"
        out.append([plain(str(machine), 24), ", ".join(drains[:MOST_VISITS]) + more, first, last])
    return out[:6]


def _map(tables: Mapping[str, pd.DataFrame], w: Words) -> bytes:
    held = np.array([tables[n].total_bounds for n in ("boundary", "drains") if len(tables[n])])
    (west, south), (east, north) = held[:, :2].min(axis=0), held[:, 2:].max(axis=0)
    bounds = (float(west), float(south), float(east), float(north))
    frame = plan.fitted(bounds, MAP_WIDE, MAP_HIGH)
    svg = Svg(MAP_WIDE, MAP_HIGH)
    svg.clip("s", 0, 0, MAP_WIDE, MAP_HIGH)
    for shape in tables["boundary"].geometry if len(tables["boundary"]) else ():
        edge = rings(frame.mm(shapely.get_coordinates(r))
                     for r in (shape.exterior, *shape.interiors))  # fmt: skip
        svg.path(edge, "#000", 0.5, dash="5 1.2 1 1.2", fill="#F4F4F4")
    svg.define(
        "no",
        '<pattern id="no" width="1.6" height="1.6" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><rect width="0.25" height="1.6" fill="#555"/></pattern>',
    )
    named: dict[str, Any] = {}
    for kind, shape in zip(tables["limits"]["kind"], tables["limits"].geometry, strict=True):
        if kind == "boundary":
            continue
        edge = rings(frame.mm(shapely.get_coordinates(r))
                     for r in (shape.exterior, *shape.interiors))  # fmt: skip
        svg.path(edge, "#333", 0.25, fill="url(#no)")
        named.setdefault(str(kind), shape)
    for shape in tables["drains"].geometry if len(tables["drains"]) else ():
        svg.path(path_of(frame.mm(shapely.get_coordinates(shape))), "#000", 0.45)
    for kind, shape in named.items():
        part = shapely.intersection(shape, shapely.box(*frame.bounds))
        if part.is_empty:
            continue
        x, y = frame.mm(shapely.get_coordinates(part.representative_point()))[0]
        words = w.said("limits", kind)
        half = 0.27 * 2.9 * len(words) + 0.8
        x = float(np.clip(x, half + 1, MAP_WIDE - half - 1))
        y = float(np.clip(y, 4, MAP_HIGH - 2))
        svg.rect(x - half, y - 2.8, 2 * half, 3.8, fill="#fff")
        svg.text(x, y, words, 2.9, anchor="middle", fill="#000", bold=True)
    svg.end()
    svg.rect(0.2, 0.2, MAP_WIDE - 0.4, MAP_HIGH - 0.4, stroke="#000", width=0.3)
    svg.path("M8 4L10.6 14L8 12.2L5.4 14Z", "#000", 0.3, fill="#000")
    svg.text(8, 17.4, w("common.north"), 3.0, anchor="middle", bold=True)
    metres = next(m for m in (5000, 2000, 1000, 500, 200, 100, 50, 20, 10)
                  if m * 1000 / frame.scale <= 45 or m == 10)  # fmt: skip
    long = metres * 1000 / frame.scale
    svg.rect(4, MAP_HIGH - 9, long + 4, 7.6, fill="#fff")
    svg.rect(6, MAP_HIGH - 4, long / 2, 1.5, fill="#000", stroke="#000", width=0.25)
    svg.rect(6 + long / 2, MAP_HIGH - 4, long / 2, 1.5, fill="#fff", stroke="#000", width=0.25)
    svg.text(6, MAP_HIGH - 5.2, f"0–{w.number(metres)} m", 2.9)
    return svg.done()
