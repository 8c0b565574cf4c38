"""Journal entries as JSON documents: the same words and numbers whatever the way out.

Every document carries ``id`` (by which a receiver drops a repeat), ``sequence`` (order in the journal),
``time`` (UTC, RFC 3339), ``site`` and ``unit``. Numbers stand with their unit in the site's unit system.

An alarm's document says where it stands (``state``, ``previous_state``, ``event``, ``annunciated``), how it
is managed (``priority``, ``severity``, ``alarm_class``), why it came (``message``, ``reason``, ``value``,
``setpoint``) and who acted (``actor``, ``comment``). Where an occurrence begins, ``likely_causes`` lists up
to three known faults that would explain what moves, the likeliest first: ``fault``, ``share`` (of the belief
among all known faults and that nothing is wrong, 0 to 1), ``evidence_for`` (never empty),
``evidence_against``, ``unknown`` (what is not measured and would tell more) and ``check`` (what to look at
first). It is no verdict; the list is empty where nothing moves, in all other transitions, and for alarms
about instruments, links and the program itself.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass

from config.quantities import RESULT_KINDS, SIGNAL_KINDS, Quantity
from config.units import DisplayUnit
from daemon.model import AlarmTransition, Entry, Event, LikelyCause, Reading, Result, ScanRecord
from daemon.times import rfc3339

Document = dict[str, object]
_DIGITS = 7  # of a number sent; more than any instrument has
_SHARE_DIGITS = 3


@dataclass(frozen=True, slots=True)
class Wording:
    """How one site writes its documents.

    ``quantities`` holds the quantity of each signal of the site's own by name, beside those that the
    calculation knows.
    """

    site: str
    units: Mapping[Quantity, DisplayUnit]
    quantities: Mapping[str, Quantity]

    def document(self, entry: Entry) -> Document:
        """Write one journal entry."""
        head: Document = {
            "id": entry_id(self.site, entry),
            "sequence": entry.sequence,
            "time": rfc3339(entry.time),
            "site": self.site,
            "unit": entry.unit,
        }
        body = entry.body
        if isinstance(body, AlarmTransition):
            return head | self._alarm(body)
        if isinstance(body, Event):
            data = {name: _finite(value) for name, value in body.data.items()}
            return head | {"type": "event", "kind": body.kind, "message": body.message, "data": data}
        return head | self._scan(body)

    def quantity_of(self, signal: str) -> str:
        """Return what kind of quantity a signal is; empty where nobody says."""
        if signal in self.quantities:
            return self.quantities[signal]
        kind = SIGNAL_KINDS.get(signal)
        return kind.quantity if kind else ""

    def amount(self, value: float | None, quantity: str) -> Document | None:
        """Write an SI value as number and unit of the site; ``None`` where there is none."""
        if value is None or not math.isfinite(value):
            return None
        try:
            shown = self.units[Quantity(quantity)]
        except (ValueError, KeyError):  # a number without a known quantity has no unit to show
            return {"value": _rounded(value), "unit": ""}
        return {"value": _rounded(shown.conversion.from_si(value)), "unit": shown.symbol}

    def text(self, value: float | None, quantity: str) -> str:
        """Write an SI value for people, with its unit; empty where there is none."""
        if value is None or not math.isfinite(value):
            return ""
        try:
            return self.units[Quantity(quantity)].format(value)
        except (ValueError, KeyError):
            return f"{value:g}"

    def _alarm(self, alarm: AlarmTransition) -> Document:
        return {
            "type": "alarm",
            "alarm": alarm.alarm,
            "occurrence": alarm.occurrence,
            "event": alarm.event,
            "state": alarm.state.value,
            "previous_state": alarm.previous.value,
            "annunciated": alarm.state.annunciated,
            "priority": alarm.priority.value,
            "severity": alarm.priority.severity,
            "alarm_class": alarm.alarm_class,
            "message": alarm.message,
            "reason": alarm.reason,
            "value": self.amount(alarm.value, alarm.quantity),
            "setpoint": self.amount(alarm.setpoint, alarm.quantity),
            "first_out": alarm.first_out,
            "actor": alarm.actor,
            "comment": alarm.comment,
            "likely_causes": [
                {**dataclasses.asdict(cause), "share": round(cause.share, _SHARE_DIGITS)}
                for cause in alarm.causes
            ],
        }

    def _scan(self, scan: ScanRecord) -> Document:
        return {
            "type": "values",
            "state": scan.state.value,
            "signals": {name: self._reading(name, reading) for name, reading in scan.signals.items()},
            "results": {name: self._result(name, result) for name, result in scan.results.items()},
        }

    def _reading(self, name: str, reading: Reading) -> Document:
        shown = self.amount(reading.value, self.quantity_of(name)) or {"value": None, "unit": ""}
        return shown | {
            "status": reading.status.opc_ua_name,
            "reason": reading.reason,
            "time": rfc3339(reading.time),
        }

    def _result(self, name: str, result: Result) -> Document:
        kind = RESULT_KINDS.get(name)
        shown = self.amount(result.value, kind.quantity if kind else "") or {"value": None, "unit": ""}
        if kind is not None and result.uncertainty is not None and math.isfinite(result.uncertainty):
            factor = self.units[kind.quantity].conversion.factor
            shown["uncertainty"] = _rounded(result.uncertainty / factor)
        return shown | {"status": result.status.opc_ua_name, "reason": result.reason}


def cause_words(cause: LikelyCause) -> str:
    """Write a likely cause as one line that people read: with its evidence, and what to check first.

    Examples
    --------
    >>> cause_words(LikelyCause("gas hotter", 0.62, ("contactor up",), (), ("inlet water",), "Inlet cooler"))
    'gas hotter (62 %); for: contactor up; not known: inlet water; check first: Inlet cooler'
    """
    parts = [
        f"{cause.fault} ({100.0 * cause.share:.0f} %)",
        *(
            f"{label}: {', '.join(evidence)}"
            for label, evidence in (
                ("for", cause.evidence_for),
                ("against", cause.evidence_against),
                ("not known", cause.unknown),
            )
            if evidence
        ),
        f"check first: {cause.check}",
    ]
    return "; ".join(parts)


def entry_id(site: str, entry: Entry) -> str:
    """Name an entry for ever: the same at every repeat, another after the journal was begun anew.

    Examples
    --------
    >>> entry_id("north", Entry(17, "unit-1", 1_700_000_000.25, Event("unit-1", "note", 0.0, "")))
    'north-17-1700000000250'
    """
    return f"{site}-{entry.sequence}-{round(entry.time * 1000)}"


def to_json(document: Document) -> bytes:
    """Write a document as JSON in UTF-8; what JSON does not know (NaN) is an error, not a surprise."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")


def _finite(value: str | float | bool | None) -> str | float | bool | None:  # noqa: FBT001 - a JSON value
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value
