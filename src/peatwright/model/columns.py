"""The declared columns of every layer that passes between stages, and their check.

Each column has a unit, a meaning and a range; the store writes them into its layer descriptions
and the user docs list them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import geopandas as gpd
import numpy as np
import pandas as pd

from peatwright.model.errors import ColumnError, Fault

Kind = Literal["float", "int", "bool", "text"]
Geometry = Literal["Point", "LineString", "Polygon", "none"]


@dataclass(frozen=True)
class Column:
    """One column: `empty` says whether NaN or "" is allowed, which means `not known`."""

    name: str
    kind: Kind
    unit: str
    means: str
    low: float | None = None
    high: float | None = None
    empty: bool = False
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Layer:
    """One layer of the site."""

    name: str
    geometry: Geometry
    means: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in order, without the geometry."""
        return tuple(c.name for c in self.columns)


def f(
    name: str, unit: str, means: str, low: float | None = None, high: float | None = None
) -> Column:
    """A number that is always known."""
    return Column(name, "float", unit, means, low, high)


def g(
    name: str, unit: str, means: str, low: float | None = None, high: float | None = None
) -> Column:
    """A number that may be unknown (NaN)."""
    return Column(name, "float", unit, means, low, high, empty=True)


def t(name: str, means: str, choices: tuple[str, ...] = (), *, empty: bool = False) -> Column:
    """A text."""
    return Column(name, "text", "", means, choices=choices, empty=empty)


def i(name: str, unit: str, means: str, low: float | None = None) -> Column:
    """A whole number."""
    return Column(name, "int", unit, means, low)


def b(name: str, means: str) -> Column:
    """Yes or no."""
    return Column(name, "bool", "", means)


def _fault(layer: Layer, place: str, found: str, allowed: str) -> Fault:
    return Fault(f"layer {layer.name}", place, found, allowed, "This is a fault in peatwright.")


def _dtype_ok(series: pd.Series, kind: Kind) -> bool:
    if kind == "float":
        return pd.api.types.is_float_dtype(series)
    if kind == "int":
        return pd.api.types.is_integer_dtype(series)
    if kind == "bool":
        return pd.api.types.is_bool_dtype(series)
    return pd.api.types.is_string_dtype(series) or isinstance(series.dtype, pd.CategoricalDtype)


def _column_faults(series: pd.Series, column: Column, layer: Layer) -> list[Fault]:
    if not len(series):
        return []
    if not _dtype_ok(series, column.kind):
        return [_fault(layer, column.name, str(series.dtype), column.kind)]
    if column.kind == "text":
        missing = series.isna() | (series.astype(str) == "")
        if missing.any() and not column.empty:
            return [_fault(layer, column.name, f"{int(missing.sum())} empty texts", "a text")]
        odd = set(series[~missing].unique()) - set(column.choices) if column.choices else set()
        return [_fault(layer, column.name, repr(sorted(odd)), repr(column.choices))] if odd else []
    if column.kind == "bool":
        return []
    values = series.to_numpy(dtype=np.float64)
    known = values[~np.isnan(values)]
    faults = []
    if len(known) < len(values) and not column.empty:
        faults.append(_fault(layer, column.name, "NaN", "a number in every row"))
    if column.low is not None and len(known) and known.min() < column.low:
        faults.append(_fault(layer, column.name, f"{known.min()}", f"{column.low} or more"))
    if column.high is not None and len(known) and known.max() > column.high:
        faults.append(_fault(layer, column.name, f"{known.max()}", f"{column.high} or less"))
    return faults


def checked(table: pd.DataFrame, layer: Layer) -> pd.DataFrame:
    """Return `table` with its columns in declared order, or raise `ColumnError` with all faults.

    Extra columns are refused too, so that no column lives without a unit and a meaning.
    """
    has_geometry = isinstance(table, gpd.GeoDataFrame)
    faults = []
    if has_geometry != (layer.geometry != "none"):
        faults.append(_fault(layer, "geometry", str(has_geometry), layer.geometry))
    present = set(table.columns) - {"geometry"}
    faults += [
        _fault(layer, name, "nothing", "a column of this name")
        for name in layer.names
        if name not in present
    ]
    faults += [
        _fault(layer, name, "an undeclared column", ", ".join(layer.names))
        for name in sorted(present - set(layer.names))
    ]
    for column in layer.columns:
        if column.name in present:
            faults += _column_faults(table[column.name], column, layer)
    if has_geometry and layer.geometry != "none" and len(table):
        odd = set(table.geometry.geom_type.unique()) - {layer.geometry}
        if odd:
            faults.append(_fault(layer, "geometry", repr(sorted(odd)), layer.geometry))
    if faults:
        raise ColumnError(faults)
    order = [*layer.names, *(["geometry"] if has_geometry else [])]
    ordered: pd.DataFrame = table[order]
    return ordered


def empty(layer: Layer, crs: str) -> pd.DataFrame:
    """Return a table of the layer with no rows and the right column types."""
    dtypes = {"float": "float64", "int": "int64", "bool": "bool", "text": "str"}
    data = {c.name: pd.Series([], dtype=dtypes[c.kind]) for c in layer.columns}
    if layer.geometry == "none":
        return pd.DataFrame(data)
    table: pd.DataFrame = gpd.GeoDataFrame(data, geometry=gpd.GeoSeries([], crs=crs), crs=crs)
    return table
