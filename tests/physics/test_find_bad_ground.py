"""Ground that could mislead the search: no crash, no flood of lines, and a word about it."""

import numpy as np
import pytest
from scipy import ndimage

from peatwright.drains.find.tiles import find_drains
from peatwright.model.errors import GivenError
from peatwright.model.find_rules import FindRules
from peatwright.model.raster import Grid, Raster

N = 700
Y, X = np.mgrid[:N, :N] * 0.5
AREA_HA = (N * 0.5) ** 2 / 1e4


def plain(seed=1, noise=0.06):
    rng = np.random.default_rng(seed)
    z = 250 + 0.02 * Y - 0.01 * X + ndimage.gaussian_filter(rng.standard_normal((N, N)), 20) * 3
    return z + ndimage.gaussian_filter(rng.standard_normal((N, N)), 1) * noise


def search(z, cell=0.5, **kw):
    grid = Grid(0.0, 1000.0, cell, cell, *z.shape, "EPSG:27700")
    return find_drains(Raster(z.astype(np.float32), grid), FindRules(**kw))


def per_ha(found, least=0.5):
    d = found.lines[found.lines.kind.isin(["drain", "roadside ditch"])]
    return d[d.confidence >= least].length_m.sum() / found.area_ha


def trench(depth=0.4, width=0.6, at=170.0):
    return -depth * np.exp(-0.5 * ((X + 0.3 * Y - at) / width) ** 2)


def test_plain_ground_has_no_drains():
    assert per_ha(search(plain())) < 5


def test_plain_tilted_plane_and_dead_level_ground():
    for z in (100 + 0.05 * X + 0.02 * Y, np.full((N, N), 12.5)):
        found = search(z)
        assert len(found.lines) == 0
        assert np.isfinite(found.noise_m)


def test_steps_between_surveys():
    z = plain()
    z[:, N // 2 :] += 0.35
    z[N // 3 :] -= 0.2
    assert per_ha(search(z)) < 5


def test_stripes_and_scan_noise():
    z = plain() + 0.03 * np.sin(2 * np.pi * X / 5.0)
    z += np.repeat(np.random.default_rng(4).normal(0, 0.02, N)[:, None], N, 1)
    assert per_ha(search(z), 0.8) < 5


def test_filled_lake_is_empty_and_its_shore_no_drain():
    z = plain()
    lake = np.hypot(X - 180, Y - 160) < 70
    level = z[lake].mean()
    z = np.where(lake, np.minimum(z, level), z)
    z[lake] = level
    assert per_ha(search(z)) < 8


def test_terraces_and_walls():
    z = plain()
    for at in (80, 150, 240):
        z += 0.8 / (1 + np.exp(np.clip(-(X + 0.4 * Y - at) / 0.5, -60, 60)))
    z += 1.0 * np.exp(-0.5 * ((Y - 0.2 * X - 120) / 0.5) ** 2)
    assert per_ha(search(z)) < 8


def test_holes_do_not_make_lines_and_drains_beside_them_stay():
    z = plain() + trench()
    rng = np.random.default_rng(2)
    for r, c in rng.integers(0, N, (40, 2)):
        z[r : r + rng.integers(3, 25), c : c + rng.integers(3, 25)] = np.nan
    found = search(z)
    true = 0.5 * N * np.hypot(1, 0.3)
    got = found.lines[found.lines.confidence > 0.3].length_m.sum()
    assert 0.7 * true < got < 1.2 * true


def test_one_tile_without_data_beside_one_with_a_drain():
    z = plain() + trench()
    z[:, 450:] = np.nan
    found = search(z)
    assert (found.lines.length_m.max()) > 200
    assert any("without a level" in m.found for m in found.messages)


def test_no_data_at_all_is_refused():
    with pytest.raises(GivenError, match="no level in any cell"):
        search(np.full((100, 120), np.nan))


def test_five_metre_cells_are_refused_with_what_to_do():
    with pytest.raises(GivenError, match="cells of 5 m") as e:
        search(plain()[:200, :200], cell=5.0)
    assert "finer terrain" in e.value.faults[0].fix


def test_two_metre_cells_are_searched_with_a_warning():
    z = plain(noise=0.02) + trench(0.8, 1.2)
    coarse = z.reshape(N // 4, 4, N // 4, 4).mean((1, 3))
    found = search(coarse, cell=2.0)
    assert any("cells of 2 m" in m.found for m in found.messages)


def test_levels_in_feet_do_not_flood_and_rough_feet_are_said():
    z = (plain() + trench()) * 3.28084
    found = search(z)
    assert found.lines.length_m.sum() < 3 * 0.5 * N
    rough = plain(noise=0.3) * 3.28084
    assert any("feet" in m.fix for m in search(rough).messages)


def test_tiny_rasters():
    for shape in ((1, 1), (3, 50), (20, 20)):
        assert len(search(np.full(shape, 5.0)).lines) == 0


def test_furrow_ground_is_an_area_with_direction_and_spacing():
    z = plain(noise=0.03)
    a = np.radians(30)  # lines run 30 degrees south of east: bearing 120
    off = -X * np.sin(a) + Y * np.cos(a)
    inside = (X > 100) & (X < 260) & (Y > 100) & (Y < 260)
    z = z - 0.3 * np.exp(-0.5 * (((off % 4.0) - 2.0) / 0.5) ** 2) * inside
    found = search(z)
    assert len(found.furrows) == 1
    area = found.furrows.iloc[0]
    assert area.direction_deg == pytest.approx(120, abs=3)
    assert area.spacing_m == pytest.approx(4.0, rel=0.2)
    assert area.geometry.area == pytest.approx(160 * 160, rel=0.2)
    assert len(found.lines) < 25


def test_depth_and_width_and_place_of_a_gaussian_trench():
    z = plain(noise=0.01) + trench(0.5, 0.8)
    line = search(z).lines.sort_values("length_m").iloc[-1]
    assert line.kind == "drain"
    assert line.depth_m == pytest.approx(0.5, abs=0.08)
    # full width at half depth of a Gaussian: 2.3548 w, here square across: w / hypot(1, 0.3)
    assert line.width_m == pytest.approx(2.3548 * 0.8 / np.hypot(1, 0.3), rel=0.12)
    inner = np.arange(5, line.geometry.length - 5, 1.0)
    x, y = np.array([line.geometry.interpolate(d).coords[0] for d in inner]).T
    south = 1000 - y
    off = (x + 0.3 * south - 170 - 0.25 - 0.3 * 0.25) / np.hypot(1, 0.3)  # cell centres
    assert np.median(np.abs(off)) < 0.05
