"""The face of the water's proof: where the water goes once the works are built.

`prove_water` gives a site's spill paths, storm flows, outfalls, arrivals and findings;
`change_drain` routes again after a change to one drain.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from peatwright.model.progress import Progress, silent
from peatwright.model.raster import Raster
from peatwright.model.rules import Rules
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_rules import WaterRules
from peatwright.water.spill.route import Rerouted, Routed
from peatwright.water.spill.spill import Spill, change_drain, spill
from peatwright.water.spill.summary import Summary

__all__ = ["Rerouted", "Routed", "Spill", "Summary", "change_drain", "prove_water", "spill"]


def prove_water(
    dtm: Raster,
    tables: Mapping[str, pd.DataFrame],
    rules: Rules | None = None,
    *,
    spill_rules: SpillRules | None = None,
    water: WaterRules | None = None,
    bare_peat: Any = None,
    buildings: Any = None,
    progress: Progress = silent,
) -> Spill:
    """Return where a site's water goes, before and after the works.

    Args:
        dtm: ground, levels in m.
        tables: the site's tables by layer name: drains, stations and items; limits and boundary
            where there are any.
        rules: the rule sheet, for the sizes of hollows.
        spill_rules: settings of spill paths.
        water: settings of storm flow and overflow.
        bare_peat: bare peat as one geometry in the terrain's CRS.
        buildings: buildings as one geometry.
        progress: told how far the work is.

    Raises:
        PeatwrightError: see `spill`.

    """
    return spill(
        dtm, tables["drains"], tables["stations"], tables["items"], limits=tables.get("limits"),
        boundary=tables.get("boundary"), bare_peat=bare_peat, buildings=buildings,
        rules=spill_rules, water=water, dam_rules=(rules or Rules()).dam, progress=progress,
    )  # fmt: skip
