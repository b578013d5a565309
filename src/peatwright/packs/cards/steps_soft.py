"""Step pictures of the methods that use peat alone."""

# ruff: noqa: ARG001 - every picture takes the same two
from __future__ import annotations

from collections.abc import Callable

from peatwright.model.cited import Cited
from peatwright.model.rules import Rules
from peatwright.packs.cards.sketch import (
    BANK,
    BED,
    DUG,
    HIGH,
    LOW_BANK,
    PEAT,
    SAG,
    TOP_BANK,
    WHITE,
    WIDE,
    Sketch,
)  # fmt: skip
from peatwright.packs.words import Words

Picture = Callable[[Words, Rules], bytes]
DAM_ACROSS = [(8, BANK - 0.5), (10, BANK - 3.5), (80, BANK - 2), (83, BANK + 2)]
"""Top of a dam across the drain and its whole sag."""


def _wave_width(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    n = rules.dam.buckets_min
    for k in range(n):
        x = 14 + 62 * k / n
        p.svg.rect(x, SAG - 8.5, 62 / n, 5.5, fill=WHITE, stroke="#000", width=0.35)
        p.svg.text(x + 31 / n, SAG - 4.6, str(k + 1), 3.2, anchor="middle", bold=True)
    p.dim(14, 7.5, 76, 7.5, "buckets", n=n)
    p.dim(26, 38.5, 63, 38.5, "sag")
    p.line([(26, SAG), (26, 40)], 0.2, "1 1")
    p.line([(63, SAG), (63, 40)], 0.2, "1 1")
    return p.done()


def _wave_dig(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.turf([(0, BANK), (26, BANK + 0.8)])
    # The turf stands open on its hinge, downstream of the bucket.
    p.shape([(40, BANK + 1.4), (53, BANK - 6), (54.6, BANK - 3.8), (42, BANK + 4)], PEAT)
    p.turf([(41, BANK + 1), (53, BANK - 6)])
    p.shape([(28, BANK + 1), (40, BANK + 1.4), (40, BED - 1), (29, BED - 1)], WHITE)
    p.bucket(31, BED - 1, 4, 1.05)
    p.dim(20, BANK + 0.7, 20, BED - 1.4, "full_depth")
    p.words(66, BANK - 3, "turf")
    p.line([(61, BANK - 4), (54, BANK - 4)], 0.3)
    return p.done()


def _wave_raise(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along([(0, BED - 2), (26, BED - 1.2), (30, BED - 0.8), (WIDE, BED + 1)])
    p.shape([(35, BED - 0.8), (39, BANK - 4), (50, BANK - 5), (57, BED)], DUG)
    p.arrow([(25, BED - 5), (27, BANK + 4), (37, BANK - 1)])
    p.bucket(36, BANK + 9, -28, 0.95)
    p.words(47, BANK + 9, "wet_peat")
    p.arrow([(70, 23), (82, 23.4)])
    p.words(76, 21, "flow")
    return p.done()


def _wave_close(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.shape(
        [*DAM_ACROSS, (63, SAG), (51, SAG), (48, BED), (41, BED), (38, SAG), (26, SAG - 1)], DUG
    )
    p.turf(DAM_ACROSS)
    for x in (22, 44, 66):
        p.arrow([(x, 2.5), (x, BANK - 4.6)], 0.9)
    p.words(44, 24, "dam")
    p.words(76, 6, "press")
    return p.done()


def _wave_outlet(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "plan")
    p.above(spoil=False)
    p.bank(0, 31)
    p.bank(42, WIDE)
    p.shape([(46, 6), (52, 6), (52, 40), (46, 40)], DUG)
    p.words(49, 4.6, "dam")
    p.shape([(22, 18), (45.5, 15), (45.5, 31), (22, 28)], "#D4D4D4", "#000", 0.3)
    p.line([(25, 20), (43, 18)], 0.3, "1 1")
    p.line([(25, 26), (43, 28)], 0.3, "1 1")
    p.words(34, 24.2, "pool")
    p.words(30, 13.4, "bevel")
    p.arrow([(37, 28), (37, 36), (40, 43)], 1.0)
    p.words(42, 43.6, "outlet", "start")
    p.words(72, 34.6, "spoil")
    return p.done()


def _wave_face(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    top = BANK - 3
    p.water([(4, BANK + 2), (33, BANK + 2), (31, BED - 1), (4, BED - 2)])
    p.shape([(30, BED - 1), (35, top), (46, top), (53, BED)], DUG)
    p.turf([(33.5, top + 4), (35, top), (46, top), (50, BED - 8)])
    p.arrow([(60, 12), (50, 24)])
    p.arrow([(46, 5), (40, 11)])
    p.dim(53, BED + 5, 68, BED + 5, "untouched", m=w.number(rules.dam.untouched_below_m, 0))
    p.line([(53, BED), (53, BED + 6.5)], 0.25)
    p.line([(68, BED + 0.6), (68, BED + 6.5)], 0.25)
    for k in range(4):  # where zipping starts
        p.shape([(69 + 5 * k, BANK + 2.4), (73 + 5 * k, BANK + 2.6), (73 + 5 * k, BED + 0.5),
                 (69 + 5 * k, BED + 0.4)], DUG, "#000", 0.25)  # fmt: skip
    return p.done()


def _peat_strip(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "plan")
    p.above(spoil=False)
    p.svg.rect(46, 12, 14, 22, stroke="#000", width=0.4, fill=PEAT)
    p.words(53, 24, "dam")
    p.svg.rect(20, 3, 18, 10, stroke="#000", width=0.4, fill=WHITE)
    p.words(29, 9, "borrow")
    for x, y in ((66, 5), (74, 5), (66, 35), (74, 35)):
        p.svg.rect(x, y, 6, 5, fill=WHITE, stroke="#000", width=0.35)
        p.turf([(x, y + 3.6), (x + 6, y + 3.6)], 1.4)
    p.words(73, 14, "turf_aside")
    p.arrow([(39, 7), (64, 7)])
    return p.done()


def _peat_key(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.shape([(34, SAG - 0.3), (37, BED + 3), (52, BED + 3), (55, SAG - 0.2)], WHITE)
    p.line([(38, SAG), (41, BED), (48, BED), (51, SAG)], 0.35, "1.2 0.9")
    p.dim(48, BED, 48, BED + 3, "key", m=w.number(rules.dam.key_m, 1))
    p.dim(34, 12, 38, 12, "key", m=w.number(rules.dam.key_m, 1))
    p.bucket(40, BED + 3, 0, 0.9)
    return p.done()


def _peat_borrow(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across(spoil=True)
    p.shape([(6, BANK - 0.8), (10, 30), (20, 30), (24, SAG - 2)], WHITE)
    p.bucket(13, 30, 0, 0.9)
    p.words(15, 38, "wet_peat")
    p.line([(57, 7), (64, 15)], 1.0)
    p.line([(64, 7), (57, 15)], 1.0)
    p.words(72, 8, "dry")
    p.arrow([(26, 11), (36, 11), (43, 20)])
    return p.done()


def _peat_layers(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    for k, (a, b, y, h) in enumerate(
        ((37, 52, BED + 3, 5), (36, 53, BED - 2, 5), (35, 54, BED - 7, 5))
    ):
        p.shape([(a - 0.8, y - h), (a, y), (b, y), (b + 0.8, y - h)], DUG, "#000", 0.3)
        p.svg.text(44.5, y - 1.6, str(k + 1), 3.2, anchor="middle", bold=True)
    p.arrow([(44.5, 5), (44.5, 18)], 1.1)
    p.words(56, 8, "press")
    return p.done()


def _peat_crest(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.shape([(26, BED + 2), (28, BED - 1), (34, BANK - 3.5), (54, BANK - 3), (61, BED),
             (61, BED + 3), (26, BED + 3)], DUG)  # fmt: skip
    p.line([(10, BANK + 0.4), (80, BANK + 2.6)], 0.3, "1.6 1")
    p.dim(44, BANK - 3.2, 44, BANK + 1.4, "crest", m=w.number(rules.dam.freeboard_m, 2))
    p.arrow([(72, 23), (84, 23.4)])
    p.words(78, 21, "flow")
    return p.done()


def _peat_turf(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "along")
    p.along()
    p.water([(4, BANK + 1.6), (32, BANK + 1.6), (29, BED - 1), (4, BED - 2)])
    p.shape([(26, BED - 1), (34, BANK - 3.5), (54, BANK - 3), (61, BED)], DUG)
    p.turf([(31, BANK + 4), (34, BANK - 3.5), (54, BANK - 3), (60, BED - 3)])
    p.words(44, BANK - 7, "turf")
    p.arrow([(20, BANK + 1), (14, BANK - 6), (6, BANK - 9)])
    p.words(20, 5, "outlet")
    return p.done()


def _zip_start(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "plan")
    p.above(spoil=False, flow=False)
    for x, name in ((8, "dam"), (78, "dam")):
        p.shape([(x, 8), (x + 6, 8), (x + 6, 38), (x, 38)], DUG)
        p.words(x + 3, 6.4, name)
    p.dim(14, 14, 25, 14, "untouched", m=w.number(rules.dam.untouched_below_m, 0))
    p.svg.rect(25, TOP_BANK, 53, LOW_BANK - TOP_BANK, fill="none", stroke="#000", width=0.6)
    p.svg.path(p.svg.hatch(25, TOP_BANK, 53, LOW_BANK - TOP_BANK, 3, 0.6), "#555", 0.25)
    p.arrow([(28, 34), (74, 34)])
    return p.done()


def _zip_first(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across()
    p.shape([(26, SAG - 1), (38, SAG), (41, BED), (29, BED)], WHITE, "#000", 0.35)
    p.shape([(33, SAG - 6.5), (44, SAG - 5), (46.5, BED - 2), (37, BED - 1)], DUG)
    p.turf([(33, SAG - 6.5), (44, SAG - 5)])
    p.bucket(29.5, BED, 2, 0.95)
    p.arrow([(38, 24), (50, 24)], 1.0)
    p.dim(60, SAG, 60, BED, "full_depth")
    return p.done()


def _zip_sides(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "plan")
    p.above(spoil=False, flow=False)
    for k in range(6):
        x = 6 + 13 * k
        top = k % 2 == 0
        y = TOP_BANK - 7 if top else LOW_BANK
        p.svg.rect(x, y, 12, 7, fill=WHITE, stroke="#000", width=0.35)
        d = TOP_BANK if top else TOP_BANK + 1
        p.svg.rect(x, d, 12, LOW_BANK - TOP_BANK - 1, fill=DUG, stroke="#000", width=0.35)
        p.arrow([(x + 6, y + (2 if top else 5)), (x + 6, 22 if top else 24)], 0.9)
        p.svg.text(x + 2.6, 23, str(k + 1), 3.4, anchor="middle", bold=True)
    return p.done()


def _zip_second(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.across(drain=False)
    p.shape([(29, BED), (41, BED), (48, BED), (60, BED), (60, SAG + 1), (29, SAG + 1)], DUG, "none")
    half = SAG + (BED - SAG) * rules.zip.second_cut_ratio
    for flip in (False, True):

        def m(x: float, f: bool = flip) -> float:
            return 89 - x if f else x

        p.shape(
            [(m(14), BANK), (m(27), SAG - 1), (m(29), half), (m(17), half)], WHITE, "#000", 0.35
        )
        p.arrow([(m(20), half - 4), (m(33), half - 4)], 1.0)
    p.bucket(17, half, 4, 0.85)
    p.dim(77, BANK + 1, 77, half, "half_depth")
    return p.done()


def _zip_surface(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.ground([(0, BANK - 1.5), (16, BANK), (36, BANK + 0.5), (44, BANK - 2), (52, BANK + 0.5),
              (74, BANK + 1.6), (WIDE, BANK + 2.5)])  # fmt: skip
    p.shape([(29, BED), (60, BED), (64, BANK + 2.4), (25, BANK + 2)], DUG, "#555", 0.3)
    for x in (34, 44, 54):
        p.arrow([(x, 3), (x, BANK - 3)], 1.0)
    p.arrow([(8, 9), (24, 11)])
    p.arrow([(80, 9), (64, 11)])
    p.words(44, 27, "press")
    return p.done()


def _zip_spoil(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "plan")
    p.above(spoil=False, flow=False)
    p.svg.rect(0, TOP_BANK, WIDE, LOW_BANK - TOP_BANK, fill=DUG)
    for a, b in ((0, 22), (32, 56), (66, WIDE)):
        p.bank(a, b)
    for x in (27, 61):
        p.arrow([(x, 26), (x, 42)], 1.0)
    p.words(10, 39.6, "spoil")
    return p.done()


def _slope_peel(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.ground([(0, 10), (42, 10), (44, 12), (47, 30), (60, 34), (WIDE, 34)], grass=False)
    p.turf([(0, 10), (28, 10)])
    p.shape([(28, 10), (34, 4), (42, 3.4), (42.6, 5.2), (35, 6), (29.4, 10.4)], PEAT)
    p.arrow([(43, 7), (36, 1.6), (26, 3)])
    p.words(58, 6, "turf_aside")
    return p.done()


def _slope_cut(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.ground([(0, 10), (24, 10), (60, 30), (68, 34), (WIDE, 34)], grass=False)
    p.turf([(0, 10), (18, 10)])
    p.line([(24, 10), (42, 10), (44, 12), (47, 30), (60, 34)], 0.35, "1.4 1")
    p.bucket(38, 18, 40, 0.95)
    p.words(66, 18, "gentle", deg=SLOPE.value)
    return p.done()


def _slope_fill(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.ground([(0, 10), (24, 10), (66, 34), (WIDE, 34)], grass=False)
    p.turf([(0, 10), (18, 10)])
    p.shape([(50, 24.8), (66, 34), (84, 34), (74, 28)], DUG)
    p.arrow([(38, 12), (58, 23)], 1.0)
    p.arrow([(72, 18), (72, 27)], 1.0)
    p.words(80, 18, "press")
    return p.done()


def _slope_bridge(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.ground([(0, 10), (24, 10), (66, 31), (78, 34), (WIDE, 34)], grass=False)
    p.turf([(0, 9.6), (24, 9.4), (44, 19.4)])
    p.arrow([(34, 6), (46, 14)])
    p.words(24, 5.4, "turf")
    return p.done()


def _slope_cover(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "across")
    p.ground([(0, 10), (24, 10), (66, 31), (78, 34), (WIDE, 34)], grass=False)
    p.turf([(0, 9.6), (24, 9.4), (62, 28.6), (78, 33.6), (WIDE, 33.6)])
    for x, y in ((32, 8), (46, 15), (60, 22)):
        p.arrow([(x + 4, y - 6), (x, y + 3)])
    p.words(66, 12, "bare")
    return p.done()


def _slope_sills(w: Words, rules: Rules) -> bytes:
    p = Sketch(w, "plan")
    p.shape([(0, 0), (WIDE, 0), (WIDE, HIGH), (0, HIGH)], PEAT, "none")
    p.line([(0, 12), (20, 15), (40, 11), (62, 15), (WIDE, 12)], 0.5)
    p.line([(0, 34), (22, 30), (44, 35), (66, 31), (WIDE, 34)], 0.5)
    for x in (20, 42, 64):
        p.shape([(x, 14), (x + 3, 14), (x + 5, 31), (x + 2, 31)], DUG)
    p.arrow([(4, 22), (15, 23)])
    p.words(10, 20, "flow")
    return p.done()


SLOPE = Cited(
    30, "°", "steepest slope that a reprofiled edge is given in the guide; one body allows 35",
    10, 45, source="carboncentre.org, Technique of the week: hagg reprofiling", read="original",
)  # fmt: skip
SOFT: dict[str, tuple[Picture, ...]] = {
    "wave dam": (_wave_width, _wave_dig, _wave_raise, _wave_close, _wave_outlet, _wave_face),
    "peat dam": (_peat_strip, _peat_key, _peat_borrow, _peat_layers, _peat_crest, _peat_turf),
    "zip": (_zip_start, _zip_first, _zip_sides, _zip_second, _zip_surface, _zip_spoil),
    "reprofile": (
        _slope_peel, _slope_cut, _slope_fill, _slope_bridge, _slope_cover, _slope_sills,
    ),
}  # fmt: skip
