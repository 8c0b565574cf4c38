"""What circulation costs: drive gas of the pump, methane in it, and what is pumped beyond need."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calc.drive_gas import drive_gas, drive_gas_ratio
from calc.glycol import density
from calc.reboiler import TYPICAL_RICH_TEMPERATURE, fuel_rate, reboiler_duty
from config.site import DehydrationUnit, Site
from daemon.report.figures import Figures, Floats, Series

HEATING_VALUE = 36e6
"""Lower heating value taken for fuel gas [J per standard m3]; about 970 Btu/scf, usual pipeline gas."""


@dataclass(frozen=True, slots=True)
class Economy:
    """Volumes and masses over the known part of a span; ``None`` for what cannot be told.

    ``circulated`` and ``excess`` are glycol [m3]; gas is in standard m3, methane in kg. ``seconds`` is the
    time for which drive gas could be told.
    """

    circulated: float | None
    circulated_seconds: float
    excess: float | None
    drive_gas: float | None
    methane: float | None
    seconds: float
    excess_drive_gas: float | None
    excess_fuel: float | None


def economy(site: Site, unit: DehydrationUnit, figures: Figures) -> Economy:
    """Work out what circulation cost.

    Parameters
    ----------
    site, unit : Site, DehydrationUnit
        Configuration: barometric pressure, kind of pump.
    figures : Figures
        What the pass over the scans found.
    """
    circulation = figures.result("circulation_rate")
    if circulation is None or circulation.known <= 0.0:
        return Economy(None, 0.0, None, None, None, 0.0, None, None)
    excess = figures.excess if figures.excess_known > 0.0 else None
    gas = methane = excess_gas = None
    seconds = 0.0
    if unit.pump_in_service.drive == "energy exchange":
        ratio = _ratio(site, figures)
        known = np.isfinite(ratio) & np.isfinite(circulation.mean)
        weight = np.where(known, circulation.weight, 0.0)
        seconds = float(weight.sum())
        if seconds > 0.0:
            spent = drive_gas(np.where(known, circulation.mean, 0.0), np.where(known, ratio, 0.0))
            gas = float(np.sum(spent.gas_rate * weight))
            methane = float(np.sum(spent.methane_rate * weight))
            if excess is not None:
                pumped = float(np.sum(np.where(known, circulation.mean, 0.0) * weight))
                excess_gas = excess * gas / pumped if pumped > 0.0 else None
    return Economy(
        circulated=circulation.integral,
        circulated_seconds=circulation.known,
        excess=excess,
        drive_gas=gas,
        methane=methane,
        seconds=seconds,
        excess_drive_gas=excess_gas,
        excess_fuel=None if excess is None else _excess_fuel(figures, excess),
    )


def _ratio(site: Site, figures: Figures) -> Floats:
    """Return gas per glycol at every point of the trend, NaN where it is not known."""
    temperature, pressure = figures.signal("contactor_temperature"), figures.signal("contactor_pressure")
    compressibility, flash = figures.result("compressibility"), figures.signal("flash_pressure")
    if temperature is None or pressure is None or compressibility is None:
        return np.full_like(figures.times, np.nan)
    back: Floats = np.full_like(figures.times, site.site.barometric_pressure)
    if flash is not None:
        back = np.where(np.isfinite(flash.mean), flash.mean, back)
    return np.asarray(
        drive_gas_ratio(temperature.mean, pressure.mean, compressibility.mean, return_pressure=back),
        dtype=np.float64,
    )


def _excess_fuel(figures: Figures, excess: float) -> float | None:
    """Fuel that heated the glycol pumped beyond need, from the rich temperature to that of the reboiler."""
    reboiler = figures.signal("reboiler_temperature")
    rich = figures.signal("rich_glycol_temperature")
    hot = _average(reboiler)
    if hot is None:
        return None
    warm = _average(rich) or TYPICAL_RICH_TEMPERATURE
    mass = excess * float(density(330.0, 0.985))
    heat = float(reboiler_duty(mass, 0.0, hot, warm, losses=0.0).sensible)  # a rate over 1 s: joules
    return float(fuel_rate(max(heat, 0.0), HEATING_VALUE))


def _average(series: Series | None) -> float | None:
    return None if series is None else series.average
