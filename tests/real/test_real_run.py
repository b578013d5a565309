"""The whole run on a real LiDAR tile (LiDAR © Kartverket, hoydedata.no, CC BY 4.0)."""

import subprocess
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest

Call = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture(scope="module")
def basin(
    tmp_path_factory: pytest.TempPathFactory, peatwright: Call, real_ground: Callable[[str], Path]
) -> Path:
    tile = real_ground("drained_basin")
    folder = tmp_path_factory.mktemp("real")
    lines = gpd.read_file(tile / "lines_a.geojson")
    lines[lines["kind"] == "ditch"].to_file(folder / "ditches.geojson")
    made = peatwright(
        "new", folder / "basin", "--dtm", tile / "dtm.tif", "--drains", folder / "ditches.geojson",
        "--attribution", "LiDAR © Kartverket (hoydedata.no), CC BY 4.0",
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    done = peatwright("run", folder / "basin")
    assert done.returncode == 0, done.stderr
    return folder / "basin"


def test_all_read_ditches_are_measured_and_laid(basin: Path) -> None:
    given = gpd.read_file(basin / "given/ditches.geojson")
    drains = pyogrio.read_dataframe(basin / "made/site.gpkg", layer="drains")
    assert drains["length_m"].sum() == pytest.approx(given.length.sum(), rel=0.05)
    reaches = pyogrio.read_dataframe(basin / "made/site.gpkg", layer="reaches")
    assert reaches["length_m"].sum() == pytest.approx(drains["length_m"].sum(), rel=0.001)


def test_depths_are_those_of_the_ground_note(basin: Path) -> None:
    """The tile's note: drains mostly 0.3 to 0.6 m deep. Unsure stations may lie outside."""
    stations = pyogrio.read_dataframe(basin / "made/site.gpkg", layer="stations")
    clear = stations[stations["fit_quality_ratio"] > 0.6]
    assert 0.25 < clear["depth_m"].median() < 0.6
    assert (stations["depth_m"].isna() == ~stations["measured"]).all()


def test_unknown_peat_is_said_at_every_dam(basin: Path) -> None:
    items = pyogrio.read_dataframe(basin / "made/site.gpkg", layer="items")
    dams = items[items["kind"] == "dam"]
    assert len(dams) > 50
    assert dams["note"].str.contains("Peat depth is not known").all()
    assert dams["why"].str.len().min() > 40


def test_the_pack_carries_the_attribution(basin: Path) -> None:
    assert "Kartverket" in (basin / "pack/README.txt").read_text("utf-8")
