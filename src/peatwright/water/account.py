"""The account of a site's water: storms and spills of every dam, ways, findings and the table."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from peatwright.ground.findings import Found, Where, build, source_words, together
from peatwright.model.cited import citations
from peatwright.model.columns import checked
from peatwright.model.progress import Progress, part, silent
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.model.water_layers import WATER_FIGURES
from peatwright.model.water_rules import TableRules, WaterRules
from peatwright.water import site_table as table_of
from peatwright.water.prove_water import Spill, prove_water
from peatwright.water.site_table import SiteTable, site_table

TO_DO = "Read dipwells before and after, and set conductivity and recharge by them."


@dataclass(frozen=True, eq=False)
class Account:
    """Layers by name, rasters by name and figures; `spill` and `table` are what they came from."""

    tables: Mapping[str, pd.DataFrame]
    rasters: Mapping[str, Raster]
    report: Mapping[str, Any]
    spill: Spill
    table: SiteTable


def water_rules(rules: Rules) -> WaterRules:
    """Return the sections of the rule sheet that the water package reads, as it takes them."""
    return WaterRules(rules.storm, rules.overflow, rules.surface_storm, rules.water_table)


def account(
    dtm: Raster,
    tables: Mapping[str, pd.DataFrame],
    rules: Rules,
    *,
    peat_depth: Raster | None = None,
    bare: Any = None,
    progress: Progress = silent,
) -> Account:
    """Return where a site's water goes before and after the works, and how wet the peat is.

    Args:
        dtm: ground, levels in m.
        tables: the site's layers by name: drains, stations and items; limits and boundary where
            there are any.
        rules: the rule sheet.
        peat_depth: depth of peat in m; without it the rule sheet's depth is taken.
        bare: bare peat as one geometry in the terrain's CRS.
        progress: told how far the work is.

    Raises:
        PeatwrightError: see `prove_water` and `site_table`.

    """
    # The water table first: beside the routings that follow it would fill the memory.
    wet = site_table(
        dtm, tables["stations"], tables["items"], rules, peat_depth=peat_depth,
        progress=part(progress, 0.0, 0.25),
    )  # fmt: skip
    water = prove_water(
        dtm, tables, rules, spill_rules=rules.spill, water=water_rules(rules), bare_peat=bare,
        progress=part(progress, 0.25, 1.0),
    )  # fmt: skip
    found = build([_table_finding(wet, rules)], dtm.grid.crs)
    made = {
        "spills": water.dams,
        "spill_paths": water.paths,
        "spill_flows": water.flows,
        "outfalls": water.outfalls,
        "arrivals": water.arrivals,
        "water_findings": together([water.findings, found]),
        "water_figures": figures(water, wet, rules),
    }
    rasters = {
        "flow_before": water.flow_before,
        "flow_after": water.flow_after,
        "spilled": water.spilled,
        "water_depth_before": wet.before.depth,
        "water_depth_after": wet.after.depth,
    }
    report = {
        "water": dataclasses.asdict(water.summary),
        "table": dataclasses.asdict(wet.change),
        "table_caution": table_of.CAUTION,
    }
    return Account(made, rasters, report, water, wet)


def _table_finding(wet: SiteTable, rules: Rules) -> Found:
    change = wet.change
    cite = citations(TableRules)["believed_rise_m"]
    return Found(
        severity="note" if change.believed else "look",
        topic="water",
        where=Where(),
        what=f"water table: {change.words}",
        rule=f"water_table.believed_rise_m = {rules.water_table.believed_rise_m:g}: {cite.means}",
        source=source_words(cite),
        to_do=TO_DO,
        key="water table",
    )


def figures(water: Spill, wet: SiteTable, rules: Rules) -> pd.DataFrame:
    """Return WATER_FIGURES."""
    s, c, nan = water.summary, wet.change, float("nan")
    dams = water.dams
    asked = rules.overflow.freeboard_m
    years = f"{rules.spill.design_period_years:g}-year storm"
    full, after = dams["freeboard_m"].to_numpy(float), dams["freeboard_after_m"].to_numpy(float)
    carried = s.carrying_open_after_m + s.carrying_dammed_after_m + s.carrying_closed_after_m
    washes = dams["shear_pa"].to_numpy(float) > dams["shear_stands_pa"].to_numpy(float)
    rows = [
        ("mean depth to water", c.mean_before_m, c.mean_after_m, "m", table_of.CAUTION),
        (("share of ground with the table within "
         f"{rules.water_table.wet_depth_m * 100:g} cm of the surface"),
         c.wet_before_ratio, c.wet_after_ratio, "ratio", ""),
        ("length of drain that carries flow", s.carrying_before_m, carried, "m",
         (f"after: {s.carrying_open_after_m:.0f} m left open, {s.carrying_dammed_after_m:.0f} m "
         f"between hard dams, {s.carrying_closed_after_m:.0f} m over closed drain")),
        ("ground outside drains that receives spilled water", nan, s.spilled_m2, "m²", ""),
        ("ground whose water comes out at another outfall", nan, s.changed_hands_m2, "m²", ""),
        ("places at which more water arrives", nan, float(s.arrivals), "places", ""),
        ("dams whose spilled water is back in its drain", nan, float(s.back_in_drain), "dams",
         f"after {s.back_in_drain_median_m:.0f} m, half of them sooner"
         if s.back_in_drain else ""),
        (f"dams overtopped in the {years}", float((full < 0).sum()), float((after < 0).sum()),
         "dams", "before: all water still coming down the drain; after: as routed"),
        (f"dams with less than {asked:g} m of crest left in the {years}",
         float((full < asked).sum()), float((after < asked).sum()), "dams",
         "before: all water still coming down the drain; after: as routed"),
        (f"dams below which the ground may wash in the {years}", nan, float(washes.sum()), "dams",
         ""),
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=list(WATER_FIGURES.names))
    table[["before", "after"]] = table[["before", "after"]].astype(np.float64)
    return checked(table, WATER_FIGURES)
