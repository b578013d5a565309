"""A page on how each method in use is built, with step pictures, do-nots and checks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from peatwright.model.layers import METHODS
from peatwright.model.rules import Rules
from peatwright.packs.cards.sketch import WIDE
from peatwright.packs.cards.steps_hard import HARD
from peatwright.packs.cards.steps_soft import SLOPE, SOFT, Picture
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.info import PackInfo
from peatwright.packs.version import Issue
from peatwright.packs.wording import plain
from peatwright.packs.words import Words

STEPS: Mapping[str, tuple[Picture, ...]] = {**SOFT, **HARD}


def values_of(rules: Rules, w: Words) -> dict[str, object]:
    """Return the figures of the rule sheet that the words of the guide use."""
    d = rules.dam
    few, many = int(d.buckets_min), int(d.buckets_usual_max)
    return {
        "buckets": few,
        "usual": many if many > few else few,
        "untouched": w.number(d.untouched_below_m, 0 if d.untouched_below_m % 1 == 0 else 1),
        "key": w.number(d.key_m, 1),
        "peat": w.number(rules.method.piling_peat_min_m, 1),
        "every": w.number(rules.zip.spoil_break_every_m),
        "slope": SLOPE.value,
        "up": w.number(np.nan_to_num(d.freeboard_m), 2),
    }


def guide_pdf(
    methods: Sequence[str], rules: Rules, info: PackInfo, issue: Issue, w: Words
) -> bytes:
    """Return one page for each of `methods`; all of them where none is named."""
    chosen = [m for m in METHODS if m in methods] or list(METHODS)
    pictures: dict[str, bytes] = {}
    pages: list[dict[str, Any]] = []
    values = values_of(rules, w)
    for n, method in enumerate(chosen):
        key = f"guide.methods.{method}"
        steps = []
        for k, (draw, text) in enumerate(
            zip(STEPS[method], w.each(f"{key}.steps", **values), strict=True)
        ):
            pictures[f"m{n}-{k}.svg"] = draw(w, rules)
            steps.append({"picture": f"m{n}-{k}.svg", "text": text})
        pages.append({
            "title": w.said("methods", method),
            "does": w(f"{key}.does"),
            "steps": steps,
            "donts": w.each(f"{key}.donts", **values),
            "checks": w.each(f"{key}.checks", **values),
        })  # fmt: skip
    data = {
        "pages": pages,
        "lang": w.language,
        "site": plain(info.title, 60),
        "issue": w("common.pack", number=issue.number),
        "code": w("common.layout_code", code=issue.code),
        "date": w.date(issue.date),
        "origin": plain(info.origin, 120),
        "wide": WIDE,
        "title": w("guide.title"),
        "do_not": w("guide.do_not"),
        "check": w("guide.check"),
        "stop": w("card.stop"),
        "stop_when": w("guide.stop_when"),
        "figures": w("guide.figures"),
        "caution": w("common.caution"),
        "screening": w("common.screening"),
        "stale": w("common.stale"),
    }
    return set_pages("guide.typ", data, pictures)[0]
