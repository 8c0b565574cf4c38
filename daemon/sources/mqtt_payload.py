"""What an MQTT message says, decided without a broker: payloads, source times, retained and late messages.

Every message of a signal's topic becomes a reading. What cannot be read is a bad reading that says why; it
is never an exception and never a guess.
"""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from config.controllers import MqttBroker
from config.signals import MqttSignal
from config.topics import check_filter, parse_column, parse_path
from daemon.model import Reading, Status
from daemon.sources.base import Scaling, measured

LARGEST_PAYLOAD = 262_144
"""Bytes beyond which a payload is not looked at."""
LATE_AFTER_PERIODS = 3.0
"""A value that took longer than this many expected periods to arrive is not live."""
_SHOWN = 40
TimeFormat = Literal["epoch s", "epoch ms", "ISO 8601"]
Path = tuple[str | int, ...]
_EARLIEST = 946_684_800.0  # 2000-01-01: a source clock before it was never set
_LATEST = 4_102_444_800.0  # 2100-01-01


class PayloadError(Exception):
    """A payload that does not hold what the site file says; the text says what is there instead."""


class _AbsentError(PayloadError):
    """The payload can be read, but has nothing where the value should be."""


@dataclass(frozen=True, slots=True)
class Point:
    """One signal in the messages of one topic, resolved once when the site is loaded.

    ``path`` and ``time_path`` are the ways into a JSON payload (names and list positions) or one CSV column,
    counted from 1. ``expected_period`` and ``max_retained_age`` are seconds. On a ``wildcard`` topic a
    message without the path is about something else.
    """

    unit: str
    signal: str
    scaling: Scaling
    payload: Literal["number", "json", "csv"]
    path: Path = ()
    time_path: Path | None = None
    time_format: TimeFormat = "ISO 8601"
    expected_period: float = 10.0
    max_retained_age: float = 300.0
    wildcard: bool = False


