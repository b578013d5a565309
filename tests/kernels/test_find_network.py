"""Thinning, linking and the network on lines whose truth is known."""

import numpy as np
import pytest
from scipy import ndimage

from peatwright.drains.find.local import COL, POINT, Points
from peatwright.drains.find.net import _kernels as nk
from peatwright.drains.find.network import gather, near_of, network, strong_sets
from peatwright.drains.find.trace import _kernels as k


def points_of(mask, strength=1.0):
    row, col = np.nonzero(mask)
    value = np.zeros((row.size, len(POINT)), np.float32)
    value[:, COL["strength"]] = strength
    value[:, COL["noise"]] = 0.5
    return Points(row.astype(np.int64), col.astype(np.int64), value)


def draw(mask, a, b):
    n = max(abs(b[0] - a[0]), abs(b[1] - a[1]))
    for t in range(n + 1):
        mask[round(a[0] + (b[0] - a[0]) * t / n), round(a[1] + (b[1] - a[1]) * t / n)] = 1


def test_thinning_keeps_what_hangs_together_and_the_line_in_place():
    from skimage.morphology import skeletonize

    mask = np.zeros((80, 120), np.uint8)
    draw(mask, (20, 10), (20, 100))
    draw(mask, (20, 50), (70, 90))
    draw(mask, (60, 10), (40, 40))
    thick = ndimage.binary_dilation(mask, np.ones((2, 2))).astype(np.uint8)
    got = thick.copy()
    k.thin(got, 0, 80, 0, 120, 4)
    ref = skeletonize(thick.astype(bool))
    eight = np.ones((3, 3))
    assert ndimage.label(got, eight)[1] == ndimage.label(thick, eight)[1] == 2
    # within one cell of the library's skeleton, both ways, and no thicker than it
    assert ndimage.distance_transform_cdt(~ref, "chessboard")[got > 0].max() <= 1
    assert ndimage.distance_transform_cdt(got == 0, "chessboard")[ref].max() <= 2
    assert got.sum() <= 1.1 * ref.sum()


def test_components_are_those_of_scipy():
    rng = np.random.default_rng(2)
    mask = rng.random((90, 70)) < 0.3
    p = points_of(mask)
    label = np.empty(p.row.size, np.int32)
    nk.components(near_of(p.row, p.col), label)
    ref, n = ndimage.label(mask, np.ones((3, 3)))
    ref = ref[p.row, p.col]
    assert np.unique(label).size == n
    for own in np.unique(label)[:50]:
        assert np.unique(ref[label == own]).size == 1


def test_hysteresis_keeps_weak_cells_of_strong_lines_only():
    mask = np.zeros((30, 60), np.uint8)
    draw(mask, (5, 5), (5, 50))
    draw(mask, (20, 5), (20, 50))
    p = points_of(mask)
    weight = np.ones(p.row.size, np.float32)
    weight[(p.row == 5) & (p.col > 40)] = 2.0
    kept = strong_sets(p, weight, 1.5, 6)
    assert set(kept.row.tolist()) == {5}
    assert kept.row.size == 46


def test_herringbone_has_its_junctions_and_lengths():
    mask = np.zeros((200, 200), np.uint8)
    draw(mask, (100, 10), (100, 190))
    for c in (40, 80, 120, 160):
        draw(mask, (100, c), (160, c + 20))
    draw(mask, (98, 60), (100, 60))  # a spur of 1 m
    s = network(points_of(mask), 0.5, 0.5, 4.0, 12.0, 6.0)
    assert s.length_m.size == 9  # five reaches of the main drain, four laterals
    count = np.bincount(s.node.ravel())
    assert sorted(count[count > 0].tolist()) == [1] * 6 + [3] * 4
    main = 180 * 0.5
    # a lateral of 60 rows and 20 columns drawn in eight directions: 40 straight, 20 diagonal
    lateral = (40 + 20 * 2**0.5) * 0.5
    assert s.length_m.sum() == pytest.approx(main + 4 * lateral, rel=0.02)


def test_small_ring_is_opened_and_a_double_way_dropped():
    mask = np.zeros((60, 120), np.uint8)
    draw(mask, (30, 5), (30, 110))
    draw(mask, (30, 50), (26, 54))
    draw(mask, (26, 54), (26, 58))
    draw(mask, (26, 58), (30, 62))
    s = network(points_of(mask), 0.5, 0.5, 4.0, 12.0, 6.0)
    assert s.length_m.size == 1
    assert s.length_m[0] == pytest.approx(52.5, rel=0.03)


def test_two_tiles_give_the_points_of_one():
    mask = np.zeros((40, 40), np.uint8)
    draw(mask, (5, 5), (35, 30))
    whole = points_of(mask)
    left = whole.col < 18
    parts = [
        Points(whole.row[m], whole.col[m], whole.value[m]) for m in (~left, left, left)
    ]  # one tile twice, as after a retry
    got = gather(parts)
    np.testing.assert_array_equal(got.row, whole.row)
    np.testing.assert_array_equal(got.col, whole.col)


def gap_case(gap, turn, noise=0.1):
    """Two stretches of a line with a gap, and the response that a filter would show there."""
    n = 120
    mark = np.zeros((n, n), np.uint8)
    lam = np.zeros((n, n), np.float32)
    u = np.array([np.sin(turn), np.cos(turn)])
    for t in np.arange(-50, 50, 0.3):
        p = np.rint(60 + t * u).astype(int)
        if abs(t) > gap / 2:
            mark[tuple(p)] = 1
        lam[tuple(p)] = 0.3 if abs(t) > gap / 2 else 0.12
    k.thin(mark, 0, n, 0, n, 2)
    strength = np.where(mark > 0, 0.3, 0).astype(np.float32)
    theta = np.full((n, n), turn, np.float32)
    link = np.zeros_like(mark)
    made = k.link_ends(
        mark, strength, theta, lam, np.full((8, 8), noise, np.float32), 16, 0.5, 0.5, 1, n - 1, 1,
        n - 1, 12.0, 3.0, 0.9, 2.0, 0.72, link,
    )  # fmt: skip
    return mark, link, made


@pytest.mark.parametrize("turn", [0.0, 0.5, np.pi / 4, 2.0])
def test_gap_with_a_trace_is_bridged_along_the_trace(turn):
    mark, link, made = gap_case(14, turn)
    assert made == 2  # once from each end
    joined = (mark > 0) | (link > 0)
    _, n = ndimage.label(joined, np.ones((3, 3)))
    assert n == 1
    r, c = np.nonzero(link)
    off = np.abs((r - 60) * np.cos(turn) - (c - 60) * np.sin(turn))
    assert off.max() <= 1.5


def test_gap_too_long_is_left_open():
    _, link, made = gap_case(40, 0.5)
    assert made == 0
    assert not link.any()


def test_gap_without_a_trace_is_left_open():
    n = 120
    mark = np.zeros((n, n), np.uint8)
    draw(mark, (60, 5), (60, 45))
    draw(mark, (60, 65), (60, 110))
    strength = mark * np.float32(0.3)
    link = np.zeros_like(mark)
    made = k.link_ends(
        mark, strength, np.zeros((n, n), np.float32), np.zeros((n, n), np.float32),
        np.full((8, 8), 0.1, np.float32), 16, 0.5, 0.5, 1, n - 1, 1, n - 1, 12.0, 3.0, 0.9, 2.0,
        0.72, link,
    )  # fmt: skip
    assert made == 0
