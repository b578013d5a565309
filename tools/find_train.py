"""Train the judge of found lines: gradient-boosted trees on line pieces, written as text.

Data: two of the real tiles (LiDAR © Kartverket, hoydedata.no, CC BY 4.0; lines read by eye) and
invented ground. `python tools/find_train.py` writes src/peatwright/drains/find/judge.txt.
`ROUGH_SEEDS=16` adds ground of find_rough.py; the shipped judge does without, as docs/finding.md
explains.
"""

from __future__ import annotations

import os
import sys
import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from find_ground import make
from find_rough import roughen

from peatwright.drains.find.finder import look_at
from peatwright.drains.find.judge import CLASSES, Judge
from peatwright.drains.find.lines import FIRST_LEAST, sift
from peatwright.drains.find.network import place
from peatwright.drains.find.pieces import FEATURES, measure
from peatwright.model.find_rules import FindRules
from peatwright.model.raster import Grid, Raster

HERE = Path(__file__).resolve().parents[1]
GROUND = Path(os.environ.get("PEATWRIGHT_GROUND", HERE.parent / "shared" / "ground"))
KIND = {
    "ditch": 1, "drain": 1, "roadside": 2, "natural channel": 3, "other linear": 4,
    "track rut/other linear": 4, "rut": 4,
}  # fmt: skip


def real(name: str):
    """A real tile as raster, and per reading its lines, kinds, certainties and area."""
    with rasterio.open(GROUND / name / "dtm.tif") as r:
        z = r.read(1, masked=True).filled(np.nan).astype(np.float32)
        t = r.transform
    grid = Grid(t.c, t.f, t.a, -t.e, *z.shape, "EPSG:25832")
    readings = []
    for x in "ab":
        f = GROUND / name / f"lines_{x}.geojson"
        if f.exists():
            g = gpd.read_file(f)
            area = gpd.read_file(GROUND / name / f"area_{x}.geojson").union_all()
            kind = g.kind.map(KIND).to_numpy()
            readings.append((g.geometry.to_numpy(), kind, g.certainty.to_numpy(), area))
    return Raster(z, grid), readings


