"""Bent files of many kinds raise nothing but told faults."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from take_files import CRS, X, Y, text, tiff

from peatwright.model.errors import GivenError
from peatwright.model.rules import Rules
from peatwright.site.given import Given
from peatwright.site.take import inspect, take

QUICK = settings(
    max_examples=50, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("bent")
    tiff(made / "dtm.tif")
    return made


def holds(asked: Given) -> None:
    """Either all is taken, or every fault says all it must; `inspect` agrees with `take`."""
    found = inspect(asked, Rules())
    stops = [f for f in found if f.severity == "stop"]
    for fault in found:
        assert all((fault.file, fault.found, fault.allowed, fault.fix))
        assert fault.line().isprintable()
    if stops:
        with pytest.raises(GivenError) as raised:
            take(asked, Rules())
        assert list(raised.value.faults) == stops
    else:
        taken = take(asked, Rules())
        assert taken.faults == found


CELLS = st.one_of(
    st.floats(X - 10, X + 100).map(str), st.floats(Y - 10, Y + 100).map(str),
    st.floats().map(str), st.integers(-5, 400).map(str),
    st.sampled_from(["", " ", "deep", "1,5", "1;5", '"', "'", "\t", "NaN", "=1+1", "1e400", "٣"]),
    st.text(max_size=4),
)  # fmt: skip
HEADS = st.lists(
    st.sampled_from(["x", "y", "Easting", "Northing", "depth", "Depth_cm", "lat", "lon", "id", "",
                     "WKT", "order", "kind", "name"]),
    min_size=1, max_size=5,
)  # fmt: skip


@QUICK
@given(st.data())
def test_bent_tables(folder: Path, data: st.DataObject) -> None:
    names = data.draw(HEADS)
    rows = data.draw(st.lists(st.lists(CELLS, min_size=0, max_size=5), max_size=6))
    separator = data.draw(st.sampled_from([",", ";", "\t"]))
    words = "\n".join(separator.join(r) for r in [names, *rows])
    role = data.draw(st.sampled_from(["probes", "depths", "drains", "nogo", "boundary"]))
    path = text(folder / "bent.csv", words.encode("utf-8", "surrogatepass"))
    holds(Given(**{"dtm": (folder / "dtm.tif",), role: (path,)}, crs=CRS))


@QUICK
@given(st.binary(max_size=200))
def test_bytes_as_a_table(folder: Path, content: bytes) -> None:
    path = text(folder / "bytes.csv", content)
    holds(Given(dtm=(folder / "dtm.tif",), probes=(path,), crs=CRS))


NUMBERS = st.one_of(
    st.floats(0, 90).map(lambda v: round(v, 1)),
    st.floats(allow_nan=False),
    st.none(),
    st.text(max_size=2),
)
PLACES = st.tuples(st.floats(-5, 90), st.floats(-5, 70)).map(lambda p: [X + p[0], Y + p[1]])
PATHS = st.lists(st.one_of(PLACES, PLACES, PLACES, st.lists(NUMBERS, max_size=4)), max_size=6)
SHAPES = st.one_of(
    st.none(),
    st.builds(lambda c: {"type": "Point", "coordinates": c}, PLACES),
    st.builds(lambda c: {"type": "LineString", "coordinates": c}, PATHS),
    st.builds(lambda c: {"type": "MultiLineString", "coordinates": c}, st.lists(PATHS, max_size=3)),
    st.builds(lambda c: {"type": "Polygon", "coordinates": c}, st.lists(PATHS, max_size=2)),
    st.builds(lambda c: {"type": "Polygon", "coordinates": [[*c, *c[:1]]]}, PATHS),
    st.builds(lambda c: {"type": "MultiPolygon", "coordinates": c}, st.lists(st.lists(PATHS))),
    st.builds(
        lambda c: {"type": "GeometryCollection", "geometries": c},
        st.lists(st.builds(lambda c: {"type": "Point", "coordinates": c}, PLACES), max_size=2),
    ),
)
PROPERTIES = st.dictionaries(
    st.sampled_from(["depth", "depth_cm", "kind", "name", "type"]),
    st.one_of(st.none(), st.floats(-5, 400), st.text(max_size=4), st.booleans()),
    max_size=3,
)  # fmt: skip


@QUICK
@given(
    shapes=st.lists(st.tuples(SHAPES, PROPERTIES), max_size=5),
    role=st.sampled_from(["drains", "boundary", "probes", "nogo", "depths"]),
    crs=st.sampled_from([CRS, "EPSG:4326", "urn:ogc:def:crs:EPSG::32630", "", "EPSG:0"]),
)
def test_bent_geojson(folder: Path, shapes: list, role: str, crs: str) -> None:
    held = {
        "type": "FeatureCollection",
        "features": [{"type": "Feature", "geometry": g, "properties": p} for g, p in shapes],
    }
    if crs:
        held["crs"] = {"type": "name", "properties": {"name": crs}}
    path = text(folder / "bent.geojson", json.dumps(held).encode("utf-8", "surrogatepass"))
    holds(Given(**{"dtm": (folder / "dtm.tif",), role: (path,)}))


@QUICK
@given(cut=st.integers(0, 3000), at=st.integers(0, 2999), byte=st.integers(0, 255))
def test_bent_rasters(folder: Path, cut: int, at: int, byte: int) -> None:
    content = bytearray((folder / "dtm.tif").read_bytes())
    content[at] = byte
    path = text(folder / "bent.tif", bytes(content[: len(content) - cut]))
    holds(Given(dtm=(path,), crs=CRS))
