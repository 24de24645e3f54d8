"""An eight-parameter curve of the time model's family, with one row in ten an hour too long.

Minutes = [e_fixed + e_80 (V/80)^a] [1 + l 2^(-(k - 1) / h)] exp(trainee and surgeons), additive noise of 6 minutes.
The rows are points of an additive recurrence, not random numbers: C++ (bench_regression.cpp) makes the same ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

Doubles = npt.NDArray[np.float64]

NAMES = ("e_fixed", "e_80", "e_exponent", "e_learn", "e_half", "trainee", "surgeon_2", "surgeon_3")
TRUTH = np.array([12.0, 45.0, 0.9, 0.8, 15.0, 0.2, 0.1, -0.12])
START = np.array([10.0, 40.0, 1.0, 0.5, 20.0, 0.0, 0.0, 0.0])
LOWER = np.array([0.0, 1.0, 0.0, 0.0, 1.0, -1.0, -1.0, -1.0])
UPPER = np.array([100.0, 200.0, 3.0, 5.0, 200.0, 1.0, 1.0, 1.0])
LN2 = np.log(2.0)


@dataclass(frozen=True)
class Curve:
    x: Doubles  # n x 5: log(V / 80), cases done, trainee, second surgeon, third surgeon
    y: Doubles  # minutes


def mean(x: Doubles, b: Doubles) -> Doubles:
    base = b[0] + b[1] * np.exp(b[2] * x[:, 0])
    return base * (1 + b[3] * np.exp(-LN2 * x[:, 1] / b[4])) * np.exp(x[:, 2:] @ b[5:])


def jacobian(x: Doubles, b: Doubles) -> Doubles:
    power = np.exp(b[2] * x[:, 0])
    left = np.exp(-LN2 * x[:, 1] / b[4])
    base, learning, level = b[0] + b[1] * power, 1 + b[3] * left, np.exp(x[:, 2:] @ b[5:])
    out = np.empty((x.shape[0], 8))
    out[:, 0] = learning * level
    out[:, 1] = power * out[:, 0]
    out[:, 2] = b[1] * x[:, 0] * out[:, 1]
    out[:, 3] = base * level * left
    out[:, 4] = out[:, 3] * b[3] * LN2 * x[:, 1] / b[4] ** 2
    out[:, 5:] = x[:, 2:] * (base * out[:, 0])[:, None]
    return out


def enucleation_curve(n: int) -> Curve:
    root = 1.1127756842787055  # of x^7 = x + 1
    u = (0.5 + np.arange(1, n + 1)[:, None] * root ** -np.arange(1.0, 7.0)) % 1.0
    surgeon = np.floor(3 * u[:, 3])
    x = np.column_stack(
        [0.45 * ndtri(u[:, 0]), np.floor(120 * u[:, 1]), u[:, 2] < 0.3, surgeon == 1, surgeon == 2]
    ).astype(float)
    return Curve(x, mean(x, TRUTH) + 6 * ndtri(u[:, 4]) + np.where(u[:, 5] < 0.1, 60.0, 0.0))
