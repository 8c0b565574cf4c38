"""What ``tegwatch check --probe`` found, for people and for programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from daemon.cli.console import standard_output

if TYPE_CHECKING:
    from rich.console import Console

    from config.site import Site
    from daemon.model import Reading
    from daemon.probing import BrokerReport, SiteReport
    from daemon.sources.modbus_probe import ProbeReport, SignalProbe

_MARK = ("good", "uncertain", "bad")


def _signal_facts(one: SignalProbe) -> dict[str, Any]:
    return {
        "unit": one.unit,
        "signal": one.signal,
        "device_id": one.device_id,
        "table": one.table,
        "address": one.address,
        "type": one.type,
        "words": [f"0x{word:04X}" for word in one.words],
        "value": one.value,
        "value_unit": one.signal_unit,
        "quality": _MARK[one.reading.quality] if one.reading is not None else "bad",
        "round_trip_ms": None if one.round_trip is None else round(1000 * one.round_trip, 2),
        "plausible_orders": [
            f"{order.word_order}, {order.byte_order}" for order in one.orders if order.plausible
        ],
        "fault": one.fault or (one.reading.reason if one.reading is not None else ""),
        "advice": one.advice,
    }


def report_facts(report: SiteReport, site: Site) -> dict[str, Any]:
    """Return what was found as plain JSON types; values in each signal's own unit."""
    return {
        "modbus": [
            {
                "controller": found.controller,
                "where": found.where,
                "connect_ms": None if found.connect_time is None else round(1000 * found.connect_time, 2),
                "requests_a_poll": found.planned_reads,
                "identification": {str(key): dict(value) for key, value in found.identification.items()},
                "fault": found.fault,
                "advice": found.advice,
                "signals": [_signal_facts(one) for one in found.signals],
            }
            for found in report.modbus
        ],
        "brokers": [
            {
                "broker": found.broker,
                "link": found.link.state.value,
                "reason": found.link.reason,
                "signals": [
                    {
                        "unit": unit,
                        "signal": name,
                        "value": _shown(reading, unit, name, site),
                        "value_unit": _unit_of(unit, name, site),
                        "quality": _MARK[reading.quality],
                        "reason": reading.reason,
                    }
                    for (unit, name), reading in found.readings.items()
                ],
            }
            for found in report.brokers
        ],
    }


def _unit_of(unit: str, name: str, site: Site) -> str:
    signal = next(one for one in site.units if one.name == unit).signals[name]
    return signal.unit


def _shown(reading: Reading, unit: str, name: str, site: Site) -> float | None:
    """Return a reading's value in the signal's own unit."""
    from config.loader import unit_context
    from config.quantities import SIGNAL_KINDS
    from config.units import conversion

    signal = next(one for one in site.units if one.name == unit).signals[name]
    quantity = signal.quantity or SIGNAL_KINDS[name].quantity
    if reading.value is None or not signal.unit:
        return reading.value
    return conversion(signal.unit, quantity, unit_context(site)).from_si(reading.value)


def show_report(report: SiteReport, site: Site) -> None:
    """Print what was found."""
    console = standard_output()
    for found in report.modbus:
        _show_controller(console, found)
    for broker in report.brokers:
        _show_broker(console, broker, site)


def _show_controller(console: Console, found: ProbeReport) -> None:
    from rich.table import Table

    console.print(f"\n[bold]Controller {found.controller}[/bold] at {found.where}")
    if found.fault:
        console.print(f"  {found.fault}", markup=False)
        console.print(f"  What to do: {found.advice}", markup=False)
        return
    times = found.round_trips
    line = f"  connected in {1000 * (found.connect_time or 0.0):.1f} ms, {found.planned_reads} reads a poll"
    if times:
        median, longest = 1000 * times[len(times) // 2], 1000 * times[-1]
        line += f", round trip {median:.1f} ms (median), {longest:.1f} ms (longest)"
    console.print(line)
    several = len({one.device_id for one in found.signals}) > 1
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    for heading in ("signal", "address", "raw", "value", "quality", "remark"):
        table.add_column(heading, overflow="fold")
    for one in found.signals:
        facts = _signal_facts(one)
        value = "–" if one.value is None else f"{one.value:g} {one.signal_unit}".rstrip()
        where = f"{one.table} {one.address} {one.type}" + (f" device {one.device_id}" if several else "")
        remark = ". ".join(part for part in (facts["fault"], one.advice, _better_order(one)) if part)
        name = f"{one.unit} {one.signal}"
        table.add_row(name, where, " ".join(facts["words"]), value, facts["quality"], remark)
    console.print(table)


def _better_order(one: SignalProbe) -> str:
    """Say which other order would give a plausible value where the configured one does not."""
    if any(order.plausible for order in one.orders if order.configured):
        return ""
    others = [
        f"{order.value:g} {one.signal_unit} as {order.word_order}, {order.byte_order}"
        for order in one.orders
        if order.plausible and order.value is not None
    ]
    return f"plausible would be {'; '.join(others)}" if others else ""


def _show_broker(console: Console, found: BrokerReport, site: Site) -> None:
    from rich.table import Table

    reason = f": {found.link.reason}" if found.link.reason else ""
    console.print(f"\n[bold]Broker {found.broker}[/bold], link {found.link.state.value}{reason}")
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    for heading in ("unit", "signal", "value", "quality", "remark"):
        table.add_column(heading, overflow="fold")
    for (unit, name), reading in found.readings.items():
        shown = _shown(reading, unit, name, site)
        value = "–" if shown is None else f"{shown:g} {_unit_of(unit, name, site)}".rstrip()
        table.add_row(unit, name, value, _MARK[reading.quality], reading.reason)
    console.print(table)
