"""A plausible layout made from formulas, for tests of the pack; nothing here was measured."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from peatwright.model.columns import checked, empty
from peatwright.model.layers import LAYERS
from peatwright.model.raster import Grid, Raster

X0, Y0 = 263_000.0, 641_000.0
ODD_NAME = (
    '=HYPERLINK("x") #panic() *Łąka* <b>&amp;</b> $x^2$ @ref \\ "quoted" \u202eback ✓ '
    + "long " * 40
)


def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Level of unsunk ground in m."""
    u, v = x - X0, y - Y0
    return 412 - 0.035 * u + 0.06 * v + 1.2 * np.sin(u / 60) + 0.8 * np.cos(v / 45 + u / 90)


def _typed(rows: list[dict], name: str, crs: str) -> pd.DataFrame:
    layer = LAYERS[name]
    if not rows:
        return empty(layer, crs)
    blank = {"float": np.nan, "text": "", "bool": False, "int": 1}
    dtypes = {"float": "float64", "text": "str", "bool": "bool", "int": "int64"}
    data = {
        c.name: pd.Series([r.get(c.name, blank[c.kind]) for r in rows]).astype(dtypes[c.kind])
        for c in layer.columns
    }
    if layer.geometry == "none":
        return checked(pd.DataFrame(data), layer)
    shapes = [r["geometry"] for r in rows]
    return checked(gpd.GeoDataFrame(data, geometry=shapes, crs=crs), layer)


def make(
    drains: int = 6,
    length_m: float = 220.0,
    *,
    dams: bool = True,
    names: tuple[str, ...] = (),
    crs: str = "EPSG:27700",
    cell_m: float = 0.5,
) -> tuple[dict[str, pd.DataFrame], Raster]:
    """Return tables by layer name and the ground they lie on."""
    rows: dict[str, list[dict]] = {n: [] for n in LAYERS}
    methods = ("wave dam", "wave dam", "peat dam", "timber dam", "zip", "reprofile", "leave alone")
    for d in range(drains):
        _drain(rows, d, length_m, methods[d % 7], names[d] if d < len(names) else "", dams=dams)
    _quantities(rows)
    wide, high = length_m + 90.0, 40.0 * drains + 80.0
    box = shapely.box(X0 + 8, Y0 + 8, X0 + wide - 8, Y0 + high - 8)
    rows["boundary"].append({"name": names[0] if names else "", "geometry": box})
    for k, kind in enumerate(("heritage", "overhead line", "watercourse", "track")):
        shape = (
            shapely.Point(X0 + 60, Y0 + 30).buffer(12)
            if kind == "heritage"
            else shapely.LineString([(X0 + 90 + 50 * k, Y0), (X0 + 70 + 60 * k, Y0 + high)]).buffer(
                3 + k
            )
        )
        rows["limits"].append(
            {"given_id": f"l{k}", "kind": kind, "distance_m": 5.0, "why": "rule", "geometry": shape}
        )
    tables = {n: _typed(r, n, crs) for n, r in rows.items()}
    return tables, _dtm(rows["stations"], wide, high, cell_m, crs)


