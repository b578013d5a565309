"""The invented ground obeys what water and spades obey, and its truth is what was cut."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio

from peatwright.demo import DemoSite, write_demo

SCALE = 0.3


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> DemoSite:
    return write_demo(tmp_path_factory.mktemp("demo"), seed=7, scale=SCALE)


@pytest.fixture(scope="module")
def stations(site: DemoSite) -> pd.DataFrame:
    return pd.DataFrame(gpd.read_file(site.truth, layer="stations").drop(columns="geometry"))


@pytest.fixture(scope="module")
def lines(site: DemoSite) -> gpd.GeoDataFrame:
    return gpd.read_file(site.truth, layer="centrelines")


def levels(path: Path) -> tuple[np.ndarray, rasterio.Affine]:
    with rasterio.open(path) as src:
        return src.read(1, masked=True).filled(np.nan), src.transform


def test_the_same_seed_gives_the_same_levels_and_another_seed_others(
    site: DemoSite, tmp_path: Path
) -> None:
    again = write_demo(tmp_path / "again", seed=7, scale=SCALE)
    other = write_demo(tmp_path / "other", seed=8, scale=SCALE)
    assert levels(site.dtm)[0].tobytes() == levels(again.dtm)[0].tobytes()
    for name in ("probes", "depths"):
        assert getattr(site, name).read_bytes() == getattr(again, name).read_bytes()
    assert gpd.read_file(site.drains).equals(gpd.read_file(again.drains))
    assert levels(site.dtm)[0].tobytes() != levels(other.dtm)[0].tobytes()


@pytest.mark.parametrize("seed", [7, 11])
def test_every_bed_falls_from_head_to_outfall(seed: int, tmp_path: Path) -> None:
    made = write_demo(tmp_path, seed=seed, scale=SCALE)
    truth = gpd.read_file(made.truth, layer="stations")
    for name, rows in truth.groupby("drain"):
        assert (np.diff(rows["chainage_m"]) > 0.5).all(), name
        assert (np.diff(rows["bed_dug_m"]) < 0.0).all(), name


def test_the_bed_that_shows_falls_too_and_lies_above_the_dug_bed(stations: pd.DataFrame) -> None:
    drains = stations[(stations["kind"] == "drain") & (stations["state"] != "culvert")]
    clear = drains[drains["state"] != "overgrown"]
    fill = clear["bed_dtm_m"] - clear["bed_dug_m"]
    assert fill.min() > 0.0
    # Stated: 0.05 to 0.25 m of water and heather, less where a drain is very shallow.
    assert fill.max() <= 0.2501
    assert 0.08 < fill.median() < 0.22
    for name, rows in drains.groupby("drain"):
        if (rows["state"] == "overgrown").any():
            continue
        assert (np.diff(rows["bed_dtm_m"]) < 1e-9).all(), name


def test_a_lateral_meets_its_collector_bed_to_bed(
    stations: pd.DataFrame, lines: gpd.GeoDataFrame
) -> None:
    met = 0
    for row in lines[lines["runs_into"] != ""].itertuples():
        end = stations[stations["drain"] == row.name].iloc[-1]
        into = stations[stations["drain"] == row.runs_into]
        away = np.hypot(into["x_m"] - end["x_m"], into["y_m"] - end["y_m"])
        there = into.loc[away.idxmin()]
        assert away.min() < 1.0, row.name
        step = end["bed_dug_m"] - there["bed_dug_m"]
        # Falls into a burn or gully keep 3 cm above the bed they meet.
        assert -1e-6 <= step <= 0.031, row.name
        met += 1
    assert met > 20


def test_the_terrain_holds_the_true_bed_within_its_noise(
    site: DemoSite, stations: pd.DataFrame
) -> None:
    """Cells that lie wholly on an open bed differ from the true bed by the stated noise alone."""
    z, transform = levels(site.dtm)
    open_bed = stations[
        (stations["state"] == "open") & stations["kind"].isin(["drain", "gully", "burn"])
    ]
    errors = []
    for _, rows in open_bed.groupby("drain"):
        xy = rows[["x_m", "y_m"]].to_numpy()
        if len(xy) < 12:
            continue
        along = np.gradient(xy, axis=0)
        along /= np.hypot(along[:, 0], along[:, 1])[:, None]
        col, row = (xy[:, 0] - transform.c) / transform.a, (xy[:, 1] - transform.f) / transform.e
        r, c = np.floor(row).astype(int), np.floor(col).astype(int)
        ok = (r >= 0) & (r < z.shape[0]) & (c >= 0) & (c < z.shape[1])
        r, c = np.clip(r, 0, z.shape[0] - 1), np.clip(c, 0, z.shape[1] - 1)
        cx = transform.c + (c + 0.5) * transform.a
        cy = transform.f + (r + 0.5) * transform.e
        dx, dy = cx - xy[:, 0], cy - xy[:, 1]
        off = np.abs(along[:, 0] * dy - along[:, 1] * dx)
        fit = off + 0.5 * np.hypot(0.25, 0.25) < 0.5 * rows["bottom_width_dtm_m"].to_numpy()
        # The cell's centre may lie up to half a cell along the drain from the station.
        ahead = along[:, 0] * dx + along[:, 1] * dy
        bed = np.interp(
            rows["chainage_m"] + ahead, rows["chainage_m"], rows["bed_dtm_m"].to_numpy()
        )
        keep = ok & fit
        errors.append((z[r, c] - bed)[keep])
    error = np.concatenate(errors)
    error = error[~np.isnan(error)]
    assert len(error) > 150
    assert abs(np.mean(error)) < 0.01
    assert np.std(error) < 1.5 * site.noise_m
    assert np.quantile(np.abs(error), 0.99) < 4.0 * site.noise_m


def test_open_ground_is_rough_but_holds_no_spikes(site: DemoSite) -> None:
    z, _ = levels(site.dtm)
    step = np.diff(z[300:420, 20:120], axis=1)
    # Half-metre steps on a slope of at most 10 degrees with hummocks of some centimetres.
    assert 0.005 < np.nanstd(step) < 0.12
    assert np.nanmax(np.abs(step)) < 0.9


def test_drains_are_as_large_as_drains_are(stations: pd.DataFrame) -> None:
    """Old drains run to about 0.8 m by 0.8 m (a published wave-dam trial's drains).

    The range in use here, 0.5 to 1.0 m deep and 0.6 to 1.6 m wide, is common practice.
    """
    clear = stations[(stations["kind"] == "drain") & (stations["state"] == "open")]
    assert 0.6 < clear["depth_dug_m"].median() < 0.95
    assert clear["top_width_m"].between(0.6, 1.6).all()
    assert clear["sag_width_left_m"].between(0.5, 3.0).all()
    assert clear[["sag_depth_left_m", "sag_depth_right_m"]].max().max() <= 0.4
    banks = clear[clear["spoil_side"] != "none"]
    assert 0.4 < len(banks) / len(clear) < 0.95
    assert banks["spoil_height_m"].max() <= 0.5
    gully = stations[stations["kind"] == "gully"]
    assert gully["top_width_m"].between(3.0, 8.0).all()
    assert gully["top_width_m"].median() > 2.0 * clear["top_width_m"].median()


def test_peat_is_deep_on_flats_thin_on_steep_ground_and_some_beds_reach_mineral(
    stations: pd.DataFrame, lines: gpd.GeoDataFrame
) -> None:
    drains = stations[stations["kind"] == "drain"]
    assert drains["peat_depth_m"].between(0.2, 4.0).all()
    system = lines.set_index("name")["system"]
    depth = drains["peat_depth_m"].groupby(drains["drain"].map(system)).median()
    assert depth["herringbone"] > 1.5 * depth["contour"]
    cut_through = (drains["peat_below_bed_m"] <= 0.0).mean()
    assert 0.05 < cut_through < 0.6


def test_spoil_lies_on_the_lower_side(stations: pd.DataFrame) -> None:
    """On sloping ground the bank is on the side that lay lower before it sank: common practice."""
    lean = stations["shoulder_left_m"] + stations["sag_depth_left_m"]
    lean -= stations["shoulder_right_m"] + stations["sag_depth_right_m"]
    sloping = stations[(stations["spoil_side"] != "none") & (lean.abs() > 0.1)]
    low = np.where(lean.loc[sloping.index] < 0.0, "left", "right")
    assert len(sloping) > 50
    assert (sloping["spoil_side"] == low).mean() > 0.85


@pytest.mark.parametrize(
    ("kind", "least_m"), [("drain", 1200.0), ("gully", 200.0), ("burn", 150.0), ("ditch", 80.0)]
)
def test_each_feature_is_there(lines: gpd.GeoDataFrame, kind: str, least_m: float) -> None:
    assert lines.loc[lines["kind"] == kind, "length_m"].sum() > least_m


def test_the_features_that_try_a_method_are_there(
    stations: pd.DataFrame, lines: gpd.GeoDataFrame
) -> None:
    assert {"contour", "herringbone"} <= set(lines["system"])
    laterals = lines[lines["runs_into"].isin(["A main", "B main"])]
    assert len(laterals) >= 5
    assert {"open", "junction", "culvert"} <= set(
        stations.loc[stations["kind"] == "drain", "state"]
    )
    assert (~lines.loc[lines["kind"] == "drain", "given"]).any()


def test_full_size_site_has_the_length_of_a_real_job(tmp_path: Path) -> None:
    made = write_demo(tmp_path)
    truth = gpd.read_file(made.truth, layer="centrelines")
    drains = truth[truth["kind"] == "drain"]
    assert 12_000.0 < drains["length_m"].sum() < 18_000.0
    z, _ = levels(made.dtm)
    assert z.shape == (2000, 2400)
    assert 0.0 < np.isnan(z).mean() < 0.05
    # Slopes of 1 to 10 degrees over tens of metres, as blanket bog lies.
    broad = z[::80, ::80]
    gy, gx = np.gradient(broad, 40.0)
    slope = np.degrees(np.arctan(np.hypot(gx, gy)))
    assert np.nanquantile(slope, 0.05) < 2.0
    assert 6.0 < np.nanquantile(slope, 0.95) < 12.0
    truth_stations = gpd.read_file(made.truth, layer="stations")
    states = set(truth_stations.loc[truth_stations["kind"] == "drain", "state"])
    assert states == {"open", "overgrown", "culvert", "junction"}
