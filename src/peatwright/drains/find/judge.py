"""How likely each kind is for a piece of line: boosted trees, held as text beside this file.

Trained by `tools/find_train.py` on invented ground and on open terrain (LiDAR © Kartverket,
hoydedata.no, CC BY 4.0) with lines read by eye.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from peatwright.drains.find.net import _kernels as k

CLASSES = ("nothing", "drain", "roadside ditch", "natural channel", "rut")
F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Judge:
    """Trees of depth three: class, measure and threshold of each fork, value of each leaf.

    `heat` divides the scores, so that chances hold on ground that was not learnt from. `line`
    turns the mean chance of a whole drain into its confidence: see `confidence`.
    """

    base: F64
    of_class: NDArray[np.int64]
    feature: NDArray[np.int64]
    cut: F64
    value: F64
    heat: float = 1.0
    line: tuple[float, ...] = (0.0, 1.0, 0.0, 0.0, 0.0)

    def chances(self, measures: F64) -> F64:
        """Return the chance of each class (columns of `CLASSES`) for rows of measures."""
        score = np.tile(self.base, (len(measures), 1))
        k.add_trees(
            np.ascontiguousarray(measures, np.float64), self.of_class, self.feature, self.cut,
            self.value, score,
        )  # fmt: skip
        score /= self.heat
        score -= score.max(1, keepdims=True)
        p: F64 = np.exp(score)
        p /= p.sum(1, keepdims=True)
        return p


def confidence(
    line: tuple[float, ...], chance: F64, length_m: F64, seen_ratio: F64, straight_ratio: F64
) -> F64:
    """Confidence of whole drains from the mean chance of their pieces and their course.

    A logistic fit to lines on ground that was not learnt from: of two lines whose pieces look
    alike, the longer, more continuous and straighter one is real more often.
    """
    p = np.clip(chance, 1e-4, 1 - 1e-4)
    size = np.log(np.clip(length_m, 5.0, 150.0) / 30.0)
    score = line[0] + line[1] * np.log(p / (1 - p)) + line[2] * size + line[3] * (seen_ratio - 0.9)
    score = score + line[4] * (straight_ratio - 0.95)
    got: F64 = 1.0 / (1.0 + np.exp(-score))
    return got


def parse(text: str) -> dict[str, Judge]:
    """Read the judges from their text, by name."""
    rows: dict[str, list[list[float]]] = {}
    base: dict[str, F64] = {}
    heat: dict[str, float] = {}
    whole: dict[str, tuple[float, ...]] = {}
    name = ""
    for line in text.splitlines():
        if line.startswith("judge "):
            name = line.split()[1]
            rows[name] = []
        elif line.startswith("line "):
            whole[name] = tuple(float(w) for w in line.split()[1:])
        elif line.startswith("heat "):
            heat[name] = float(line.split()[1])
        elif line.startswith("base "):
            base[name] = np.array(line.split()[1:], float)
        elif line and not line.startswith("#"):
            rows[name].append([float(w) for w in line.split()])
    out = {}
    for key, held in rows.items():
        a = np.array(held)
        out[key] = Judge(
            base[key], a[:, 0].astype(np.int64), a[:, 1:8].astype(np.int64), a[:, 8:15].copy(),
            a[:, 15:].copy(),
            heat.get(key, 1.0),
            whole.get(key, (0.0, 1.0, 0.0, 0.0, 0.0)),
        )  # fmt: skip
    return out


@lru_cache(maxsize=1)
def shipped() -> dict[str, Judge]:
    """Return the judges that ship with the package."""
    return parse(resources.files(__package__).joinpath("judge.txt").read_text("utf-8"))
