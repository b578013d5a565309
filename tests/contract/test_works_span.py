"""How far dams reach: over the sag, or as far as the pool needs, and what is said where neither."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from benchmarks.drain_tables import Drain, tables

from peatwright.model.rules import Rules
from peatwright.works.lay import lay

RULES = Rules()
LEVEL = 400.0


def dams_of(**set_: object) -> pd.DataFrame:
    """Lay dams on a level drain 0.7 m deep and 1.2 m wide: bed 400, shoulders 400.7."""
    sag = set_.pop("sag", 1.0)
    drain = Drain(gradient=0.0, sag=sag, sag_depth=0.1, head_level=LEVEL, set_=set_)
    return lay(*tables([drain]), RULES).items.query("kind == 'dam'")


def ends(dams: pd.DataFrame) -> tuple[float, float]:
    """Return how far a dam reaches left (north) and right (south) of the bed, m."""
    bounds = dams.geometry.bounds.iloc[1]
    return bounds["maxy"], -bounds["miny"]


def test_a_sag_within_five_buckets_is_spanned_whole() -> None:
    """Sag of 1.6 m each side: 4.4 m with the drain and 0.6 m of key is 5.0 m, 5 buckets."""
    dams = dams_of(sag=1.6)
    assert set(dams["buckets"]) == {5.0}
    assert min(ends(dams)) >= 0.6 + 1.6 + RULES.dam.key_m - 1e-9


def test_a_wide_dish_that_holds_its_pool_keeps_to_five_buckets() -> None:
    """The left side is as high as the pool at its very shoulder: no need to span its dish."""
    dams = dams_of(sag_left_width_m=6.0, left_level_m=LEVEL + 0.8, left_edge_level_m=LEVEL + 0.9)
    assert set(dams["buckets"]) == {5.0}
    left, right = ends(dams)
    # The right side needs its whole sag: the pool stands at its edge.
    assert right >= 0.6 + 1.0 - 1e-9
    assert left + right == pytest.approx(6.0)
    assert dams["note"].str.contains("The sag reaches").all()
    assert not dams["note"].str.contains("pass round").any()


def test_a_dam_goes_on_to_where_ground_is_as_high_as_its_pool() -> None:
    """The left edge lies 0.1 m under the pool and the ground rises 0.3 m in 6 m from there.

    Ground counts as high as the pool from 0.03 m under it: 0.07 / 0.05 = 1.4 m more than the sag.
    0.6 + 1.0 + 1.4 left, 0.6 + 1.0 right, 0.6 of key: 5.2 m, 5 buckets.
    """
    dams = dams_of(left_edge_level_m=LEVEL + 0.7)
    assert set(dams["buckets"]) == {5.0}
    left, right = ends(dams)
    assert left >= 3.0 + RULES.dam.key_m - 1e-9
    assert right >= 1.6 + RULES.dam.key_m - 1e-9
    assert not dams["note"].str.contains("pass round").any()


def test_what_no_dam_can_hold_is_said() -> None:
    """The left edge lies 0.1 m under the pool and the ground there does not rise."""
    dams = dams_of(left_edge_level_m=LEVEL + 0.7, left_fall_m=0.0)
    assert set(dams["buckets"]) == {float(RULES.dam.buckets_most)}
    assert dams["note"].str.contains("Water may pass round its left end").all()
    left, right = ends(dams)
    assert left > right


def test_a_shoulder_drawn_outwards_does_not_widen_the_dam_twice() -> None:
    """The fit began at the nearer shoulder: a far one lies within the sag, not before it."""
    dams = dams_of(left_offset_m=1.4)
    # Sag ends at 0.6 + 1.0 on both sides, beyond the far shoulder: 3.2 m and key, 4 buckets.
    assert set(dams["buckets"]) == {4.0}


def test_unknown_sags_and_levels_never_break_a_dam() -> None:
    for name in ("sag_left_width_m", "left_edge_level_m", "left_fall_m", "left_level_m"):
        dams = dams_of(**{name: np.nan})
        assert (dams["buckets"] >= RULES.dam.buckets_min).all()
        assert np.isfinite(dams.geometry.length).all()
        np.testing.assert_allclose(dams.geometry.length, dams["width_m"])
