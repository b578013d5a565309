"""Step pictures of dams of timber, stone and sheets, and of ground left alone."""

# ruff: noqa: ARG001 - every picture takes the same two
from __future__ import annotations

from peatwright.model.rules import Rules
from peatwright.packs.cards.sketch import (
    BANK,
    BED,
    DUG,
    HIGH,
    LOW_BANK,
    SAG,
    STONE,
    TOP_BANK,
    WHITE,
    WOOD,
    Sketch,
)  # fmt: skip
from peatwright.packs.cards.steps_soft import Picture
from peatwright.packs.words import Words

SLOT = ((32, SAG - 0.4), (35, BED + 4), (54, BED + 4), (57, SAG - 0.2))
"""Slot across the drain, into both banks and the bed."""


def _boards(p: Sketch, rows: int, *, notch: bool = False) -> None:
    for k in range(rows):
        y = BED + 3.4 - 3.1 * k
        wide = 1.2 * k * 0.22
        a, b = 34 - wide * 2, 55 + wide * 2
        if notch and k == rows - 1:
            p.svg.rect(a, y - 3, 41 - a, 3, fill=WOOD, stroke="#000", width=0.4)
            p.svg.rect(48, y - 3, b - 48, 3, fill=WOOD, stroke="#000", width=0.4)
        else:
            p.svg.rect(a, y - 3, b - a, 3, fill=WOOD, stroke="#000", width=0.4)
    for x in (38.5, 49):
        p.svg.rect(x, SAG - 1, 1.8, BED - SAG + 10, fill=WHITE, stroke="#000", width=0.35)


