"""Stations of drains on ground that cannot carry the work."""

from __future__ import annotations

import geopandas as gpd
import numpy as np

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
