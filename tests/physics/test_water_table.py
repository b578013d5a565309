"""The water table against closed forms, a general solver, and its own conservation laws."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import fsolve

from peatwright.model.errors import PeatwrightError
from peatwright.model.raster import Grid, Raster
from peatwright.model.water_rules import TableRules
from peatwright.water.drainage_formulas import ellipse_level_m, falling_level_m, step_level_m
from peatwright.water.table import Bog, compare_tables, steady_table, transient_table
from peatwright.water.table_calibration import calibrate

DAY = 86400.0
# One conductivity at all depths: a Dupuit aquifer.
EVEN = TableRules(
    conductivity_top_mps=1e-6, conductivity_deep_mps=1e-12, decay_per_m=0.0, recharge_mps=1e-3 / DAY
)


def land(z: np.ndarray, dx: float = 1.0, dy: float | None = None) -> Raster:
    dy = dx if dy is None else dy
    z = np.asarray(z, np.float32)
    return Raster(z, Grid(0.0, z.shape[0] * dy, dx, dy, *z.shape, ""))


def strip(cells: int, rows: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Return level ground at 10 m and drains at both ends."""
    drains = np.zeros((rows, cells), bool)
    drains[:, 0] = drains[:, -1] = True
    return np.full((rows, cells), 10.0), drains


