"""What is allowed and yet looks like a slip of the pen: told by ``check``, in nobody's way otherwise."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations, pairwise

from calc.water_methods import acid_gas_caution
from config.alarm_reach import beyond_range
from config.alarm_set import resolve_alarms
from config.alarms import ResolvedAlarm
from config.controllers import ModbusBase
from config.loader import unit_context
from config.modbus_map import device_of, wire_range
from config.quantities import Quantity
from config.signals import ModbusSignal
from config.site import DehydrationUnit, Site
from config.thermostat import THERMOSTAT_BAND
from config.units import DisplayUnit, UnitContext, display_units

_Alarms = Sequence[ResolvedAlarm]
_Display = Mapping[Quantity, DisplayUnit]


def doubts(site: Site) -> Iterator[tuple[str, str]]:
    """Yield unit and words for everything in a valid site that a person should look at twice."""
    yield from _half_overlaps(site)
    context = unit_context(site)
    display = display_units(site.site.unit_system, context)
    for unit in site.units:
        alarms = resolve_alarms(site, unit).alarms
        yield from _crossed_limits(unit, alarms, display)
        yield from _short_ranges(unit, alarms, context, display)
        yield from _within_the_swing(unit, alarms, display)
        if sour := acid_gas_caution(unit.gas.carbon_dioxide, unit.gas.hydrogen_sulfide):
            yield unit.name, sour


def _half_overlaps(site: Site) -> Iterator[tuple[str, str]]:
    """Find two values that share some registers but not all: a float after which one register was counted.

    The same registers read twice, and bits of a register that is a number too, are common and meant.
    """
    for controller in site.controllers:
        if not isinstance(controller, ModbusBase):
            continue
        places = [
            (device_of(controller, signal), signal.table, wire_range(controller, signal), unit.name, name)
            for unit in site.units
            for name, signal in unit.signals.items()
            if isinstance(signal, ModbusSignal)
            and signal.controller == controller.name
            and signal.type != "bool"
        ]
        places.sort(key=lambda place: (place[0], place[1], place[2].start))
        for one, two in pairwise(places):
            shared = range(max(one[2].start, two[2].start), min(one[2].stop, two[2].stop))
            if one[:2] == two[:2] and shared and one[2] != two[2]:
                other = two[4] if one[3] == two[3] else f"{two[4]} of {two[3]}"
                yield (
                    one[3],
                    f"{one[4]} and {other} share {len(shared)} of their registers on {controller.name}",
                )


def _crossed_limits(unit: DehydrationUnit, alarms: _Alarms, display: _Display) -> Iterator[tuple[str, str]]:
    """Find a high limit that does not lie above a low one of the same value: one of the two always stands."""
    for one, two in combinations(alarms, 2):
        if (one.input, one.source) != (two.input, two.source) or {one.condition, two.condition} != {
            "high",
            "low",
        }:
            continue
        high, low = (one, two) if one.condition == "high" else (two, one)
        above, below = _fixed(high), _fixed(low)
        if above is not None and below is not None and above <= below:
            write = display[high.setpoint_quantity].format
            yield unit.name, f"{high.id} at {write(above)} is not above {low.id} at {write(below)}"


def _short_ranges(
    unit: DehydrationUnit, alarms: _Alarms, context: UnitContext, display: _Display
) -> Iterator[tuple[str, str]]:
    """Find set points at or beyond the end of a range; a safety alarm out of reach is an error already."""
    for reach in beyond_range(unit, alarms, context):
        alarm, write = reach.alarm, display[reach.alarm.setpoint_quantity].format
        way = "above" if alarm.condition == "high" else "below"
        consequence = (
            f"{alarm.input} counts as bad {way} {write(reach.end)}: it never comes"
            if reach.never
            else f"its range ends at {write(reach.end)}: it comes only if the transmitter goes on"
        )
        yield unit.name, f"{alarm.id} at {write(reach.setpoint)}, but {consequence}"


def _within_the_swing(unit: DehydrationUnit, alarms: _Alarms, display: _Display) -> Iterator[tuple[str, str]]:
    """Find high limits that the reboiler reaches at every cycle of its thermostat."""
    write = display[Quantity.TEMPERATURE].format
    top = unit.reboiler.set_point + THERMOSTAT_BAND
    for alarm in alarms:
        limit = _fixed(alarm)
        if (alarm.input, alarm.condition) == ("reboiler_temperature", "high") and limit and top >= limit:
            swing = f"a thermostat at {write(unit.reboiler.set_point)} swings to about {write(top)}"
            yield unit.name, f"{swing}: {alarm.id} at {write(limit)} may come at every cycle"


def _fixed(alarm: ResolvedAlarm) -> float | None:
    """Return a set point that depends on nothing measured; ``None`` for any other."""
    return None if alarm.setpoint is None else alarm.setpoint.value(None)
