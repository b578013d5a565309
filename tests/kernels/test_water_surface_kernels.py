"""The compiled step against a plain twin in float64."""

import numpy as np
import pytest

from peatwright.water import _kernels as k

G = 9.81


def plain_step(z, h, qx, qy, n, dx, dy, dt, rain, thin, froude, theta):
    """One step of the same equations with NumPy in float64: walls are levels of 1e9."""

    def along(z, h, q, n, d, axis):
        za, ha, na = z, h, n
        zb, hb, nb = (np.roll(a, -1, axis) for a in (z, h, n))
        hf = np.maximum(za + ha, zb + hb) - np.maximum(za, zb)
        wet = hf > thin
        hf = np.where(wet, hf, 1.0)
        push = theta * q + 0.5 * (1 - theta) * (np.roll(q, 1, axis) + np.roll(q, -1, axis))
        push = push - G * hf * dt * (zb + hb - za - ha) / d
        b = 0.5 * G * (na**2 + nb**2) * dt / hf ** (7 / 3)
        # Root of q + b q |q| = push by Newton's rule.
        new = push.copy()
        for _ in range(60):
            new -= (new + b * new * np.abs(new) - push) / (1 + 2 * b * np.abs(new))
        cap = froude * hf * np.sqrt(G * hf)
        return np.where(wet, np.clip(new, -cap, cap), 0.0)

    x, y = along(z, h, qx, n, dx, 1), along(z, h, qy, n, dy, 0)
    xw, yn = np.roll(x, 1, 1), np.roll(y, 1, 0)
    wish = dt / dx * (np.maximum(x, 0) - np.minimum(xw, 0))
    wish = wish + dt / dy * (np.maximum(y, 0) - np.minimum(yn, 0))
    share = np.minimum(1.0, h / np.maximum(wish, 1e-300))
    x = x * np.where(x > 0, share, np.roll(share, -1, 1))
    y = y * np.where(y > 0, share, np.roll(share, -1, 0))
    h = h + dt / dx * (np.roll(x, 1, 1) - x) + dt / dy * (np.roll(y, 1, 0) - y)
    return h + np.where(z < 1e8, rain, 0.0), x, y


@pytest.mark.parametrize("dt", [0.05, 0.6])
def test_one_step_is_that_of_the_plain_twin(dt: float) -> None:
    rng = np.random.default_rng(5)
    rows, cols = 13, 17
    shape = (rows + 2 * k.PAD_ROWS, cols + 2 * k.PAD_COLS)
    inside = (slice(k.PAD_ROWS, -k.PAD_ROWS), slice(k.PAD_COLS, -k.PAD_COLS))
    z_unit, h_unit = 2.0**-20, 2.0**-27
    z = np.full(shape, k.WALL, np.int32)
    z[inside] = rng.integers(0, 2**18, (rows, cols))
    z[6, 8] = k.WALL
    h = np.zeros(shape, np.int32)
    h[inside] = rng.integers(0, 2**25, (rows, cols)) * (rng.random((rows, cols)) < 0.7)
    h[6, 8] = 0
    qx, qy = (np.zeros(shape, np.float32) for _ in range(2))
    ground = z < k.WALL
    qx[inside] = rng.normal(0.0, 0.02, (rows, cols))
    qy[inside] = rng.normal(0.0, 0.02, (rows, cols))
    qx *= ground & np.roll(ground, -1, 1)
    qy *= ground & np.roll(ground, -1, 0)
    n = rng.uniform(0.03, 0.4, shape)
    numbers = np.empty(10, np.float32)
    k.fill_numbers(z_unit, h_unit, 1.0, 1.5, G, 1e-5, 1.0, 0.8, dt, numbers)
    h1, x1, y1 = np.zeros_like(h), np.zeros_like(qx), np.zeros_like(qy)
    scratch = np.zeros((k.SCRATCH_ROWS, shape[1]), np.float32)
    counts = np.zeros((2, shape[1]), np.int32)
    peak = np.zeros(2, np.int32)
    k.step_rows(
        z, h, qx, qy, (G * n**2).astype(np.float32), k.PAD_ROWS, rows + k.PAD_ROWS, numbers, 50,
        scratch, counts, h1, x1, y1, peak,
    )  # fmt: skip
    twin = plain_step(
        np.where(ground, z * z_unit, 1e9), h * h_unit, qx.astype(float), qy.astype(float), n,
        1.0, 1.5, dt, 50 * h_unit, 1e-5, 1.0, 0.8,
    )  # fmt: skip
    assert x1 == pytest.approx(twin[1], rel=2e-5, abs=1e-7)
    assert y1 == pytest.approx(twin[2], rel=2e-5, abs=1e-7)
    # A cell that would run dry keeps a millionth of its water and four units.
    assert h1 * h_unit == pytest.approx(twin[0], rel=2e-5, abs=0.25e-6 + 6 * h_unit + 1e-7)
    assert h1.sum(dtype=np.int64) == h.sum(dtype=np.int64) + 50 * ground.sum()
    assert peak[0] == h1.max()
    assert h1.min() >= 0


def test_inverse_cube_root() -> None:
    x = np.geomspace(1e-5, 100.0, 2000).astype(np.float32)
    ours = np.array([k.inverse_cube_root(v) for v in x])
    assert ours == pytest.approx(x.astype(float) ** (-1 / 3), rel=1e-6)


def flux(q0: float, steps: int) -> float:
    """Iterate one face with hf 0.1 m, S -0.02, dt 1 s, n 0.05 (dx 1 m)."""
    f = np.float32
    one = np.ones(1, np.int32)
    q = np.full(1, q0, f)
    out = np.zeros(1, f)
    gn2 = np.full(1, G * 0.05**2, f)
    # Units of 0.1 m of water and 0.02 m of bed. The bed falls, so the face is as deep as the cell.
    for _ in range(steps):
        k._fluxes(
            0 * one, -one, one, one, gn2, gn2, q, f(0.02), f(0.1), f(G), f(1.0), f(1e-5), f(G),
            np.int32(0), out,
        )  # fmt: skip
        q = out.copy()
    return float(out[0])


@pytest.mark.parametrize("q0", [0.0, 0.01])
def test_one_step_of_one_face(q0: float) -> None:
    """q + B q^2 = q0 + 0.01962 with B = g n^2 dt / hf^(7/3) (computed): friction at step's end."""
    b = G * 0.05**2 / 0.1 ** (7 / 3)
    root = np.roots([b, 1.0, -(q0 + 0.01962)]).max()
    assert flux(q0, 1) == pytest.approx(root, rel=1e-5)


def test_a_face_settles_on_mannings_flow() -> None:
    """hf^(5/3) sqrt(S) / n = 0.0609366 m2/s (computed)."""
    assert flux(0.0, 60) == pytest.approx(0.0609366, rel=1e-5)


@pytest.mark.parametrize(
    ("alpha", "dx", "h", "dt"), [(0.7, 1, 0.3, 0.408040), (0.7, 2, 1, 0.446986)]
)
def test_step_length(alpha: float, dx: float, h: float, dt: float) -> None:
    """alpha dx / sqrt(g h) (computed)."""
    fixed = np.array([alpha * dx, 99.0, G, 1.0, 2.0**-27, dx, dx])
    state = np.array([0.0, h * 2**27, 0, 0, 0, 0, 0])
    assert k.step_length(state, 1e6, fixed) == pytest.approx(dt, abs=1e-6)