def hillside(n: int = 60, slope: float = 0.05, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    y, _ = np.mgrid[:n, :n]
    z = 300.0 + slope * (n - y) + np.cumsum(rng.normal(0, 0.01, n))[None, :]
    drains = np.zeros((n, n), bool)
    drains[:, 7::15] = True
    return z, drains


def drained(n: int = 60, rules: TableRules | None = None) -> tuple[Bog, np.ndarray, np.ndarray]:
    z, drains = hillside(n)
    cut = np.where(drains, z - 0.6, z)
    bog = Bog(land(cut), drains, 1.5, rules=rules)
    before = np.where(drains, z - 0.6, np.nan)
    after = np.where(drains, z - 0.15, np.nan)
    return bog, before, after


@pytest.mark.parametrize(
    ("w_mm_day", "spacing", "drain", "middle"),
    [(1, 10, 0.5, 0.734406), (2, 10, 0.5, 0.910332), (1, 15, 0.7, 1.068196)],
)
def test_ellipse(w_mm_day: float, spacing: float, drain: float, middle: float) -> None:
    """Peat of K 1e-6 m/s on a flat floor (memory, computed)."""
    dx = 0.25
    z, drains = strip(int(spacing / dx) + 1)
    rules = replace(EVEN, recharge_mps=w_mm_day * 1e-3 / DAY)
    bog = Bog(land(z, dx), drains, 8.0, rules=rules, open_edges=False)
    held = np.where(drains, 10.0 - 8.0 + drain, np.nan)
    table = steady_table(bog, held)
    level = 8.0 - table.depth.values[0]
    x = dx * np.arange(level.size)
    assert level[level.size // 2] == pytest.approx(middle, abs=2e-4)
    exact = ellipse_level_m(x, spacing, rules.recharge_mps, 1e-6, drain)
    assert level == pytest.approx(exact, abs=2e-4)
    assert table.budget.error_ratio < 1e-4
    assert table.budget.to_drains_m3s == pytest.approx(table.budget.recharge_m3s, rel=1e-4)


def test_drains_at_unequal_levels() -> None:
    z, drains = strip(81)
    bog = Bog(land(z, 0.25), drains, 3.0, rules=EVEN, open_edges=False)
    held = np.full(z.shape, np.nan)
    held[0, 0], held[0, -1] = 7.8, 7.5
    level = 3.0 - steady_table(bog, held).depth.values[0]
    exact = ellipse_level_m(0.25 * np.arange(81), 20.0, EVEN.recharge_mps, 1e-6, 0.8, 0.5)
    assert level == pytest.approx(exact, abs=2e-4)


def test_falling_table_follows_the_series() -> None:
    """L 10 m, T/mu 0.864 m2/d, h0 0.3 m: 0.162756 after 10 d midway (memory, computed).

    A deep floor keeps carrying power nearly the same while the table falls, as the series asks.
    """
    dx, depth, mu = 0.25, 15.0, 0.2
    # Midway in the fall the saturated peat is about 14.85 m thick.
    k = 0.864 / DAY * mu / 14.62
    rules = replace(EVEN, conductivity_top_mps=k, specific_yield_ratio=mu)
    z, drains = strip(41)
    bog = Bog(land(z, dx), drains, depth, rules=rules, open_edges=False)
    held = np.where(drains, 9.5, np.nan)
    start = np.where(drains, 0.5, 0.2)
    steps = transient_table(bog, held, start, [0.0] * 80, 0.125 * DAY)
    level = 0.5 - steps[-1].depth.values[0]
    exact = falling_level_m(dx * np.arange(41), 10 * DAY, 10.0, 0.3, 0.864 / DAY)
    assert level[20] == pytest.approx(0.162756, rel=0.02)
    assert level == pytest.approx(exact, abs=0.004)


def test_a_raised_drain_reaches_out_as_erfc() -> None:
    """Edelman's case 1, s0 0.5 m: 0.4521 0.4049 0.3152 0.1145 m at 10 d (computed)."""
    dx, depth, mu = 0.25, 30.0, 0.2
    k = 0.864 / DAY * mu / 29.1
    rules = replace(EVEN, conductivity_top_mps=k, specific_yield_ratio=mu)
    z = np.full((1, 121), 10.0)
    drains = np.zeros((1, 121), bool)
    drains[0, 0] = True
    bog = Bog(land(z, dx), drains, depth, rules=rules, open_edges=False)
    steps = transient_table(bog, np.where(drains, 9.5, np.nan), np.where(drains, 0.5, 1.0),
                            [0.0] * 80, 0.125 * DAY)  # fmt: skip
    change = 1.0 - steps[-1].depth.values[0]
    assert change[[2, 4, 8, 20]] == pytest.approx([0.4521, 0.4049, 0.3152, 0.1145], abs=0.005)
    exact = step_level_m(dx * np.arange(121), 10 * DAY, 0.5, 0.864 / DAY)
    assert change[:60] == pytest.approx(exact[:60], abs=0.005)


def plain_carrying(w: float, depth: float, r: TableRules) -> float:
    """T(w) by numeric sum of K over depth: a twin that shares no formula with the kernel."""
    edges = np.linspace(max(w, 0.0), depth, 4001)
    mid = 0.5 * (edges[1:] + edges[:-1])
    k = r.conductivity_top_mps * np.exp(-r.decay_per_m * mid) + r.conductivity_deep_mps
    return float(k.sum() * (edges[1] - edges[0]))


@pytest.mark.parametrize("slope", [0.0, 0.06])
def test_layered_peat_between_drains_as_by_a_general_solver(slope: float) -> None:
    """q' = w in 1-D with T by numeric sums, solved by shooting: no grid formula in common."""
    from scipy.integrate import solve_bvp

    rules = TableRules(
        conductivity_top_mps=1e-4, conductivity_deep_mps=1e-6, decay_per_m=6.0, recharge_mps=2e-8
    )
    length, depth, dx = 12.0, 1.5, 0.1
    n = int(length / dx) + 1
    x = dx * np.arange(n)
    z = 10.0 - slope * x
    drains = np.zeros((1, n), bool)
    drains[0, 0] = drains[0, -1] = True
    bog = Bog(land(z[None, :], dx), drains, depth, rules=rules, open_edges=False)
    # Filling drain cells from the bank levels the first and last cell with its neighbour.
    held = np.full((1, n), np.nan)
    held[0, 0], held[0, -1] = z[0] - 0.5, z[-1] - 0.5
    found = bog.ground[0] - steady_table(bog, held).level_m[0]

    ws = np.linspace(0.0, depth, 301)
    ts = np.array([plain_carrying(w, depth, rules) for w in ws])

    def rhs(at: np.ndarray, y: np.ndarray) -> np.ndarray:
        w, q = y
        # q = -T dh/dx with h = z - w, so dw/dx = q / T - slope.
        return np.stack([q / np.interp(w, ws, ts) - slope, np.full_like(at, rules.recharge_mps)])

    guess = np.stack([np.full(n, 0.4), rules.recharge_mps * (x - length / 2)])
    exact = solve_bvp(rhs, lambda a, b: np.array([a[0] - 0.5, b[0] - 0.5]), x, guess, tol=1e-7,
                      max_nodes=200000)  # fmt: skip
    assert exact.success
    inner = slice(3, n - 3)
    assert found[inner] == pytest.approx(exact.sol(x)[0][inner], abs=0.006)


def test_small_site_as_by_scipys_root_finder() -> None:
    """Every cell's balance, written anew in NumPy, is zero where our Newton stops."""
    rules = TableRules(recharge_mps=2e-8)
    z, drains = hillside(16, 0.03)
    bog = Bog(land(np.where(drains, z - 0.5, z)), drains, 1.2, rules=rules, open_edges=False)
    held = np.where(drains, z - 0.5, np.nan)
    table = steady_table(bog, held)
    free = ~drains

    def carrying(w: np.ndarray) -> np.ndarray:
        f, top, deep = rules.decay_per_m, rules.conductivity_top_mps, rules.conductivity_deep_mps
        inside = np.clip(w, 0.0, 1.2)
        t = top / f * (np.exp(-f * inside) - np.exp(-f * 1.2)) + deep * (1.2 - inside)
        return t - np.minimum(w, 0.0) * (top + deep)

    def conductivity(w: np.ndarray) -> np.ndarray:
        f = rules.decay_per_m
        return (
            rules.conductivity_top_mps * np.exp(-f * np.maximum(w, 0)) + rules.conductivity_deep_mps
        )

    def residual(flat: np.ndarray) -> np.ndarray:
        level = table.level_m.copy()
        level[free] = flat
        w = bog.ground - level
        net = np.full(level.shape, rules.recharge_mps)
        over = np.maximum(level - bog.ground, 0.0)
        net -= rules.recharge_mps / rules.spill_film_m * over
        for axis in (0, 1):
            a, b = (slice(None), slice(0, -1)), (slice(None), slice(1, None))
            if axis == 0:
                a, b = a[::-1], b[::-1]
            dz = bog.ground[a] - bog.ground[b]
            pe = conductivity(np.zeros(1)) / carrying(np.zeros(1)) * dz
            near = np.where(np.abs(pe) < 1e-3, 1.0, pe)
            lean = np.where(np.abs(pe) < 1e-3, pe / 6, 1 / np.tanh(near / 2) - 2 / near)
            tg = (carrying(w[a]) + 4 * carrying((w[a] + w[b]) / 2) + carrying(w[b])) / 6
            ta = 0.5 * ((1 + lean) * carrying(w[a]) + (1 - lean) * carrying(w[b]))
            q = tg * (w[b] - w[a]) + ta * dz
            net[a] -= q
            net[b] += q
        return net[free] * 1e8

    root = fsolve(residual, table.level_m[free] + 0.001, xtol=1e-10)
    assert table.level_m[free] == pytest.approx(root, abs=2e-5)


def test_raising_the_drains_wets_the_bog_a_little() -> None:
    bog, before, after = drained()
    one, two = steady_table(bog, before), steady_table(bog, after)
    for table in (one, two):
        assert table.budget.error_ratio < 1e-4
        assert np.nanmin(table.depth.values) >= 0.0
    assert two.mean_m < one.mean_m
    assert two.wet_ratio >= one.wet_ratio
    # No cell gets drier when only drain levels rise.
    assert (two.level_m - one.level_m)[bog.valid].min() > -1e-4
    change = compare_tables(bog, before, after, one, two)
    assert change.believed
    assert "few centimetres" in change.words


def test_default_settings_give_the_depth_of_measured_bogs() -> None:
    """Holden et al. 2011 (found): drained 11.5, blocked 8.9, intact 5.8 cm; within a few cm."""
    bog, before, _ = drained()
    assert steady_table(bog, before).mean_m == pytest.approx(0.115, abs=0.06)
    intact = steady_table(bog, np.full(before.shape, np.nan))
    assert intact.mean_m < 0.06


def test_a_rise_beyond_belief_names_its_cause() -> None:
    rules = TableRules(
        recharge_mps=3e-9, conductivity_top_mps=3e-5, conductivity_deep_mps=5e-7, decay_per_m=8.0
    )
    bog, before, after = drained(40, rules)
    one, two = steady_table(bog, before), steady_table(bog, after)
    change = compare_tables(bog, before, after, one, two)
    assert not change.believed
    assert change.rise_m > rules.believed_rise_m
    assert change.driver in change.words
    # The named setting moves the rise more than the others do, so halving and doubling it differ.
    assert abs(change.doubled_m - change.halved_m) > 0.01


def test_a_mirrored_bog_has_the_mirrored_table() -> None:
    z, drains = hillside(40)
    held = np.where(drains, z - 0.5, np.nan)
    straight = steady_table(Bog(land(z), drains, 1.5), held).depth.values
    for turn in (np.fliplr, np.flipud, np.transpose, np.rot90):
        bog = Bog(land(turn(z)), turn(drains), 1.5)
        turned = steady_table(bog, turn(held)).depth.values
        assert turned == pytest.approx(turn(straight), abs=5e-5)


def test_oblong_cells() -> None:
    """The ellipse does not care how long cells are along the drains."""
    z, drains = strip(41, 3)
    levels = []
    for dy in (0.25, 2.0):
        bog = Bog(land(z, 0.25, dy), drains, 8.0, rules=EVEN, open_edges=False)
        levels.append(steady_table(bog, np.where(drains, 2.5, np.nan)).level_m)
    assert levels[0] == pytest.approx(levels[1], abs=5e-5)


def test_gaps_in_the_ground_are_walls() -> None:
    z, drains = hillside(40)
    z[18:22, 10:14] = np.nan
    drains[18:22, 10:14] = False
    bog = Bog(land(z), drains, 1.5)
    table = steady_table(bog, np.where(drains, z - 0.5, np.nan))
    assert np.array_equal(np.isnan(table.depth.values), np.isnan(z))
    assert table.budget.error_ratio < 1e-4


def test_a_drain_that_gives_nothing_back_leaves_the_ground_below_it_drier() -> None:
    """A full drain near the top of a slope: little comes down to it, and it can feed the slope."""
    y, _ = np.mgrid[:40, :20]
    z = 100.0 - 0.06 * y
    drains = np.zeros((40, 20), bool)
    drains[3] = True
    held = np.where(drains, z - 0.05, np.nan)
    bog = Bog(land(z), drains, 1.5, rules=TableRules(recharge_mps=5e-9))
    fed, dry = steady_table(bog, held), steady_table(bog, held, feed=False)
    assert fed.budget.to_drains_m3s < 0.0
    assert dry.budget.to_drains_m3s == 0.0
    below = (slice(4, 10), slice(None))
    assert dry.depth.values[below].mean() > fed.depth.values[below].mean() + 0.02
    for table in (fed, dry):
        assert table.budget.error_ratio < 1e-4


def test_a_drain_that_gives_nothing_back_still_takes_what_comes() -> None:
    y, _ = np.mgrid[:40, :20]
    z = 100.0 - 0.06 * y
    drains = np.zeros((40, 20), bool)
    drains[20] = True
    held = np.where(drains, z - 0.4, np.nan)
    bog = Bog(land(z), drains, 1.5)
    fed, dry = steady_table(bog, held), steady_table(bog, held, feed=False)
    assert dry.level_m == pytest.approx(fed.level_m, abs=0.002)


def test_storage_takes_up_what_falls() -> None:
    z, _ = strip(20, 20)
    none = np.zeros(z.shape, bool)
    bog = Bog(land(z), none, 2.0, open_edges=False)
    steps = transient_table(bog, np.full(z.shape, np.nan), np.full(z.shape, 0.6), [1e-7] * 4, DAY)
    fall = 4 * DAY * 1e-7 / bog.rules.specific_yield_ratio
    assert steps[-1].depth.values == pytest.approx(0.6 - fall, abs=1e-5)


def test_drought_dries_and_rain_wets_again() -> None:
    bog, before, _ = drained(40)
    start = steady_table(bog, before)
    rates = [-3e-8] * 20 + [5e-8] * 20
    means = [t.mean_m for t in transient_table(bog, before, start, rates, DAY)]
    assert means[19] > start.mean_m + 0.02
    assert means[-1] < means[19] - 0.02


def test_dipwells_bring_back_the_conductivity_that_made_them() -> None:
    bog, before, _ = drained(40)
    rules = bog.rules
    true = replace(
        rules,
        conductivity_top_mps=rules.conductivity_top_mps * 3.0,
        conductivity_deep_mps=rules.conductivity_deep_mps * 3.0,
    )
    made = steady_table(bog, before, rules=true)
    rows, cols = np.array([5, 12, 20, 33, 28]), np.array([2, 14, 10, 25, 31])
    x, y = bog.grid.to_metres(rows.astype(float), cols.astype(float))
    fit = calibrate(bog, before, x, y, made.depth.values[rows, cols])
    assert fit.factor == pytest.approx(3.0, rel=0.05)
    assert fit.rms_after_m < 0.002 < fit.rms_before_m
    assert not fit.at_limit
    assert fit.wells == 5


def test_dipwells_off_the_ground_are_refused() -> None:
    bog, before, _ = drained(40)
    with pytest.raises(PeatwrightError, match="dipwells"):
        calibrate(bog, before, [-500.0], [3.0], [0.1])


@pytest.mark.parametrize(
    "rules",
    [
        TableRules(recharge_mps=-1e-8),
        TableRules(conductivity_top_mps=0.0),
        TableRules(decay_per_m=np.nan),
        TableRules(specific_yield_ratio=2.0),
    ],
)
def test_impossible_settings_are_refused(rules: TableRules) -> None:
    with pytest.raises(PeatwrightError, match="rule"):
        drained(20, rules)


def test_levels_off_the_drains_are_refused() -> None:
    bog, before, _ = drained(20)
    with pytest.raises(PeatwrightError, match="off the drains"):
        steady_table(bog, np.full(before.shape, 300.0))


def test_ground_without_data_is_refused() -> None:
    with pytest.raises(PeatwrightError, match="no cell with a level"):
        Bog(land(np.full((4, 4), np.nan)), np.zeros((4, 4), bool))


@pytest.mark.parametrize("peat", [0.0, 0.02, 12.0])
def test_thin_and_deep_peat_settle(peat: float) -> None:
    z, drains = hillside(30)
    bog = Bog(land(z), drains, peat)
    table = steady_table(bog, np.where(drains, z - 0.6, np.nan))
    assert np.isfinite(table.depth.values).all()
    assert table.budget.error_ratio < 1e-3


def test_nothing_given_is_changed() -> None:
    z, drains = hillside(30)
    held = np.where(drains, z - 0.5, np.nan)
    ground = land(z)
    copies = ground.values.copy(), drains.copy(), held.copy()
    steady_table(Bog(ground, drains, 1.5), held)
    assert np.array_equal(ground.values, copies[0])
    assert np.array_equal(drains, copies[1])
    assert np.array_equal(held, copies[2], equal_nan=True)


def test_rough_ground_with_a_cliff_settles() -> None:
    """Hummocks of a decimetre and a step of seven metres, as real terrain has them."""
    z, drains = hillside(60)
    z = z + np.random.default_rng(8).normal(0.0, 0.1, z.shape)
    z[40:] -= 7.0
    bog = Bog(land(z, 0.5), drains, 1.5)
    table = steady_table(bog, np.where(drains, z - 0.4, np.nan))
    assert table.budget.error_ratio < 1e-4
    assert table.rounds < 40
