"""A storm over the surface of a site, kept in its store until the layout changes."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from peatwright.model.cited import citations
from peatwright.model.errors import Fault, GivenError
from peatwright.model.progress import Progress, silent
from peatwright.model.rules import Rules
from peatwright.model.water_rules import SurfaceRules
from peatwright.site import lock, rule_sheet, said
from peatwright.site.folder import Site
from peatwright.site.store import Made, Store

if TYPE_CHECKING:
    from peatwright.water.site_storm import SiteStorm
    from peatwright.water.surface_parts import CrossLine

STORM = "storm"
STORM_LAYERS = ("hydrographs", "storm_peaks", "storm_lines")


def storm_rules(
    rules: Rules, *, hours: float | None, mm: float | None, cell_m: float | None
) -> Rules:
    """Return the rule sheet with another storm: hours and mm of rain, cell size; None keeps it.

    Raises:
        GivenError: a value outside its range, all of them told.

    """
    asked = {
        "storm_duration_s": None if hours is None else hours * 3600.0,
        "storm_depth_m": None if mm is None else mm / 1000.0,
        "cell_m": cell_m,
    }
    shown = {
        "storm_duration_s": ("--hours", 3600.0),
        "storm_depth_m": ("--mm", 0.001),
        "cell_m": ("--cell", 1.0),
    }
    cites = citations(SurfaceRules)
    faults = []
    for key, value in asked.items():
        if value is None:
            continue
        cite, (option, unit) = cites[key], shown[key]
        low, high = float(cite.low or 0.0), float(cite.high or math.inf)
        if not low <= value <= high:
            faults.append(
                Fault(
                    option, "", f"{value / unit:g}", f"{low / unit:g} to {high / unit:g}",
                    "Ask for another storm.",
                )
            )  # fmt: skip
    if faults:
        raise GivenError(faults)
    held = {key: value for key, value in asked.items() if value is not None}
    surface = dataclasses.replace(rules.surface_storm, **held)
    return dataclasses.replace(rules, surface_storm=surface)


def lines_of(texts: Sequence[str]) -> tuple[CrossLine, ...] | None:
    """Return lines from texts such as `culvert:1200,300,1240,310`; None where there is no text.

    Raises:
        GivenError: a text that is no line, all of them told.

    """
    from peatwright.water.surface_parts import CrossLine

    lines, faults = [], []
    for text in texts:
        name, _, rest = text.partition(":")
        try:
            numbers = [float(part) for part in rest.split(",")]
        except ValueError:
            numbers = []
        if not name.strip() or len(numbers) < 4 or len(numbers) % 2:
            faults.append(
                Fault("--line", "", repr(text), "NAME:x1,y1,x2,y2 in metres of the site's CRS",
                      "For example --line culvert:268100,512400,268130,512400")
            )  # fmt: skip
            continue
        lines.append(CrossLine(name.strip(), tuple(numbers[::2]), tuple(numbers[1::2])))
    if faults:
        raise GivenError(faults)
    return tuple(lines) or None


def run_storm(
    site: Site,
    *,
    hours: float | None = None,
    mm: float | None = None,
    cell_m: float | None = None,
    lines: Sequence[str] = (),
    progress: Progress = silent,
) -> SiteStorm:
    """Run a storm before and after the works and keep it; nothing is kept before its end.

    Args:
        site: a site whose works are laid out.
        hours: length of the rain; the rule sheet's where not given.
        mm: its depth before the climate uplift.
        cell_m: cell size.
        lines: texts as `lines_of` takes them; the largest outfalls where there is none.
        progress: told how far both runs are.

    Raises:
        GivenError: no layout yet, or an option outside its range.
        LockedError: another run is at work.

    """
    rules = storm_rules(rule_sheet.read(site.folder), hours=hours, mm=mm, cell_m=cell_m)
    crossed = lines_of(lines)
    with lock.held(site.folder):
        store = Store(site.folder)
        states = store.states()
        if "lay" not in states:
            raise GivenError(
                Fault(site.folder.name, "", "no layout yet", "a site that has been run",
                      f"Run it first: peatwright run {site.folder}")
            )  # fmt: skip
        from peatwright.water.site_storm import site_storm

        made = site_storm(
            store.raster("dtm"), store.table("drains"), store.table("stations"),
            store.table("items"), rules, lines=crossed, bare=store.area("given_bare"),
            progress=progress,
        )  # fmt: skip
        kept = _kept(made, rules, states["lay"].fingerprint)
        print_ = "-".join(
            [states["lay"].fingerprint[:12], f"{made.cell_m:g}", f"{len(made.hydrographs)}"]
        )
        store.commit(STORM, print_, kept, states["take"].report["crs"])
        surface = rules.surface_storm
        said.say(
            site.folder, STORM,
            {
                "layout": states["lay"].fingerprint, "cell_m": f"{made.cell_m:g}",
                "rain_m": f"{surface.storm_depth_m:g}", "rain_s": f"{surface.storm_duration_s:g}",
                "lines": "; ".join(lines),
            },
        )  # fmt: skip
    return made


def _kept(made: SiteStorm, rules: Rules, layout: str) -> Made:
    surface, uplift = rules.surface_storm, rules.storm.climate_uplift_ratio
    rasters = {
        "storm_depth_before": made.before.depth_max,
        "storm_depth_after": made.after.depth_max,
        "storm_speed_before": made.before.speed_max,
        "storm_speed_after": made.after.speed_max,
    }
    report = {
        "layout": layout,
        "cell_m": made.cell_m,
        "rain_m": surface.storm_depth_m * (1.0 + uplift),
        "uplift_ratio": uplift,
        "rain_s": surface.storm_duration_s,
        "balance_before": made.before.balance.words(),
        "balance_after": made.after.balance.words(),
        "error_before_ratio": made.before.balance.error_ratio,
        "error_after_ratio": made.after.balance.error_ratio,
        "caution": made.caution,
    }
    tables = {
        "hydrographs": made.hydrographs, "storm_peaks": made.peaks, "storm_lines": made.lines,
    }  # fmt: skip
    return Made(tables, rasters, report)


def kept_storm(store: Store) -> dict[str, Any]:
    """Return the report of the storm that was run for the layout as it stands, or nothing."""
    states = store.states()
    if STORM not in states or "lay" not in states:
        return {}
    report = dict(states[STORM].report)
    return report if report.get("layout") == states["lay"].fingerprint else {}
