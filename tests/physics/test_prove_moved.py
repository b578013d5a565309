"""A layout is checked where it stands now: moved items, outlets, patches, notes, no probes."""

from __future__ import annotations

import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from peatwright.ground import findings, season, season_notes, slopes, stability
from peatwright.ground.prove import Here, Proved, again, prove
from peatwright.model.columns import empty
from peatwright.model.ground_layers import UNSTABLE
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import Rules

CRS = "EPSG:27700"
GRID = Grid(0.0, 400.0, 2.0, 2.0, 200, 200, CRS)
RULES = Rules()
STEEP_RATIO = 0.30


def raster(values: np.ndarray) -> Raster:
    return Raster(np.ascontiguousarray(values, np.float32), GRID)


def ground() -> Raster:
    """Falls 1 in 100 west of x = 200 and 30 in 100 east of it."""
    x = 1.0 + 2.0 * np.arange(200)
    level = 300.0 - 0.01 * x - (STEEP_RATIO - 0.01) * np.maximum(x - 200.0, 0.0)
    return raster(np.tile(level, (200, 1)))


def here(**changed: object) -> Here:
    pipe = shapely.box(40, 0, 50, 400)
    limits = gpd.GeoDataFrame(
        {"given_id": ["n:1"], "name": ["old pipe"], "kind": ["buried service"],
         "distance_m": [5.0], "why": ["keep away"]}, geometry=[pipe], crs=CRS,
    )  # fmt: skip
    state = np.zeros((200, 200))
    state[150:] = 2.0
    held = {
        "limits": limits,
        "periods": season.default_periods(RULES.season),
        "slopes": slopes.slopes(ground(), RULES.stability.slope_over_m),
        "depth": raster(np.full((200, 200), 2.0)),
        "error": raster(np.full((200, 200), 0.2)),
        "state": raster(state),
    }
    return Here(**{**held, **changed})


def items(places: list[tuple[float, float]]) -> gpd.GeoDataFrame:
    at = np.array(places)
    return gpd.GeoDataFrame(
        {
            "item_id": [f"D001-{k + 1:03d}" for k in range(len(at))], "drain_id": "D001",
            "x_m": at[:, 0], "y_m": at[:, 1], "crest_above_ground_m": 0.1,
            "outlet_x_m": at[:, 0] + 4.0, "outlet_y_m": at[:, 1],
        },
        geometry=[shapely.LineString([(x, y - 2), (x, y + 2)]) for x, y in places], crs=CRS,
    )  # fmt: skip


DRAINS = gpd.GeoDataFrame(
    {"drain_id": ["D001"], "name": ["long"], "note": [""]},
    geometry=[shapely.LineString([(10, 300), (190, 300)])], crs=CRS,
)  # fmt: skip
NONE = empty(UNSTABLE, CRS)
SAFE = (150.0, 300.0)


def proved(layout: gpd.GeoDataFrame, where: Here) -> Proved:
    return prove(layout, DRAINS, where, RULES, unstable=NONE)


def said(was: Proved) -> set[tuple[str, str, str]]:
    return {(f.severity, f.topic, f.where.words) for f in was.items}


@pytest.mark.parametrize(
    ("place", "expected"),
    [
        ((45.0, 300.0), ("stop", "limits", "item D001-002 on drain D001")),
        # Its crest stands clear of the pipe; its outlet, 4 m east, does not.
        ((38.0, 300.0), ("stop", "limits", "item D001-002 on drain D001")),
        ((300.0, 300.0), ("stop", "stability", "item D001-002 on drain D001")),
        ((150.0, 50.0), ("look", "peat depth", "drain D001, item 002")),
        ((900.0, 300.0), ("look", "peat depth", "drain D001, item 002")),
    ],
)
def test_an_item_moved_by_hand_is_checked_where_it_is_now(
    place: tuple[float, float], expected: tuple[str, str, str]
) -> None:
    """2 m of peat of 5 kPa on 30 in 100 slides under its own weight and 0.3 m of water.

    By hand: 5 / ((20 + 2.9) × 0.2752) = 0.79, the equation being that of the infinite slope.
    """
    where = here()
    still = items([SAFE, SAFE])
    was = proved(still, where)
    assert said(was) == set()
    moved = items([SAFE, place])
    now = again(was, moved, ["D001"], where, RULES, unstable=NONE)
    assert expected in said(now)
    assert set(now.items) == set(proved(moved, where).items)
    back = again(now, still, ["D001"], where, RULES, unstable=NONE)
    assert set(back.items) == set(was.items)


