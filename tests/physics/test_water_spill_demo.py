"""Spill paths of the small invented site."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from peatwright.model.columns import checked
from peatwright.model.spill_rules import SpillRules
from peatwright.model.water_layers import SPILL_PATHS, SPILLS
from peatwright.site.store import Store
from peatwright.water.prove_water import Spill, change_drain, prove_water
from peatwright.water.spill.route import route
from peatwright.water.spill.works import cut


@pytest.fixture(scope="module")
def site(run_demo: Path) -> tuple[Spill, dict]:
    store = Store(run_demo)
    tables = store.tables()
    got = prove_water(store.raster("dtm"), tables, spill_rules=SpillRules(moved_runs=1))
    return got, tables


def test_water_balances_and_leaves_most_drains_sideways(site: tuple[Spill, dict]) -> None:
    got, tables = site
    s = got.summary
    assert s.before_error_ratio < 1e-12
    assert s.after_error_ratio < 1e-12
    assert len(checked(got.dams, SPILLS)) == (tables["items"]["kind"] == "dam").sum()
    checked(got.paths, SPILL_PATHS)
    soft = got.dams[got.dams.method == "wave dam"]
    assert (soft.place == "outlet").mean() > 0.8
    # Dams are there to take the water out of the drains.
    assert s.carrying_open_after_m + s.carrying_closed_after_m < 0.6 * s.carrying_before_m
    assert (got.dams.upslope_low_m2 <= got.dams.upslope_m2).all()
    assert (got.dams.upslope_m2 <= got.dams.upslope_high_m2).all()


def test_upslope_areas_are_those_that_the_drains_were_measured_with(
    site: tuple[Spill, dict],
) -> None:
    got, tables = site
    stations = tables["stations"]
    held = {
        (r.drain_id, round(r.chainage_m)): r.upslope_area_m2 for r in stations.itertuples()
    }  # fmt: skip
    want = np.array(
        [held[(d, round(c))] for d, c in zip(got.dams.drain_id, got.dams.chainage_m, strict=True)]
    )
    close = np.isclose(got.dams.upslope_m2, want, rtol=0.02, atol=50.0)
    assert close.mean() > 0.9


def test_change_to_a_drain_is_that_of_the_whole(site: tuple[Spill, dict]) -> None:
    got, tables = site
    items = tables["items"]
    most = items[items.kind == "dam"].drain_id.value_counts().index
    for name in most[[0, len(most) // 2, -1]]:
        again, works = change_drain(got, str(name), items.iloc[:0])
        whole = route(cut(got.before.ground, works))
        np.testing.assert_array_equal(again.routed.levels, whole.levels)
        np.testing.assert_array_equal(again.routed.codes, whole.codes)
        np.testing.assert_allclose(again.routed.upslope_m2, whole.upslope_m2, rtol=1e-12)
        back, _ = change_drain(got, str(name), items)
        np.testing.assert_array_equal(back.routed.codes, got.after.codes)
