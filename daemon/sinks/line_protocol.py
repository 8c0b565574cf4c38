"""Journal entries as line protocol, the text in which time-series databases take points. Pure.

Five measurements, with a prefix that the site may choose:

=================== ============================================ ==========================================
measurement         tags                                         fields
=================== ============================================ ==========================================
``PREFIX_signal``   site, unit, name, measured_in                value, quality, status, reason, age
``PREFIX_result``   site, unit, name, measured_in                value, uncertainty, quality, status, reason
``PREFIX_state``    site, unit                                   state, sequence
``PREFIX_alarm``    site, unit, alarm, priority, class,          state, previous, event, occurrence,
                    measured_in                                  annunciated, severity, first_out, sequence,
                                                                 value, setpoint, message, reason, actor,
                                                                 comment
``PREFIX_event``    site, unit, kind                             message, data (JSON), sequence
=================== ============================================ ==========================================

``quality`` is 0 good, 1 uncertain, 2 bad; ``status`` the OPC UA code; ``age`` the seconds from the source's
own time to the scan. A bad value has no ``value`` field: never zero and never the last one. A good one has
no ``reason``. ``measured_in`` is the unit; it is left out where there is none. Numbers are floats, counts and
flags integers (``i``). ``PREFIX_state`` has a point for every stored scan, so that a scan in which a value
was not there is told from a time without scans; a value that came late says no state.

A point is told from others by series and time alone, and one that comes again replaces itself: delivering
twice changes nothing. Values carry the time of their scan. Several transitions of one alarm can share that
time, so alarms and events carry, below the microsecond, the last three digits of their journal sequence.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping

from config.quantities import RESULT_KINDS, Quantity
from config.units import DisplayUnit
from daemon.model import AlarmTransition, Entry, Event, ScanRecord
from daemon.sinks.documents import Wording

_KEY = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ ", "\n": r"\n", "\t": r"\t", "\r": r"\r"})
_MEASUREMENT = str.maketrans({",": r"\,", " ": r"\ ", "\n": r"\n", "\t": r"\t", "\r": r"\r"})
_STRING = str.maketrans({'"': r"\"", "\\": r"\\"})
_ESCAPE = "\\"
_DIGITS = 9  # of a number sent; more than any instrument has


def series(measurement: str, tags: Mapping[str, str]) -> str:
    r"""Write measurement and tags, tags in the order of their names; an empty tag is left out.

    Examples
    --------
    >>> print(series("tegwatch_signal", {"unit": "north", "name": "gas rate", "note": ""}))
    tegwatch_signal,name=gas\ rate,unit=north
    """
    written = {name: tags[name].translate(_KEY) for name in sorted(tags) if tags[name]}
    # A backslash at the end of a value would escape the comma or space that follows.
    pairs = [
        f"{name.translate(_KEY)}={value}{' ' * value.endswith(_ESCAPE)}" for name, value in written.items()
    ]
    return ",".join([measurement.translate(_MEASUREMENT), *pairs])


def text(value: str) -> str:
    r"""Write a string field: quotes and backslashes are escaped.

    Examples
    --------
    >>> print(text('a "quoted" word'))
    "a \"quoted\" word"
    """
    return f'"{value.translate(_STRING)}"'


def decimal(value: float) -> str:
    """Write a float field; a whole number without its point is a float all the same."""
    return f"{value:.{_DIGITS}g}"


class Encoder:
    """Writes journal entries as line protocol.

    Parameters
    ----------
    wording : Wording
        Name of the site, units in which it shows values, quantities of its own signals.
    prefix : str
        First part of every measurement's name.
    si : bool
        Write values in SI instead of the site's units.
    """

    def __init__(self, wording: Wording, prefix: str, *, si: bool = False) -> None:
        self._wording = wording
        self._prefix = prefix
        self._si = si
        self._known: dict[tuple[str, str, str], tuple[str, float, float]] = {}

    def lines(self, entry: Entry) -> list[str]:
        """Return the points of one entry, a line each, without line ends."""
        body = entry.body
        if isinstance(body, ScanRecord):
            return self._scan(body, entry.sequence)
        time = round(entry.time * 1e6) * 1000 + entry.sequence % 1000
        if isinstance(body, AlarmTransition):
            return [f"{self._alarm(entry, body)} {time}"]
        return [f"{self._event(entry, body)} {time}"]

    def _scan(self, scan: ScanRecord, sequence: int) -> list[str]:
        unit, time = scan.unit, round(scan.time * 1e6) * 1000
        end = f" {time}"
        lines = []
        for name, reading in scan.signals.items():
            head, factor, offset = self._column(unit, "signal", name)
            value, status = reading.value, reading.status
            age = decimal(scan.time - reading.time)
            line = f"{head}age={age},quality={int(status.quality)}i,status={int(status)}i"
            if reading.reason:
                line += f",reason={text(_one_line(reading.reason))}"
            if value is not None and math.isfinite(value):
                line += f",value={decimal((value - offset) / factor)}"
            lines.append(line + end)
        for name, result in scan.results.items():
            head, factor, offset = self._column(unit, "result", name)
            value, spread, status = result.value, result.uncertainty, result.status
            line = f"{head}quality={int(status.quality)}i,status={int(status)}i"
            if result.reason:
                line += f",reason={text(_one_line(result.reason))}"
            if value is not None and math.isfinite(value):
                if spread is not None and math.isfinite(spread):
                    line += f",uncertainty={decimal(spread / abs(factor))}"
                line += f",value={decimal((value - offset) / factor)}"
            lines.append(line + end)
        line = f"{self._state_head(unit)} sequence={sequence}i"
        if scan.results:  # a value that came late says nothing of the unit's state
            line += f",state={text(scan.state.value)}"
        lines.append(line + end)
        return lines

    def _state_head(self, unit: str) -> str:
        return series(f"{self._prefix}_state", {"site": self._wording.site, "unit": unit})

    def _column(self, unit: str, kind: str, name: str) -> tuple[str, float, float]:
        """Return the head of a column's lines, and factor and offset of its unit."""
        known = self._known.get((unit, kind, name))
        if known is None:
            if kind == "signal":
                quantity = self._wording.quantity_of(name)
            else:
                quantity = RESULT_KINDS[name].quantity if name in RESULT_KINDS else ""
            shown = self._shown(quantity)
            symbol = "" if shown is None else shown.symbol
            tags = {"site": self._wording.site, "unit": unit, "name": name, "measured_in": symbol}
            factor = 1.0 if shown is None else shown.conversion.factor
            offset = 0.0 if shown is None else shown.conversion.offset
            known = series(f"{self._prefix}_{kind}", tags) + " ", factor, offset
            self._known[unit, kind, name] = known
        return known

    def _shown(self, quantity: str) -> DisplayUnit | None:
        if self._si:
            return None
        try:
            return self._wording.units.get(Quantity(quantity))
        except ValueError:  # a number without a known quantity has no unit to show
            return None

    def _alarm(self, entry: Entry, alarm: AlarmTransition) -> str:
        shown = self._shown(alarm.quantity)
        tags = {
            "site": self._wording.site,
            "unit": entry.unit,
            "alarm": alarm.alarm,
            "priority": alarm.priority.value,
            "class": alarm.alarm_class,
            "measured_in": "" if shown is None else shown.symbol,
        }
        fields = {
            "actor": text(alarm.actor),
            "annunciated": f"{int(alarm.state.annunciated)}i",
            "comment": text(alarm.comment),
            "event": text(alarm.event),
            "first_out": f"{int(alarm.first_out)}i",
            "message": text(alarm.message),
            "occurrence": text(alarm.occurrence),
            "previous": text(alarm.previous.value),
            "reason": text(alarm.reason),
            "sequence": f"{entry.sequence}i",
            "severity": f"{alarm.priority.severity}i",
            "state": text(alarm.state.value),
        }
        for name, value in (("value", alarm.value), ("setpoint", alarm.setpoint)):
            if value is not None and math.isfinite(value):
                fields[name] = decimal(value if shown is None else shown.conversion.from_si(value))
        return f"{series(f'{self._prefix}_alarm', tags)} {_written(fields)}"

    def _event(self, entry: Entry, event: Event) -> str:
        tags = {"site": self._wording.site, "unit": entry.unit, "kind": event.kind}
        # One field of text: the same name may be a number in one kind of event and a word in another, and a
        # database takes a field of one type only.
        data = json.dumps(
            {name: str(value) if _odd(value) else value for name, value in event.data.items()},
            ensure_ascii=False,
        )
        fields = {
            "data": text(data),
            "message": text(event.message),
            "sequence": f"{entry.sequence}i",
        }
        return f"{series(f'{self._prefix}_event', tags)} {_written(fields)}"


def _one_line(words: str) -> str:
    """Leave line ends out: a reason may quote what a source sent, and some servers end a point there."""
    return " ".join(words.splitlines())


def _odd(value: object) -> bool:
    return isinstance(value, float) and not math.isfinite(value)


def _written(fields: Mapping[str, str]) -> str:
    return ",".join(f"{name}={fields[name]}" for name in sorted(fields))
