"""Probes and hand depths: names and units of columns, wrong cells, wrong places."""

from __future__ import annotations

from pathlib import Path

import pytest
import shapely
from take_files import CRS, FEW_PROBES, X, Y, at, faults, layer, only_fault, text, tiff

from peatwright.model.rules import Rules
from peatwright.site.given import Given
from peatwright.site.take import Taken, take

PLACES = at((10, 10), (30, 20), (50, 40), (70, 50))


@pytest.fixture(scope="module")
def terrain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiff(tmp_path_factory.mktemp("ground") / "dtm.tif")


def table(values: list[object], head: str = "Easting,Northing,Peat_depth_m") -> str:
    rows = (f"{x},{y},{v}" for (x, y), v in zip(PLACES, values, strict=True))
    return head + "\n" + "\n".join(rows) + "\n"


def probes(
    terrain: Path, folder: Path, words: str | bytes, role: str = "probes", **say: object
) -> Given:
    path = text(folder / "probes.csv", words)
    return Given(**{"dtm": (terrain,), role: (path,), "crs": CRS, **say})


def took(given: Given) -> Taken:
    return take(given, Rules())


@pytest.mark.parametrize(
    ("column", "factor"),
    [
        ("Peat_depth_m", 1.0), ("depth", 1.0), ("Depth (m)", 1.0), ("PeatDepth_cm", 0.01),
        ("Peat depth (cm)", 0.01), ("depth_mm", 0.001), ("Depth ft", 0.3048), ("depthcm", 0.01),
        ("Peat thickness [m]", 1.0),
    ],
)  # fmt: skip
def test_usual_names_and_their_units(
    terrain: Path, tmp_path: Path, column: str, factor: float
) -> None:
    metres = [0.5, 1.25, 2.0, 3.1]
    words = table([round(v / factor, 6) for v in metres], f"E,N,{column}")
    taken = took(probes(terrain, tmp_path, words))
    assert taken.probes["peat_depth_m"].tolist() == pytest.approx(metres, abs=1e-6)
    assert taken.probes["given_id"].tolist() == [f"probes.csv:{k}" for k in (2, 3, 4, 5)]
    assert [(p.x, p.y) for p in taken.probes.geometry] == PLACES
    assert all(f.allowed in FEW_PROBES for f in taken.faults)


STOPS = {
    "text": ([1.0, "deep", 2.0, 3.0], "row 3, column Peat_depth_m", "'deep'"),
    "over": ([1.0, ">4", 2.0, 3.0], "row 3, column Peat_depth_m", "'>4'"),
    "unit in cell": (["1.0 m", 1.0, 2.0, 3.0], "row 2, column Peat_depth_m", "'1.0 m'"),
    "negative": ([1.0, 1.5, -2.0, 3.0], "row 4, column Peat_depth_m", "-2 m"),
    "no data value": ([1.0, 1.5, -9999, 3.0], "row 4, column Peat_depth_m", "-9999 m"),
    "one too deep": ([1.0, 1.5, 2.0, 300], "row 5, column Peat_depth_m", "300 m"),
    "centimetres": ([100, 150, 200, 300], "column Peat_depth_m", "depths around 175 m"),
    "all empty": (["", "", "", ""], "column Peat_depth_m", "no value"),
    "infinite": ([1.0, "inf", 2.0, 3.0], "row 3, column Peat_depth_m", "'inf'"),
}


@pytest.mark.parametrize("what", STOPS)
def test_a_wrong_value_is_one_stop_with_row_column_and_value(
    terrain: Path, tmp_path: Path, what: str
) -> None:
    values, place, found = STOPS[what]
    given = probes(terrain, tmp_path, table(values))
    fault = [f for f in faults(given) if f.severity == "stop"]
    assert len(fault) == 1
    assert fault[0].file == "probes.csv"
    assert fault[0].place == place
    assert found in fault[0].found


def test_an_empty_cell_is_left_out_and_told(terrain: Path, tmp_path: Path) -> None:
    given = probes(terrain, tmp_path, table([1.0, "", 2.0, 3.0]))
    assert only_fault(given).place == "row 3, column Peat_depth_m"
    assert took(given).probes["peat_depth_m"].tolist() == [1.0, 2.0, 3.0]


def test_points_at_one_place_are_taken_together(terrain: Path, tmp_path: Path) -> None:
    words = table([1.0, 1.5, 2.0, 3.0]) + f"{X + 10},{Y + 10},2.0\n"
    given = probes(terrain, tmp_path, words)
    fault = only_fault(given)
    assert (fault.severity, fault.place) == ("look", f"rows 2, 6, at {X + 10:.1f}, {Y + 10:.1f}")
    assert took(given).probes["peat_depth_m"].tolist() == [1.5, 1.5, 2.0, 3.0]


def test_columns_are_asked_for_and_the_answer_used(terrain: Path, tmp_path: Path) -> None:
    words = table([1.0, 1.5, 2.0, 3.0], "Right,Up,Tiefe")
    fault = only_fault(probes(terrain, tmp_path, words))
    assert "Right, Up, Tiefe" in fault.found
    assert "--columns probes:x=NAME,y=NAME,value=NAME" in fault.fix
    say = {"probes": {"x": "Right", "y": "Up", "value": "Tiefe"}}
    taken = took(probes(terrain, tmp_path, words, columns=say))
    assert taken.probes["peat_depth_m"].tolist() == [1.0, 1.5, 2.0, 3.0]
    wrong = {"probes": {"x": "Rigth", "y": "Up", "value": "Tiefe"}}
    assert "Rigth" in only_fault(probes(terrain, tmp_path, words, columns=wrong)).place


