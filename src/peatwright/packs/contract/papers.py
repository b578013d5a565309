"""Method statement, hazard register, list of drawings, and what the contractor hands back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from peatwright.model.layers import LIMIT_KINDS
from peatwright.model.rules import Rules
from peatwright.packs.cards.guide import values_of
from peatwright.packs.contract.document import Paper
from peatwright.packs.info import PackInfo
from peatwright.packs.national_grid import Places
from peatwright.packs.summary import method_rows, site_row
from peatwright.packs.version import Issue
from peatwright.packs.wording import plain
from peatwright.packs.words import Words
from peatwright.works.why import STEEP_LOOK

MOST_FINDINGS, MOST_VISITS, MOST_NAMED = 60, 200, 14
Tables = Mapping[str, pd.DataFrame]


class Papers:
    """Writes the contract papers of one pack."""

    def __init__(
        self, tables: Tables, crs: str, rules: Rules, info: PackInfo, issue: Issue, w: Words
    ) -> None:
        self.tables, self.rules, self.info, self.issue, self.w = tables, rules, info, issue, w
        self.places = Places(crs)

    def _paper(self, key: str, *, landscape: bool = False) -> Paper:
        return Paper(self.w(key), self.info, self.issue, self.w, landscape=landscape)

    def method_statement(self) -> bytes:
        """Return the method statement as DOCX, with what the layout knows and blanks to fill."""
        w, t = self.w, self.tables
        p = self._paper("papers.method_title")
        p.text(w("papers.draft"), bold=True)
        drains, items, site = t["drains"], t["items"], site_row(t)
        p.head(w("papers.scope"))
        zips = float(items.loc[items["kind"] == "zip", "length_m"].sum())
        gaps = int(items["kind"].isin(["spoil gap", "spoil break"]).sum())
        p.text(w("papers.scope_text", drains=w.count(len(drains), "drain"),
                 km=w.number(drains["length_m"].sum() / 1000, 2),
                 dams=w.count(int((items["kind"] == "dam").sum()), "dam"), zip=w.number(zips),
                 gaps=w.count(gaps, "gap"), likely=w.number(site["hours"]),
                 low=w.number(site["hours_low"]), high=w.number(site["hours_high"])))  # fmt: skip
        methods = method_rows(t)
        rows = [[w.said("methods", m), w.number(long), w.number(n) if n else ""]
                for m, long, n in methods]  # fmt: skip
        p.table(w.each("papers.scope_table"), rows, (3, 1, 1))
        p.head(w("papers.where"))
        p.text(w("papers.where_text"))
        p.table(w.each("papers.where_table"), self._limits(), (2, 3, 1), blank_rows=2)
        self._order(p)
        p.head(w("papers.machines"))
        p.text(w("papers.machines_text"))
        p.table(w.each("papers.machines_table"), [], (3, 1, 1, 2, 2), blank_rows=3)
        p.head(w("papers.building"))
        p.text(w("papers.building_text"))
        values = values_of(self.rules, w)
        used = [m for m, _, _ in methods]
        if (items["kind"] == "zip").any() and "zip" not in used:
            used.append("zip")
        for method in used:
            p.head(w.said("methods", method).capitalize(), 2)
            p.text(w(f"guide.methods.{method}.does"))
            p.points(w.each(f"guide.methods.{method}.steps", **values), numbered=True)
        p.head(w("papers.care"))
        p.points(w.each("papers.care_list"))
        p.head(w("papers.services"))
        p.text(w("papers.services_text"))
        p.head(w("papers.stop"))
        p.text(w("guide.stop_when"))
        p.head(w("papers.checking"))
        p.text(w("papers.checking_text"))
        p.head(w("papers.emergency"))
        p.text(w("papers.emergency_text", ref=self._middle()))
        self._findings(p)
        p.head(w("papers.sign"))
        p.table(w.each("papers.sign_table"), [], (3, 2, 3, 2), blank_rows=3)
        p.text(f"{w('common.screening')} {w('common.safety')}")
        return p.save()

    def _middle(self) -> str:
        drains = self.tables["drains"]
        if not len(drains):
            return self.w("papers.fill")
        west, south, east, north = drains.total_bounds
        return self.places(float(west + east) / 2, float(south + north) / 2)

    def _limits(self) -> list[list[str]]:
        w, held = self.w, self.tables["limits"]
        rows = held[held["kind"] != "boundary"].drop(columns="geometry").to_dict("records")
        order = {k: n for n, k in enumerate(LIMIT_KINDS)}
        rows.sort(key=lambda r: order.get(str(r["kind"]), len(order)))
        return [[w.said("limits", str(r["kind"])), plain(r["name"], 80),
                 w.number(r["distance_m"])] for r in rows]  # fmt: skip

    def _order(self, p: Paper) -> None:
        w, visits = self.w, self.tables.get("programme")
        p.head(w("papers.order"))
        p.text(w("papers.order_text"))
        if visits is not None and len(visits):
            rows = [
                [str(r["machine"]), str(r["drain_id"]), w.date(str(r["start_date"])),
                 w.date(str(r["end_date"])), w.number(r["hours"], 1)]
                for r in visits.to_dict("records")[:MOST_VISITS]
            ]  # fmt: skip
            p.table(w.each("papers.order_table"), rows, (3, 2, 3, 3, 1))

    def _findings(self, p: Paper) -> None:
        w, found = self.w, self.tables.get("findings")
        p.head(w("papers.findings"))
        if found is None or not len(found):
            p.text(w("papers.findings_none"))
            return
        p.text(w("papers.findings_text"))
        open_ones = found[found["severity"].isin(["stop", "look"])]
        rank = open_ones["severity"].map({"stop": 0, "look": 1})
        rows = [
            [w(f"card.{r['severity']}"), plain(r["place"], 60), plain(r["what"], 200),
             plain(r["to_do"], 200), plain(r["answer"], 120)]
            for r in open_ones.iloc[np.argsort(rank, kind="stable")]
            .drop(columns="geometry", errors="ignore").to_dict("records")[:MOST_FINDINGS]
        ]  # fmt: skip
        p.table(w.each("papers.findings_table"), rows, (1, 2, 4, 4, 2))
        if len(open_ones) > len(rows):
            p.text(f"+ {w.number(len(open_ones) - len(rows))}")

    def hazard_register(self) -> bytes:
        """Return the hazard register as DOCX; places come from the layout where it knows them."""
        w = self.w
        p = self._paper("papers.hazard_title", landscape=True)
        p.text(w("papers.draft"), bold=True)
        p.text(w("papers.hazard_intro"))
        rows = []
        for n, (key, where) in enumerate(self._hazards().items(), start=1):
            hazard, held = w.each(f"hazards.{key}")
            rows.append([str(n), hazard, where, held, "", ""])
        p.table(w.each("papers.hazard_table"), rows, (0.9, 4, 5, 6, 2, 2.4), blank_rows=5)
        p.table(w.each("papers.sign_table"), [], (3, 2, 3, 2), blank_rows=2)
        p.text(f"{w('common.screening')} {w('common.safety')}")
        return p.save()

    def _hazards(self) -> dict[str, str]:
        w, t = self.w, self.tables
        items, drains, limits = t["items"], t["drains"], t["limits"]
        everywhere, none = w("papers.everywhere"), w("papers.none_seen")

        def noted(*keys: str) -> str:
            held = [items["note"].str.contains(k, regex=False) for k in keys]
            rows = items[np.logical_or.reduce([h.to_numpy(bool) for h in held])]
            return self._named(list(dict.fromkeys(rows["drain_id"].astype(str)))) or none

        def limited(*kinds: str) -> str:
            rows = limits[limits["kind"].isin(kinds)]
            names = [plain(n, 40) or w.said("limits", str(k))
                     for n, k in zip(rows["name"], rows["kind"], strict=True)]  # fmt: skip
            return "; ".join(names[:MOST_NAMED]) or none

        steep = drains[drains["gradient_ratio"].fillna(0) > float(STEEP_LOOK.value)]
        hard = items[items["method"].isin(["timber dam", "stone dam", "piling dam"])]
        unsure = drains[drains["unmeasured_m"] > 0]
        return {
            "bog": everywhere,
            "slide": self._found("stab", "slope", "slide") or everywhere,
            "overhead": limited("overhead line"),
            "buried": limited("buried service"),
            "uxo": limited("unexploded ordnance"),
            "pool": noted("Open pool"),
            "flood": noted("does not fall away", "ground falls beside"),
            "water": limited("watercourse", "water supply"),
            "people": everywhere,
            "alone": everywhere,
            "wildlife": limited("nest", "sett"),
            "heritage": limited("heritage"),
            "steep": self._named(steep["drain_id"].astype(str).tolist()) or none,
            "unknown": self._named(unsure["drain_id"].astype(str).tolist()) or none,
            "heavy": self._named(list(dict.fromkeys(hard["drain_id"].astype(str)))) or none,
            "disease": everywhere,
        }

    def _found(self, *parts: str) -> str:
        found = self.tables.get("findings")
        if found is None or not len(found):
            return ""
        topic = found["topic"].astype(str).str.lower()
        rows = found[np.logical_or.reduce([topic.str.contains(p).to_numpy(bool) for p in parts])]
        ids = [d for d in dict.fromkeys(rows["drain_id"].astype(str)) if d]
        return self._named(ids)

    def _named(self, ids: Sequence[str]) -> str:
        if not ids:
            return ""
        more = f" … ({len(ids)})" if len(ids) > MOST_NAMED else ""
        shown = ", ".join(plain(i, 24) for i in ids[:MOST_NAMED]) + more
        return self.w("papers.drains_list", list=shown)

    def drawings(self, listed: Sequence[Sequence[str]]) -> bytes:
        """Return the list of drawings as DOCX.

        Args:
            listed: file, what it is, scale and number of sheets of each drawing.

        """
        w, t = self.w, self.tables
        p = self._paper("papers.drawings_title")
        p.text(w("papers.drawings_intro", number=self.issue.number, code=self.issue.code,
                 date=w.date(self.issue.date)))  # fmt: skip
        p.table(w.each("papers.drawings_table"), listed, (3, 5, 2, 1))
        p.head(w("papers.cards_list"))
        dams = t["items"].loc[t["items"]["kind"] == "dam", "drain_id"].value_counts()
        rows = [
            [plain(d, 40), self.issue.cards.get(str(d), ""), w.number(length),
             w.number(int(dams.get(d, 0)))]
            for d, length in zip(t["drains"]["drain_id"], t["drains"]["length_m"], strict=True)
        ]  # fmt: skip
        p.table(w.each("papers.cards_table"), rows, (3, 2, 2, 1))
        return p.save()

    def hand_back(self) -> bytes:
        """Return what the contractor hands back, as DOCX."""
        w = self.w
        p = self._paper("papers.handback_title")
        p.text(w("papers.handback_intro"))
        p.points(w.each("papers.handback_list"), numbered=True)
        rows = [[f"{k}", "", "", ""] for k in range(1, len(w.each("papers.handback_list")) + 1)]
        p.table(w.each("papers.handback_table"), rows, (1, 2, 2, 4))
        p.table(w.each("papers.sign_table"), [], (3, 2, 3, 2), blank_rows=2)
        return p.save()
