"""What the search gives back, and how it is said in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from peatwright.drains.find.lines import Lines
from peatwright.model.errors import Fault
from peatwright.model.raster import Grid

if TYPE_CHECKING:
    import geopandas as gpd

F64 = NDArray[np.float64]

LINE_COLUMNS = (
    "found_id", "kind", "confidence", "depth_m", "width_m", "continuity_ratio",
    "straightness_ratio", "length_m", "beside_count", "fall_m", "flow_sure_ratio", "head_node",
    "end_node", "flows_into", "too_wide_to_dam", "rests_on",
)  # fmt: skip
AREA_COLUMNS = (
    "found_id",
    "kind",
    "direction_deg",
    "spacing_m",
    "area_m2",
    "confidence",
    "rests_on",
)


@dataclass(frozen=True)
class FoundDrains:
    """Lines and areas that the terrain shows, for a person to accept or refuse.

    `lines` run from head to outfall, with `LINE_COLUMNS`; confidence is the chance that a line is
    there and of its kind. `furrows` are areas of plough lines, with `AREA_COLUMNS`. `noise_m` is
    the median noise of the terrain, as the depth of the trench that drowns in it.
    """

    lines: gpd.GeoDataFrame
    furrows: gpd.GeoDataFrame
    noise_m: float
    area_ha: float
    messages: tuple[Fault, ...] = field(default=())

    def by_kind(self) -> dict[str, dict[str, float]]:
        """Length in metres of each kind: sure (0.8 and more), likely (0.5 to 0.8), doubtful."""
        out: dict[str, dict[str, float]] = {}
        for kind, group in self.lines.groupby("kind"):
            c, m = group["confidence"], group["length_m"]
            out[str(kind)] = {
                "sure_m": float(m[c >= 0.8].sum()),
                "likely_m": float(m[(c >= 0.5) & (c < 0.8)].sum()),
                "doubtful_m": float(m[c < 0.5].sum()),
            }
        return out


def say(t: dict[str, Any], i: int) -> str:
    """What one line rests on, in words."""
    said = [
        f"trough {t['depth_m'][i]:.2f} m deep and {t['width_m'][i]:.1f} m wide at half depth",
        f"seen along {100 * t['continuity_ratio'][i]:.0f} % of {t['length_m'][i]:.0f} m",
        f"{t['contrast'][i]:.1f} times the noise of the ground",
    ]
    s = t["straightness_ratio"][i]
    said.append("straight" if s > 0.97 else "slightly bent" if s > 0.85 else "winding")
    n = t["beside_count"][i]
    if n:
        said.append(f"about {n} {'line runs' if n == 1 else 'lines run'} beside it")
    if t["flow_sure_ratio"][i] < 0.5:
        said.append("flow direction unsure: the bed hardly falls")
    if t["kind"][i] == "gully":
        said.append("too wide to dam as a drain")
    return "; ".join(said) + "."


def names(x: F64, y: F64, prefix: str) -> list[str]:
    """Ids from places in whole metres; a second line in the same place gets a letter."""
    taken: dict[str, int] = {}
    out = []
    for a, b in zip(np.rint(x).astype(int).tolist(), np.rint(y).astype(int).tolist(), strict=True):
        base = f"{prefix}{a}-{b}"
        n = taken.get(base, 0)
        taken[base] = n + 1
        out.append(base + ("" if n == 0 else chr(96 + min(n, 26))))
    return out


def to_layers(
    lines: Lines,
    areas: list[dict[str, Any]],
    grid: Grid,
    noise_m: float,
    area_ha: float,
    messages: Sequence[Fault],
) -> FoundDrains:
    """Make the result's tables in map coordinates."""
    import geopandas as gpd  # noqa: PLC0415 - loads slowly
    import shapely  # noqa: PLC0415
    from shapely.affinity import affine_transform  # noqa: PLC0415

    n = lines.start.size - 1
    t: dict[str, Any] = dict(lines.table)
    x, y = grid.x_left_m + lines.x, grid.y_top_m - lines.y
    if n:
        line = np.repeat(np.arange(n), np.diff(lines.start))
        geo: Any = shapely.simplify(shapely.linestrings(np.stack([x, y], 1), indices=line), 0.08)
        mid = lines.start[:-1] + np.diff(lines.start) // 2
        ids = names(x[mid], y[mid], "F")
        t["beside_count"] = np.rint(t["beside_m"] / np.clip(t["length_m"], 20, 60)).astype(int)
        into = [""] * n
        tree = shapely.STRtree(geo)
        tips = shapely.points(x[lines.start[1:] - 1], y[lines.start[1:] - 1])
        a, b = tree.query(tips, predicate="dwithin", distance=1.5)
        for i, j in zip(a.tolist(), b.tolist(), strict=True):
            if i != j and not into[i] and lines.ends[i, 1] != lines.ends[j, 1]:
                into[i] = ids[j]
        table = {
            "found_id": ids,
            **{c: t[c] for c in LINE_COLUMNS if c in t},
            "head_node": lines.ends[:, 0],
            "end_node": lines.ends[:, 1],
            "flows_into": into,
            "too_wide_to_dam": np.asarray(t["kind"] == "gully"),
            "rests_on": [say(t, i) for i in range(n)],
        }
        # node numbers in the order of their first use, so that they do not hang on points
        nodes = {v: k for k, v in enumerate(dict.fromkeys(lines.ends.ravel().tolist()))}
        table["head_node"] = [nodes[v] for v in lines.ends[:, 0].tolist()]
        table["end_node"] = [nodes[v] for v in lines.ends[:, 1].tolist()]
        frame = gpd.GeoDataFrame(table, geometry=geo, crs=grid.crs)[[*LINE_COLUMNS, "geometry"]]
    else:
        frame = gpd.GeoDataFrame({c: [] for c in LINE_COLUMNS}, geometry=[], crs=grid.crs)
    if areas:
        shift = (1, 0, 0, -1, grid.x_left_m, grid.y_top_m)
        shapes: Any = [affine_transform(a["shape"], shift) for a in areas]
        centre = shapely.get_coordinates(shapely.point_on_surface(shapes))
        held = {c: [a[c] for a in areas] for c in AREA_COLUMNS if c not in {"found_id", "kind"}}
        held = {
            "found_id": names(centre[:, 0], centre[:, 1], "P"),
            "kind": ["furrows"] * len(shapes),
            **held,
        }
        furrows = gpd.GeoDataFrame(held, geometry=shapes, crs=grid.crs)
    else:
        furrows = gpd.GeoDataFrame({c: [] for c in AREA_COLUMNS}, geometry=[], crs=grid.crs)
    return FoundDrains(frame, furrows, noise_m, area_ha, tuple(messages))


