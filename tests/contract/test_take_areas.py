"""Boundaries and what must not be touched: found faults, distances kept, kinds recognised."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import shapely
from take_files import CRS, SITE, X, Y, at, faults, layer, line, only_fault, text, tiff

from peatwright.model.layers import LIMIT_KINDS
from peatwright.model.rules import LimitRules, Rules
from peatwright.site.given import Given
from peatwright.site.take import take
from peatwright.site.words import kind_of


@pytest.fixture(scope="module")
def terrain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiff(tmp_path_factory.mktemp("ground") / "dtm.tif")


def boundary(terrain: Path, folder: Path, *shapes: shapely.Geometry) -> Given:
    return Given(dtm=(terrain,), boundary=(layer(folder / "edge.gpkg", shapes),))


def nogo(terrain: Path, folder: Path, *shapes: shapely.Geometry, **columns: object) -> Given:
    return Given(dtm=(terrain,), nogo=(layer(folder / "nogo.gpkg", shapes, **columns),))


def test_a_bow_tie_is_a_stop_with_its_place(terrain: Path, tmp_path: Path) -> None:
    tie = shapely.Polygon(at((10, 10), (50, 50), (50, 10), (10, 50)))
    fault = only_fault(boundary(terrain, tmp_path, tie))
    assert fault.severity == "stop"
    assert fault.place == f"row 1, at {X + 30:.1f}, {Y + 30:.1f}"
    assert "bow tie" in fault.found


def test_an_outline_that_touches_itself_is_parted_and_keeps_its_area(
    terrain: Path, tmp_path: Path
) -> None:
    # Two squares that meet in one corner, drawn in one stroke: valid only as two polygons.
    shape = shapely.Polygon(
        at((10, 10), (30, 10), (30, 30), (50, 30), (50, 50), (30, 50), (30, 30), (10, 30))
    )
    assert not shape.is_valid
    given = boundary(terrain, tmp_path, shape)
    assert only_fault(given).severity == "look"
    parts = take(given, Rules()).boundary
    assert len(parts) == 2
    assert parts.area.sum() == pytest.approx(800.0, abs=1e-6)


def test_holes_and_parts_are_kept(terrain: Path, tmp_path: Path) -> None:
    ring = SITE.difference(shapely.Polygon(at((30, 30), (40, 30), (40, 40))))
    two = shapely.MultiPolygon(
        [shapely.box(X + 1, Y + 1, X + 20, Y + 20), shapely.box(X + 30, Y + 30, X + 50, Y + 50)]
    )
    assert take(boundary(terrain, tmp_path, ring), Rules()).boundary.geometry[0].equals(ring)
    assert take(boundary(terrain, tmp_path, two), Rules()).boundary.area.tolist() == [361.0, 400.0]


def test_a_boundary_drawn_as_a_line(terrain: Path, tmp_path: Path) -> None:
    given = boundary(terrain, tmp_path, shapely.LineString(SITE.exterior))
    assert only_fault(given).severity == "look"
    assert take(given, Rules()).boundary.geometry[0].equals(SITE)
    open_ = line((10, 10), (50, 10), (50, 50), (10, 13))
    fault = only_fault(boundary(terrain, tmp_path, open_))
    assert (fault.severity, fault.place) == ("stop", f"row 1, at {X + 10:.1f}, {Y + 13:.1f}")
    assert "3.00" in fault.found


def test_a_polygon_that_is_not_closed(terrain: Path, tmp_path: Path) -> None:
    ring = ", ".join(f"[{x}, {y}]" for x, y in at((10, 10), (50, 10), (50, 50), (10, 50)))
    path = text(
        tmp_path / "edge.geojson",
        '{"type": "FeatureCollection", "crs": {"type": "name", "properties": {"name": "'
        + CRS + '"}}, "features": [{"type": "Feature", "properties": {}, "geometry": '
        '{"type": "Polygon", "coordinates": [[' + ring + "]]}}]}",
    )  # fmt: skip
    fault = only_fault(Given(dtm=(terrain,), boundary=(path,)))
    assert fault.severity == "stop"
    assert "not closed" in fault.found


def test_a_boundary_off_the_terrain(terrain: Path, tmp_path: Path) -> None:
    away = shapely.affinity.translate(SITE, 5000, 0)
    assert "outside the terrain" in only_fault(boundary(terrain, tmp_path, away)).found
    partly = shapely.affinity.translate(SITE, 40, 0)
    fault = only_fault(boundary(terrain, tmp_path, partly))
    assert fault.severity == "look"
    # The site is 76 m wide and 38 m of it lie past the edge 80 m east of the corner.
    assert "50.0%" in fault.found


def test_each_kind_keeps_its_distance(terrain: Path, tmp_path: Path) -> None:
    middle = shapely.Point(*at((40, 30))[0])
    given = nogo(terrain, tmp_path, *[middle] * len(LIMIT_KINDS), kind=list(LIMIT_KINDS))
    rules = LimitRules()
    table = take(given, Rules()).limits
    assert table["kind"].tolist() == list(LIMIT_KINDS)
    for row in table.itertuples():
        expected = getattr(rules, row.kind.replace(" ", "_") + "_m")
        assert row.distance_m == expected
        # A circle of 128 sides holds sin(2π/128) / (2π/128) = 0.9996 of the true one.
        assert row.geometry.area == pytest.approx(math.pi * expected**2, rel=5e-4)
        assert f"Keep {expected:g} m" in row.why
        assert "rule sheet" in row.why


def test_distance_from_a_line_by_hand(terrain: Path, tmp_path: Path) -> None:
    wire = line((10, 30), (70, 30))
    given = nogo(terrain, tmp_path, wire, type=["33 kV overhead line"])
    row = take(given, Rules()).limits.iloc[0]
    assert row["kind"] == "overhead line"
    # 60 m with 10 m kept on each side, and a half circle at each end.
    assert row.geometry.area == pytest.approx(60 * 20 + math.pi * 100, rel=5e-4)


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ("overhead_line", "overhead line"), ("Scheduled Monument", "heritage"),
        ("burn", "watercourse"),
        ("Private water supply", "water supply"), ("Water pipe", "buried service"),
        ("ACCESS TRACK", "track"), ("march fence", "boundary"), ("heritage", "heritage"),
        ("Gas main", "buried service"), ("raptor nest", "nest"), ("mast", "other"),
        ("zzz", None), ("", None),
    ],
)  # fmt: skip
def test_words_for_kinds(words: str, kind: str | None) -> None:
    assert kind_of(words) == kind


def test_an_unknown_kind_is_other_and_told(terrain: Path, tmp_path: Path) -> None:
    spot = shapely.Point(*at((40, 30))[0])
    given = nogo(terrain, tmp_path, spot, kind=["mystery"])
    fault = only_fault(given)
    assert (fault.severity, fault.found) == ("look", "mystery")
    assert take(given, Rules()).limits["kind"].tolist() == ["other"]
    bare = nogo(terrain, tmp_path, spot)
    assert "no column" in only_fault(bare).found


def test_nothing_of_the_no_go_on_the_terrain(terrain: Path, tmp_path: Path) -> None:
    given = nogo(terrain, tmp_path, shapely.Point(X + 9000, Y), kind=["track"])
    assert only_fault(given).severity == "stop"


def test_the_sites_own_edge_is_a_limit(terrain: Path, tmp_path: Path) -> None:
    table = take(boundary(terrain, tmp_path, SITE), Rules()).limits
    assert table["kind"].tolist() == ["boundary"]
    beyond = shapely.union_all(table.geometry)
    assert beyond.covers(SITE.boundary)
    assert beyond.covers(SITE.buffer(4).difference(SITE))
    assert not beyond.intersects(SITE.buffer(-Rules().limits.boundary_m - 0.1))
    assert faults(boundary(terrain, tmp_path, SITE)) == ()
