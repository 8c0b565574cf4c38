"""Repeat the fit of the glycol equilibrium and show how rival models sit against everything measured.

Run ``python -m tests.published.fit_equilibrium``; the table in README.md of this folder is its output. Only
the 51 boiling points of Chouireb et al. (2018) are fitted; all else is prediction, unless a row says
"+ handbook".
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, least_squares

from calc.constants import TEG_MOLAR_MASS, WATER_MOLAR_MASS
from calc.glycol import teg_log_vapor_pressure, water_mole_fraction
from calc.saturation import liquid_log_pressure
from tests.support.published import rows

Array: TypeAlias = NDArray[np.float64]
Model: TypeAlias = Callable[[Sequence[float], Array, Array], tuple[Array, Array]]
"""From parameters, mole fraction of water and temperature to ln gamma of water and of TEG."""


@dataclass(frozen=True)
class Boiling:
    """Measured boiling points: mole fraction of water, temperature [K], pressure [Pa]."""

    x: Array
    t: Array
    p: Array

    def where(self, mask: NDArray[np.bool_]) -> Boiling:
        return Boiling(self.x[mask], self.t[mask], self.p[mask])


def _read(name: str, doi: str = "") -> Boiling:
    found = [row for row in rows(name) if not doi or row["doi"] == doi]
    x = np.array([float(row["x_water"]) for row in found])
    t = np.array([float(row["T_C"]) + 273.15 for row in found])
    p = np.array([float(row["P_kPa"]) * 1e3 for row in found])
    return Boiling(x, t, p)


CHOUIREB = _read("teg_water_boiling_points")
ANIYA = _read("teg_water_boiling_points_other", "10.1016/j.fluid.2015.07.030")
MOSTAFAZADEH = _read("teg_water_boiling_points_other", "10.1021/je800675u")

# Original UNIFAC (Hansen et al., Ind. Eng. Chem. Res. 30 (1991) 2352): water; TEG as 4 CH2, 2 CH2O, 2 OH; and
# TEG as the ethylene glycol group with 2 CH2 and 2 CH2O, the other way to cut it.
WATER = (0.92, 1.40)
TEG = (4 * 0.6744 + 2 * 0.9183 + 2 * 1.0, 4 * 0.540 + 2 * 0.780 + 2 * 1.200)
TEG_BY_DIOL = (2.4088 + 2 * (0.6744 + 0.9183), 2.248 + 2 * (0.540 + 0.780))


def uniquac(teg: tuple[float, float] = TEG, *, single: bool = True, by_temperature: bool = False) -> Model:
    """UNIQUAC with coordination number 10; ``single``: reciprocal energy parameters."""

    def model(parameters: Sequence[float], x: Array, t: Array) -> tuple[Array, Array]:
        scale = 373.15 / t if by_temperature else 1.0
        forward = np.exp(parameters[0] * scale)  # tau of water about TEG
        backward = 1.0 / forward if single else np.exp(parameters[1] * scale)
        (r1, q1), (r2, q2) = WATER, teg
        size, area = r1 * x + r2 * (1 - x), q1 * x + q2 * (1 - x)
        theta1, theta2 = q1 * x / area, q2 * (1 - x) / area
        near1, near2 = theta1 + theta2 * backward, theta1 * forward + theta2
        logs = []
        for r, q, near, shares in (
            (r1, q1, near1, theta1 / near1 + theta2 * forward / near2),
            (r2, q2, near2, theta1 * backward / near1 + theta2 / near2),
        ):
            segments, ratio = r / size, r * area / (q * size)
            combinatorial = np.log(segments) + 1 - segments - 5 * q * (np.log(ratio) + 1 - ratio)
            logs.append(combinatorial + q * (1 - np.log(near) - shares))
        return logs[0], logs[1]

    return model


def van_laar(parameters: Sequence[float], x: Array, t: Array) -> tuple[Array, Array]:
    """Van Laar with constant parameters."""
    a, b = parameters
    total = a * x + b * (1 - x)
    return a * (b * (1 - x) / total) ** 2, b * (a * x / total) ** 2


def margules(parameters: Sequence[float], x: Array, t: Array) -> tuple[Array, Array]:
    """Two-suffix Margules (Redlich and Kister) with constant parameters."""
    a, b = parameters
    first, second = x, 1 - x
    return (
        second**2 * (a + b * (4 * first - 1)),
        first**2 * (a + b * (4 * first - 3)),
    )


def ideal(parameters: Sequence[float], x: Array, t: Array) -> tuple[Array, Array]:
    """Raoult's law."""
    return np.zeros_like(x), np.zeros_like(x)


def log_pressure(model: Model, parameters: Sequence[float], x: Array, t: Array) -> Array:
    """ln of the boiling pressure."""
    water, teg = model(parameters, x, t)
    steam = liquid_log_pressure(1.0 / t)[0]
    return np.log(x * np.exp(water + steam) + (1 - x) * np.exp(teg + teg_log_vapor_pressure(t)[0]))


def deviations(model: Model, parameters: Sequence[float], data: Boiling) -> Array:
    """ln(calculated / measured boiling pressure)."""
    return log_pressure(model, parameters, data.x, data.t) - np.log(data.p)


