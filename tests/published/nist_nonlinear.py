"""NIST Statistical Reference Datasets, nonlinear regression (www.itl.nist.gov/div898/strd): data, starts, certified parameters, their standard
deviations and the residual sum of squares. A publication of the United States government. Status: seen, in transcriptions of the data files."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Certified:
    name: str
    difficulty: str
    x: np.ndarray
    y: np.ndarray
    model: object  # (b, x) -> values, jacobian
    starts: tuple
    values: tuple
    deviations: tuple
    sum_of_squares: float


def _saturating(b, x):
    gone = np.exp(-b[1] * x)
    return b[0] * (1 - gone), np.stack([1 - gone, b[0] * x * gone], axis=1)


def _quadratic_ratio(b, x):
    above, below = x * x + x * b[1], x * x + x * b[2] + b[3]
    return b[0] * above / below, np.stack([above / below, b[0] * x / below, -b[0] * above * x / below**2, -b[0] * above / below**2], axis=1)


def _cubic_ratio(b, x):
    powers = np.stack([np.ones_like(x), x, x**2, x**3])
    above, below = b[:4] @ powers, 1 + b[4:] @ powers[1:]
    return above / below, np.concatenate([powers / below, -above * powers[1:] / below**2]).T


def _arrhenius(b, x):
    grown = np.exp(b[1] / (x + b[2]))
    return b[0] * grown, np.stack([grown, b[0] * grown / (x + b[2]), -b[0] * grown * b[1] / (x + b[2]) ** 2], axis=1)


# fmt: off
SETS = (
    Certified(
        "Misra1a", "lower",
        np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]),
        np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]),
        _saturating, ((500, 0.0001), (250, 0.0005)),
        (2.3894212918e02, 5.5015643181e-04), (2.7070075241e00, 7.2668688436e-06), 1.2455138894e-01,
    ),
    Certified(
        "MGH09", "higher",
        np.array([4, 2, 1, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625]),
        np.array([0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246]),
        _quadratic_ratio, ((25, 39, 41.5, 39), (0.25, 0.39, 0.415, 0.39)),
        (1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01),
        (1.1435312227e-02, 1.9633220911e-01, 8.0842031232e-02, 9.0025542308e-02), 3.0750560385e-04,
    ),
    Certified(
        "Thurber", "higher",
        np.array([
            -3.067, -2.981, -2.921, -2.912, -2.840, -2.797, -2.702, -2.699, -2.633, -2.481, -2.363, -2.322, -1.501, -1.460, -1.274, -1.212,
            -1.100, -1.046, -0.915, -0.714, -0.566, -0.545, -0.400, -0.309, -0.109, -0.103, 0.010, 0.119, 0.377, 0.790, 0.963, 1.006,
            1.115, 1.572, 1.841, 2.047, 2.200]),
        np.array([
            80.574, 84.248, 87.264, 87.195, 89.076, 89.608, 89.868, 90.101, 92.405, 95.854, 100.696, 101.060, 401.672, 390.724, 567.534,
            635.316, 733.054, 759.087, 894.206, 990.785, 1090.109, 1080.914, 1122.643, 1178.351, 1260.531, 1273.514, 1288.339, 1327.543,
            1353.863, 1414.509, 1425.208, 1421.384, 1442.962, 1464.350, 1468.705, 1447.894, 1457.628]),
        _cubic_ratio, ((1000, 1000, 400, 40, 0.7, 0.3, 0.03), (1300, 1500, 500, 75, 1, 0.4, 0.05)),
        (1.2881396800e03, 1.4910792535e03, 5.8323836877e02, 7.5416644291e01, 9.6629502864e-01, 3.9797285797e-01, 4.9727297349e-02),
        (4.6647963344e00, 3.9571156086e01, 2.8698696102e01, 5.5675370270e00, 3.1333340687e-02, 1.4984928198e-02, 6.5842344623e-03),
        5.6427082397e03,
    ),
    Certified(
        # From the far start (2, 400000, 25000) our method is stopped at its limit of steps and says so.
        "MGH10", "higher",
        np.arange(50.0, 126.0, 5.0),
        np.array([34780, 28610, 23650, 19630, 16370, 13720, 11540, 9744, 8261, 7030, 6005, 5147, 4427, 3820, 3307, 2872.0]),
        _arrhenius, ((0.02, 4000, 250),),
        (5.6096364710e-03, 6.1813463463e03, 3.4522363462e02), (1.5687892471e-04, 2.3309021107e01, 7.8486103508e-01), 8.7945855171e01,
    ),
)
# fmt: on