def _drain(rows, d: int, length_m: float, method: str, name: str, *, dams: bool) -> None:
    drain_id = f"D{d + 1:03d}"
    length_m *= 1.0 if d % 3 else 0.6
    s = np.arange(0, length_m + 0.5, 1.0)
    x = X0 + 40 + s
    y = Y0 + 40 + 40 * d + 5 * np.sin(s / 35) - 0.1 * s
    dice = np.random.default_rng(d)
    fall = ground(x, y)
    depth = 0.75 + 0.2 * np.sin(s / 17 + d) + dice.normal(0, 0.02, len(s))
    sag = 0.2 + 0.1 * np.sin(s / 29)
    right = fall - sag + 0.03
    left = fall - sag + 0.12 + 0.05 * np.sin(s / 11)
    bed = np.minimum.accumulate(np.minimum(left, right) - depth)
    line = shapely.LineString(np.c_[x, y])
    rows["drains"].append({
        "drain_id": drain_id, "name": name, "given_ids": f"given {d}", "head_node": f"h{d}",
        "outfall_node": f"o{d}", "flows_into": "D001" if d == 1 else "",
        "flows_into_chainage_m": 60.0 if d == 1 else np.nan,
        "outfall_kind": "junction" if d == 1 else "open ground", "direction_from": "levels",
        "direction_sure_ratio": 1.0, "length_m": line.length, "fall_m": bed[0] - bed[-1],
        "gradient_ratio": (bed[0] - bed[-1]) / length_m, "depth_m": float(np.median(depth)),
        "top_width_m": 1.1, "shift_mean_m": 0.3, "shift_max_m": 0.9, "unseen_m": 6.0,
        "unmeasured_m": 6.0, "note": "ends near a track" if d == 2 else "", "geometry": line,
    })  # fmt: skip
    for k, chain in enumerate(s):
        seen = not 100 <= chain <= 105
        row = {
            "drain_id": drain_id, "chainage_m": chain, "bearing_deg": 95.0, "seen": seen,
            "measured": seen, "unmeasured_why": "" if seen else "no drain visible",
            "geometry": shapely.Point(x[k], y[k]),
            "forbidden_why": "heritage: 20 m kept" if 40 <= chain <= 52 and d % 2 == 0 else "",
        }  # fmt: skip
        if seen:
            row |= {
                "bed_level_m": bed[k], "airborne_bed_level_m": bed[k] + 0.15, "bed_error_m": 0.05,
                "left_level_m": left[k], "right_level_m": right[k], "left_offset_m": 0.55,
                "right_offset_m": 0.55, "depth_m": max(0.0, min(left[k], right[k]) - bed[k]),
                "airborne_depth_m": 0.5, "top_width_m": 1.1, "bottom_width_m": 0.5,
                "ground_level_m": fall[k], "sag_left_width_m": 2.0, "sag_right_width_m": 2.2,
                "spoil_side": "left" if chain < 70 else "none",
                "spoil_left_height_m": 0.3 if chain < 70 else 0.0, "spoil_left_width_m": 1.5,
                "downhill_side": "right", "bed_gradient_ratio": 0.03,
                "peat_depth_m": max(0.0, 2.0 - chain / 120), "upslope_area_m2": 50 + 20 * chain,
                "peat_below_bed_m": 1.2 - chain / 120, "fit_quality_ratio": 0.9,
            }  # fmt: skip
        rows["stations"].append(row)
    _works(rows, drain_id, method, s, np.c_[x, y], bed, fall, line, dams=dams)


