"""Fit the confidence of whole drains and write it into the judge.

Lines on ground that the judge did not learn from: real tiles under judges trained without them
(`FOLDS`, written by `tools/find_train.py`), and invented ground of fresh seeds.
`ROUGH_SEEDS=12` adds ground of find_rough.py, which the shipped fit does not use.
`FOLDS=folder python tools/find_calibrate.py [judge.txt]`.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import shapely
from find_train import FIRST_LEAST, HERE, coarser, invented, real
from scipy.optimize import minimize

from peatwright.drains.find.finder import look_at
from peatwright.drains.find.judge import confidence, parse
from peatwright.drains.find.lines import sift, whole_lines
from peatwright.model.find_rules import FindRules

PLAIN = (0.0, 1.0, 0.0, 0.0, 0.0)
SHRINK = 0.02  # few hundred lines from few places: stay near the chances as they are


def drains(raster, readings, judges, rules, share):
    """Chance, length, continuity, straightness, real share and weight of each drain."""
    g = raster.grid
    s = sift(look_at(raster, rules), judges["first"], g.dx_m, g.dy_m, rules, FIRST_LEAST)
    lines = whole_lines(s, judges["second"], g.dx_m, g.dy_m, rules)
    out = []
    for i in range(lines.start.size - 1):
        if lines.table["kind"][i] != "drain":
            continue
        a, b = lines.start[i], lines.start[i + 1]
        geo = shapely.LineString(np.c_[g.x_left_m + lines.x[a:b], g.y_top_m - lines.y[a:b]])
        got = []
        for geos, kind, sure, area in readings:
            if area.contains(geo.centroid):
                near = shapely.buffer(shapely.union_all(geos[(kind == 1) & (sure <= 2)]), 2.0)
                got.append(geo.intersection(near).length / max(geo.length, 1e-6))
        if got:
            t = lines.table
            row = (t["chance"][i], t["length_m"][i], t["continuity_ratio"][i])
            out.append((*row, t["straightness_ratio"][i], np.mean(got), geo.length * share))
    return out


def main() -> None:
    """Collect lines, fit, write."""
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "src/peatwright/drains/find/judge.txt"
    text = "\n".join(v for v in path.read_text().splitlines() if not v.startswith("line "))
    judges = parse(text)
    heat = judges["second"].heat
    rules = FindRules(show_ratio=0.2, doubtful_m=8.0)
    rows = []
    for name in ("drained_basin", "two_drained_plots"):
        fold = (Path(os.environ["FOLDS"]) / f"without_{name}.txt").read_text()
        held = parse(fold.replace("heat 1\n", f"heat {heat:g}\n"))
        raster, readings = real(name)
        rows += drains(raster, readings, held, rules, 2.0)
        rows += drains(coarser(raster, 2), readings, held, rules, 1.0)
    for seed in range(500, 518):
        raster, readings = invented(seed, (0.5, 0.5, 1.0)[seed % 3])
        rows += drains(raster, readings, judges, rules, 0.5)
    for seed in range(600, 600 + int(os.environ.get("ROUGH_SEEDS", "0"))):
        raster, readings = invented(seed, (0.5, 0.5, 1.0)[seed % 3], rough_ground=True)
        rows += drains(raster, readings, judges, rules, 0.5)
    p, length, seen, straight, y, w = np.array(rows).T

    def loss(k):
        q = np.clip(confidence(tuple(k), p, length, seen, straight), 1e-6, 1 - 1e-6)
        return (
            -(w * (y * np.log(q) + (1 - y) * np.log(1 - q))).sum() / w.sum()
            + SHRINK * ((k - np.array(PLAIN)) ** 2).sum()
        )

    k = minimize(loss, np.array(PLAIN), method="Nelder-Mead", options={"maxiter": 4000}).x
    sys.stderr.write(f"{len(p)} lines; loss {loss(np.array(PLAIN)):.4f} to {loss(k):.4f}; {k}\n")
    kept = text.splitlines()
    at = kept.index("judge second") + 1
    kept.insert(at, "line " + " ".join(f"{v:.4g}" for v in k))
    path.write_text("\n".join(kept) + "\n")


if __name__ == "__main__":
    main()
