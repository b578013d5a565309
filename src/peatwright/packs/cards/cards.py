"""Operator cards: what one drain needs, on paper that survives a wet cab."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from peatwright.model.progress import Progress, part, silent
from peatwright.model.rules import Rules
from peatwright.packs.cards import section
from peatwright.packs.cards.plan import CardPlans
from peatwright.packs.cards.rows import Row, card_rows
from peatwright.packs.drawing.pages import set_pages
from peatwright.packs.drawing.plan import SCALES
from peatwright.packs.info import PackInfo
from peatwright.packs.national_grid import Places
from peatwright.packs.version import Issue
from peatwright.packs.wording import plain
from peatwright.packs.words import Words

PLAN_WIDE, PLAN_HIGH = 108.0, 58.0
MANY_ROWS = 20
"""A card with more lines sets them closer, so that one page or two are enough for most."""
CARDS_A_FILE = 60
"""Most drains set at once, which bounds memory; larger sites get several files."""
MOST_CAUTIONS = 3


class Cards:
    """Makes cards from one set of tables; the parts that all share are made once."""

    def __init__(
        self, tables: Mapping[str, pd.DataFrame], crs: str, rules: Rules, info: PackInfo,
        issue: Issue, w: Words,
    ) -> None:  # fmt: skip
        self.tables, self.rules, self.info, self.issue, self.w = tables, rules, info, issue, w
        self.places = Places(crs)
        self.drains = tables["drains"]
        self._plans = CardPlans(tables, w)
        self._of = {
            name: dict(list(tables[name].groupby("drain_id", sort=False)))
            for name in ("stations", "items")
        }
        self._none = {name: tables[name].iloc[:0] for name in ("stations", "items")}
        sums = tables["quantities"]
        self._sums = sums[sums["scope"] == "drain"].set_index("drain_id")
        self._findings = _by_drain(tables.get("findings"))
        self._visits = _by_drain(tables.get("programme"))
        ids = self.drains["drain_id"].astype(str)
        self._turn = sorted(range(len(ids)), key=lambda k: self._when_worked(ids.iloc[k]))
        self._rank = {d: k for k, d in enumerate(self.drains["drain_id"].astype(str))}

    def _when_worked(self, drain_id: str) -> tuple[bool, str, int]:
        """Return machine and place in its order, for sorting; what has no visit comes last."""
        visits = self._visits.get(drain_id, [])
        first = min(visits, key=lambda v: int(v["visit"])) if visits else None
        return (True, "", 0) if first is None else (False, first["machine"], int(first["visit"]))

    def pdf(self, drain_id: str) -> bytes:
        """Return the card of one drain."""
        return self._set([self._rank[drain_id]])

    def files(self, progress: Progress = silent) -> Iterator[bytes]:
        """Yield PDFs with the cards of all drains, in working order where there is a programme.

        Some drains a file; those without a visit come last, in the order of their table.
        """
        total = len(self.drains)
        for start in range(0, max(total, 1), CARDS_A_FILE):
            chosen = self._turn[start : start + CARDS_A_FILE]
            done = (start + len(chosen)) / max(total, 1)
            told = part(progress, start / max(total, 1), done) if chosen else silent
            yield self._set(chosen, told)

    def _set(self, chosen: list[int], told: Progress = silent) -> bytes:
        pictures: dict[str, bytes] = {}
        cards = []
        for k in chosen:
            cards.append(self._card(k, pictures))
            told(len(cards) / len(chosen), f"card of {cards[-1]['id']}")
        w = self.w
        data = {
            "cards": cards,
            "lang": w.language,
            "site": plain(self.info.title, 60),
            "date": w.date(self.issue.date),
            "issue": w("common.pack", number=self.issue.number),
            "origin": plain(self.info.origin, 120),
            "attribution": plain(self.info.attribution, 120),
            "plan": [PLAN_WIDE, PLAN_HIGH],
            "lettered": bool(self.places.grid),
            "words": {k.removeprefix("card."): v for k, v in w.texts().items()
                      if k.startswith("card.") and isinstance(v, str)},
            "common": {k.removeprefix("common."): v for k, v in w.texts().items()
                       if k.startswith("common.")},
            "safety": w("common.safety"),
            "sides": [w("sides.left"), w("sides.right")],
        }  # fmt: skip
        return set_pages("card.typ", data, pictures)[0]

    def _card(self, k: int, pictures: dict[str, bytes]) -> dict[str, Any]:
        w = self.w
        drain = self.drains.drop(columns="geometry").iloc[k].to_dict()
        drain_id = str(drain["drain_id"])
        items = self._of["items"].get(drain_id, self._none["items"])
        stations = self._of["stations"].get(drain_id, self._none["stations"])
        visits = self._visits.get(drain_id, [])
        upstream = bool(visits) and visits[0]["direction"] == "upstream"
        rows = card_rows(items, upstream=upstream)
        length = float(drain["length_m"])
        pictures[f"plan{k}.svg"], scale = self._plans.draw(k, rows, PLAN_WIDE, PLAN_HIGH)
        panels = []
        for n, strip in enumerate(section.strips(stations, items, rows, length, self.rules, w)):
            pictures[f"s{k}-{n}.svg"] = strip.picture
            words = w("card.section_head", a=w.number(strip.from_m), b=w.number(strip.to_m),
                      times=f"{strip.times:g}")  # fmt: skip
            panels.append({"picture": f"s{k}-{n}.svg", "words": words})
        return {
            "id": plain(drain_id, 24),
            "name": plain(drain["name"], 60),
            "code": self.issue.cards.get(drain_id, ""),
            "facts": self._facts(drain, items, rows),
            "when": self._when(visits),
            "peg": self._place(k, 0),
            "end": self._place(k, -1),
            "end_label": w("card.facts_end", m=w.number(length)),
            "end_words": self._end(drain),
            "order": w("card.order_up" if upstream else "card.order_down"),
            "banners": self._banners(drain, drain_id, stations),
            "plan": f"plan{k}.svg",
            "scale": f"1:{w.number(scale)}" if scale in SCALES else "",
            "panels": panels,
            "rows": [self._row(r) for r in rows],
            "close": len(rows) > MANY_ROWS,
            "cautions": self._cautions(rows),
        }

    def _place(self, k: int, which: int) -> str:
        x, y = self.drains.geometry.iloc[k].coords[which][:2]
        return self.places(float(x), float(y))

    def _end(self, drain: Mapping[Any, Any]) -> str:
        w = self.w
        into = plain(drain["flows_into"], 20)
        if into:
            return w("card.joins", drain=into, m=w.number(float(drain["flows_into_chainage_m"])))
        return w("card.ends", kind=w.said("card.outfall", str(drain["outfall_kind"])))

    def _facts(
        self, drain: Mapping[Any, Any], items: pd.DataFrame, rows: list[Row]
    ) -> list[list[str]]:
        w = self.w
        dams = items.loc[items["kind"] == "dam", "method"].value_counts()
        build = [f"{w.number(n)} × {w.said('methods', str(m))}" for m, n in dams.items()]
        zipped = float(items.loc[items["kind"] == "zip", "length_m"].sum())
        gaps = int(items["kind"].isin(["spoil gap", "spoil break"]).sum())
        facts = [
            [w("card.facts_depth"), ", ".join([w.number(drain["depth_m"], 2, "m"),
                                               w.number(drain["top_width_m"], 1, "m")])],
            [w("card.facts_work"), "; ".join(build) or "–"],
        ]  # fmt: skip
        if zipped:
            facts.append([w("card.facts_zip"), w.number(zipped, 0, "m")])
        if gaps:
            facts.append([w("card.facts_gaps"), w.number(gaps)])
        if rows and drain["drain_id"] in self._sums.index:
            sums = self._sums.loc[drain["drain_id"]]
            facts.append(
                [
                    w("card.facts_hours"),
                    w(
                        "card.facts_hours_text",
                        likely=w.number(sums["hours"], 1),
                        low=w.number(sums["hours_low"], 1),
                        high=w.number(sums["hours_high"], 1),
                    ),
                ]
            )
        return facts

    def _when(self, visits: list[dict[Any, Any]]) -> str:
        w = self.w
        said = []
        for visit in visits:
            start, end = str(visit["start_date"]), str(visit["end_date"])
            if start:
                key = "card.facts_when_day" if start == end else "card.facts_when_text"
                said.append(w(key, start=w.date(start), end=w.date(end),
                              machine=plain(visit["machine"], 24), nth=visit["visit"]))  # fmt: skip
        return "; ".join(said[:2])

    def _banners(
        self, drain: Mapping[Any, Any], drain_id: str, stations: pd.DataFrame
    ) -> list[dict[str, Any]]:
        """What must be read before a machine moves: stops, stretches to keep off, doubts."""
        w = self.w
        out: list[dict[str, Any]] = []
        for finding in self._findings.get(drain_id, []):
            if finding["severity"] == "stop" and not str(finding["item_id"]):
                text = plain(finding["what"], 170)
                if finding["answer"]:
                    text += " – " + w("card.answered", answer=plain(finding["answer"], 70))
                out.append({"head": w("card.stop"), "text": text, "strong": True})
        out = out[:3]
        at = stations["chainage_m"].to_numpy(np.float64)
        why = stations["forbidden_why"].astype(str).to_numpy(dtype=object)
        off: list[str] = []
        for reason in dict.fromkeys(r for r in why if r):
            for a, b in section.runs(why == reason, at):
                start, end = w.number(np.floor(max(a, 0.0))), w.number(np.ceil(b))
                off.append(w("card.keep_off_text", a=start, b=end, why=plain(reason, 60)))
        if off:
            more = f" (+{len(off) - 6})" if len(off) > 6 else ""
            out.append({"head": w("card.keep_off"), "text": "; ".join(off[:6]) + more,
                        "strong": True})  # fmt: skip
        gaps = section.runs(~stations["measured"].to_numpy(bool), at)
        doubts = []
        if gaps:
            told = ", ".join(
                f"{w.number(max(a, 0.0))}–{w.number(b)} m" if b - a > 1.5 else w.number(b, 0, "m")
                for a, b in gaps[:6]
            )
            more = f" (+{len(gaps) - 6})" if len(gaps) > 6 else ""
            doubts.append(w("card.not_measured", text=told + more))
        if drain["note"]:
            note = plain(drain["note"], 160)
            doubts.append(note[:1].upper() + note[1:] + ("" if note.endswith(".") else "."))
        if doubts:
            out.append({"head": w("card.look"), "text": " ".join(doubts), "strong": False})
        return out

    def _row(self, r: Row) -> dict[str, Any]:
        w = self.w

        def said(value: float, digits: int) -> str:
            return w.number(value, digits) if np.isfinite(value) else ""

        run = r.kind in {"zip", "reprofile"}
        peg = f"{w.number(r.from_m, 1)}–{w.number(r.to_m, 1)}" if run else said(r.chainage_m, 1)
        names = list(dict.fromkeys(w.each(f"cautions.{key}")[0] for key, _ in r.cautions))
        more = f" +{len(names) - MOST_CAUTIONS}" if len(names) > MOST_CAUTIONS else ""
        outlet = ""
        if r.kind == "dam" and not r.outlet_side:
            soft = r.method in section.PEAT_METHODS
            outlet = w("card.outlet_none" if soft else "card.outlet_notch")
        return {
            "no": r.number,
            "what": w.said("methods", r.method),
            "peg": peg,
            "ref": self.places(r.x_m, r.y_m),
            "buckets": said(r.buckets, 0),
            "dig": said(r.dig_m, 2),
            "crest": said(r.crest_m, 2),
            "side": r.outlet_side,
            "compass": w.compass(r.outlet_bearing_deg),
            "outlet": outlet,
            "gap": said(r.gap_m, 1),
            "zip": said(r.zip_m, 1),
            "cautions": ", ".join(names[:MOST_CAUTIONS]) + more,
        }

    def _cautions(self, rows: list[Row]) -> list[list[str]]:
        """Return each caution used on the card with its sentence, and notes that have none."""
        keys = {key for r in rows for key, _ in r.cautions}
        out = []
        for key in (k for k in self.w.texts() if k.startswith("cautions.")):
            name = key.removeprefix("cautions.")
            if name in keys:
                out.append(self.w.each(key))
        return out


def _by_drain(table: pd.DataFrame | None) -> dict[str, list[dict[Any, Any]]]:
    """Return the rows of a table by drain; none where the table is not given."""
    out: dict[str, list[dict[Any, Any]]] = {}
    if table is not None and len(table):
        for row in table.drop(columns="geometry", errors="ignore").to_dict("records"):
            out.setdefault(str(row["drain_id"]), []).append(row)
    return out
