"""Line filters against closed forms and a general-purpose library."""

import numpy as np
import pytest

from peatwright.drains.find import _kernels as k
from peatwright.drains.find.local import depth_norm, taps
from peatwright.drains.find.score import confusion_scores, match_lines

# A Gaussian trench of depth A and width w under a Gaussian of sigma: the scale-normalised second
# derivative at the centre is sigma² A w / (w² + sigma²)^1.5 (convolution of two Gaussians, exact).
# A = 0.5, w = 0.5, printed digits:
TRENCH = {0.5: 0.17678, 2**-0.5: 0.19245, 1.0: 0.17889}


def responses(z, sigmas, cell):
    held = [np.empty_like(z) for _ in range(4)]
    for i, s in enumerate(sigmas):
        k.hessian(z, taps(s, cell), taps(s, cell), np.float32(s * s), i == 0, *held)
    return held


@pytest.mark.parametrize("sigma", TRENCH)
@pytest.mark.parametrize("turn", [0.0, 0.4, np.pi / 4, np.pi / 2])
def test_gaussian_trench_has_its_closed_form_response(sigma, turn):
    cell = 0.1
    x = (np.arange(161) - 80) * cell
    across = x[None] * np.cos(turn) + x[:, None] * np.sin(turn)
    z = (300 - 0.5 * np.exp(-0.5 * (across / 0.5) ** 2)).astype(np.float32)
    lam = responses(z, [sigma], cell)[3]
    # float32 levels near 300 m hold 3e-5 m
    assert lam[80, 80] == pytest.approx(TRENCH[sigma], abs=4e-4)


def test_best_scale_and_peak_of_the_trench():
    # maximum at sigma = 2^0.5 w, equal to 0.3849 A (2 / 27^0.5)
    cell = 0.1
    x = (np.arange(201) - 100) * cell
    z = np.broadcast_to(-np.exp(-0.5 * (x / 0.5) ** 2), (201, 201)).astype(np.float32)
    got = {s: float(responses(z, [s], cell)[3][100, 100]) for s in (0.6, 0.65, 2**-0.5, 0.76, 0.82)}
    assert max(got, key=got.get) == 2**-0.5
    # the taps end at 4 sigma, which costs under 0.2 %
    assert got[2**-0.5] == pytest.approx(0.3849, rel=2e-3)
    # so that the filter's own norm gives the depth of the trench it fits
    assert depth_norm(2**-0.5) * got[2**-0.5] / 0.5 == pytest.approx(1.0, abs=2e-3)


def test_response_is_symmetric_where_cells_are_not_square():
    z = np.zeros((121, 121), np.float32)
    dx, dy = 0.5, 0.8
    y, x = (np.arange(121) - 60) * dy, (np.arange(121) - 60) * dx
    z[:] = -np.exp(-0.5 * (y[:, None] / 1.5) ** 2)
    held = [np.empty_like(z) for _ in range(4)]
    k.hessian(z, taps(1.5, dy), taps(1.5, dx), np.float32(1.0), True, *held)
    along = held[3][60, 60]
    z[:] = -np.exp(-0.5 * (x[None] / 1.5) ** 2)
    k.hessian(z, taps(1.5, dy), taps(1.5, dx), np.float32(1.0), True, *held)
    assert held[3][60, 60] == pytest.approx(along, rel=0.01)


def test_ridge_response_agrees_with_scikit_image():
    from skimage.feature import hessian_matrix, hessian_matrix_eigvals

    rng = np.random.default_rng(5)
    from scipy import ndimage

    z = ndimage.gaussian_filter(rng.standard_normal((200, 220)), 2.5).astype(np.float32)
    sigma = 3.0  # cells; scikit-image differentiates a smoothed image by finite steps
    h = hessian_matrix(z, sigma=sigma, order="rc", use_gaussian_derivatives=True)
    ref = hessian_matrix_eigvals(h)[0]
    held = [np.empty_like(z) for _ in range(4)]
    k.hessian(z, taps(sigma, 1.0), taps(sigma, 1.0), np.float32(1.0), True, *held)
    a, b = held[3][20:-20, 20:-20].ravel(), ref[20:-20, 20:-20].ravel()
    assert np.corrcoef(a, b)[0, 1] > 0.999
    assert np.abs(a - b).max() < 0.03 * np.abs(b).max()


def test_noise_of_a_tilted_plane_is_nothing():
    y, x = np.mgrid[:128, :128]
    z = (100 + 0.03 * x - 0.05 * y).astype(np.float32)
    held = responses(z, [1.4], 1.0)
    assert np.abs(held[3][10:-10, 10:-10]).max() < 2e-4


def test_scores_of_the_worked_confusion_matrix():
    # worked by hand from the definitions: TP 860, FP 300, FN 140, TN 98700
    got = confusion_scores(860, 300, 140, 98700)
    want = {"precision": 0.7414, "recall": 0.8600, "f1": 0.7963, "iou": 0.6615, "mcc": 0.7963,
            "kappa": 0.7941}  # fmt: skip
    for name, value in want.items():
        assert got[name] == pytest.approx(value, abs=6e-5), name


def test_length_scores_of_lines_worked_by_hand():
    import shapely

    area = shapely.box(0, -50, 100, 50)
    known = shapely.LineString([(0, 0), (80, 0)])
    found = shapely.union_all(
        [shapely.LineString([(20, 1), (100, 1)]), shapely.LineString([(0, 30), (40, 30)])]
    )
    m = match_lines(found, known, area)
    # of 120 m found, 60 m runs beside the known line and 3^0.5 m within reach of its end
    assert m.precision_ratio == pytest.approx((60 + 3**0.5) / 120, abs=1e-3)
    assert m.recall_ratio == pytest.approx((60 + 3**0.5) / 80, abs=1e-3)
    assert m.offset_m == pytest.approx(1.0, abs=1e-6)
    out = match_lines(found, known, area, shapely.LineString([(0, 30), (40, 30)]))
    assert out.precision_ratio == pytest.approx((60 + 3**0.5) / 80, abs=1e-3)