def keep_ids(found: FoundDrains, before: gpd.GeoDataFrame, reach_m: float = 2.0) -> FoundDrains:
    """Give lines the id they had before, where most of a line lies on an old one.

    `before` is the line table of an earlier search. Each old id is given once, to the line that
    shares most length with it; ids of lines that are new stay as they are unless already taken.
    """
    import dataclasses  # noqa: PLC0415

    import shapely  # noqa: PLC0415

    new = found.lines.copy()
    if not len(new) or not len(before):
        return found
    tree = shapely.STRtree(before.geometry.to_numpy())
    geo = new.geometry.to_numpy()
    a, b = tree.query(geo, predicate="dwithin", distance=reach_m)
    old = shapely.buffer(before.geometry.to_numpy()[b], reach_m)
    shared = shapely.length(shapely.intersection(geo[a], old))
    pairs = sorted(
        (-float(m), int(i), int(j)) for m, i, j in zip(shared, a, b, strict=True)
        if m > 0.5 * min(geo[i].length, before.geometry.iloc[j].length)
    )  # fmt: skip
    given: dict[int, str] = {}
    taken: set[str] = set()
    old_ids = before["found_id"].tolist()
    for _, i, j in pairs:
        if i not in given and old_ids[j] not in taken:
            given[i] = old_ids[j]
            taken.add(old_ids[j])
    rename = {}
    ids = new["found_id"].tolist()
    out = []
    for i, own in enumerate(ids):
        name = given.get(i, own)
        while i not in given and (name in taken or name in set(old_ids)):
            name += "n"
        taken.add(name)
        rename[own] = name
        out.append(name)
    new["found_id"] = out
    new["flows_into"] = [rename.get(v, "") for v in new["flows_into"]]
    return dataclasses.replace(found, lines=new)