def test_looks_of_one_kind_along_a_drain_are_one_and_keep_their_id() -> None:
    where = here()
    one = findings.build(proved(items([SAFE, (150.0, 50.0)]), where).items, CRS)
    three = items([SAFE, (150.0, 50.0), (152.0, 50.0), (154.0, 50.0)])
    many = findings.build(proved(three, where).items, CRS)
    assert len(one) == len(many) == 1
    assert one["finding_id"].tolist() == many["finding_id"].tolist()
    assert one["facts"].tolist() != many["facts"].tolist()
    assert many["place"].tolist() == ["drain D001, items 002 to 004"]


def test_without_peat_depth_the_site_is_stopped_not_passed() -> None:
    bare = here(depth=None, error=None, state=None)
    found = proved(items([SAFE]), bare)
    (stop,) = [f for f in found.site if f.severity == "stop"]
    assert "not known" in stop.what
    assert not [f for f in found.all() if f.topic == "stability"]


def test_a_patch_counts_by_the_works_near_it() -> None:
    patch = gpd.GeoDataFrame(
        {"severity": ["stop"], "area_m2": [400.0], "x_m": [300.0], "y_m": [300.0],
         "what": ["low"], "rule": ["stability.factor_stop = 1"], "source": ["equilibrium"]},
        geometry=[shapely.box(290, 290, 310, 310)], crs=CRS,
    )  # fmt: skip
    where = here()
    far = prove(items([SAFE]), DRAINS, where, RULES, unstable=patch)
    near = again(far, items([(272.0, 300.0)]), ["D001"], where, RULES, unstable=patch)
    assert [f.severity for f in far.patches] == ["look"]
    assert [f.severity for f in near.patches] == ["stop"]
    assert "no item within" in far.patches[0].what


def test_drains_with_notes_and_closed_areas_ask_for_a_person() -> None:
    drains = DRAINS.assign(note="the bed rises")
    area = season.Period("swans", (11, 15), (2, 10), "stop", "given", shapely.box(100, 0, 200, 400))
    where = here(periods=(*season.default_periods(RULES.season), area))
    found = prove(items([SAFE]), drains, where, RULES, unstable=NONE)
    topics = {(f.severity, f.topic) for f in found.all()}
    assert ("look", "drain") in topics
    assert ("look", "season") in topics
    windows = season_notes.all_windows(where.periods, dt.date(2026, 1, 1), RULES.season)
    inside = windows[windows["place"] == "inside swans"]
    # Closed 15 November to 10 February across the new year, and 1 April to 31 July, by the rules.
    assert inside[["from_date", "to_date"]].to_numpy().tolist() == [
        ["2026-02-11", "2026-03-31"], ["2026-08-01", "2026-11-14"],
    ]  # fmt: skip
    assert isinstance(windows, pd.DataFrame)


def test_blocks_that_meet_at_a_corner_are_one_patch_with_one_outline() -> None:
    where = here()
    held = where.slopes
    assert held is not None
    picked = np.full((8, *held.slope_ratio.shape), 5.0, np.float32)
    side_m = held.by * 2.0
    blocks = [(4 + k, 6 + k) for k in range(40)] + [(4 + k, 5 + k) for k in range(9)]
    for i, j in blocks:
        picked[:, i, j] = 0.5
    assert where.depth is not None
    (patch,) = stability.area_patches(picked, held, where.depth, RULES.stability)
    assert patch.found.severity == "stop"
    assert patch.shape is not None
    assert patch.shape.geom_type == "Polygon"
    assert patch.area_m2 == pytest.approx(len(blocks) * side_m**2)
    for i, j in blocks:
        assert patch.shape.contains(shapely.Point((j + 0.5) * side_m, 400.0 - (i + 0.5) * side_m))
    assert patch.shape.area < 1.5 * patch.area_m2
