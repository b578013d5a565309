"""Layers as one GeoPackage whose columns say what they mean, and back again.

Meanings stand where the standard puts them (OGC 12-128r18: `gpkg_contents.description` and the
schema extension's `gpkg_data_columns`), so any GIS shows them.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, cast

import geopandas as gpd
import pandas as pd
import pyogrio
import pyproj

from peatwright.model.columns import Column, Layer, checked
from peatwright.model.errors import ColumnError, Fault, StoreError
from peatwright.model.layers import LAYERS

LAST_CHANGE = "2000-01-01T00:00:00.000Z"
"""Written as the time of change, so that the same tables give the same bytes."""
DTYPES = {"float": "float64", "int": "int64", "bool": "bool", "text": "str"}

_SCHEMA_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
  mime_type TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC,
  min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
  scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
"""
_GDAL_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.GeometryError,
    pyogrio.errors.FieldError,
)
_SCHEMA_EXTENSION = "http://www.geopackage.org/spec/#extension_schema"


def described(column: Column) -> str:
    """Return a column's meaning with its unit, as `Depth [m]`."""
    return f"{column.means} [{column.unit}]" if column.unit else column.means


def write_layers(
    path: Path,
    tables: Mapping[str, pd.DataFrame],
    crs: str,
    layers: Mapping[str, Layer] = LAYERS,
    *,
    keep: bool = False,
) -> None:
    """Write `tables`, by layer name, as one GeoPackage at `path`, replacing any file there.

    With `keep` the file's other layers stay and only those named in `tables` are replaced.

    Unknown numbers (NaN) become NULL; tables without geometry become attribute tables. The same
    tables give the same bytes with the same versions of GDAL and SQLite. Written in place: whoever
    needs it whole or not at all writes to a name beside it and renames.

    Args:
        path: file to write; GDAL warns when its name does not end in `.gpkg`.
        tables: one table for each layer name; each is checked against `layers`.
        crs: CRS of every spatial table, anything that pyproj reads.
        layers: declared layers by name.

    Raises:
        ColumnError: a table breaks its declaration or is in another CRS.
        StoreError: the file cannot be written.

    """
    path = Path(path)
    ready = {
        name: checked(_in_crs(table, crs, name), layers[name]) for name, table in tables.items()
    }
    with _told_as_store_error(path, "written"):
        if not keep:
            path.unlink(missing_ok=True)
        with _clock_stopped():
            for name, table in ready.items():
                _write_one(path, table, layers[name], crs)
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            file.execute("PRAGMA synchronous = OFF")
            file.executescript("BEGIN;" + _SCHEMA_TABLES)
            _describe(file, [layers[name] for name in ready])
            file.execute("COMMIT")
        with path.open("rb+") as whole:
            os.fsync(whole.fileno())


def read_layer(path: Path, name: str, layer: Layer) -> pd.DataFrame:
    """Return the table of layer `name` with exactly the declared column types.

    Unknown numbers are NaN and unknown texts "". The index counts from 0.

    Raises:
        ColumnError: the file's columns are not those declared.
        StoreError: there is no such file or layer, or it cannot be read.

    """
    with _told_as_store_error(Path(path), "read"):
        table: pd.DataFrame = pyogrio.read_dataframe(path, layer=name)
    for column in layer.columns:
        if column.name in table:
            if column.kind == "text":
                table[column.name] = table[column.name].astype("object").fillna("")
            table[column.name] = table[column.name].astype(cast("Any", DTYPES[column.kind]))
    return checked(table, layer)


def _in_crs(table: pd.DataFrame, crs: str, name: str) -> pd.DataFrame:
    held = getattr(table, "crs", None)
    if held is not None and pyproj.CRS(held) != pyproj.CRS(crs):
        fix = "This is a fault in peatwright."
        raise ColumnError(Fault(f"layer {name}", "CRS", str(held), str(crs), fix))
    return table


def _write_one(path: Path, table: pd.DataFrame, layer: Layer, crs: str) -> None:
    typed = table.astype({c.name: DTYPES[c.kind] for c in layer.columns})
    if isinstance(typed, gpd.GeoDataFrame):
        # One spelling of the CRS for all layers, whichever way each table holds it.
        typed = typed.set_crs(crs, allow_override=True)
    pyogrio.write_dataframe(
        typed,
        path,
        layer=layer.name,
        driver="GPKG",
        geometry_type=None if layer.geometry == "none" else layer.geometry,
        layer_options={"DESCRIPTION": layer.means},
    )


def _describe(file: sqlite3.Connection, layers: list[Layer]) -> None:
    extension = ("gpkg_schema", _SCHEMA_EXTENSION, "read-write")
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        file.execute("DELETE FROM gpkg_extensions WHERE table_name = ?", (table,))
    for layer in layers:
        file.execute("DELETE FROM gpkg_data_columns WHERE table_name = ?", (layer.name,))
        file.executemany(
            "DELETE FROM gpkg_data_column_constraints WHERE constraint_name = ?",
            [(f"{layer.name}_{column.name}",) for column in layer.columns],
        )
    file.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, ?)",
        [("gpkg_data_columns", *extension), ("gpkg_data_column_constraints", *extension)],
    )
    for layer in layers:
        for column in layer.columns:
            limits = _constraint(layer, column)
            file.executemany(
                "INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, NULL)",
                limits,
            )
            file.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, NULL, NULL, ?, NULL, ?)",
                (layer.name, column.name, described(column), limits[0][0] if limits else None),
            )


_Limit = tuple[str, str, str | None, float | None, int | None, float | None, int | None]


def _constraint(layer: Layer, column: Column) -> list[_Limit]:
    name = f"{layer.name}_{column.name}"
    if column.choices:
        choices = (*column.choices, *([""] if column.empty else []))
        return [(name, "enum", choice, None, None, None, None) for choice in choices]
    if column.low is not None and column.high is not None:
        return [(name, "range", None, column.low, 1, column.high, 1)]
    return []


@contextmanager
def _clock_stopped() -> Iterator[None]:
    """Let GDAL write `LAST_CHANGE` as the time: it counts changes, so mending it later shows.

    Nor does it wait for the disk after each layer; the whole file is synced once at the end.
    """
    options = {"OGR_CURRENT_DATE": LAST_CHANGE, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


@contextmanager
def _told_as_store_error(path: Path, done: str) -> Iterator[None]:
    fix = "Check that the file is there and whole, the disk has room and you may write to it."
    try:
        yield
    except (*_GDAL_ERRORS, sqlite3.Error, OSError) as error:
        allowed = f"a file that can be {done}"
        raise StoreError(Fault(str(path), "", str(error), allowed, fix)) from error
