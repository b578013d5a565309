"""The whole layout on one screen."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping

import numpy as np
import pandas as pd

from peatwright.model.rules import Rules
from peatwright.packs.costing import cost_words, driver_rows, each_rows, programme_sums
from peatwright.packs.info import PackInfo
from peatwright.packs.stops import open_stops
from peatwright.packs.wording import count, joined, methods_present, number, plain

WIDTH = 80
HEIGHT = 24


def site_row(tables: Mapping[str, pd.DataFrame]) -> pd.Series:
    """Return the row of the quantities that sums the site, or zeros when there is none."""
    quantities = tables["quantities"]
    rows = quantities[quantities["scope"] == "site"]
    if len(rows):
        return rows.iloc[-1]
    return pd.Series(dict.fromkeys(quantities.select_dtypes("number").columns, 0.0))


def cost_drivers(site: pd.Series, rules: Rules) -> list[tuple[str, float]]:
    """Return what spreads the cost, with the money from low to high when it alone moves."""
    rates = rules.rates
    days = site["hours"] / rates.hours_per_day
    spread = {
        "machine speed": (site["hours_high"] - site["hours_low"])
        / rates.hours_per_day * rates.day_likely,
        "day rate": days * (rates.day_high - rates.day_low),
        "timber": site["timbers"] * (rates.timber_high - rates.timber_low),
        "stone": site["stone_t"] * (rates.stone_high - rates.stone_low),
        "piling": site["piling_m2"] * (rates.piling_high - rates.piling_low),
    }  # fmt: skip
    return sorted(((k, float(v)) for k, v in spread.items() if v > 0), key=lambda p: -p[1])


def method_rows(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, float, int]]:
    """Return method, length of drain in m and number of dams, for each method in use."""
    reaches, items = tables["reaches"], tables["items"]
    dams = items[items["kind"] == "dam"]
    return [
        (
            method,
            float(reaches.loc[reaches["method"] == method, "length_m"].sum()),
            int((dams["method"] == method).sum()),
        )
        for method in methods_present(reaches)
    ]


def looks(tables: Mapping[str, pd.DataFrame], rules: Rules) -> list[str]:
    """Return what a person must look at, as counts in words."""
    drains, items, faults = tables["drains"], tables["items"], tables.get("faults")
    stations = tables["stations"]
    steps = np.diff(stations["chainage_m"].to_numpy(np.float64))
    step_m = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
    near_m = round(int((stations["forbidden_why"] != "").sum()) * step_m)
    # Hard dams spill over their own notch, so only dams of peat want an outlet beside them.
    peat = items[items["method"].isin(["wave dam", "peat dam"]) & (items["kind"] == "dam")]
    usual = rules.dam.buckets_usual_max
    wider = f"wider than {usual} buckets"
    found = [
        (int((peat["buckets"] > usual).sum()), f"dam {wider}", f"dams {wider}"),
        (
            int((peat["outlet_fall_m"] < rules.dam.outlet_fall_min_m).sum()),
            "dam beside which the ground hardly falls away",
            "dams beside which the ground hardly falls away",
        ),
        (
            int((peat["outlet_side"] == "").sum()),
            "dam without an outlet",
            "dams without an outlet",
        ),
        (near_m, "m of drain in forbidden ground", "m of drain in forbidden ground"),
        (int((items["note"] != "").sum()), "item with a note", "items with a note"),
        (int((drains["note"] != "").sum()), "drain with a note", "drains with a note"),
        (
            int((faults["severity"] == "look").sum()) if faults is not None else 0,
            "fault in what was given",
            "faults in what was given",
        ),
    ]
    return [count(n, one, many) for n, one, many in found if n]


def summary_lines(tables: Mapping[str, pd.DataFrame], rules: Rules, info: PackInfo) -> list[str]:
    """Return the layout in at most 24 lines of at most 80 letters."""
    drains, items = tables["drains"], tables["items"]
    site = site_row(tables)
    money = rules.rates.currency
    total = float(drains["length_m"].sum())
    dams = int((items["kind"] == "dam").sum())
    lines = [plain(info.title, WIDTH), "─" * WIDTH]
    stops = open_stops(tables)
    if stops:
        said = f"{count(len(stops), 'finding')} without an answer: no work there"
        lines += _wrapped("STOP       ", f"{said}; see register.pdf. First: {stops[0]}", 2)
    lines.append(f"Drains     {count(len(drains), 'drain')}, {number(total / 1000, 2, 'km')}")
    for method, length, built in method_rows(tables):
        share = 100 * length / total if total else 0.0
        what = count(built, "dam") if built else ""
        lines.append(
            f"  {method:<13}{number(length, 0, 'm'):>10}  {share:4.0f} %   {what}".rstrip()
        )
    zips = items[items["kind"] == "zip"]
    lines.append(
        f"To build   {count(dams, 'dam')}, {count(len(zips), 'zip run')} of "
        f"{number(zips['length_m'].sum(), 0, 'm')}, "
        f"{count(int(items['kind'].isin(['spoil gap', 'spoil break']).sum()), 'spoil gap')}"
    )
    lines.append(
        f"Peat       {number(site['fill_m3'], 0, 'm³')} in dams, {number(site['zip_m3'], 0, 'm³')} "
        f"zipped, {number(site['spoil_m3'], 0, 'm³')} of spoil moved"
    )
    lines += _wrapped("Water      ", water_line(tables), 1)
    lines.append(
        f"Machine    {number(site['hours'], 0, 'h')} "
        f"({number(site['hours_low'])} to {number(site['hours_high'])} h)"
    )
    lines += _wrapped("When       ", when_words(tables), 1)
    lines.append(f"Cost       {cost_words(tables, site, money)}")
    spare = len(lines)
    drivers = [(name, worth) for name, worth, _ in driver_rows(tables)]
    drivers = (drivers or cost_drivers(site, rules))[:2]
    if drivers:
        told = joined([f"{name} ({number(worth)})" for name, worth in drivers])
        lines.append(f"           range mostly from {told}")
    lines += _wrapped("           ", each_words(tables), 2)
    droppable = range(spare, len(lines))
    unmeasured, unseen = drains["unmeasured_m"].sum(), drains["unseen_m"].sum()
    lines.append(
        f"Not known  {number(unmeasured, 0, 'm')} could not be measured, "
        f"on {number(unseen, 0, 'm')} no drain is visible"
    )
    lines += _wrapped("Look at    ", "; ".join(looks(tables, rules)) or "nothing was marked", 2)
    lines += _wrapped(
        "Caution    ",
        "Screening only: a competent person checks each item and decides; services, slope "
        "stability, water below and season come first.",
        2,
    )
    lines.append("Files      README.txt says which file is for what")
    over = max(len(lines) - HEIGHT, 0)
    # The overview has them all; half a sentence is worse than none.
    dropped = set(droppable[:over] if over <= bool(drivers) else droppable)
    lines = [line for k, line in enumerate(lines) if k not in dropped]
    return [_fitted(line) for line in lines[:HEIGHT]]


def water_line(tables: Mapping[str, pd.DataFrame]) -> str:
    """Return what becomes of the water in one line, or nothing where nobody followed it."""
    figures = tables.get("water_figures")
    if figures is None or not len(figures):
        return ""
    held = dict(
        zip(figures["figure"], zip(figures["before"], figures["after"], strict=True), strict=True)
    )
    depth = held.get("mean depth to water")
    over = next((v for k, v in held.items() if k.startswith("dams overtopped")), None)
    places = held.get("places at which more water arrives")
    said = []
    if depth:
        said.append(f"{depth[0] * 100:.1f} cm below ground, then {depth[1] * 100:.1f}")
    if over:
        said.append(f"{count(int(over[1]), 'dam')} overtopped")
    if places:
        said.append(f"{count(int(places[1]), 'place gets', 'places get')} more")
    return "; ".join(said)


def each_words(tables: Mapping[str, pd.DataFrame]) -> str:
    """Return the cost per dam, km and hectare, with the published range of each in brackets."""
    rows = [r for r in each_rows(tables) if r[0].startswith("per ") and "alone" not in r[0]]
    if not rows:
        return ""
    first, *rest = [f"{basis} {ours} ({seen})" for basis, ours, seen in rows]
    # a number must not be parted at its thousands when the line is wrapped
    said = "; ".join([first.replace("(", "(published ", 1), *rest])
    return re.sub(r"(?<=\d) (?=\d)", "\u00a0", said)


def when_words(tables: Mapping[str, pd.DataFrame]) -> str:
    """Return first and last day of the work and the way tracked, or nothing without programme."""
    held = programme_sums(tables)
    if not held:
        return ""
    days, way = held["days of work"], held["tracked"]
    if not days["words"]:
        return "no programme: nothing to work on, or no day for it"
    later = held["drains outside the first season"]["ours"]
    late = f"; {count(int(later), 'drain')} in a later season" if later else ""
    return (
        f"{days['words']}, {number(days['ours'])} days{late}; "
        f"tracking {number(way['ours'] / 1000, 1, 'km')}"
    )


def _fitted(line: str) -> str:
    """Return a line cut to the width of the screen."""
    return line if len(line) <= WIDTH else line[: WIDTH - 1] + "…"


def _wrapped(label: str, text: str, most: int) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=label,
        subsequent_indent=" " * len(label),
        max_lines=most,
        placeholder=" …",
    )
