"""How near measuring comes to the truth of the invented site. Figures: `-s` prints them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from scipy.spatial import cKDTree

from peatwright.demo import write_demo
from peatwright.drains.measure import Measured, measure
from peatwright.ground.depth import depth_surface
from peatwright.ground.probes import check_probes
from peatwright.model.ground_rules import DepthRules
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import MeasureRules


@dataclass(frozen=True)
class Compared:
    """Measured stations on open drain, and the true station nearest to each."""

    done: Measured
    got: pd.DataFrame
    true: pd.DataFrame
    right_way: float
    states: pd.DataFrame


def points(path: Path, column: str, name: str, crs: str) -> gpd.GeoDataFrame:
    table = pd.read_csv(path)
    return gpd.GeoDataFrame(
        {"given_id": table.iloc[:, 0].astype(str), name: table[column].astype(float)},
        geometry=gpd.points_from_xy(table["Easting"], table["Northing"]),
        crs=crs,
    )


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory) -> Compared:
    return compare(tmp_path_factory.mktemp("bog"), seed=7, scale=0.5)


@pytest.fixture(scope="module")
def other(tmp_path_factory: pytest.TempPathFactory) -> Compared:
    """Another ground at another scale."""
    return compare(tmp_path_factory.mktemp("other"), seed=11, scale=0.4)


def compare(folder: Path, seed: int, scale: float) -> Compared:
    site = write_demo(folder, seed=seed, scale=scale)
    with rasterio.open(site.dtm) as data:
        values = data.read(1, masked=True).astype(np.float32).filled(np.nan)
        at = data.transform
        dtm = Raster(values, Grid(at.c, at.f, at.a, -at.e, *values.shape, site.crs))
    lines = gpd.read_file(site.drains).explode(ignore_index=True)
    lines = gpd.GeoDataFrame(
        {"given_id": [f"drains {i + 1}" for i in range(len(lines))], "name": "", "kind": ""},
        geometry=lines.geometry.to_numpy(),
        crs=site.crs,
    )
    probes = points(site.probes, "Peat_depth_m", "peat_depth_m", site.crs)
    at = shapely.get_coordinates(probes.geometry.to_numpy())
    held = check_probes(at[:, 0], at[:, 1], probes["peat_depth_m"], DepthRules())
    surface = depth_surface(held, dtm.grid, DepthRules(), levels=dtm)
    done = measure(
        dtm,
        lines,
        MeasureRules(),
        peat=(surface.depth, surface.error),
        probes=probes,
        hand_depths=points(site.depths, "Depth_m", "hand_depth_m", site.crs),
        upslope=False,
    )
    truth = gpd.read_file(site.truth, layer="stations")
    xy = shapely.get_coordinates(truth.geometry.to_numpy())
    way = np.zeros_like(xy)
    for rows in truth.groupby("drain").indices.values():
        way[rows] = np.gradient(xy[rows], axis=0)
    s = done.stations
    gap, near = cKDTree(xy).query(shapely.get_coordinates(s.geometry.to_numpy()))
    turn = np.radians(s.bearing_deg.to_numpy())
    ahead = np.stack([np.sin(turn), np.cos(turn)], axis=1)
    same = (ahead * way[near]).sum(axis=1) > 0.0
    of_drain = (gap < 1.5) & (truth.kind.to_numpy()[near] == "drain")
    state = truth.state.to_numpy()[near]
    use = of_drain & same & (state == "open") & s.measured.to_numpy()
    return Compared(
        done,
        s[use].reset_index(drop=True),
        truth.iloc[near[use]].reset_index(drop=True),
        float(same[of_drain].mean()),
        pd.crosstab(state[of_drain], s.measured[of_drain].to_numpy()),
    )


def check(what: str, miss: pd.Series, middle: float, spread: float) -> None:
    """Print the median error and the 5 to 95 % range, and hold both to what is stated."""
    known = miss.dropna().to_numpy()
    low, mid, high = np.quantile(known, [0.05, 0.5, 0.95])
    print(f"{what:34s} median {mid:+.3f}  90 % within {low:+.3f} to {high:+.3f}  n {len(known)}")
    assert abs(mid) <= middle, what
    assert high - low <= spread, what


def test_nearly_all_open_drain_is_measured_and_runs_the_right_way(compared: Compared) -> None:
    print(compared.states, f"right way {compared.right_way:.4f}")
    assert compared.right_way > 0.99
    opened = compared.states.loc["open"]
    assert opened[True] / opened.sum() > 0.95


def test_bed_depth_and_widths(compared: Compared) -> None:
    got, true = compared.got, compared.true
    low = true[["shoulder_left_m", "shoulder_right_m"]].min(axis=1)
    check("airborne bed level, m", got.airborne_bed_level_m - true.bed_dtm_m, 0.06, 0.25)
    # Old spoil hides the shoulder, which is then put some 0.1 m too high, and the bed with it.
    check("bed level by hand depths, m", got.bed_level_m - true.bed_dug_m, 0.10, 0.30)
    check("airborne depth, m", got.airborne_depth_m - (low - true.bed_dtm_m), 0.06, 0.45)
    check("depth by hand depths, m", got.depth_m - (low - true.bed_dug_m), 0.08, 0.50)
    check("top width, m", got.top_width_m - true.top_width_m, 0.25, 2.0)
    check("bottom width, m", got.bottom_width_m - true.bottom_width_dtm_m, 0.15, 0.6)


def test_the_stated_error_of_the_bed_holds(compared: Compared) -> None:
    """Two in three beds lie within one standard error, nineteen in twenty within two."""
    share = (compared.got.bed_level_m - compared.true.bed_dug_m).abs() / compared.got.bed_error_m
    print(f"within 1 error {np.mean(share < 1):.3f}, within 2 {np.mean(share < 2):.3f}")
    assert np.mean(share < 1.0) > 0.68
    assert np.mean(share < 2.0) > 0.95


def test_ground(compared: Compared) -> None:
    check("ground level, m", compared.got.ground_level_m - compared.true.ground_m, 0.05, 0.5)


def sag_compared(compared: Compared) -> pd.DataFrame:
    """Both sides of every station: sag as measured, and as made, out to the edge that is meant.

    The demo's ground is sunk by depth · (1 - u²)², u from the shoulder (0) to full width (1), so it
    is sunk by the least that counts at u = √(1 - √(least / depth)).
    """
    got, true, rules = compared.got, compared.true, MeasureRules()
    sides = []
    for side in ("left", "right"):
        deep, full = true[f"sag_depth_{side}_m"], true[f"sag_width_{side}_m"]
        least = np.maximum(rules.sag_depth_m, rules.sag_edge_ratio * deep)
        u = np.sqrt(1.0 - np.sqrt(np.minimum(least / deep, 1.0)))
        stretch = got.drain_id + side + (got.chainage_m // 20.0).astype(int).astype(str)
        spoil = (true.spoil_side == side) & (true.spoil_height_m > 0.1)
        sides.append(
            pd.DataFrame(
                {
                    "stretch": stretch, "spoil": spoil, "full_m": full,
                    "width_m": got[f"sag_{side}_width_m"], "true_width_m": full * u,
                    "depth_m": got[f"sag_{side}_depth_m"], "true_depth_m": deep,
                }
            )
        )  # fmt: skip
    return pd.concat(sides)


@pytest.mark.parametrize("which", ["compared", "other"])
def test_sag(which: str, request: pytest.FixtureRequest) -> None:
    both = sag_compared(request.getfixturevalue(which))
    assert both.width_m.notna().mean() > 0.99
    width, depth = both.width_m - both.true_width_m, both.depth_m - both.true_depth_m
    share = both.width_m.sum() / both.full_m.sum()
    print(f"{which}: {share:.2f} of the full width, by its definition "
          f"{both.true_width_m.sum() / both.full_m.sum():.2f}")  # fmt: skip
    for what, miss, least in (("width", width, 1.0), ("depth", depth, 0.12)):
        clear = miss[~both.spoil].abs() < least
        print(f"sag {what} within {least} m: {(miss.abs() < least).mean():.3f}, "
              f"without spoil {clear.mean():.3f}")  # fmt: skip
        assert clear.mean() > 0.9
    check("sag width, m", width, 0.2, 1.5)
    # Old spoil hides the sag under it, and widens the spread beyond that of clear sides.
    check("sag depth, m", depth, 0.05, 0.32)
    held = both.drop(columns="spoil").groupby("stretch")
    mean = held.mean()[held.size() >= 8]
    alike = mean.corr().loc["width_m", "true_width_m"]
    print(f"sag width, correlation over 20 m: {alike:.2f}; with full width "
          f"{mean.corr().loc['width_m', 'full_m']:.2f}; depth "
          f"{mean.corr().loc['depth_m', 'true_depth_m']:.2f}; stretches {len(mean)}")  # fmt: skip
    assert alike > 0.6


def test_spoil_lies_on_its_side(compared: Compared) -> None:
    """High spoil is found; what is found lies on the side where it is."""
    got, true = compared.got, compared.true
    high = true.spoil_height_m > 0.25
    for side in ("left", "right"):
        here = high & (true.spoil_side == side)
        found = got.spoil_side.isin([side, "both"])
        print(f"spoil {side}: found {found[here].mean():.3f} of {here.sum()}")
        assert found[here].mean() > 0.6
        other = {"left": "right", "right": "left"}[side]
        assert (got.spoil_side[here & found] == other).sum() == 0
        check(
            f"spoil height {side}, m",
            (got[f"spoil_{side}_height_m"] - true.spoil_height_m)[here & found],
            0.15,
            0.4,
        )


def test_peat_depth_and_its_error(compared: Compared) -> None:
    miss = compared.got.peat_depth_m - compared.true.peat_depth_m
    check("peat depth, m", miss, 0.2, 2.2)
    assert ((miss.abs() / compared.got.peat_error_m) < 2.0).mean() > 0.9


def test_hand_depths_find_what_water_and_heather_hide(compared: Compared) -> None:
    """The correction is the true fill of the drains within three of its own errors and the bias."""
    r = compared.done.report
    hidden = float((compared.true.bed_dtm_m - compared.true.bed_dug_m).median())
    print(f"correction {r.hand_correction_m:.3f} ± {r.hand_error_m:.3f} m, hidden {hidden:.3f} m")
    assert r.hand_correction_m == pytest.approx(hidden, abs=3.0 * r.hand_error_m + 0.06)