def fahrenheit(t: float) -> float:
    return (t + 459.67) / 1.8


def _handbook(model: Model, parameters: Sequence[float]) -> Array:
    """Deviation of ln gamma of water from four handbook anchors: three from memory, the first read."""

    def one(t: float, w: float, wanted: float) -> float:
        x = np.array([float(water_mole_fraction(w))])
        return float(model(parameters, x, np.array([t]))[0][0]) - wanted

    x = float(water_mole_fraction(0.99))
    chart = _steam(fahrenheit(14.0)) - _steam(fahrenheit(100.0)) - math.log(x)
    found = [one(313.15, 0.987, math.log(0.66)), one(fahrenheit(100.0), 0.99, chart)]
    for w, t in ((0.987, fahrenheit(400.0)), (0.9815, fahrenheit(375.0))):
        x1 = np.array([float(water_mole_fraction(w))])
        found.append(float(log_pressure(model, parameters, x1, np.array([t]))[0]) - math.log(101325.0))
    return np.array(found)


def _steam(t: float) -> float:
    return float(liquid_log_pressure(1.0 / t)[0])


def fit(
    model: Model, start: Sequence[float], *, handbook_weight: float = 0.0, data: Boiling = CHOUIREB
) -> list[float]:
    """Least squares on ln P of the measured points, with handbook anchors only where a weight is given."""
    if not start:
        return []

    def residuals(parameters: Sequence[float]) -> Array:
        measured = deviations(model, parameters, data)
        if not handbook_weight:
            return measured
        return np.concatenate([measured, handbook_weight * _handbook(model, parameters)])

    return [float(value) for value in least_squares(residuals, start).x]


def purity(model: Model, parameters: Sequence[float], t: float) -> float:
    """Lean purity [%] of a reboiler at 1 atm."""

    def excess(x: float) -> float:
        return float(log_pressure(model, parameters, np.array([x]), np.array([t]))[0]) - math.log(101325.0)

    x = float(brentq(excess, 1e-6, 0.6))
    return 100 * (1 - x) * TEG_MOLAR_MASS / ((1 - x) * TEG_MOLAR_MASS + x * WATER_MOLAR_MASS)


def dew_point(model: Model, parameters: Sequence[float], t: float, w: float) -> float:
    """Dew point over glycol [degF]."""
    x = np.array([float(water_mole_fraction(w))])
    wanted = math.log(x[0]) + float(model(parameters, x, np.array([t]))[0][0]) + _steam(t)
    return float(brentq(lambda d: _steam(d) - wanted, 205.0, 400.0)) * 1.8 - 459.67


def rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))


CASES: tuple[tuple[str, Model, tuple[float, ...], float], ...] = (
    ("**UNIQUAC, one constant (chosen)**", uniquac(), (0.5,), 0.0),
    ("UNIQUAC, one constant, + handbook", uniquac(), (0.5,), 3.0),
    ("UNIQUAC, one constant over T", uniquac(by_temperature=True), (0.5,), 0.0),
    ("UNIQUAC, two constants", uniquac(single=False), (0.5, -0.5), 0.0),
    ("UNIQUAC, two constants, diol group", uniquac(TEG_BY_DIOL, single=False), (0.5, -0.3), 0.0),
    ("van Laar", van_laar, (-1.6, -1.0), 0.0),
    ("van Laar, + handbook", van_laar, (-0.6, -1.0), 3.0),
    ("Margules", margules, (-1.2, 0.2), 0.0),
    ("Margules, + handbook", margules, (-0.8, -0.2), 3.0),
    ("ideal", ideal, (), 0.0),
)


def table() -> str:
    """How each model sits against every measured set and the handbook, as a Markdown table."""
    columns = (
        "model, fitted to set 1",
        "parameters",
        "set 1, 51 points",
        "set 2, x >= 0.25, 36",
        "set 3, x >= 0.5, 8",
        "set 2, x < 0.25, 16",
        "set 3, x < 0.5, 10",
        "wt% at 375 / 400 degF",
        "dew point 100 degF, 99.0 %",
        "gamma 40 degC, 98.7 %",
    )
    lines = [f"| {' | '.join(columns)} |", "|" + " --- |" * len(columns)]
    for name, model, start, weight in CASES:
        p = fit(model, start, handbook_weight=weight)
        sets = (
            CHOUIREB,
            ANIYA.where(ANIYA.x >= 0.25),
            MOSTAFAZADEH.where(MOSTAFAZADEH.x >= 0.5),
            ANIYA.where(ANIYA.x < 0.25),
            MOSTAFAZADEH.where(MOSTAFAZADEH.x < 0.5),
        )
        spread = " | ".join(f"{100 * rms(deviations(model, p, data)):.1f}" for data in sets)
        x = np.array([float(water_mole_fraction(0.987))])
        gamma = math.exp(float(model(p, x, np.array([313.15]))[0][0]))
        lines.append(
            f"| {name} | {', '.join(f'{value:.4f}' for value in p) or '-'} | {spread} | "
            f"{purity(model, p, fahrenheit(375)):.2f} / {purity(model, p, fahrenheit(400)):.2f} | "
            f"{dew_point(model, p, fahrenheit(100), 0.99):.1f} degF | {gamma:.2f} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    print(table())
