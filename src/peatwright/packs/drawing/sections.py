"""Long sections of all drains on A4 sheets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from peatwright.model.progress import Progress, silent
from peatwright.model.rules import Rules
from peatwright.packs.drawing import profile
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.drawing.plan import TinyPlans
from peatwright.packs.info import PackInfo
from peatwright.packs.wording import SAFETY, SCREENING, count, number, plain

PANELS_A_FILE = 300
"""Most panels set at once, which bounds memory; longer sites get several files."""


def section_files(
    tables: Mapping[str, pd.DataFrame], rules: Rules, info: PackInfo, progress: Progress = silent
) -> Iterator[bytes]:
    """Yield PDFs with the long section of every drain, from head to outfall.

    Each holds at most about `PANELS_A_FILE` panels, so memory does not grow with the
    site; a site without drains gives one sheet that says so.
    """
    drains = tables["drains"]
    stations = dict(list(tables["stations"].groupby("drain_id", sort=False)))
    items = dict(list(tables["items"].groupby("drain_id", sort=False)))
    none = {name: tables[name].iloc[:0] for name in ("stations", "items")}
    total = max(len(drains), 1)
    blocks: list[dict[str, Any]] = []
    pictures: dict[str, bytes] = {}
    plans = TinyPlans(drains, 34, 15)
    panels = 0
    for k, drain in enumerate(drains.drop(columns="geometry").to_dict("records")):
        drain_id = drain["drain_id"]
        block = _block(
            drain, stations.get(drain_id, none["stations"]), items.get(drain_id, none["items"]),
            tables, plans, rules, pictures, k,
        )  # fmt: skip
        blocks.append(block)
        panels += len(block["panels"])
        progress((k + 1) / total, f"long section of {drain_id}")
        if panels >= PANELS_A_FILE:
            yield _set(blocks, pictures, info)
            blocks, pictures, panels = [], {}, 0
    if blocks or not len(drains):
        yield _set(blocks, pictures, info)


def _set(blocks: list[dict[str, Any]], pictures: dict[str, bytes], info: PackInfo) -> bytes:
    data = {
        "title": plain(info.title, 80),
        "date": plain(info.date),
        "origin": plain(info.origin),
        "attribution": plain(info.attribution, 200),
        "wide": profile.WIDE,
        "high": profile.HIGH,
        "blocks": blocks,
        "screening": SCREENING,
        "safety": SAFETY,
    }
    return set_pages("sections.typ", data, {**pictures, "key.svg": profile.legend()})[0]


def _block(
    drain: Mapping[Any, Any],
    stations: pd.DataFrame,
    items: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    plans: TinyPlans,
    rules: Rules,
    pictures: dict[str, bytes],
    order: int,
) -> dict[str, Any]:
    drains, reaches = tables["drains"], tables["reaches"]
    drain_id = drain["drain_id"]
    pictures[f"plan{order}.svg"] = plans.picture(drain_id)
    joining = drains[drains["flows_into"] == drain_id]
    joins = [
        (float(c), str(i))
        for c, i in zip(joining["flows_into_chainage_m"], joining["drain_id"], strict=True)
        if np.isfinite(c)
    ]
    length = float(drain["length_m"])
    shown = _panel_length(stations)
    # Panels of like length, so that none shows a lonely last metre.
    parts = max(1, int(np.ceil(length / shown - 1e-6)))
    step = min(shown, float(np.ceil(length / parts / 10) * 10))
    starts = np.arange(parts) * step
    at = stations["chainage_m"].to_numpy(np.float64)
    panels = []
    for k, start in enumerate(starts):
        end = min(start + step, max(length, start + 20.0))
        last = k == len(starts) - 1
        touching = items[(items["to_m"] >= start) & (items["from_m"] <= end)]
        panel = profile.Panel(
            stations[(at >= start - 1e-6) & (at <= end + 1e-6)],
            touching[(touching["kind"] != "dam") | touching["chainage_m"].between(start, end)],
            [j for j in joins if start <= j[0] <= end],
            float(start),
            float(end),
            shown,
            _outfall(drain) if last else "",
            rules.dam.crest_thickness_m,
            rules.dam.face_slope_ratio,
        )
        name = f"p{order}-{k}.svg"
        pictures[name], times = profile.draw(panel)
        words = (
            f"{start:.0f} to {min(end, length):.0f} m · horizontal "
            f"1:{number(1000 * shown / profile.GRAPH_WIDE)}, levels drawn ×{times:g}"
        )
        panels.append({"picture": name, "words": words})
    mine = reaches[reaches["drain_id"] == drain_id]
    methods = mine.groupby("method", sort=False)["length_m"].sum()
    return {
        "id": plain(drain_id, 30),
        "name": plain(drain["name"], 70),
        "facts": _facts(drain, items),
        "methods": ", ".join(f"{m} {number(v, 0, 'm')}" for m, v in methods.items() if v >= 1),
        "note": plain(drain["note"], 150),
        "plan": f"plan{order}.svg",
        "panels": panels,
    }


def _panel_length(stations: pd.DataFrame) -> float:
    """Return how much drain one panel shows: less where the drain falls steeply."""
    bed = stations["bed_level_m"].to_numpy(np.float64)
    known = bed[np.isfinite(bed)]
    if not len(known):
        return profile.PANEL_M
    panels = max(len(stations) / max(profile.PANEL_M, 1.0), 1.0)
    fall = (known.max() - known.min()) / panels
    return profile.STEEP_PANEL_M if fall > profile.STEEP_FALL_M else profile.PANEL_M


def _outfall(drain: Mapping[Any, Any]) -> str:
    if drain["flows_into"]:
        return f"outfall into {drain['flows_into']}"
    return f"outfall: {drain['outfall_kind']}"


def _facts(drain: Mapping[Any, Any], items: pd.DataFrame) -> str:
    dams = int((items["kind"] == "dam").sum())
    zipped = float(items.loc[items["kind"] == "zip", "length_m"].sum())
    parts = [
        number(drain["length_m"], 0, "m"),
        f"falls {number(drain['fall_m'], 1, 'm')} ({number(100 * drain['gradient_ratio'], 1)} %)",
        f"depth {number(drain['depth_m'], 2, 'm')}",
        f"top width {number(drain['top_width_m'], 1, 'm')}",
        count(dams, "dam"),
        f"{number(zipped, 0, 'm')} zipped",
    ]
    if drain["unmeasured_m"] > 0:
        parts.append(f"{number(drain['unmeasured_m'], 0, 'm')} not measured")
    return " · ".join(parts)
