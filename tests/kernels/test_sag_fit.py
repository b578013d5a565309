"""The compiled fit of sags beside a slow plain one, and on ground of known shape."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from peatwright.drains.across.sag import _kernels, fit

F64 = NDArray[np.float64]
STEP_M = 0.25
OFFSETS = np.arange(-48, 49) * STEP_M
SAG_M, SHARE = 0.05, 0.15
NOISE_M, ALIKE = float(fit.NOISE_M.value), float(fit.ALIKE.value)


def fitted(profile: F64, shoulder: float, spoil: bool) -> F64:
    shapes, banks, inverse, widths, pointed, weight = fit._shapes(STEP_M)
    out = np.empty((1, 2, 2))
    _kernels.fit_sags(
        profile[None].astype(np.float32), OFFSETS, np.full((1, 2), shoulder),
        np.full((1, 2), spoil), float(fit.START_M.value), shapes, banks, inverse, 9, widths,
        pointed, weight, NOISE_M, ALIKE, float(fit.RELIEF_OVER_M.value),
        float(fit.RELIEF_FROM.value), SAG_M, SHARE, 0, 1, out,
    )  # fmt: skip
    return out[0]


def plain(profile: F64, shoulder: float, spoil: bool) -> F64:
    """One side, the right one, by a general solver: each prior is one more row to fit."""
    shapes, banks, _, widths, pointed, weight = fit._shapes(STEP_M)
    x = shoulder + float(fit.START_M.value) + np.arange(shapes.shape[1]) * STEP_M
    y = np.interp(x, OFFSETS, profile.astype(np.float32).astype(float))
    tilt, deep = (NOISE_M / float(v.value) for v in (fit.TILT_PRIOR, fit.DEPTH_PRIOR_M))
    results = []
    for w, shape in enumerate(shapes):
        for bank in [None, *banks] if spoil else [None]:
            columns = [np.ones_like(x), x - x[0], shape]
            rows = [(1, tilt), (2, deep)]
            if bank is not None:
                columns.append(bank)
                rows.append((3, deep))
            a = np.stack(columns, axis=1)
            extra = np.zeros((len(rows), a.shape[1]))
            for n, (column, by) in enumerate(rows):
                extra[n, column] = by
            whole = np.concatenate([a, extra])
            target = np.concatenate([y, np.zeros(len(rows))])
            got = np.linalg.lstsq(whole, target)[0]
            if bank is not None and got[3] < 0.0:
                # A hollow is no bank: counts as if there were none.
                got = np.linalg.lstsq(np.delete(whole, 3, axis=1), target)[0]
                whole = np.delete(whole, 3, axis=1)
            misfit = float(((whole @ got - target) ** 2).sum())
            depth = max(got[2], 0.0)
            least = max(SAG_M, SHARE * depth)
            u = 0.0
            if depth > least:
                u = 1 - least / depth if pointed[w] else np.sqrt(1 - np.sqrt(least / depth))
            results.append((misfit, weight[w], widths[w] * u, depth))
    misfit, before, wide, depth = np.array(results).T
    spread = max(misfit.min() / len(x), NOISE_M**2) * ALIKE
    likely = before * np.exp(-0.5 * (misfit - misfit.min()) / spread)
    return np.array([wide @ likely, depth @ likely]) / likely.sum()


@pytest.mark.parametrize("spoil", [False, True])
@pytest.mark.parametrize("seed", range(8))
def test_a_plain_solver_finds_the_same(seed: int, spoil: bool) -> None:
    rng = np.random.default_rng(seed)
    shoulder = 0.6
    away = np.maximum(np.abs(OFFSETS) - shoulder, 0.0)
    profile = -rng.uniform(0.0, 0.4) * np.maximum(1 - away / rng.uniform(0.8, 3.0), 0.0)
    profile += rng.normal(0.0, 0.02, len(OFFSETS)) + spoil * 0.3 * np.exp(
        -0.5 * ((OFFSETS - 1.4) / 0.3) ** 2
    )
    # The compiled fit reads levels of single precision.
    np.testing.assert_allclose(
        fitted(profile, shoulder, spoil)[1], plain(profile, shoulder, spoil), atol=2e-5
    )


@pytest.mark.parametrize(("depth", "full"), [(0.15, 1.2), (0.25, 1.8), (0.4, 2.5), (0.3, 3.3)])
def test_a_round_trough_comes_back(depth: float, full: float) -> None:
    away = np.maximum(np.abs(OFFSETS) - 0.5, 0.0)
    u = np.minimum(away / full, 1.0)
    width = full * np.sqrt(1 - np.sqrt(max(SAG_M, SHARE * depth) / depth))
    for got_width, got_depth in fitted(-depth * (1 - u * u) ** 2, 0.5, spoil=False):
        assert got_width == pytest.approx(width, abs=0.35)
        assert got_depth == pytest.approx(depth, abs=0.04)


def test_level_ground_has_next_to_no_sag() -> None:
    for width, depth in fitted(np.full(len(OFFSETS), 3.0), 0.5, spoil=False):
        assert width < 0.05
        assert depth < 0.01


def test_ground_that_falls_to_the_drain_all_the_way_is_no_sag() -> None:
    """A valley's sides: what falls less than the noted unevenness is all that may be left."""
    for width, depth in fitted(0.08 * np.abs(OFFSETS), 0.5, spoil=False):
        assert width < 0.8
        assert depth < 0.1


def test_spoil_does_not_fill_the_sag() -> None:
    away = np.maximum(np.abs(OFFSETS) - 0.5, 0.0)
    sag = -0.25 * (1 - np.minimum(away / 1.8, 1.0) ** 2) ** 2
    bank = 0.35 * np.exp(-0.5 * ((away - 0.9) / 0.3) ** 2)
    clear, hidden = fitted(sag, 0.5, spoil=False)[0], fitted(sag + bank, 0.5, spoil=True)[0]
    assert hidden == pytest.approx(clear, abs=0.35)
    assert hidden[1] == pytest.approx(0.25, abs=0.06)


def test_a_mirror_swaps_the_sides() -> None:
    rng = np.random.default_rng(1)
    profile = rng.normal(0.0, 0.1, len(OFFSETS))
    np.testing.assert_allclose(
        fitted(profile, 0.5, spoil=True), fitted(profile[::-1], 0.5, spoil=True)[::-1]
    )


def test_too_little_ground_tells_nothing() -> None:
    profile = np.zeros(len(OFFSETS))
    profile[OFFSETS > 2.0] = np.nan
    left, right = fitted(profile, 0.5, spoil=False)
    assert np.isfinite(left).all()
    assert np.isnan(right).all()
