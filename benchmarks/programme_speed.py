"""Time of programme, price range and budget; ways beside scikit-image and scipy in one run."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from skimage.graph import MCP_Geometric

from peatwright.model.layers import DRAINS, ITEMS
from peatwright.model.programme_rules import BudgetRules, ProgrammeRules, SpreadRules
from peatwright.model.raster import Grid
from peatwright.model.rules import Rules
from peatwright.works import budget, spread
from peatwright.works.programme import order, travel
from peatwright.works.programme.plan import plan

CRS = "EPSG:27700"
_BLANK = {"float": np.nan, "text": "", "bool": False, "int": 1}


def _clock(call: Callable[[], Any]) -> tuple[Any, float, float]:
    wall, cpu = time.perf_counter(), time.process_time()
    out = call()
    return out, time.perf_counter() - wall, time.process_time() - cpu


def _table(rows: list[dict[str, Any]], layer: Any) -> gpd.GeoDataFrame:
    data = {c.name: [r.get(c.name, _BLANK[c.kind]) for r in rows] for c in layer.columns}
    return gpd.GeoDataFrame(pd.DataFrame(data), geometry=[r["geometry"] for r in rows], crs=CRS)


def site(drains: int, items: int) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """A herringbone of drains with dams and zip runs: items and drains."""
    rows, held = [], []
    each = items // drains
    for k in range(drains):
        row, side = divmod(k, 2)
        x, y = 520.0 * (row % 4) + 260.0, 4000.0 - 45.0 * (row // 4)
        sign = 1.0 if side else -1.0
        line = shapely.LineString([(x + sign * 230.0, y), (x + sign * 8.0, y - 20.0)])
        rows.append({"drain_id": f"D{k:04d}", "given_ids": "g", "head_node": f"h{k}",
            "outfall_node": f"o{k}", "outfall_kind": "open ground", "direction_from": "levels",
            "direction_sure_ratio": 1.0, "length_m": line.length, "unseen_m": 0.0,
            "unmeasured_m": 0.0, "geometry": line})  # fmt: skip
        for n in range(each):
            at = line.length * (n + 0.5) / each
            dam = n % 2 == 0
            held.append({"item_id": f"D{k:04d}-{n}", "drain_id": f"D{k:04d}", "reach_id": "r",
                "order_on_drain": n + 1, "kind": "dam" if dam else "zip", "chainage_m": at,
                "method": "wave dam" if dam else "zip", "why": "made up", "from_m": at,
                "to_m": at, "x_m": x, "y_m": y, "length_m": 6.0, "buckets": 4.0 if dam else np.nan,
                "geometry": line})  # fmt: skip
    return _table(held, ITEMS), _table(rows, DRAINS)


def _ways() -> None:
    rng = np.random.default_rng(1)
    rows, cols, sources = 300, 300, 20
    cost = rng.uniform(1, 5, (rows, cols))
    at = travel.Finder(travel.Ground(cost, Grid(0.0, 0.0, 4.0, 4.0, rows, cols, CRS)), 2.0)
    places = rng.choice(cost.size, sources, replace=False).astype(np.int64)
    at.table(places[:2], [])
    table, wall, cpu = _clock(lambda: at.table(places, []))

    def image() -> np.ndarray:
        found = MCP_Geometric(cost, sampling=(4.0, 4.0))
        return np.array(
            [found.find_costs([divmod(int(p), cols)])[0].ravel()[places] for p in places]
        )

    theirs, image_wall, image_cpu = _clock(image)
    cell = np.arange(cost.size).reshape(cost.shape)
    flat = cost.ravel()
    ends = [(cell[:, :-1], cell[:, 1:], 4.0), (cell[:-1], cell[1:], 4.0),
        (cell[:-1, :-1], cell[1:, 1:], 4 * 2**0.5),
        (cell[:-1, 1:], cell[1:, :-1], 4 * 2**0.5)]  # fmt: skip
    a = np.concatenate([x.ravel() for x, _, _ in ends])
    b = np.concatenate([y.ravel() for _, y, _ in ends])
    w = np.concatenate([d * (flat[x] + flat[y]).ravel() / 2 for x, y, d in ends])
    graph = coo_array((w, (a, b)), shape=(cost.size, cost.size)).tocsr()
    graph_theirs, graph_wall, graph_cpu = _clock(
        lambda: dijkstra(graph, directed=False, indices=places)[:, places]
    )
    print(f"ways between {sources} places over {cost.size:,} cells, traced")
    print(f"  ours          {wall:6.2f} s ({cpu:.2f} s of processor)")
    print(f"  scikit-image  {image_wall:6.2f} s ({image_cpu:.2f}), costs only")
    print(f"  scipy         {graph_wall:6.2f} s ({graph_cpu:.2f}), costs only, graph ready")
    most = max(np.abs(table.cost_m - x).max() for x in (theirs, graph_theirs))
    print(f"  largest difference of cost {most:.1e} m")


def run() -> None:
    """Print all figures."""
    _ways()
    rules, programme = Rules(), ProgrammeRules(years_max=10)
    plan(*site(6, 60), rules, programme, access=(0.0, 3400.0))
    for drains, items in ((100, 3000), (100, 5000), (300, 9000)):
        tables = site(drains, items)
        made, wall, cpu = _clock(lambda t=tables: plan(*t, rules, programme, access=(0.0, 3400.0)))
        s = made.summary
        print(f"programme of {drains} drains and {items} items: {wall:.2f} s ({cpu:.2f})")
        print(
            f"  tracking {s.travel_m:,.0f} m, finished drains crossed {s.finished_crossed}; "
            f"plain order {s.plain_travel_m:,.0f} m, crossed {s.plain_finished_crossed}"
        )
    items, _ = site(100, 3000)
    made_cost, wall, cpu = _clock(lambda: spread.spread(items, rules, SpreadRules()))
    print(f"range of the price, {made_cost.total.size:,} draws: {wall:.2f} s ({cpu:.2f})")
    _orders()
    _budget()


def _orders() -> None:
    rng = np.random.default_rng(2)
    n = 200
    head = rng.uniform(0, 3000, (n, 2))
    ends = np.stack([head, head + rng.normal(0, 100, (n, 2))], axis=1).reshape(-1, 2)
    xy = np.vstack([[0.0, 0.0], ends])
    cost = np.hypot(*(xy[:, None] - xy[None, :]).transpose(2, 0, 1))
    none = np.zeros(0, dtype=np.int64)
    table = travel.Table(cost, cost, np.zeros(len(xy) ** 2 + 1, dtype=np.int64), none)
    rules = ProgrammeRules(far_first_ratio=0.0)
    made, wall, cpu = _clock(lambda: order.best_order(table, (none, none), rules))
    mode = np.zeros(n, dtype=np.int64)
    near = order.cost_of(table, order.greedy(table, mode, none, none, np.zeros(n)), mode, rules)
    print(
        f"order of {n} drains: {wall:.2f} s ({cpu:.2f}), {made.cost_m:,.0f} m; nearest neighbour "
        f"{near:,.0f} m; as listed {order.cost_of(table, np.arange(n), mode, rules):,.0f} m"
    )


def _budget() -> None:
    rng = np.random.default_rng(3)
    n = 2400
    ids = [f"D{k}" for k in range(n)]
    size = rng.lognormal(5, 0.6, n)
    into = [ids[rng.integers(max(0, k - 40), k)] if k and rng.random() < 0.6 else ""
        for k in range(n)]  # fmt: skip
    drains = pd.DataFrame({"drain_id": ids, "flows_into": into,
        "cost": np.round(size * rng.uniform(5, 12, n), 2)})  # fmt: skip
    benefits = pd.DataFrame({"drain_id": ids, "area_m2": size * rng.uniform(10, 40, n),
        "carbon_t": size * rng.uniform(0.1, 1, n), "flow_m3": size * rng.uniform(0, 2, n),
    })  # fmt: skip
    rules = BudgetRules()
    held, _ = budget.case(drains, benefits, rules)
    whole = float(drains["cost"].sum())
    times = []
    for share in (0.1, 0.25, 0.4, 0.55, 0.7):
        made, wall, cpu = _clock(lambda s=share: budget.choose(held, s * whole, rules))
        times.append((wall, cpu))
        assert made.proved
    wall, cpu = ([t[k] for t in times] for k in (0, 1))
    print(
        f"budget of {n} drains with precedence, proved: median {np.median(wall):.2f} s "
        f"({np.median(cpu):.2f}), worst {max(wall):.2f} s ({max(cpu):.2f})"
    )


if __name__ == "__main__":
    run()
