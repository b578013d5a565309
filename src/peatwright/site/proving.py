"""The ground of a site as the checks of its layout need it, read from its store."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry

from peatwright.ground import season, season_notes
from peatwright.ground.findings import Found
from peatwright.ground.prove import Here, found_of
from peatwright.ground.slopes import slopes
from peatwright.model.rules import Rules
from peatwright.site.store import Store


@dataclass(frozen=True, eq=False)
class Standing:
    """The ground, the site's area (all terrain without a boundary), and its unstable patches."""

    here: Here
    whole: BaseGeometry
    unstable: Any
    more_patches: tuple[Found, ...]


def standing(store: Store, rules: Rules) -> Standing:
    """Return the ground that items of a site stand on, as the last survey left it.

    Made once, it serves every check while items are moved by hand.
    """
    states = store.states()
    crs = states["take"].report["crs"]
    surveyed = states["ground"]
    limits = store.table("limits")
    closed = season.from_table(store.table("given_closed"), crs)
    nests = season_notes.nests(limits)
    dtm = store.raster("dtm")
    held = {n: store.raster(n) for n in surveyed.rasters if n.startswith("peat_")}
    here = Here(
        limits,
        (*season.default_periods(rules.season, nests), *closed),
        slopes(dtm, rules.stability.slope_over_m),
        held.get("peat_depth"),
        held.get("peat_error"),
        held.get("peat_state"),
        store.area("given_bare"),
    )
    boundary = store.area("boundary")
    whole = shapely.box(*dtm.grid.bounds) if boundary is None else boundary
    more = tuple(found_of(f) for f in surveyed.report.get("more_patches", []))
    return Standing(here, whole, store.table("unstable"), more)
