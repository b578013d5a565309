"""Compiled loops of the ground against plain numpy, scipy and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from peatwright.ground import bearing, depth, factors, probes, slopes, stability, stock
from peatwright.model.ground_rules import BearingRules, CarbonRules, DepthRules, StabilityRules
from peatwright.model.raster import Grid, Raster

GRID = Grid(250_000.0, 640_000.0, 0.5, 1.25, 88, 133, "EPSG:27700")


def rough(seed: int = 3) -> Raster:
    rng = np.random.default_rng(seed)
    x, y = GRID.to_metres(np.arange(GRID.rows)[:, None] * 1.0, np.arange(GRID.cols)[None, :] * 1.0)
    z = 300 + 8 * np.sin((x - 250_000) / 23) + 0.09 * (y - 640_000) + rng.normal(0, 0.02, x.shape)
    z = z.astype(np.float32)
    z[20:31, 40:60] = np.nan
    return Raster(z, GRID)


def peat(seed: int = 4) -> tuple[Raster, Raster]:
    rng = np.random.default_rng(seed)
    z = rng.uniform(0, 4, (GRID.rows, GRID.cols)).astype(np.float32)
    e = rng.uniform(0.05, 0.8, z.shape).astype(np.float32)
    e[3, :9] = np.nan
    z[50, 60:70] = np.nan
    return Raster(z, GRID), Raster(e, GRID)


@pytest.mark.parametrize("threads", [1, 3])
def test_screening_is_the_plain_formula_everywhere(threads):
    rules = StabilityRules(draws=64)
    levels, (z, e) = rough(), peat()
    got = stability.screen(z, e, levels, rules, threads=threads)
    x, y = GRID.to_metres(*(v * 1.0 for v in np.indices(z.values.shape)))
    b = got.slopes.slope_at(x.ravel(), y.ravel())
    plain = factors.factors_at(z.values.ravel(), e.values.ravel(), b, rules)
    np.testing.assert_allclose(got.factor.reshape(8, -1), plain.factor, rtol=3e-5)
    known = ~np.isnan(plain.factor[0])
    assert 0.5 < known.mean() < 1.0
    share = got.share_percent.reshape(8, -1)
    assert (share[:, ~known] == 255).all()
    off = np.abs(share[:, known] - 100 * plain.share_ratio[:, known])
    # Rounding to whole per cent, but never to none; a draw on the edge may fall either way.
    assert off.max() <= 0.5 + 2 * 100 / rules.draws
    assert np.quantile(off, 0.99) <= 0.51
    assert ((share[:, known] > 0) | (plain.share_ratio[:, known] < 1.5 / rules.draws)).all()
    middle = (plain.share_ratio[:, known] > 0.05) & (plain.share_ratio[:, known] < 0.95)
    assert middle.any(axis=1).all()


def test_shares_are_the_same_with_any_number_of_threads():
    levels, (z, e) = rough(), peat()
    one, four = (stability.screen(z, e, levels, StabilityRules(), threads=k) for k in (1, 4))
    np.testing.assert_array_equal(one.share_percent, four.share_percent)
    np.testing.assert_array_equal(one.factor, four.factor)


def test_slope_is_a_least_squares_plane():
    levels = rough()
    held = slopes.slopes(levels, 10.0)
    by, bx = held.by, held.bx
    blocks = levels.values[: GRID.rows // by * by, : GRID.cols // bx * bx].reshape(
        GRID.rows // by, by, GRID.cols // bx, bx
    )
    counts = np.isfinite(blocks).sum(axis=(1, 3))
    sums = np.nansum(blocks.astype(np.float64), axis=(1, 3))
    mean = np.where(2 * counts > by * bx, sums / np.maximum(counts, 1), np.nan)
    hr, hc = round(5.0 / (by * 1.25)), round(5.0 / (bx * 0.5))
    for i, j in ((0, 0), (4, 7), (hr, hc), (mean.shape[0] - 1, mean.shape[1] - 1), (8, 15)):
        r = np.arange(max(0, i - hr), min(mean.shape[0], i + hr + 1))
        c = np.arange(max(0, j - hc), min(mean.shape[1], j + hc + 1))
        z = mean[np.ix_(r, c)]
        ok = np.isfinite(z)
        xx, yy = np.meshgrid(c * bx * 0.5, -r * by * 1.25)
        a = np.column_stack([np.ones(ok.sum()), xx[ok], yy[ok]])
        fit = np.linalg.lstsq(a, z[ok], rcond=None)[0]
        if np.isnan(mean[i, j]):
            assert np.isnan(held.east[i, j])
        else:
            assert (held.east[i, j], held.north[i, j]) == pytest.approx(fit[1:], abs=2e-5)


def some_probes(count: int, seed: int = 5) -> probes.Probes:
    rng = np.random.default_rng(seed)
    x = rng.uniform(250_000, 250_400, count)
    y = rng.uniform(639_600, 640_000, count)
    z = 2 + np.sin((x - 250_000) / 60) + 0.5 * np.cos((y - 639_600) / 40)
    return probes.check_probes(x, y, z + rng.normal(0, 0.1, count).clip(-0.4, 0.4), DepthRules())


def test_cells_are_drawn_from_the_lattice_and_lie_where_they_should():
    grid = Grid(250_000.0, 640_000.0, 2.0, 3.0, 120, 190, "EPSG:27700")
    got = depth.depth_surface(some_probes(60), grid, DepthRules(lattice_points=2000))
    lat = got.lattice
    rows, cols = lat.depth_m.shape
    plain = RegularGridInterpolator(
        (
            -(lat.y_top_m - lat.step_m * np.arange(rows)),
            lat.x_left_m + lat.step_m * np.arange(cols),
        ),
        lat.depth_m.astype(np.float64),
    )
    x, y = grid.to_metres(*(v * 1.0 for v in np.indices((grid.rows, grid.cols))))
    np.testing.assert_allclose(got.depth.values, plain((-y, x)), atol=2e-5)


def kriging_matrix(held: probes.Probes, v: depth.Variogram) -> np.ndarray:
    h = np.hypot(held.x_m[:, None] - held.x_m, held.y_m[:, None] - held.y_m)
    gamma = v.nugget_m2 + v.sill_m2 * (1 - np.exp(-3 * h / v.range_m))
    np.fill_diagonal(gamma, 0.0)
    n = len(h)
    return np.block([[gamma, np.ones((n, 1))], [np.ones((1, n)), np.zeros((1, 1))]])


def test_kriging_is_the_plain_solution():
    held = some_probes(40)
    v = depth.Variogram("exponential", 0.6, 120.0, 0.02, fitted=True)
    x, y = np.array([250_033.0, 250_390.0]), np.array([639_700.0, 639_990.0])
    value, error = depth.krige((held.x_m, held.y_m, held.depth_m), v, x, y, DepthRules())
    a = kriging_matrix(held, v)
    for k in range(2):
        h = np.hypot(held.x_m - x[k], held.y_m - y[k])
        b = np.append(v.nugget_m2 + v.sill_m2 * (1 - np.exp(-3 * h / v.range_m)), 1.0)
        w = np.linalg.solve(a, b)
        assert value[k] == pytest.approx(w[:-1] @ held.depth_m, abs=1e-9)
        assert error[k] ** 2 == pytest.approx(w @ b, abs=1e-9)


def test_leaving_one_out_is_the_closed_form():
    """Dubrule 1983, Math. Geol. 15: 687-699 (memory): the residual is (A⁻¹ z)ᵢ / (A⁻¹)ᵢᵢ."""
    held = some_probes(30)
    rules = DepthRules(folds=50)
    v = depth.Variogram("exponential", 0.6, 120.0, 0.02, fitted=True)
    inverse = np.linalg.inv(kriging_matrix(held, v))
    n = len(held.x_m)
    residual = (inverse @ np.append(held.depth_m, 0.0))[:n] / np.diag(inverse)[:n]
    got = depth.cross_check(held, v, rules)
    assert got.near_m == pytest.approx(np.sqrt(np.mean(residual**2)), rel=1e-6)
    assert got.bias_m == pytest.approx(-np.mean(residual), abs=1e-9)


def test_the_nearest_probes_tell_nearly_as_much_as_all():
    held = some_probes(400)
    v = depth.Variogram("exponential", 0.6, 120.0, 0.02, fitted=True)
    rng = np.random.default_rng(1)
    x, y = rng.uniform(250_000, 250_400, 200), rng.uniform(639_600, 640_000, 200)
    at = (held.x_m, held.y_m, held.depth_m)
    whole, sure = depth.krige(at, v, x, y, DepthRules(whole_probes_max=1000))
    near, less = depth.krige(at, v, x, y, DepthRules(whole_probes_max=50))
    # What the far probes add must be lost in the error that kriging has anyway.
    off = np.abs(whole - near) / sure
    assert np.sqrt(np.mean(off**2)) < 0.05
    assert off.max() < 0.3
    np.testing.assert_allclose(sure, less, rtol=0.01)


def test_classes_and_sums_are_numpy_s():
    z, _ = peat()
    rules = DepthRules()
    got = depth.depth_classes(z, rules)
    known = ~np.isnan(z.values)
    np.testing.assert_array_equal(
        got[known], np.digitize(z.values[known], depth.depth_edges_m(rules))
    )
    assert (got[~known] == 255).all()
    surface = depth.depth_surface(some_probes(60), GRID, rules)
    made = stock.peat_stock(surface, CarbonRules())
    kept = surface.state <= depth.THIN
    volume = surface.depth.values[kept].sum(dtype=np.float64) * 0.5 * 1.25
    assert made.volume_m3.likely == pytest.approx(volume, rel=1e-9)
    assert made.area_m2 + made.unprobed_m2 == pytest.approx(GRID.rows * GRID.cols * 0.625)


def test_going_is_the_worst_of_ground_slope_and_limits():
    rules = BearingRules()
    z, _ = peat()
    held = slopes.slopes(Raster(rough().values * np.float32(0.4), GRID), 10.0)
    rng = np.random.default_rng(8)
    weak = (rng.random(z.values.shape) < 0.3).astype(np.uint8)
    off = (rng.random(z.values.shape) < 0.1).astype(np.uint8)
    got = bearing.going_map(z, held, rules, weak=weak, keep_off=off)
    x, y = GRID.to_metres(*(v * 1.0 for v in np.indices(z.values.shape)))
    b = held.slope_at(x.ravel(), y.ravel()).reshape(z.values.shape)
    names = {"easy": 0, "careful": 1, "mats": 2, "keep off": 3}
    firm = names[bearing.bearing(rules).going]
    soft = names[bearing.bearing(rules, rules.strength_kpa * rules.wet_strength_ratio).going]
    plain = np.where(z.values < rules.thin_m, 0, np.where(weak == 1, soft, firm))
    plain = np.where(b > np.tan(np.radians(rules.careful_deg)), np.maximum(plain, 1), plain)
    plain = np.where((b > np.tan(np.radians(rules.steepest_deg))) | (off == 1), 3, plain)
    plain = np.where(np.isnan(b) | np.isnan(z.values), 255, plain)
    np.testing.assert_array_equal(got, plain)
    assert set(np.unique(plain)) >= {0, 2, 3, 255}


@pytest.mark.parametrize("band", [7, 40, 512])
def test_a_screening_summed_band_by_band_is_that_of_all_cases(band, monkeypatch):
    monkeypatch.setattr(stability, "BAND_ROWS", band)
    rules = StabilityRules(draws=64)
    levels, (z, e) = rough(), peat()
    ground = slopes.slopes(levels, rules.slope_over_m)
    whole = stability.screen(z, e, levels, rules, ground=ground)
    summed = stability.screen_summed(z, e, rules, ground)
    np.testing.assert_array_equal(summed.lowest, whole.factor.min(axis=0))
    stops = [k for k, name in enumerate(factors.CASES) if "machine" not in name]
    np.testing.assert_array_equal(summed.standing, whole.factor[stops].min(axis=0))
    np.testing.assert_array_equal(summed.share_percent, whole.share_percent.max(axis=0))
    patches = stability.area_patches(summed.picked, ground, z, rules)
    assert [p.found for p in patches] == stability.area_findings(whole, z, rules)
    assert patches