def coarser(raster: Raster, factor: int) -> Raster:
    """The same ground with cells averaged."""
    g = raster.grid
    rows, cols = g.rows // factor, g.cols // factor
    z = raster.values[: rows * factor, : cols * factor].reshape(rows, factor, cols, factor)
    grid = Grid(
        g.x_left_m, g.y_top_m, g.dx_m * factor, g.dy_m * factor, rows, cols, g.crs
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # blocks without data
        return Raster(np.nanmean(z, (1, 3)).astype(np.float32), grid)


def invented(seed: int, cell: float, rough_ground: bool = False):
    """An invented tile in the same form."""
    z, lines = make(seed, roughen=roughen if rough_ground else None)
    f = int(cell / 0.5)
    if f > 1:
        z = z.reshape(z.shape[0] // f, f, -1, f).mean((1, 3)).astype(np.float32)
    top = 500.0
    grid = Grid(0.0, top, cell, cell, *z.shape, "EPSG:27700")
    geo = np.array([shapely.LineString(np.c_[m.xy[:, 0], top - m.xy[:, 1]]) for m in lines])
    kind = np.array([KIND[m.kind] for m in lines], int)
    return Raster(z, grid), [(geo, kind, np.ones(len(lines), int), shapely.box(0, 0, 500, 500))]


def examples(s, grid: Grid, readings):
    """Pieces of lines: measures, soft classes and weights (metres)."""
    p = measure(s, grid.dx_m, grid.dy_m)
    x, y = place(s.points, grid.dx_m, grid.dy_m)
    x, y = grid.x_left_m + x, grid.y_top_m - y
    geo = np.array([
        shapely.LineString(np.c_[x[p.order[a:b]], y[p.order[a:b]]])
        for a, b in zip(p.start[:-1], p.start[1:], strict=True)
    ])  # fmt: skip
    total = np.zeros((len(geo), len(CLASSES)))
    weight = np.zeros(len(geo))
    for lines, kind, sure, area in readings:
        inside = shapely.contains(area, shapely.centroid(geo))
        share = np.zeros((len(geo), len(CLASSES)))
        for c in range(1, len(CLASSES)):
            near = shapely.buffer(shapely.union_all(lines[(kind == c) & (sure <= 2)]), 2.0)
            share[:, c] = shapely.length(shapely.intersection(geo, near)) / geo_len(geo)
        doubt = shapely.buffer(shapely.union_all(lines[sure > 2]), 2.0)
        grey = shapely.length(shapely.intersection(geo, doubt)) / geo_len(geo) > 0.3
        over = np.maximum(share[:, 1:].sum(1), 1.0)
        share[:, 1:] /= over[:, None]
        share[share < 0.25] = 0.0  # a crossing is no match
        share[:, 0] = 1 - share[:, 1:].sum(1)
        w = p.length_m * inside * ~(grey & (share[:, 1] < 0.5))
        total += share * w[:, None]
        weight += w
    ok = weight > 0
    n = len(readings)
    return p.feature[ok], total[ok] / weight[ok, None], weight[ok] / n


def geo_len(geo):
    """Lengths, never zero."""
    return np.maximum(shapely.length(geo), 1e-6)


def grow(binned, grad, hess, w, depth, leaf_m, lam):
    """One tree of fixed depth on binned measures: feature, bin and leaf values."""
    nodes = 2**depth - 1
    feature = np.zeros(nodes, int)
    cut = np.full(nodes, 255)
    at = np.zeros(len(grad), int)
    for node in range(nodes):
        here = at == node
        if here.sum() >= 10:
            gs, hs, ws = grad[here], hess[here], w[here]
            g0, h0 = gs.sum(), hs.sum()
            best = 1e-3
            for f in range(binned.shape[1]):
                b = binned[here, f]
                g = np.cumsum(np.bincount(b, gs, 64))[:-1]
                h = np.cumsum(np.bincount(b, hs, 64))[:-1]
                m = np.cumsum(np.bincount(b, ws, 64))[:-1]
                gain = g**2 / (h + lam) + (g0 - g) ** 2 / (h0 - h + lam) - g0**2 / (h0 + lam)
                gain[(m < leaf_m) | (ws.sum() - m < leaf_m)] = 0
                k = int(gain.argmax())
                if gain[k] > best:
                    best, feature[node], cut[node] = gain[k], f, k
        go = binned[:, feature[node]] > cut[node]
        at = np.where(here, 2 * node + 1 + go, at)
    leaf = at - nodes
    value = -np.bincount(leaf, grad, nodes + 1) / (np.bincount(leaf, hess, nodes + 1) + lam)
    return feature, cut, value, leaf


def train(x, y, w, rounds=90, rate=0.08, depth=3, leaf_m=80.0, lam=40.0, seed=1):
    """Softmax boosting with soft classes; returns trees and the start scores."""
    rng = np.random.default_rng(seed)
    edges = [
        np.unique(np.quantile(x[:, f], np.linspace(0, 1, 64)[1:-1])) for f in range(x.shape[1])
    ]
    binned = np.stack([np.searchsorted(e, x[:, f], "left") for f, e in enumerate(edges)], 1)
    base = np.log((w[:, None] * y).sum(0) / w.sum() + 1e-4)
    score = np.tile(base, (len(x), 1))
    trees = []
    for _ in range(rounds):
        p = np.exp(score - score.max(1, keepdims=True))
        p /= p.sum(1, keepdims=True)
        pick = rng.random(len(x)) < 0.6
        for c in range(y.shape[1]):
            g = np.where(pick, w * (p[:, c] - y[:, c]), 0.0)
            h = np.where(pick, w * np.maximum(p[:, c] * (1 - p[:, c]), 1e-3), 0.0)
            f, k, v, leaf = grow(binned, g, h, w * pick, depth, leaf_m, lam)
            v = rate * v
            score[:, c] += v[leaf]
            at = [edges[f[i]][k[i]] if k[i] < len(edges[f[i]]) else np.inf for i in range(len(f))]
            trees.append((c, f, np.array(at), v))
    return base, trees


def bag(x, y, w, rounds=90, times=3):
    """Mean of a few trainings on different draws: steadier on ground that was not learnt from."""
    models = [train(x, y, w, rounds=rounds, seed=k + 1) for k in range(times)]
    trees = [(c, f, at, v / times) for _, t in models for c, f, at, v in t]
    return models[0][0], trees


def write(path: Path, judges, heats) -> None:
    """Write the judges as text: one tree a line."""
    out = ["# classes: " + " ".join(c.replace(" ", "_") for c in CLASSES)]
    out.append("# measures: " + " ".join(FEATURES))
    for name, (base, trees) in judges.items():
        out.append(f"judge {name}")
        out.append(f"heat {heats.get(name, 1.0):.3g}")
        out.append("base " + " ".join(f"{b:.5g}" for b in base))
        for c, f, at, v in trees:
            out.append(
                f"{c} " + " ".join(map(str, f)) + " " + " ".join(f"{a:.5g}" for a in at) + " "
                + " ".join(f"{a:.4g}" for a in v)
            )  # fmt: skip
    path.write_text("\n".join(out) + "\n")


def gather_examples(grounds, raws):
    """Examples of all grounds, each with its own weight."""
    sets = []
    for (raster, readings, weight), s in zip(grounds, raws, strict=True):
        a, b, c = examples(s, raster.grid, readings)
        sets.append((a, b, c * weight))
    x, y, w = (np.concatenate(k) for k in zip(*sets, strict=True))
    sys.stderr.write(
        f"{len(x)} pieces, {w.sum() / 1000:.0f} km; km by class {(w @ y / 1000).round(1)}\n"
    )
    return x, y, w


def heat_of(chances, y, w) -> float:
    """Divisor of the scores that makes chances fit ground that was not learnt from."""
    score = np.log(np.maximum(chances, 1e-9))

    def loss(h):
        p = np.exp(score / h)
        p /= p.sum(1, keepdims=True)
        return -(w[:, None] * y * np.log(p + 1e-9)).sum()

    return min(np.arange(0.8, 3.0, 0.05), key=loss)


def as_judge(model):
    """A trained model as the package's judge."""
    base, trees = model
    c, f, at, v = zip(*trees, strict=True)
    return Judge(base, np.array(c), np.stack(f), np.stack(at), np.stack(v))


def main() -> None:
    """Collect examples, train both judges, find the heat on tiles left out, write."""
    tiles = [t for t in os.environ.get("TILES", "drained_basin,two_drained_plots").split(",") if t]
    real_weight = float(os.environ.get("REAL_WEIGHT", "4"))
    rough_weight = float(os.environ.get("ROUGH_WEIGHT", "1"))
    rules = FindRules()
    grounds, owner = [], []
    for t in tiles:
        raster, readings = real(t)
        for factor, share in ((1, 1.0), (2, 0.5), (4, 0.25)):
            cells = raster if factor == 1 else coarser(raster, factor)
            grounds.append((cells, readings, real_weight * share))
            owner.append(t)
    for seed in range(int(os.environ.get("SEEDS", "24"))):
        grounds.append((*invented(seed, (0.5, 0.5, 1.0, 0.5, 2.0)[seed % 5]), 1.0))
        owner.append("")
    for seed in range(100, 100 + int(os.environ.get("ROUGH_SEEDS", "0"))):
        cell = (0.5, 0.5, 1.0, 0.5, 2.0)[seed % 5]
        grounds.append((*invented(seed, cell, rough_ground=True), rough_weight))
        owner.append("")
    raws = [look_at(g[0], rules) for g in grounds]
    out_x, out_y, out_w = [], [], []
    models = {}
    for left in [*tiles, None] if len(tiles) > 1 else [None]:
        use = [i for i in range(len(grounds)) if owner[i] != left]
        first = train(
            *gather_examples([grounds[i] for i in use], [raws[i] for i in use]), rounds=60
        )
        sifted = [
            sift(s, as_judge(first), g[0].grid.dx_m, g[0].grid.dy_m, rules, FIRST_LEAST)
            for g, s in zip(grounds, raws, strict=True)
        ]
        second = bag(*gather_examples([grounds[i] for i in use], [sifted[i] for i in use]))
        if left is not None:
            for i in [i for i in range(len(grounds)) if owner[i] == left]:
                a, b, c = examples(sifted[i], grounds[i][0].grid, grounds[i][1])
                out_x.append(as_judge(second).chances(a))
                out_y.append(b)
                out_w.append(c * grounds[i][2])
            folder = os.environ.get("FOLDS")
            if folder:  # the judge that never saw this tile, for an honest score on it
                write(
                    Path(folder) / f"without_{left}.txt",
                    {"first": first, "second": second},
                    {},
                )
        else:
            models = {"first": first, "second": second}
    heats = {}
    if out_x:
        heats["second"] = heat_of(*(np.concatenate(k) for k in (out_x, out_y, out_w)))
        sys.stderr.write(f"heat {heats['second']:.2f}\n")
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "src/peatwright/drains/find/judge.txt"
    write(path, models, heats)


if __name__ == "__main__":
    main()