def test_a_value_column_alone_is_asked_for(terrain: Path, tmp_path: Path) -> None:
    fault = only_fault(probes(terrain, tmp_path, table([1, 1, 2, 3], "x,y,Tiefe")))
    assert "--columns probes:value=NAME" in fault.fix
    two = "x,y,depth_m,depth_cm\n" + "".join(f"{x},{y},1.0,150\n" for x, y in PLACES)
    assert "depth_m and depth_cm" in only_fault(probes(terrain, tmp_path, two)).found


def test_a_csv_never_says_its_crs(terrain: Path, tmp_path: Path) -> None:
    fault = only_fault(probes(terrain, tmp_path, table([1, 1, 2, 3]), crs=""))
    assert (fault.severity, fault.place) == ("stop", "CRS")
    assert "--crs" in fault.fix


def test_places_off_the_terrain(terrain: Path, tmp_path: Path) -> None:
    one = table([1.0, 1.5, 2.0, 3.0]) + "100,100,2.0\n"
    fault = only_fault(probes(terrain, tmp_path, one))
    assert (fault.severity, fault.place) == ("look", "row 6, at 100.00000, 100.0") or (
        fault.place == "row 6, at 100.0, 100.0"
    )
    swapped = table([1, 1, 2, 3], "Northing,Easting,depth")
    assert "swapped" in only_fault(probes(terrain, tmp_path, swapped)).fix


TABLES = {
    "semicolons and decimal commas": table([1, 2, 3, 4]).replace(".0", ",0").replace(
        ",", ";").replace(";0;", ",0;"),
    "tabs": table([1, 2, 3, 4]).replace(",", "\t"),
    "a mark at the start": b"\xef\xbb\xbf" + table([1, 2, 3, 4]).encode(),
    "wide text": table([1, 2, 3, 4]).encode("utf-16"),
    "an old code page": table([1, 2, 3, 4], "Easting,Northing,Depth").replace(
        "Depth", "Depth,Größe").replace("\n", ",\n").replace("ße,", "ße").encode("cp1252"),
    "blank rows": table([1, 2, 3, 4]).replace("\n", "\n\n"),
    "quotes": '"Easting","Northing","depth_m"\n' + "".join(
        f'"{x}","{y}","{k}"\n' for k, (x, y) in enumerate(PLACES, 1)),
    "line ends of Windows": table([1, 2, 3, 4]).replace("\n", "\r\n"),
}  # fmt: skip


@pytest.mark.parametrize("what", TABLES)
def test_tables_as_spreadsheets_write_them(terrain: Path, tmp_path: Path, what: str) -> None:
    taken = took(probes(terrain, tmp_path, TABLES[what]))
    assert taken.probes["peat_depth_m"].tolist() == [1.0, 2.0, 3.0, 4.0]
    assert [(p.x, p.y) for p in taken.probes.geometry] == PLACES


BROKEN = {
    "nothing": (b"", "empty"),
    "numbers only": (table([1, 2, 3, 4]).split("\n", 1)[1].encode(), "numbers only"),
    "names only": (b"x,y,depth\n", "no rows"),
    "bytes": (bytes(range(256)), "no text"),
    "too many cells": (table([1, 2, "3,5", 4]).encode(), "more cells"),
    "a name twice": (table([1, 2, 3, 4], "x,x,depth").encode(), "twice"),
    "a place that is no number": (b"x,y,depth\n268010,north,1\n", "'north'"),
}


@pytest.mark.parametrize("what", BROKEN)
def test_a_broken_table_is_one_stop(terrain: Path, tmp_path: Path, what: str) -> None:
    content, found = BROKEN[what]
    fault = only_fault(probes(terrain, tmp_path, content))
    assert fault.severity == "stop"
    assert found in fault.found


def test_hand_depths_have_their_own_bounds(terrain: Path, tmp_path: Path) -> None:
    words = table([0.4, 0.6, 0.8, 1.2], "Easting,Northing,Depth_m")
    taken = took(probes(terrain, tmp_path, words, role="depths"))
    assert taken.hand_depths["hand_depth_m"].tolist() == [0.4, 0.6, 0.8, 1.2]
    deep = table([40, 60, 80, 120], "Easting,Northing,Depth")
    fault = only_fault(probes(terrain, tmp_path, deep, role="depths"))
    assert "hand_depth_cm" in fault.fix


def test_probes_from_a_geopackage(terrain: Path, tmp_path: Path) -> None:
    points = [shapely.Point(p) for p in PLACES]
    path = layer(tmp_path / "p.gpkg", points, depth_cm=[50, 60, 70, 80], who=["a"] * 4)
    taken = took(Given(dtm=(terrain,), probes=(path,)))
    assert taken.probes["peat_depth_m"].tolist() == pytest.approx([0.5, 0.6, 0.7, 0.8])
    words = layer(tmp_path / "w.gpkg", points, depth=["0.5", "0.6", "deep", "1"])
    assert "'deep'" in only_fault(Given(dtm=(terrain,), probes=(words,))).found


def test_a_deep_median_is_worth_a_look(terrain: Path, tmp_path: Path) -> None:
    fault = only_fault(probes(terrain, tmp_path, table([9, 10, 11, 12])))
    assert fault.severity == "look"