def _works(rows, drain_id, method, s, xy, bed, fall, line, *, dams: bool) -> None:
    rows["reaches"].append({
        "reach_id": f"{drain_id}-R1", "drain_id": drain_id, "from_m": 0.0, "to_m": s[-1],
        "length_m": s[-1], "method": method, "geometry": line,
        "why": "depth 0.8 m and width 1.1 m are within the rule for this method",
    })  # fmt: skip
    if method == "leave alone":
        return
    run = "reprofile" if method == "reprofile" else "zip"
    at = np.arange(4, s[-1] - 5, 8).astype(int) if dams and method.endswith("dam") else []
    order = 0
    stops = [0, *at, int(s[-1])]
    for a, b in itertools.pairwise(stops):
        lo, hi = a + (2 if a else 0), b - (1 if b < s[-1] else 0)
        if hi - lo > 2:
            order += 1
            rows["items"].append({
                "item_id": f"{drain_id}-{order:03d}", "drain_id": drain_id,
                "reach_id": f"{drain_id}-R1", "order_on_drain": order, "kind": run, "method": run,
                "why": "between dams", "chainage_m": (lo + hi) / 2, "from_m": lo, "to_m": hi,
                "x_m": xy[(lo + hi) // 2, 0], "y_m": xy[(lo + hi) // 2, 1],
                "length_m": float(hi - lo), "block_pairs": float(round((hi - lo) / 1.2)),
                "first_cut_m": 0.8, "second_cut_m": 0.4, "zip_m3": (hi - lo) * 0.6,
                "geometry": shapely.LineString(xy[lo : hi + 1]),
            })  # fmt: skip
        if b == stops[-1]:
            break
        order += 1
        wide = 3.6 + 1.2 * (b % 3)
        side = "right" if b % 5 else "left"
        out = 3.0 if side == "left" else -3.0
        rows["items"].append({
            "item_id": f"{drain_id}-{order:03d}", "drain_id": drain_id,
            "reach_id": f"{drain_id}-R1", "order_on_drain": order, "kind": "dam", "method": method,
            "why": "8 m below the dam above; head 0.28 m is within 0.5 m", "chainage_m": float(b),
            "from_m": b - 0.5, "to_m": b + 0.5, "x_m": xy[b, 0], "y_m": xy[b, 1], "width_m": wide,
            "length_m": 1.0,
            "buckets": wide / 1.2, "dig_depth_m": 0.8, "bed_level_m": bed[b],
            "crest_level_m": fall[b] + 0.05, "height_m": fall[b] + 0.05 - bed[b], "key_m": 0.3,
            "crest_above_ground_m": 0.05, "pool_level_m": fall[b] - 0.1,
            "pool_depth_m": fall[b] - 0.1 - bed[b], "pool_length_m": 9.0, "head_m": 0.28,
            "fill_m3": 2.8, "hollow_m3": 1.4, "outlet_side": side,
            "outlet_bearing_deg": 185.0 if side == "right" else 5.0, "outlet_x_m": xy[b, 0],
            "outlet_y_m": xy[b, 1] + out, "outlet_level_m": fall[b] - 0.1, "outlet_fall_m": 0.2,
            "spacing_m": 8.0, "spacing_rule": "target", "spacing_others": "7 m; 10 m",
            "note": "wider than usual" if wide > 5.9 else "",
            "geometry": shapely.LineString([
                (xy[b, 0], xy[b, 1] - wide / 2), (xy[b, 0], xy[b, 1] + wide / 2)
            ]),
        })  # fmt: skip


def _quantities(rows) -> None:
    names = [c.name for c in LAYERS["quantities"].columns if c.kind == "float"]
    per = []
    for drain in rows["drains"]:
        reach = next(r for r in rows["reaches"] if r["drain_id"] == drain["drain_id"])
        mine = [i for i in rows["items"] if i["drain_id"] == drain["drain_id"]]
        count = sum(i["kind"] == "dam" for i in mine)
        zipped = sum(i["length_m"] for i in mine if i["kind"] == "zip")
        shaped = sum(i["length_m"] for i in mine if i["kind"] == "reprofile")
        hours = count * 0.13 + zipped / 25
        row = dict.fromkeys(names, 0.0) | {
            "dams": float(count), "zip_m": zipped, "reprofile_m": shaped,
            "left_m": drain["length_m"] if reach["method"] == "leave alone" else 0.0,
            "drain_m": drain["length_m"], "fill_m3": count * 2.8, "zip_m3": zipped * 0.6,
            "hours_low": hours * 0.6, "hours": hours, "hours_high": hours * 1.8,
            "cost_low": hours * 45, "cost": hours * 81, "cost_high": hours * 160,
        }  # fmt: skip
        per.append((drain["drain_id"], reach["method"], row))

    def summed(chosen: list[dict]) -> dict:
        return {n: float(sum(r[n] for r in chosen)) for n in names}

    out = rows["quantities"]
    for drain_id, method, row in per:
        out.append(row | {"scope": "drain and method", "drain_id": drain_id, "method": method})
    for drain_id, _, row in per:
        out.append(row | {"scope": "drain", "drain_id": drain_id})
    for method in dict.fromkeys(m for _, m, _ in per):
        out.append(
            summed([r for _, m, r in per if m == method]) | {"scope": "method", "method": method}
        )
    out.append(summed([r for _, _, r in per]) | {"scope": "site"})


def _dtm(stations: list[dict], wide: float, high: float, cell_m: float, crs: str) -> Raster:
    grid = Grid(X0, Y0 + high, cell_m, cell_m, int(high / cell_m), int(wide / cell_m), crs)
    rows, cols = np.mgrid[0 : grid.rows, 0 : grid.cols]
    x, y = grid.to_metres(rows.astype(float), cols.astype(float))
    z = ground(x, y)
    if stations:
        at = np.array([(s["geometry"].x, s["geometry"].y) for s in stations])
        far, _ = cKDTree(at).query(np.c_[x.ravel(), y.ravel()], distance_upper_bound=4.0)
        far = np.minimum(far, 4.0).reshape(z.shape)
        z = z - 0.9 * np.exp(-((far / 0.7) ** 2)) - 0.2 * np.exp(-((far / 2.0) ** 2))
    z[: int(6 / cell_m), : int(10 / cell_m)] = np.nan
    z = z + np.random.default_rng(1).normal(0, 0.02, z.shape)
    return Raster(z.astype(np.float32), grid)
