"""Weirs, channels and what ground stands, against published figures and hand arithmetic."""

import numpy as np
import pytest

from peatwright.model.errors import PeatwrightError
from peatwright.water import hydraulics as hy


@pytest.mark.parametrize(
    ("width", "head", "flow"),
    [(1, 0.2, 0.131752), (0.5, 0.1, 0.0232906), (2, 0.3, 0.484087), (1, 0.15, 0.0855753)],
)
def test_broad_crest(width: float, head: float, flow: float) -> None:
    """BS 3680 form (found), coefficient 0.864 of ISO 3846 (memory), values computed."""
    assert hy.broad_crested_m3s(head, width) == pytest.approx(flow, rel=2e-6)


def test_broad_crest_without_losses() -> None:
    """Ce = 1 (computed)."""
    assert hy.broad_crested_m3s(0.2, 1, 1.0) == pytest.approx(0.152490, abs=1e-6)


def test_a_second_published_rule_lies_within_six_percent() -> None:
    """Q = 1.550 B H^1.5 (found, aquatext.com): a looser crest than ISO's 1.473."""
    assert hy.broad_crested_m3s(0.2, 1) == pytest.approx(1.550 * 0.2**1.5, rel=0.06)


def test_required_width_inverts_the_weir() -> None:
    """b = Q / (1.473 h^1.5) (computed)."""
    assert hy.required_width_m(0.131752, 0.2, 1.47303) == pytest.approx(1.0, abs=1e-5)
    assert hy.head_over_crest_m(0.131752, 1.0, 1.47303) == pytest.approx(0.2, abs=1e-5)


def test_v_notch() -> None:
    """90 degrees, Cd 0.585 (memory), h 0.15 m (computed)."""
    assert hy.v_notch_m3s(0.15) == pytest.approx(0.0120429, abs=1e-7)


def test_sharp_crest() -> None:
    """Cd 0.62 (memory), b 0.5, h 0.1 (computed)."""
    assert hy.sharp_crested_m3s(0.1, 0.5) == pytest.approx(0.0289481, abs=1e-7)


def test_villemonte() -> None:
    """Half submerged: 0.845386 (memory, computed). Free: 1. Level: 0."""
    assert hy.submerged_ratio([0.1, -0.1, 0.2], 0.2) == pytest.approx([0.845386, 1, 0], abs=1e-6)


def test_manning_in_a_drain() -> None:
    """b 0.3, y 0.3, z 0.5, n 0.06, S 0.03 (computed)."""
    flow = hy.manning(0.3, 0.3, 0.5, 0.03, 0.06)
    assert flow.area_m2 == pytest.approx(0.135, abs=1e-9)
    assert flow.radius_m == pytest.approx(0.139058, abs=1e-6)
    assert flow.speed_mps == pytest.approx(0.774829, abs=1e-6)
    assert flow.flow_m3s == pytest.approx(0.104602, abs=1e-6)
    assert flow.shear_mean_pa == pytest.approx(40.925, abs=1e-3)
    assert flow.shear_bed_pa == pytest.approx(88.290, abs=1e-3)


def test_manning_in_a_rectangle() -> None:
    """b 1, y 0.5, n 0.03, S 0.001 (computed)."""
    assert hy.manning(0.5, 1, 0, 0.001, 0.03).flow_m3s == pytest.approx(0.209158, abs=1e-6)


def test_normal_depth_inverts_manning() -> None:
    depth = np.array([0.02, 0.3, 2.0, 0.3])
    bed, side = np.array([0.3, 0.0, 1.0, 0.5]), np.array([0.5, 1.0, 0.0, 2.0])
    flow = hy.manning(depth, bed, side, 0.03, 0.06).flow_m3s
    assert hy.normal_depth(flow, bed, side, 0.03, 0.06).depth_m == pytest.approx(depth, rel=1e-12)


