"""Drawings: true to scale, legible in grey, names apart."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from packs_layout import make

from peatwright.model.layers import LIMIT_KINDS, METHODS
from peatwright.packs.drawing import labels, plan
from peatwright.packs.drawing.look import LIMIT_HATCHES, METHOD_STROKES
from peatwright.packs.drawing.svg import Svg, path_of, text_width


def test_distances_on_paper_are_ground_over_scale() -> None:
    frame = plan.fitted((1000.0, 2000.0, 1500.0, 2300.0), 300, 250)
    a, b = frame.mm(np.array([[1100.0, 2100.0], [1200.0, 2100.0]]))
    assert b[0] - a[0] == pytest.approx(100_000 / frame.scale)
    assert a[1] == b[1]
    north = frame.mm(np.array([[1100.0, 2200.0]]))[0]
    assert north[1] < a[1]
    assert frame.scale in plan.SCALES
    west, south, east, north_m = frame.bounds
    shown = shapely.box(west, south, east, north_m)
    assert shown.contains(shapely.box(1000, 2000, 1500, 2300))


def test_shaded_ground_lies_where_the_grid_says() -> None:
    _, dtm = make(1, 60.0)
    frame = plan.fitted(dtm.grid.bounds, 200, 200)
    ground = plan.shaded(dtm, frame)
    assert ground is not None
    _, left, top, wide, high = ground
    west, south, east, north = dtm.grid.bounds
    corners = frame.mm(np.array([[west, north], [east, south]]))
    np.testing.assert_allclose([left, top], corners[0], atol=0.01)
    np.testing.assert_allclose([left + wide, top + high], corners[1], atol=0.01)


def test_a_frame_near_the_edge_moves_onto_the_ground() -> None:
    frame = plan.kept_on((0, 0, 2000, 2000), plan.fitted((10, 1900, 110, 1990), 100, 100))
    west, _, _, north = frame.bounds
    assert west == 0
    assert north == pytest.approx(2000)
    wide = plan.fitted((0, 0, 100, 100), 100, 100)
    assert plan.kept_on((40, 40, 60, 60), wide) == wide


def test_ground_far_from_the_frame_is_left_out() -> None:
    _, dtm = make(1, 60.0)
    assert plan.shaded(dtm, plan.fitted((0, 0, 100, 100), 100, 100)) is None


def test_every_method_and_limit_has_its_own_line_in_grey() -> None:
    assert set(METHOD_STROKES) == set(METHODS)
    assert set(LIMIT_HATCHES) == set(LIMIT_KINDS)
    grey = [s.dash for s in METHOD_STROKES.values()]
    assert len(set(grey)) == len(grey)
    leans = [(step, lean) for _, step, lean in LIMIT_HATCHES.values()]
    assert len(set(leans)) == len(leans)


def test_lines_stand_out_from_paper() -> None:
    """W3C, WCAG 2.1, 1.4.11: graphics need a contrast of 3:1 (relative luminance; memory)."""
    for stroke in METHOD_STROKES.values():
        assert _contrast_with_white(stroke.colour) >= 3.0, stroke


def _contrast_with_white(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 1.05 / (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05)


def test_names_keep_apart_and_inside() -> None:
    dice = np.random.default_rng(3)
    lines = [
        np.cumsum(np.r_[dice.uniform(10, 180, (1, 2)), dice.normal(2, 2, (12, 2))], axis=0)
        for _ in range(60)
    ]
    names = [f"D{k:03d}" for k in range(60)]
    placed = labels.place(names, lines, 2.5, (0.0, 0.0, 220.0, 220.0))
    assert len(placed) > 30
    boxes = [_box(k, 2.5) for k in placed]
    for a, b in itertools.combinations(boxes, 2):
        assert not a.intersects(b)
    for label in placed:
        assert 0 < label.x < 220
        assert 0 < label.y < 220
        assert -90 < label.turn <= 90  # never upside down


def _box(label: labels.Label, size: float) -> shapely.Polygon:
    wide = text_width(label.text, size)
    box = shapely.box(-wide / 2, -0.7 * size, wide / 2, 0)
    turned = shapely.affinity.rotate(box, label.turn, origin=(0, 0))
    return shapely.affinity.translate(turned, label.x, label.y)


def test_gaps_lift_the_pen_and_text_is_escaped() -> None:
    points = np.array([[0.0, 0.0], [1.0, 0.0], [np.nan, 0.0], [2.0, 0.0], [3.0, 0.0]])
    assert path_of(points) == "M0.00 0.00L1.00 0.00M2.00 0.00L3.00 0.00"
    svg = Svg(10, 10)
    svg.text(1, 1, '</text><script>"&', 2)
    assert b"<script>" not in svg.done()


def test_hatch_stays_inside_its_box() -> None:
    for lean in (1.0, -1.0, 0.0, 0.5):
        d = Svg(1, 1).hatch(5.0, 5.0, 20.0, 10.0, 1.3, lean)
        at = np.array([p.split() for p in d.replace("M", "L").split("L")[1:]], dtype=float)
        assert len(at) > 10
        assert at[:, 0].min() >= 4.99
        assert at[:, 0].max() <= 25.01
        assert at[:, 1].min() >= 4.99
        assert at[:, 1].max() <= 15.01
