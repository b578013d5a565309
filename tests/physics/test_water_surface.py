"""The storm over the surface against exact solutions, published runs and its own conservation laws.

`found`, `memory` and `computed` say how each reference value is known.
"""

import numpy as np
import pytest

from peatwright.model.errors import PeatwrightError
from peatwright.model.raster import Grid, Raster
from peatwright.model.water_rules import SurfaceRules
from peatwright.water.surface import run_surface
from peatwright.water.surface_parts import (
    CrossLine,
    HeldDepth,
    Hyetograph,
    Inflow,
    block_rain,
    compare_peaks,
    peaked_rain,
)

MM_H = 1e-3 / 3600


def ground(z: np.ndarray, dx: float = 1.0, dy: float | None = None) -> Raster:
    z = np.atleast_2d(np.asarray(z, np.float32))
    dy = dx if dy is None else dy
    return Raster(z, Grid(0.0, z.shape[0] * dy, dx, dy, *z.shape, ""))


def even(rate_mps: float, seconds: float) -> Hyetograph:
    return Hyetograph(np.array([0.0, seconds]), np.array([rate_mps]))


def hills(rows: int = 40, cols: int = 50, seed: int = 1) -> np.ndarray:
    """Return lumpy ground with a fall to the south, holes without data and a closed hollow."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:rows, :cols]
    z = 300.0 - 0.05 * y + 0.3 * np.sin(x / 5.0) * np.cos(y / 7.0)
    z += rng.normal(0.0, 0.03, z.shape)
    z[12:15, 20:24] = np.nan
    z[25:33, 8:16] -= 1.0
    return z


def test_a_lake_at_rest_stays_at_rest_and_its_islands_dry() -> None:
    rng = np.random.default_rng(3)
    z = (400.0 + rng.random((30, 40))).astype(np.float32)
    z[10:13, 10:14] = 402.5
    z[20, 20] = np.nan
    # A level that the model can hold, a whole number of 2^-20 m above the lowest cell.
    level = float(np.nanmin(z)) + np.ceil(1.2 * 2**20) / 2**20
    depth = np.where(np.isfinite(z), np.maximum(level - z.astype(float), 0.0), 0.0)
    run = run_surface(ground(z), 0.05, end_s=300.0, start_depth_m=depth, open_sides=())
    assert np.nanmax(run.speed_max.values) == 0.0
    assert (run.depth.values[10:13, 10:14] == 0.0).all()
    dry = np.isfinite(z) & (z > level)
    assert (run.depth_max.values[dry] == 0.0).all()
    wet = np.isfinite(z)
    assert run.depth.values[wet] == pytest.approx(depth[wet], abs=1e-7)
    assert run.balance.start_m3 == run.balance.end_m3


@pytest.mark.parametrize(
    ("q", "n", "slope", "depth", "dx"),
    [
        (0.01, 0.3, 0.05, 0.0752630, 2.0),
        (0.001, 0.03, 0.01, 0.00769614, 1.0),
        (0.1, 0.03, 0.001, 0.243373, 10.0),
    ],
)
def test_uniform_flow(q: float, n: float, slope: float, depth: float, dx: float) -> None:
    """h = (q n / sqrt S)^0.6 (computed)."""
    z = 10.0 - slope * dx * np.arange(40)
    cells = np.zeros((1, 40), bool)
    cells[0, 0] = True
    rules = SurfaceRules(edge_slope_ratio=1e-5)
    run = run_surface(
        ground(z, dx), n, rules=rules, end_s=4000.0, open_sides=("east",),
        inflows=[Inflow(cells, [0.0], [q * dx])],
    )  # fmt: skip
    assert run.depth.values[0, 10:35] == pytest.approx(depth, rel=0.01)
    assert run.hydrographs["edges"].iloc[-1] == pytest.approx(q * dx, rel=0.001)


def test_rain_on_a_plane() -> None:
    """Kinematic wave, L 100 m, n 0.1, S 0.05, 20 mm/h (memory, computed)."""
    z = 10.0 - 0.05 * (np.arange(100) + 0.5)
    run = run_surface(
        ground(z), 0.1, even(20 * MM_H, 3000.0), end_s=3000.0, report_s=1237.14 / 40,
        open_sides=("east",),
    )  # fmt: skip
    flow = run.hydrographs.set_index("time_s")["edges"]
    assert flow.iloc[-1] == pytest.approx(5.55556e-4, rel=0.002)
    half = flow.iloc[19:21].mean()  # the intervals on both sides of te / 2
    assert half == pytest.approx(1.74989e-4, rel=0.03)
    assert flow.iloc[42] > 0.95 * 5.55556e-4
    # The depth of a cell drives the flow over its lower face, so it is read there.
    h = run.depth.values[0]
    assert np.interp([10, 50], np.arange(100) + 1.0, h) == pytest.approx(
        [0.00172642, 0.00453448], rel=0.02
    )
    assert h[-1] == pytest.approx(0.00687299, rel=0.02)


def test_three_times_the_roughness_nearly_doubles_the_time_to_peak() -> None:
    """te goes as n^0.6: 3^0.6 = 1.933 (computed); field trials say time to peak doubled (found)."""
    z = 10.0 - 0.05 * (np.arange(50) + 0.5) * 2
    times = []
    for n in (0.1, 0.3):
        run = run_surface(
            ground(z, 2.0), n, even(20 * MM_H, 3600.0), end_s=3600.0, report_s=20.0,
            open_sides=("east",),
        )  # fmt: skip
        flow = run.hydrographs["edges"].to_numpy()
        times.append(np.interp(0.6 * flow[-1], flow, run.hydrographs["time_s"]))
    assert times[1] / times[0] == pytest.approx(1.933, rel=0.03)


def v_catchment() -> tuple[Raster, np.ndarray, np.ndarray]:
    dx = 20.0
    x = (np.arange(81) - 40) * dx
    y = 1000.0 - (np.arange(50) + 0.5) * dx
    plane = np.where(x == 0.0, 0.0, 0.05 * (np.abs(x) - dx / 2))
    n = np.where(x == 0.0, 0.15, 0.015) * np.ones((50, 1))
    outlet = np.zeros((50, 81), bool)
    outlet[-1, 40] = True
    return ground(plane + 0.02 * y[:, None], dx), n, outlet


def test_tilted_v_catchment() -> None:
    """MODFLOW 6 autotest olf-swr-vcatch (found): 4.859497719 m3/s at 5400 s, within 0.001."""
    land, n, outlet = v_catchment()
    run = run_surface(
        land, n, even(3.0e-6, 5400.0), end_s=10800.0, report_s=60.0, open_cells=outlet
    )
    flow = run.hydrographs.set_index("time_s")["edges"]
    assert flow[5400.0] == pytest.approx(4.859497719, abs=0.001)
    assert run.balance.rain_m3 == pytest.approx(26244.0, rel=1e-6)
    # Kinematic wave, min: m3/s (computed). Ours keeps the water's own slope, so limbs differ.
    for minutes, q in {45: 3.942, 60: 4.859, 75: 4.860, 105: 3.716, 120: 2.139, 150: 0.702}.items():
        at = flow[[minutes * 60.0, minutes * 60.0 + 60.0]].mean()
        assert at == pytest.approx(q, abs=0.3)


@pytest.mark.parametrize(
    ("left", "right", "depth", "flow", "shock", "tolerance"),
    [
        (1.0, 0.5, 0.770605, 0.675554, 2.496461, 0.01),
        (2.0, 1.0, 1.541209, 1.910755, 3.530529, 0.01),
        (1.0, 0.1, 0.638075, 1.023794, 1.902697, 0.05),
    ],
)
def test_riemann(
    left: float, right: float, depth: float, flow: float, shock: float, tolerance: float
) -> None:
    """Exact Riemann solution of the frictionless local-inertial equations (computed).

    The equations leave out advection, so a right code does not give Ritter's or Stoker's dam break.
    """
    cells, dx, t = 400, 0.25, 6.0
    start = np.where(np.arange(cells) < cells // 2, left, right)[None, :]
    rules = SurfaceRules(roughness_low=0.0, froude_max=10.0)
    line = CrossLine("gate", [50.0, 50.0], [0.0, 1.0])
    run = run_surface(
        ground(np.zeros(cells), dx, 1.0), 0.0, rules=rules, end_s=t, report_s=0.5,
        start_depth_m=start, open_sides=(), lines=[line],
    )  # fmt: skip
    h = run.depth.values[0]
    between = slice(cells // 2 + 4, cells // 2 + int(0.8 * shock * t / dx))
    assert float(np.median(h[between])) == pytest.approx(depth, rel=tolerance)
    # Walked northwards, the line's right hand is east.
    assert run.hydrographs["gate"].iloc[-1] == pytest.approx(flow, rel=2 * tolerance)
    front = np.nonzero(h > 0.5 * (depth + right))[0].max() * dx - 50.0
    assert front == pytest.approx(shock * t, rel=0.02 + 2 * tolerance)


@pytest.mark.parametrize(
    ("n", "depths", "near", "far"),
    [
        (0.03, (2.231915, 2.069854, 1.681024, 1.104119), 0.01, 0.04),
        (0.01, (0.870395, 0.807195, 0.655561, 0.430581), 0.03, 0.15),
    ],
)
def test_non_breaking_wave(n: float, depths: tuple[float, ...], near: float, far: float) -> None:
    """Hunter et al. 2005, u 1 m/s, t 3600 s (found as code, values computed)."""
    cells, dx = 100, 50.0
    inlet = np.zeros((1, cells), bool)
    inlet[0, 0] = True
    times = np.linspace(0.0, 3600.0, 721)
    # The held cell's centre stands for the inlet: the solution is shifted by half a cell.
    held = HeldDepth(inlet, times, (7.0 / 3.0 * n**2 * times) ** (3.0 / 7.0))
    rules = SurfaceRules(step_max_s=20.0, theta=1.0, froude_max=10.0)
    run = run_surface(
        ground(np.zeros(cells), dx), n, rules=rules, end_s=3600.0, held=[held], open_sides=()
    )
    h = run.depth.values[0]
    x = dx * np.arange(cells)
    ours = np.interp([500.0, 1000.0, 2000.0, 3000.0], x, h)
    assert ours[:3] == pytest.approx(depths[:3], rel=near)
    assert ours[3] == pytest.approx(depths[3], rel=far)
    assert x[h > 0.01].max() == pytest.approx(3600.0, abs=250.0)


def rough_run(threads: int = 1, **more: object) -> object:
    z = hills()
    n = np.full(z.shape, 0.1)
    n[:, 25:] = 0.4
    cells = np.zeros(z.shape, bool)
    cells[2, 5:8] = True
    return run_surface(
        ground(z), n, peaked_rain(0.03, 900.0), end_s=1800.0, threads=threads,
        infiltration_mps=1e-6, start_depth_m=0.001,
        inflows=[Inflow(cells, [0.0, 600.0, 900.0], [0.0, 0.02, 0.0])],
        lines=[CrossLine("cut", [0.0, 50.0], [10.0, 10.0])], **more,
    )  # fmt: skip


def test_water_is_neither_made_nor_lost() -> None:
    run = rough_run()
    assert run.balance.error_ratio < 1e-9
    assert run.balance.rain_m3 == pytest.approx(0.03 * (40 * 50 - 12), rel=1e-6)
    assert run.balance.inflow_m3 == pytest.approx(0.5 * 900 * 0.02, rel=1e-6)
    assert run.balance.lost_m3 > 0.0
    assert run.balance.outflow_m3 > 0.0
    assert np.nanmin(run.depth.values) >= 0.0
    out = np.sum(run.hydrographs["edges"] * np.diff(run.hydrographs["time_s"], prepend=0.0))
    assert out == pytest.approx(run.balance.outflow_m3, rel=1e-9)


def test_threads_change_nothing() -> None:
    one = rough_run(1)
    for threads in (2, 3):
        more = rough_run(threads)
        assert np.array_equal(one.depth.values, more.depth.values, equal_nan=True)
        assert np.array_equal(one.speed_max.values, more.speed_max.values, equal_nan=True)
        assert one.hydrographs.equals(more.hydrographs)


@pytest.mark.parametrize("turn", [np.fliplr, np.flipud, np.rot90, np.transpose])
def test_turned_ground_gives_the_turned_result(turn: object) -> None:
    z = hills(30, 30)
    straight = run_surface(ground(z), 0.1, block_rain(0.03, 600.0), end_s=900.0, open_sides=())
    turned = run_surface(ground(turn(z)), 0.1, block_rain(0.03, 600.0), end_s=900.0, open_sides=())
    assert np.array_equal(turn(straight.depth.values), turned.depth.values, equal_nan=True)


def test_oblong_cells_and_square_ones_agree_on_a_plane() -> None:
    z = 10.0 - 0.05 * (np.arange(50) + 0.5)[None, :] * np.ones((4, 1))
    flows = [
        run_surface(
            ground(z, 1.0, dy), 0.1, even(20 * MM_H, 1500.0), end_s=1500.0, open_sides=("east",)
        ).hydrographs["edges"].iloc[-1] / dy
        for dy in (1.0, 2.5)
    ]  # fmt: skip
    assert flows[0] == pytest.approx(flows[1], rel=1e-4)


def test_a_closed_basin_keeps_its_rain_level() -> None:
    y, x = np.mgrid[:21, :21] - 10
    z = 100.0 + 0.02 * (x**2 + y**2)
    run = run_surface(ground(z), 0.05, even(1e-4, 600.0), end_s=6000.0, open_sides=())
    level = (z + run.depth.values)[run.depth.values > 0.02]
    assert np.ptp(level) < 1e-3
    assert run.balance.end_m3 == pytest.approx(1e-4 * 600.0 * 21 * 21, rel=1e-6)


def test_a_drain_one_cell_wide_carries_its_water() -> None:
    z = 50.0 - 0.02 * np.arange(60)[:, None] + 0.05 * np.abs(np.arange(41) - 20)[None, :]
    z[:, 20] -= 0.6
    run = run_surface(ground(z), 0.1, even(20 * MM_H, 7200.0), end_s=7200.0, open_sides=("south",),
                      lines=[CrossLine("drain", [20.0, 21.0], [1.0, 1.0])])  # fmt: skip
    rain = 20 * MM_H * 60 * 41
    assert run.hydrographs["edges"].iloc[-1] == pytest.approx(rain, rel=0.01)
    # Walked eastwards, the right hand is south, which is where the drain runs to.
    assert run.hydrographs["drain"].iloc[-1] > 0.8 * rain


def test_flow_over_a_line_is_the_flow_out_and_turns_with_the_line() -> None:
    z = 10.0 - 0.05 * np.arange(30)[:, None] * np.ones((1, 20))
    lines = [
        CrossLine("east", [0.0, 20.0], [3.0, 3.0]),
        CrossLine("west", [20.0, 0.0], [3.0, 3.0]),
        CrossLine("slanting", [0.0, 7.0, 20.0], [3.0, 9.0, 3.0]),
    ]
    run = run_surface(
        ground(z), 0.1, even(30 * MM_H, 3000.0), end_s=3000.0, open_sides=("south",), lines=lines
    )
    last = run.hydrographs.iloc[-1]
    assert last["east"] == pytest.approx(last["edges"] * 27 / 30, rel=0.005)
    assert last["west"] == -last["east"]
    assert 0.75 * last["edges"] < last["slanting"] < last["east"]


def test_gaps_inside_are_walls_and_gaps_at_the_edge_are_outside() -> None:
    z = 10.0 - 0.05 * np.arange(20)[:, None] * np.ones((1, 20))
    inside, outside = z.copy(), z.copy()
    inside[12:15, 5:10] = np.nan
    outside[15:, :] = np.nan
    for land in (inside, outside):
        run = run_surface(ground(land), 0.1, even(30 * MM_H, 1800.0), end_s=1800.0,
                          open_sides=("south",))  # fmt: skip
        assert np.array_equal(np.isnan(run.depth.values), np.isnan(land))
        rain = 30 * MM_H * np.isfinite(land).sum()
        assert run.hydrographs["edges"].iloc[-1] == pytest.approx(rain, rel=0.01)
    shut = run_surface(ground(outside), 0.1, even(30 * MM_H, 1800.0), end_s=1800.0, open_sides=())
    assert shut.balance.outflow_m3 == 0.0


def test_steep_ground_stays_calm() -> None:
    """Twenty degrees, thin water, long steps: no faster than critical, nothing negative."""
    z = 100.0 - 0.36 * np.arange(60)[:, None] * np.ones((1, 10))
    rules = SurfaceRules(step_max_s=20.0)
    run = run_surface(ground(z), 0.05, even(60 * MM_H, 1200.0), rules=rules, end_s=1200.0,
                      open_sides=("south",))  # fmt: skip
    assert run.hydrographs["edges"].iloc[-1] == pytest.approx(60 * MM_H * 600, rel=0.01)
    fastest, deepest = np.nanmax(run.speed_max.values), np.nanmax(run.depth_max.values)
    assert fastest < 1.5 * np.sqrt(9.81 * deepest)
    # Side by side columns see the same ground, so they carry the same water.
    assert np.ptp(run.depth.values, axis=1).max() < 1e-6


def test_nothing_in_nothing_out() -> None:
    run = run_surface(ground(hills()), 0.1, end_s=60.0)
    assert np.nanmax(run.depth_max.values) == 0.0
    assert run.balance.error_ratio == 0.0


def test_two_runs_are_compared_with_a_caution() -> None:
    z = 10.0 - 0.05 * np.arange(30)[:, None] * np.ones((1, 20))
    runs = [run_surface(ground(z), n, block_rain(0.01, 600.0), end_s=3000.0) for n in (0.1, 0.3)]
    table = compare_peaks(*runs)
    assert table.peak_change_ratio[0] < 0.0
    assert table.delay_s[0] > 0.0
    assert "screening" in table.words[0]


@pytest.mark.parametrize("rate", [-1e-6, np.nan, 1.0])
def test_impossible_rain_is_refused(rate: float) -> None:
    with pytest.raises(PeatwrightError, match="rain"):
        even(rate, 60.0)


@pytest.mark.parametrize("n", [0.0, -0.1, np.nan, 1000.0])
def test_impossible_roughness_is_refused(n: float) -> None:
    with pytest.raises(PeatwrightError, match="roughness"):
        run_surface(ground(hills()), n, end_s=60.0)
    with pytest.raises(PeatwrightError, match="roughness"):
        run_surface(ground(hills()), np.full((40, 50), n), end_s=60.0)


@pytest.mark.parametrize("ratio", [3.0, 0.65, 0.0, np.nan])
def test_an_unstable_step_is_refused(ratio: float) -> None:
    with pytest.raises(PeatwrightError, match="step_ratio"):
        run_surface(ground(hills()), 0.1, rules=SurfaceRules(step_ratio=ratio), end_s=60.0)


@pytest.mark.parametrize("ratio", [0.3, 0.6])
def test_ripples_die_out_in_deep_still_water(ratio: float) -> None:
    """Without friction a checkered surface must calm down at every step that is let through."""
    y, x = np.mgrid[:16, :16]
    start = 1.0 + 0.01 * (-1.0) ** (x + y)
    rules = SurfaceRules(step_ratio=ratio, roughness_low=0.0)
    run = run_surface(ground(np.zeros((16, 16))), 0.0, rules=rules, end_s=200.0,
                      start_depth_m=start, open_sides=())  # fmt: skip
    assert np.ptp(run.depth.values) < 2e-3


def test_ground_without_data_is_refused() -> None:
    with pytest.raises(PeatwrightError, match="no cell with a level"):
        run_surface(ground(np.full((5, 5), np.nan)), 0.1, end_s=60.0)


def test_water_too_deep_to_hold_is_refused() -> None:
    z = np.full((5, 5), 10.0)
    z[2, 2] = 0.0
    with pytest.raises(PeatwrightError, match="deepest_m"):
        run_surface(ground(z), 0.1, even(1e-3, 3600.0), rules=SurfaceRules(deepest_m=2.0),
                    end_s=3600.0, open_sides=())  # fmt: skip


@pytest.mark.parametrize(
    "more",
    [
        {"start_depth_m": np.zeros((3, 3))},
        {"start_depth_m": -0.1},
        {"infiltration_mps": -1e-6},
        {"open_sides": ("up",)},
        {"lines": [CrossLine("nowhere", [-50.0, -40.0], [5.0, 5.0])]},
        {"inflows": [Inflow(np.zeros((40, 50), bool), [0.0], [1.0])]},
        {"end_s": 0.0},
    ],
)
def test_other_impossible_input_is_refused(more: dict[str, object]) -> None:
    with pytest.raises(PeatwrightError):
        run_surface(ground(hills()), 0.1, **({"end_s": 60.0} | more))
