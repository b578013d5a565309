"""Stations of drains where works would stand on unstable ground or reach into a limit."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from peatwright.ground.stability import stopping_words
from peatwright.model.ground_rules import StabilityRules
from peatwright.model.raster import Raster
from peatwright.terrain.sampling import sample_nearest


def forbid_unstable(
    stations: gpd.GeoDataFrame, factor: Raster, rules: StabilityRules
) -> gpd.GeoDataFrame:
    """Return stations of which those on unstable ground say so in `forbidden_why`.

    Args:
        stations: rows of `STATIONS`.
        factor: lowest factor of safety of the cases that stop the work.
        rules: stability rules.

    """
    x, y = stations.geometry.x.to_numpy(), stations.geometry.y.to_numpy()
    at = sample_nearest(factor, x, y)
    low = np.isfinite(at) & (at < rules.factor_stop)
    if not low.any():
        return stations
    out = stations.copy()
    # Without the number: neighbours with one reason make one stretch.
    words = (
        f"slope stability: factor of safety under {rules.factor_stop:g} {stopping_words(rules)}, "
        "by screening"
    )
    before = out["forbidden_why"].astype(str).to_numpy(dtype=object)
    after = np.where(low, np.where(before == "", words, before + "; " + words), before)
    out["forbidden_why"] = after.astype(str)
    out["forbidden_why"] = out["forbidden_why"].astype(stations["forbidden_why"].dtype)
    return out


def forbid_beside_limits(
    stations: gpd.GeoDataFrame, limits: gpd.GeoDataFrame, reach_m: float
) -> gpd.GeoDataFrame:
    """Return stations of which those so near a limit that works would reach into it say so.

    A station is the middle of a drain; a dam reaches to both sides of it.

    Args:
        stations: rows of `STATIONS`; those with a reason already are left as they are.
        limits: rows of `LIMITS`; each polygon holds the distance kept already.
        reach_m: how far works reach from the middle of the drain, m.

    """
    free = np.flatnonzero(stations["forbidden_why"].astype(str).to_numpy(dtype=object) == "")
    if not len(limits) or not len(free):
        return stations
    tree = shapely.STRtree(limits.geometry.to_numpy())
    at, which = tree.query(
        stations.geometry.to_numpy()[free], predicate="dwithin", distance=reach_m
    )
    if not len(at):
        return stations
    words = stations["forbidden_why"].astype(str).to_numpy(dtype=object).copy()
    for k, j in zip(at.tolist(), which.tolist(), strict=True):
        row = limits.iloc[j]
        called = f" {row['name']}" if row["name"] else ""
        said = f"works would reach into the {row['distance_m']:g} m kept from {row['kind']}{called}"
        i = free[k]
        if said not in words[i]:
            words[i] = f"{words[i]}; {said}" if words[i] else said
    out = stations.copy()
    out["forbidden_why"] = words.astype(str)
    out["forbidden_why"] = out["forbidden_why"].astype(stations["forbidden_why"].dtype)
    return out
