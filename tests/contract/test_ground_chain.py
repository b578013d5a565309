"""The ground in the chain: what is given of it is checked, and every fault is told."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from take_files import CRS, DRAIN, EAST, NORTH, SITE, X, Y, at, layer, text, tiff

from peatwright.ground.season_notes import nests
from peatwright.ground.stations import forbid_beside_limits, forbid_unstable
from peatwright.ground.survey import NO_PROBES, survey
from peatwright.model.errors import Fault, GivenError
from peatwright.model.ground_rules import StabilityRules
from peatwright.model.raster import Grid, Raster
from peatwright.model.rules import Rules
from peatwright.site import rule_sheet
from peatwright.site.given import Given
from peatwright.site.take import inspect, take


@pytest.fixture(scope="module")
def terrain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiff(tmp_path_factory.mktemp("ground") / "dtm.tif")


def probes(folder: Path, rows: list[tuple[float, float, float]], column: str = "depth_m") -> Path:
    words = "\n".join(f"{X + x},{Y + y},{d}" for x, y, d in rows)
    return text(folder / "probes.csv", f"E,N,{column}\n{words}\n")


def told(given: Given, part: str) -> Fault:
    """The one fault whose words hold a part."""
    found = [f for f in inspect(given, Rules()) if part in f.line()]
    assert len(found) == 1, [f.line() for f in inspect(given, Rules())]
    return found[0]


def probed(terrain: Path, folder: Path, rows: list[tuple[float, float, float]]) -> Given:
    return Given((terrain,), (), probes=(probes(folder, rows),), crs=CRS)


# --- probes, as `check` tells them ---------------------------------------------------------------


def test_two_probes_are_told_and_taken(terrain: Path, tmp_path: Path) -> None:
    given = probed(terrain, tmp_path, [(10, 10, 1.0), (60, 40, 3.0)])
    assert told(given, "2 places").severity == "look"
    taken = take(given, Rules())
    made = survey(taken.dtm, taken.probes, Rules(), limits=taken.limits)
    assert "too few to check" in made.report["lines"][0]
    assert np.isfinite(made.rasters["peat_depth"].values).any()


def test_probes_in_one_line_are_told(terrain: Path, tmp_path: Path) -> None:
    rows = [(3.0 * k, 2.0 * k, 1.0 + 0.1 * k) for k in range(25)]
    assert told(probed(terrain, tmp_path, rows), "one line").severity == "look"


def test_different_depths_at_one_place_are_told(terrain: Path, tmp_path: Path) -> None:
    rows = [(10, 10, 1.0), (10.2, 10.1, 2.5), (60, 40, 3.0), (20, 50, 2.0)]
    assert "1.00 to 2.50 m" in told(probed(terrain, tmp_path, rows), "one place").found
    same = [(10, 10, 1.0), (10, 10, 2.5), (60, 40, 3.0), (20, 50, 2.0)]
    assert "2 points" in told(probed(terrain, tmp_path, same), "at one place").found


@pytest.mark.parametrize(
    ("depth", "part"), [(250.0, "centimetres"), (-1.0, "0 or more"), (13.5, "13.5 m deep")]
)
def test_depths_that_cannot_be_metres_stop(
    terrain: Path, tmp_path: Path, depth: float, part: str
) -> None:
    every = depth if depth == 250.0 else 2.0
    rows = [(10, 10, depth), (60, 40, every), (20, 50, every)]
    given = probed(terrain, tmp_path, rows)
    assert told(given, part).severity == "stop"
    with pytest.raises(GivenError):
        take(given, Rules())


def test_without_probes_the_survey_says_so(terrain: Path) -> None:
    taken = take(Given((terrain,)), Rules())
    made = survey(taken.dtm, taken.probes, Rules(), limits=taken.limits)
    assert made.rasters == {}
    assert made.report["lines"] == [NO_PROBES]


# --- condition, bare peat, closed areas ----------------------------------------------------------


def mapped(terrain: Path, folder: Path, shapes: list[shapely.Geometry], **columns: object) -> Given:
    edge = layer(folder / "edge.gpkg", [SITE])
    held = layer(folder / "condition.gpkg", shapes, **columns)
    return Given((terrain,), boundary=(edge,), condition=(held,))


def test_gaps_and_overlaps_of_the_condition_map_are_told(terrain: Path, tmp_path: Path) -> None:
    shapes = [shapely.box(X + 2, Y + 2, X + 50, Y + 58), shapely.box(X + 40, Y + 2, X + 60, Y + 58)]
    given = mapped(terrain, tmp_path, shapes, category=["near-natural", "Modified"])
    # 10 m by 56 m named twice, 18 m by 56 m by nobody, by hand.
    assert "overlap of 560 m²" in told(given, "overlap").found
    assert "gap of 1008 m²" in told(given, "gap").found
    assert take(given, Rules()).ground["given_condition"]["category"].tolist() == [
        "near-natural", "modified",
    ]  # fmt: skip


def test_a_category_outside_the_scheme_stops_and_the_scheme_can_grow(
    terrain: Path, tmp_path: Path
) -> None:
    given = mapped(terrain, tmp_path, [SITE], category=["afforested"])
    assert "condition.scheme" in told(given, "afforested").fix
    sheet = '[condition]\nscheme = "near-natural, drained, afforested, actively eroding"\n'
    rules = rule_sheet.parse(sheet)
    assert take(given, rules).ground["given_condition"]["category"].tolist() == ["afforested"]
    other = mapped(terrain, tmp_path / "..", [SITE], what_grows=["heather"])
    assert told(other, "no column").severity == "stop"


def test_layers_in_another_crs_are_moved_and_lines_are_refused(
    terrain: Path, tmp_path: Path
) -> None:
    moved = gpd.GeoSeries([SITE], crs=CRS).to_crs("EPSG:32630").iloc[0]
    path = layer(tmp_path / "bare.gpkg", [moved], crs="EPSG:32630", name=["b"])
    bare = take(Given((terrain,), bare=(path,)), Rules()).ground["given_bare"]
    assert bare.area.sum() == pytest.approx(SITE.area, rel=2e-3)
    assert bare.crs == CRS
    line = layer(tmp_path / "line.gpkg", [DRAIN])
    assert told(Given((terrain,), bare=(line,)), "line").severity == "stop"


def closed(terrain: Path, folder: Path, **columns: object) -> Given:
    return Given((terrain,), closed=(layer(folder / "closed.gpkg", [SITE], **columns),))


def test_closed_days_may_cross_the_year_and_come_as_dates(terrain: Path, tmp_path: Path) -> None:
    given = closed(terrain, tmp_path, from_day=["11-15"], to_day=["02-10"], name=["swans"])
    (row,) = take(given, Rules()).ground["given_closed"].to_dict("records")
    assert (row["from_day"], row["to_day"], row["severity"]) == ("11-15", "02-10", "stop")
    dated = closed(terrain, tmp_path, start=["2024-03-01"], end=["2024-07-31"], severity=["look"])
    (row,) = take(dated, Rules()).ground["given_closed"].to_dict("records")
    assert (row["from_day"], row["to_day"], row["severity"]) == ("03-01", "07-31", "look")


@pytest.mark.parametrize(
    ("columns", "part"),
    [
        ({"from_day": ["03/04"], "to_day": ["07-31"]}, "'03/04'"),
        ({"from_day": ["02-30"], "to_day": ["07-31"]}, "'02-30'"),
        ({"from_day": ["03-01"], "to_day": [None]}, "''"),
        ({"name": ["swans"]}, "from_day and to_day"),
        ({"from_day": ["03-01"], "to_day": ["07-31"], "severity": ["never"]}, "never"),
    ],
)
def test_closed_days_that_are_none_stop(
    terrain: Path, tmp_path: Path, columns: dict[str, object], part: str
) -> None:
    assert told(closed(terrain, tmp_path, **columns), part).severity == "stop"


# --- rule sheet ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sheet", "part"),
    [
        ("[season]\nbreeding_to_mmdd = 431\n", "month × 100"),
        ('[condition]\ndrained_as = "wet"\n', "near-natural"),
        ('[condition]\nscheme = "drained, drained, actively eroding"\n', "each category once"),
        ("[stability]\nfactor_stop = 1.5\n", "factor_look"),
        ("[stability]\nstrength_low_kpa = 8.0\n", "strength_kpa"),
        ("[carbon]\nbulk_density_high_t_m3 = 0.05\n", "bulk_density_t_m3"),
    ],
)
def test_rules_that_cannot_be_meant_are_refused(sheet: str, part: str) -> None:
    with pytest.raises(rule_sheet.RuleError, match=part):
        rule_sheet.parse(sheet)


# --- stations ------------------------------------------------------------------------------------


def test_stations_on_unstable_ground_or_beside_limits_say_why() -> None:
    grid = Grid(X, NORTH, 1.0, 1.0, 60, 80, CRS)
    factor = np.full((60, 80), 2.0, np.float32)
    factor[:, 40:] = 0.9
    factor[:, 70:] = np.nan
    places = at(*((float(x) + 0.5, 30.5) for x in range(80)))
    stations = gpd.GeoDataFrame({"forbidden_why": [""] * 79 + ["track"]},
                                geometry=[shapely.Point(p) for p in places], crs=CRS)  # fmt: skip
    before = stations.copy()
    got = forbid_unstable(stations, Raster(factor, grid), StabilityRules())
    said = got["forbidden_why"].str.contains("without any machine").to_numpy()
    np.testing.assert_array_equal(said, (np.arange(80) >= 40) & (np.arange(80) < 70))
    pipe = shapely.box(X + 10, Y, X + 12, NORTH)
    limits = gpd.GeoDataFrame({"kind": ["buried service"], "name": ["pipe"], "distance_m": [5.0]},
                              geometry=[pipe], crs=CRS)  # fmt: skip
    near = forbid_beside_limits(got, limits, 3.0)["forbidden_why"].str.contains("5 m kept")
    away = shapely.distance(stations.geometry.to_numpy(), pipe)
    np.testing.assert_array_equal(near.to_numpy(), away <= 3.0)
    assert stations.equals(before)
    assert EAST > X


def test_nests_are_found_again_from_the_distance_kept() -> None:
    place = shapely.Point(X + 30, Y + 30)
    limits = gpd.GeoDataFrame(
        {"kind": ["nest", "track"], "distance_m": [250.0, 4.0]},
        geometry=[place.buffer(250.0), place.buffer(4.0)], crs=CRS,
    )  # fmt: skip
    (nest,) = nests(limits)
    assert nest.distance(place) == 0.0
    assert nest.area < 4.0