@pytest.mark.parametrize(("ground", "erodes"), [("bare peat", True), ("dense vegetation", False)])
def test_what_ground_stands(ground: str, erodes: bool) -> None:
    """Fischenich 2001 (found): 88.3 Pa is over the 12 Pa of bare soil, under the 192 Pa of turf."""
    flow = hy.manning(np.array([0.3]), 0.3, 0.5, 0.03, 0.06)
    washed, words = hy.drain_erosion(flow, ground, np.array([0.5]))
    assert washed.tolist() == [erodes]
    assert "88 Pa" in words[0]


def test_a_drain_in_mineral_ground_is_told() -> None:
    flow = hy.manning(np.array([0.01, 0.01, 0.01]), 0.3, 0.5, 0.001, 0.06)
    washed, words = hy.drain_erosion(flow, "dense vegetation", np.array([0.2, -0.1, np.nan]))
    assert washed.tolist() == [False, True, False]
    assert "mineral" in words[1]


def test_no_flow_is_a_dry_channel() -> None:
    flow = hy.normal_depth(0.0, 0.3, 0.5, 0.03, 0.06)
    assert (float(flow.depth_m), float(flow.speed_mps)) == (0.0, 0.0)


def test_limits_of_the_broad_crest() -> None:
    """ISO 3846 limits (memory)."""
    assert hy.broad_crested_limits(0.2, 1.0, 0.5, 1.0) == []
    said = hy.broad_crested_limits(0.05, 1.0, 0.05, 0.2)
    assert len(said) == 5


def test_overflow_of_many_dams_at_once() -> None:
    table = hy.overflow_check([0.0, 0.02, 0.1, 0.5], 2.0, 0.15, 0.3, "turf")
    assert table.head_m.to_numpy() == pytest.approx(
        (np.array([0.0, 0.02, 0.1, 0.5]) / (1.45 * 2.0)) ** (2 / 3)
    )
    assert table.overtopped.tolist() == [False, False, False, True]
    assert table.freeboard_short.tolist() == [False, False, True, True]
    assert table.erodes.tolist() == [False, False, True, True]
    assert "runs over the dam" in table.why[3]
    # An outlet of the width that is said to do leaves the freeboard asked for.
    mended = hy.overflow_check(0.1, table.required_width_m[2], 0.15, 0.3, "turf")
    assert mended.freeboard_m[0] == pytest.approx(0.1)


def test_shear_on_the_face_is_that_of_uniform_flow() -> None:
    """Per metre of width q, Manning's depth is (q n / sqrt S)^0.6, shear its weight down slope."""
    table = hy.overflow_check(0.04, 2.0, 0.3, 0.5, "bare peat")
    sine = 0.5 / np.sqrt(1.25)
    depth = (0.02 * 0.06 / np.sqrt(sine)) ** 0.6
    assert table.face_depth_m[0] == pytest.approx(depth)
    assert table.shear_pa[0] == pytest.approx(9810 * depth * sine)
    assert table.speed_mps[0] == pytest.approx(0.02 / depth)


def test_a_crest_below_its_outlet_needs_an_endless_outlet() -> None:
    table = hy.overflow_check(0.02, 2.0, -0.05, 0.3, "turf")
    assert np.isinf(table.required_width_m[0])
    assert table.overtopped[0]


@pytest.mark.parametrize(
    "args",
    [
        (-0.1, 2, 0.15, 0.3, "turf"),
        (np.nan, 2, 0.15, 0.3, "turf"),
        (0.1, 0, 0.15, 0.3, "turf"),
        (0.1, 2, 0.15, 0, "turf"),
        (0.1, 2, 0.15, 0.3, "concrete"),
    ],
)
def test_impossible_outlets_are_refused(args: tuple[object, ...]) -> None:
    with pytest.raises(PeatwrightError):
        hy.overflow_check(*args)


@pytest.mark.parametrize(
    "args",
    [(0.1, 0, 0, 0.03, 0.06), (0.1, 1, 0, 0, 0.06), (0.1, 1, 0, 0.03, 0), (1e4, 0.1, 0, 1e-6, 5)],
)
def test_impossible_channels_are_refused(args: tuple[float, ...]) -> None:
    with pytest.raises(PeatwrightError):
        hy.normal_depth(*args)
