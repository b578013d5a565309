"""Ground points are gridded as a plane and a gap demand, and bad files of points are told of."""

from __future__ import annotations

from pathlib import Path

import laspy
import numpy as np
import pyproj
import pytest
from scipy.interpolate import LinearNDInterpolator
from take_files import CRS, X, Y, only_fault, text

from peatwright.model.rules import Rules
from peatwright.site.given import Given
from peatwright.site.take import take


def cloud(
    path: Path,
    xyz: np.ndarray,
    kind: np.ndarray | int = 2,
    crs: str | None = CRS,
    **dims: np.ndarray,
) -> Path:
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = [X, Y, 0], [0.001, 0.001, 0.001]
    if crs:
        header.add_crs(pyproj.CRS.from_user_input(crs))
    held = laspy.LasData(header)
    held.x, held.y, held.z = xyz.T
    held.classification = np.broadcast_to(np.asarray(kind, np.uint8), len(xyz))
    for name, values in dims.items():
        setattr(held, name, values)
    held.write(path)
    return path


def plane(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 300.0 + 0.05 * (x - X) - 0.03 * (y - Y)


def scattered(count: int = 8000, wide: float = 60.0, high: float = 40.0) -> np.ndarray:
    dice = np.random.default_rng(5)
    x, y = X + dice.uniform(0, wide, count), Y + dice.uniform(0, high, count)
    return np.stack([x, y, plane(x, y)], axis=1).round(3)


def points(*paths: Path, crs: str = "") -> Given:
    return Given(dtm=paths, crs=crs)


@pytest.mark.parametrize("ending", [".las", ".laz"])
def test_a_plane_comes_back(tmp_path: Path, ending: str) -> None:
    taken = take(points(cloud(tmp_path / f"p{ending}", scattered())), Rules())
    grid = taken.dtm.grid
    assert (grid.x_left_m, grid.y_top_m, grid.dx_m, grid.crs) == (X, Y + 40, 0.5, CRS)
    rows, cols = np.mgrid[: grid.rows, : grid.cols].astype(np.float64)
    expected = plane(*grid.to_metres(rows, cols))
    assert np.isfinite(taken.dtm.values).mean() > 0.98
    # Linear interpolation is exact on a plane; points are rounded to 1 mm, levels to float32.
    assert np.nanmax(np.abs(taken.dtm.values - expected)) < 1e-3


def test_squares_join_without_a_seam(tmp_path: Path) -> None:
    dice = np.random.default_rng(6)
    x, y = X + dice.uniform(0, 160, 10_000), Y + dice.uniform(0, 40, 10_000)
    z = plane(x, y) + np.sin(x / 7.0) * np.cos(y / 5.0)
    path = cloud(tmp_path / "p.laz", np.stack([x, y, z], axis=1))
    taken = take(points(path), Rules())
    grid = taken.dtm.grid
    held = laspy.read(path)
    rows, cols = np.mgrid[: grid.rows, 240:280].astype(np.float64)
    whole = LinearNDInterpolator(np.stack([held.x, held.y], axis=1), np.asarray(held.z))
    gx, gy = grid.to_metres(rows, cols)
    # Columns 240 to 280 hold the seam at 128 m. The rim of the whole, where long slivers of
    # triangles reach far beyond any square, is left aside.
    off = np.abs(taken.dtm.values[:, 240:280] - whole(gx, gy))
    # Four points on one circle may be cut either way; both ways are right and lie mm apart.
    assert np.nanmax(off[20:-20]) < 0.01
    assert (off[20:-20] > 1e-3).mean() < 0.005


def test_a_gap_stays_without_data_and_water_counts_as_ground(tmp_path: Path) -> None:
    xyz = scattered()
    away = np.hypot(xyz[:, 0] - X - 30, xyz[:, 1] - Y - 20)
    gap = cloud(tmp_path / "gap.laz", xyz[away > 9])
    grid = take(points(gap), Rules()).dtm
    rows, cols = np.mgrid[: grid.grid.rows, : grid.grid.cols].astype(np.float64)
    gx, gy = grid.grid.to_metres(rows, cols)
    from_middle = np.hypot(gx - X - 30, gy - Y - 20)
    # take.las_gap_m is 3 m: further in than that from the gap's edge at 9 m there is nothing.
    assert np.isnan(grid.values[from_middle < 5.9]).all()
    assert np.isfinite(grid.values[(from_middle > 7.5) & (from_middle < 15)]).all()
    water = cloud(tmp_path / "water.laz", xyz, np.where(away > 9, 2, 9))
    assert np.isfinite(take(points(water), Rules()).dtm.values[from_middle < 9]).all()


def test_trees_noise_and_withheld_points_are_left_out(tmp_path: Path) -> None:
    xyz = scattered()
    odd = np.zeros(len(xyz), bool)
    odd[::7] = True
    high = xyz + np.outer(odd, [0, 0, 9.0])
    expected = take(points(cloud(tmp_path / "a.laz", xyz[~odd])), Rules()).dtm.values
    for name, kinds, dims in (
        ("trees", np.where(odd, 5, 2), {}),
        ("noise", np.where(odd, 7, 2), {}),
        ("withheld", np.full(len(xyz), 2), {"withheld": odd.astype(np.uint8)}),
    ):
        taken = take(points(cloud(tmp_path / f"{name}.laz", high, kinds, **dims)), Rules())
        np.testing.assert_allclose(taken.dtm.values, expected, atol=1e-4)


def test_tiles_of_points_give_the_whole(tmp_path: Path) -> None:
    xyz = scattered()
    west = xyz[:, 0] < X + 30
    both = cloud(tmp_path / "a.laz", xyz[west]), cloud(tmp_path / "b.laz", xyz[~west])
    one = take(points(cloud(tmp_path / "all.laz", xyz)), Rules())
    np.testing.assert_allclose(take(points(*both), Rules()).dtm.values, one.dtm.values, atol=1e-4)


def test_bad_files_of_points(tmp_path: Path) -> None:
    xyz = scattered(3000)
    las = cloud(tmp_path / "whole.las", xyz).read_bytes()
    laz = cloud(tmp_path / "whole.laz", xyz).read_bytes()
    for name, content in (
        ("cut.las", las[: len(las) // 2]), ("cut.laz", laz[: len(laz) // 2]),
        ("head.las", las[:100]), ("empty.laz", b""), ("other.laz", b"no points at all" * 40),
    ):  # fmt: skip
        fault = only_fault(points(text(tmp_path / name, content)))
        assert (fault.file, fault.severity) == (name, "stop")
    bare = cloud(tmp_path / "bare.laz", xyz, crs=None)
    assert "--crs" in only_fault(points(bare)).fix
    assert take(points(bare, crs=CRS), Rules()).crs == CRS
    unclassified = cloud(tmp_path / "raw.laz", xyz, 1)
    assert "classes here: 1" in only_fault(points(unclassified)).found
    feet = cloud(tmp_path / "feet.laz", xyz, crs="EPSG:2263")
    assert "foot" in only_fault(points(feet)).found
    none = cloud(tmp_path / "none.las", xyz[:0])
    assert "no points" in only_fault(points(none)).found


def test_thin_ground_is_worth_a_look(tmp_path: Path) -> None:
    fault = only_fault(points(cloud(tmp_path / "p.laz", scattered(500))))
    assert fault.severity == "look"
    assert "ground points" in fault.found


def test_false_counts_in_a_header_are_refused_at_once(tmp_path: Path) -> None:
    las = bytearray(cloud(tmp_path / "whole.las", scattered(3000)).read_bytes())
    # Number of variable length records: bytes 100 to 103 of the header (LAS 1.4 R15; memory).
    las[100:104] = b"\xff\xff\xff\x7f"
    assert "sizes" in only_fault(points(text(tmp_path / "records.las", bytes(las)))).found
    far = np.vstack([scattered(3000), [[X + 900_000, Y, 300.0]]])
    fault = only_fault(points(cloud(tmp_path / "far.laz", far)))
    assert (fault.severity, fault.place) == ("stop", "header")