def _timber_slot(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.shape(SLOT, WHITE, "#000", 0.4)
    p.line([(38, SAG), (41, BED), (48, BED), (51, SAG)], 0.35, "1.2 0.9")
    p.dim(51, 13, 57, 13, "key", m=w.number(rules.dam.key_m, 1))
    p.line([(51, SAG), (51, 12)], 0.2)
    p.line([(57, SAG), (57, 12)], 0.2)
    return p.done()


def _timber_low(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.shape(SLOT, WHITE, "#000", 0.3)
    _boards(p, 2)
    p.words(68, BED + 3, "tight")
    p.line([(63, BED + 2), (56, BED + 1)], 0.3)
    return p.done()


def _timber_up(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.shape(SLOT, WHITE, "#000", 0.3)
    _boards(p, 5)
    p.words(70, 28, "boards")
    p.line([(64, 27), (57, 27)], 0.3)
    return p.done()


def _timber_notch(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.shape(SLOT, WHITE, "#000", 0.3)
    _boards(p, 6, notch=True)
    p.arrow([(44.5, 8), (44.5, SAG + 1.5)], 0.9)
    p.words(44.5, 6.6, "notch")
    return p.done()


def _timber_seal(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.shape([(24, BED - 1.2), (38, BANK + 4), (43, BANK + 3), (43, BED + 3), (40, BED + 3)], DUG)
    p.turf([(25, BED - 2), (38, BANK + 4), (43, BANK + 3)])
    p.svg.rect(43, BANK + 2, 2.6, BED - BANK + 2, fill=WOOD, stroke="#000", width=0.45)
    p.svg.rect(45.6, BANK + 3, 2, BED - BANK + 8, fill=WHITE, stroke="#000", width=0.35)
    p.arrow([(22, BANK - 6), (33, BANK + 4)], 0.9)
    p.words(24, 6, "press")
    p.words(26, 40, "wet_peat")
    return p.done()


def _timber_apron(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.water([(4, BANK + 4), (43, BANK + 4), (43, BED - 0.6), (4, BED - 2)])
    p.svg.rect(43, BANK + 2, 2.6, BED - BANK + 2, fill=WOOD, stroke="#000", width=0.45)
    p.stones([(47, BED - 2.6), (76, BED - 1.6), (76, BED + 2.4), (47, BED + 1.8)], 2.6)
    p.arrow([(44, BANK + 3), (49, BANK + 3.5), (53, BED - 3.6)], 0.9)
    p.words(62, BED - 5, "apron")
    return p.done()


def _stone_seat(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.shape([(33, SAG), (36, BED + 4), (53, BED + 4), (56, SAG)], WHITE, "#000", 0.4)
    p.line([(38, SAG), (41, BED), (48, BED), (51, SAG)], 0.35, "1.2 0.9")
    p.dim(50, BED, 50, BED + 4, "key", m=w.number(rules.dam.key_m, 1))
    p.words(44.5, 27, "seat")
    return p.done()


def _stone_foot(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.shape([(26, BED - 1), (28, BED + 3.6), (62, BED + 4), (64, BED)], WHITE, "#000", 0.35)
    p.stones([(29, BED - 2), (62, BED - 1), (62, BED + 3.8), (29, BED + 3.4)], 4.4)
    p.arrow([(45, 12), (45, BED - 4)], 0.9)
    return p.done()


_HEAP = [(24, BED - 1), (38, SAG), (48, SAG), (66, BED + 0.4), (62, BED + 4), (28, BED + 3.6)]


def _stone_heap(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.stones(_HEAP, 3.6, 2)
    p.arrow([(72, 23.5), (84, 24)])
    p.words(78, 21.4, "flow")
    return p.done()


def _stone_middle(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.stones([(31, SAG - 1.6), (36, SAG - 1), (44.5, SAG + 5), (53, SAG - 1), (58, SAG - 1.6),
              (54, BED + 3.6), (35, BED + 3.6)], 3.2, 3)  # fmt: skip
    p.arrow([(44.5, 8), (44.5, SAG + 3)], 0.9)
    p.words(44.5, 6.6, "low_middle")
    return p.done()


def _stone_apron(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.stones([(12, BED - 1.4), (24, SAG + 2), (32, SAG + 2), (48, BED), (16, BED + 3)], 3.6, 2)
    p.stones([(48, BED - 0.6), (76, BED + 0.4), (76, BED + 3.6), (48, BED + 3)], 3.0, 4)
    p.arrow([(30, SAG), (44, SAG + 6), (54, BED - 2.4)], 0.9)
    p.words(66, BED - 4, "apron")
    return p.done()


def _stone_seal(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.stones(_HEAP, 3.6, 2)
    p.shape([(14, BED - 1.6), (34, SAG), (38, SAG), (25, BED - 0.6)], DUG)
    p.turf([(14, BED - 1.6), (34, SAG)])
    p.words(18, 15, "turf")
    p.arrow([(18, 17), (24, 24)])
    return p.done()


def _sheets(p: Sketch, chosen: range, *, low: bool = False, tops: float = SAG - 2.5) -> None:
    for k in chosen:
        x = 26 + 4.6 * (k + 4)
        top = tops + (5.0 if low and abs(k) <= 1 else 0.0)
        p.svg.path(
            f"M{x:.1f} {top:.1f}h3.2l0.7 0.9h0.7V{HIGH - 3:.1f}h-0.7l-0.7 -0.9h-3.2Z",
            "#000", 0.35, fill=STONE,
        )  # fmt: skip


def _pile_probe(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.svg.rect(43.9, 4, 1.0, HIGH - 9, fill=WHITE, stroke="#000", width=0.3)
    p.line([(41.5, 4), (47.5, 4)], 0.8)
    p.dim(52, BED, 52, HIGH - 5, "peat_below", m=w.number(rules.method.piling_peat_min_m, 1))
    return p.done()


def _pile_line(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "plan")
    p.above(spoil=False)
    p.line([(48, 4), (48, 42)], 0.5, "2 1")
    for y in (4, 42):
        p.svg.dot(48, y, 1.2, "#000")
    p.words(53, 9, "string", "start")
    p.line([(48, TOP_BANK), (52, TOP_BANK), (52, TOP_BANK + 4), (48, TOP_BANK + 4)], 0.3)
    p.line([(44, LOW_BANK), (52, LOW_BANK)], 0.3)
    return p.done()


def _pile_first(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    _sheets(p, range(1), tops=SAG - 8)
    p.arrow([(46.4, 2), (46.4, SAG - 8.6)], 1.0)
    p.line([(52, SAG - 6), (52, BED)], 0.3, "2 0.8 0.6 0.8")
    return p.done()


def _pile_next(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    _sheets(p, range(-3, 4))
    order = {0: "1", 1: "2", -1: "3", 2: "4", -2: "5", 3: "6", -3: "7"}
    for k, name in order.items():
        p.svg.text(28.2 + 4.6 * (k + 4), SAG + 3, name, 3.2, anchor="middle", bold=True)
    p.arrow([(30, 11), (26, 11)])
    p.arrow([(62, 11), (66, 11)])
    return p.done()


def _pile_low(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    _sheets(p, range(-4, 5), low=True)
    p.arrow([(46.4, 7), (46.4, SAG + 1.6)], 0.9)
    p.words(46.4, 5.8, "low_middle")
    return p.done()


def _pile_seal(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.shape([(26, BED - 1.2), (38, BANK + 5), (43, BANK + 4), (43, BED)], DUG)
    p.turf([(27, BED - 2), (38, BANK + 5), (43, BANK + 4)])
    p.svg.rect(43, BANK + 1, 1.8, HIGH - BANK - 4, fill=STONE, stroke="#000", width=0.45)
    p.stones([(46, BED - 2.4), (74, BED - 1.4), (74, BED + 2.4), (46, BED + 1.8)], 2.6)
    p.words(62, BED - 5, "apron")
    p.words(26, 12, "press")
    p.arrow([(26, 14), (34, 19)], 0.9)
    return p.done()


def _leave_mark(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "plan")
    p.above(spoil=False)
    p.svg.path(p.svg.hatch(26, 8, 40, 30, 3, 0.6), "#555", 0.25)
    p.svg.rect(26, 8, 40, 30, stroke="#000", width=0.6)
    for x in (26, 66):
        p.svg.rect(x - 0.5, 2, 1.0, 8, fill=WHITE, stroke="#000", width=0.4)
        p.shape([(x + 0.5, 2), (x + 6, 3.8), (x + 0.5, 5.6)], "#000")
    p.words(46, 24, "keep_off")
    return p.done()


def _leave_water(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.water([(39.4, BED - 8), (49.6, BED - 8), (48, BED), (41, BED)])
    p.line([(24, 4), (24, HIGH - 8)], 0.5, "2 1.2")
    p.line([(66, 4), (66, HIGH - 8)], 0.5, "2 1.2")
    p.words(45, 7, "keep_off")
    return p.done()


HARD: dict[str, tuple[Picture, ...]] = {
    "timber dam": (
        _timber_slot, _timber_low, _timber_up, _timber_notch, _timber_seal, _timber_apron,
    ),
    "stone dam": (_stone_seat, _stone_foot, _stone_heap, _stone_middle, _stone_apron, _stone_seal),
    "piling dam": (_pile_probe, _pile_line, _pile_first, _pile_next, _pile_low, _pile_seal),
    "leave alone": (_leave_mark, _leave_water),
}  # fmt: skip