@dataclass(frozen=True, slots=True)
class Arrival:
    """How and when a message arrived.

    ``connected`` is the monotonic time at which this connection began; ``resumed`` whether the broker may
    have kept messages for us until then.
    """

    wall: float
    monotonic: float
    connected: float
    resumed: bool
    retained: bool = False


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one message says of one signal.

    ``reading`` is what is known of the present. ``history`` is set when the value belongs to the past: the
    reading as it was then, with the quality that it had, for the journal.
    """

    point: Point
    reading: Reading
    history: Reading | None = None


def point_of(unit: str, name: str, signal: MqttSignal, scaling: Scaling, broker: MqttBroker) -> Point:
    """Resolve one signal of the site file.

    Raises
    ------
    ValueError
        A path that does not fit the kind of payload, or a topic that MQTT does not allow.
    """
    wildcard = any(level in {"+", "#"} for level in check_filter(signal.topic).split("/"))
    path: Path = ()
    time_path: Path | None = None
    if signal.payload == "json":
        if signal.path is None:
            raise ValueError(f'signal "{name}": a JSON payload needs "path", for example "values.{name}"')
        path = parse_path(signal.path)
        time_path = None if signal.time_path is None else parse_path(signal.time_path)
    elif signal.payload == "csv":
        path = (parse_column(signal.path or "1"),)
        time_path = None if signal.time_path is None else (parse_column(signal.time_path),)
    elif signal.path is not None or signal.time_path is not None:
        raise ValueError(f'signal "{name}": "path" and "time_path" need payload = "json" or "csv"')
    elif wildcard:
        raise ValueError(f'signal "{name}": a plain number on a wildcard topic does not say whose it is')
    return Point(
        unit=unit,
        signal=name,
        scaling=scaling,
        payload=signal.payload,
        path=path,
        time_path=time_path,
        time_format=signal.time_format,
        expected_period=signal.expected_period or broker.expected_period,
        max_retained_age=broker.max_retained_age,
        wildcard=wildcard,
    )


def decode(payload: bytes, points: Sequence[Point], arrival: Arrival) -> list[Decoded]:
    """Read one message for every signal that comes with it, in the order of ``points``.

    A JSON text is parsed once however many signals it holds.
    """
    content = _Content(payload)
    decoded = []
    for point in points:
        try:
            raw, time = content.value(point)
        except _AbsentError as error:
            if not point.wildcard:
                decoded.append(Decoded(point, _unreadable(error, arrival)))
        except PayloadError as error:
            decoded.append(Decoded(point, _unreadable(error, arrival)))
        else:
            decoded.append(_judge(raw, time, point, arrival))
    return decoded


class _Content:
    """One payload, parsed at most once a way."""

    def __init__(self, payload: bytes) -> None:
        self._payload = payload
        self._json: object = None
        self._fields: list[str] | None = None

    def value(self, point: Point) -> tuple[float, float | None]:
        """Return raw number and source time of one signal."""
        if len(self._payload) > LARGEST_PAYLOAD:
            raise PayloadError(f"payload of {len(self._payload)} bytes is longer than {LARGEST_PAYLOAD}")
        is_state = point.scaling.is_state
        if point.payload == "number":
            return _number(_text(self._payload), is_state=is_state), None
        find = self._in_json if point.payload == "json" else self._in_csv
        raw = _number(find(point.path), is_state=is_state)
        if point.time_path is None:
            return raw, None
        return raw, source_time(find(point.time_path), point.time_format)

    def _in_json(self, path: Path) -> object:
        if self._json is None:
            try:
                self._json = json.loads(_text(self._payload))
            except (ValueError, RecursionError):
                raise PayloadError(f"payload {_shown(self._payload)} is not JSON") from None
        value = self._json
        for position, step in enumerate(path):
            try:
                value = _step(value, step)
            except LookupError:
                raise _AbsentError(f'payload has no "{_written(path[: position + 1])}"') from None
        return value

    def _in_csv(self, path: Path) -> object:
        if self._fields is None:
            self._fields = _text(self._payload).split(",")
        column = int(path[0])
        if column > len(self._fields):
            raise _AbsentError(f"payload has {len(self._fields)} columns, column {column} is wanted")
        return self._fields[column - 1].strip()


def source_time(stamp: object, time_format: TimeFormat) -> float:
    """Turn a source's time stamp into POSIX seconds.

    ISO 8601 without an offset is UTC: a field device that sends local time without saying so cannot be told
    apart, and its values then look old or early, which is visible.

    Raises
    ------
    PayloadError
        Another format, or a time outside 2000 to 2100 (a clock that was never set).
    """
    if time_format == "ISO 8601":
        if not isinstance(stamp, str):
            raise PayloadError(f"time stamp {_shown(stamp)} is not ISO 8601 text")
        try:
            moment = datetime.datetime.fromisoformat(stamp.strip())
            if moment.tzinfo is None:
                moment = moment.replace(tzinfo=datetime.UTC)
            time = moment.timestamp()
        except (ValueError, OverflowError):
            raise PayloadError(f"time stamp {_shown(stamp)} is not ISO 8601") from None
    else:
        time = _number(stamp) / (1000.0 if time_format == "epoch ms" else 1.0)
    if not _EARLIEST <= time <= _LATEST:
        raise PayloadError(f"time stamp {_shown(stamp)} is not a credible time as {time_format}")
    return time


def _judge(raw: float, time: float | None, point: Point, arrival: Arrival) -> Decoded:
    """Give a value that could be read the quality that its age allows."""
    if time is None:
        reading = measured(raw, point.scaling, arrival.wall, arrival.monotonic)
        if arrival.retained:
            reason = "retained message without a time of its own: its age is unknown"
            return Decoded(point, reading.degraded(Status.BAD_WAITING_FOR_INITIAL_DATA, reason))
        if arrival.resumed and arrival.monotonic - arrival.connected <= point.expected_period:
            reason = "may have waited at the broker while the daemon was away; it has no time of its own"
            return Decoded(point, reading.degraded(Status.UNCERTAIN_LAST_USABLE_VALUE, reason))
        return Decoded(point, reading)
    age = max(0.0, arrival.wall - time)
    # Age is judged from the monotonic time of receipt: what was measured earlier counts as received earlier.
    reading = measured(raw, point.scaling, time, arrival.monotonic - age)
    if arrival.retained and age > point.max_retained_age:
        reason = f"retained message is {age:.0f} s old, more than {point.max_retained_age:.0f} s"
        return Decoded(point, reading.degraded(Status.BAD_WAITING_FOR_INITIAL_DATA, reason))
    if age > LATE_AFTER_PERIODS * point.expected_period:
        reason = (
            f"measured {age:.0f} s before it arrived: it waited on its way, or the source's clock is slow"
        )
        return Decoded(point, reading.degraded(Status.UNCERTAIN_LAST_USABLE_VALUE, reason), history=reading)
    return Decoded(point, reading)


def _unreadable(error: PayloadError, arrival: Arrival) -> Reading:
    return Reading(None, Status.BAD_CONFIGURATION_ERROR, arrival.wall, arrival.monotonic, str(error))


def _text(payload: bytes) -> str:
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        raise PayloadError(f"payload {_shown(payload)} is not text") from None


def _step(value: object, step: str | int) -> object:
    """Go one step into parsed JSON: a name into an object, a position into a list; else ``LookupError``."""
    if isinstance(step, str) and isinstance(value, dict):
        found: object = value[step]
        return found
    if isinstance(step, int) and isinstance(value, list):
        return value[step]
    raise LookupError(step)


def _written(path: Sequence[str | int]) -> str:
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path).lstrip(".")


_NUMBER = re.compile(
    r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?|[-+]?(nan|inf|infinity)", re.ASCII | re.IGNORECASE
)
_STATES = {"true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0}


def _number(value: object, *, is_state: bool = False) -> float:
    """Return a number, or the number in a text; true, false, on and off only where a state is wanted."""
    if isinstance(value, str):
        text = value.strip()
        if _NUMBER.fullmatch(text):
            return float(text)
        if is_state and text.lower() in _STATES:
            return _STATES[text.lower()]
        raise PayloadError(f"{_shown(text)} is not a number" if text else "the value is empty")
    if isinstance(value, int | float) and (is_state or not isinstance(value, bool)):
        try:
            return float(value)
        except OverflowError:
            raise PayloadError(f"{_shown(value)} is too large") from None
    raise PayloadError(f"{_shown(value)} is not a number")


def _shown(value: object) -> str:
    text = ascii(value[:_SHOWN] if isinstance(value, str | bytes) else value)
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 3]}..."
