"""Publishes a simulated plant's values on an MQTT broker, as a field device would.

The simulator stands outside the daemon's doors, so it reaches the MQTT library by itself.
"""

from __future__ import annotations

import asyncio
import datetime
import json
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import aiomqtt

from config.controllers import MqttBroker
from config.quantities import SIGNAL_KINDS, Quantity
from config.signals import MqttSignal
from config.units import Conversion, UnitContext
from daemon.fieldsim.registers import LayoutError, signal_conversion
from daemon.fieldsim.scenarios import LinkFault

_RETRY = 1.0
_ANSWER_LIMIT = 3.0
_STEP = re.compile(r"([^.\[\]]+)|\[(\d+)\]")

Payload = tuple[str, bytes]


@dataclass(frozen=True, slots=True)
class Point:
    """One signal of one plant on a topic."""

    unit: str
    name: str
    signal: MqttSignal
    conversion: Conversion

    def value(self, shown: Mapping[str, float | None]) -> float | int | None:
        """Return the value in the signal's own raw scale, ``None`` where it is bad."""
        si = shown.get(self.name)
        if si is None:
            return None
        quantity = SIGNAL_KINDS[self.name].quantity
        if quantity is Quantity.STATE:
            return int(bool(si) != self.signal.inverted)
        if quantity in {Quantity.COUNT, Quantity.STROKE_COUNT}:
            bits = self.signal.counter_bits
            return round(si) % 2**bits if bits else round(si)
        # A device rounds what it sends; eight figures keep every converter's step.
        raw = (self.conversion.from_si(si) - self.signal.offset) / self.signal.scale
        return float(f"{raw:.8g}")


def lay_points(signals: Iterable[tuple[str, str, MqttSignal]], context: UnitContext) -> tuple[Point, ...]:
    """Bind (unit, name, signal) triples to topics.

    Raises
    ------
    LayoutError
        A signal the plant does not have, or a topic with a wildcard, on which nobody can publish.
    """
    points = []
    for unit, name, signal in signals:
        if "+" in signal.topic or "#" in signal.topic:
            raise LayoutError(f"{unit}: {name} reads {signal.topic}; a device needs a topic without wildcard")
        points.append(Point(unit, name, signal, signal_conversion(name, signal, context)))
    return tuple(points)


def compose(
    points: Sequence[Point], shown: Mapping[str, Mapping[str, float | None]], time: float
) -> list[Payload]:
    """Return one message for each topic; ``shown`` is by unit and signal name, ``time`` POSIX seconds UTC.

    A bad value is ``null`` in JSON, ``nan`` as a plain number, empty in CSV.
    """
    topics: dict[str, list[Point]] = {}
    for point in points:
        if point.unit in shown and point.name in shown[point.unit]:
            topics.setdefault(point.signal.topic, []).append(point)
    messages = []
    for topic, group in topics.items():
        if group[0].signal.payload == "json":
            document: dict[str, object] = {}
            for point in group:
                if point.signal.time_path:
                    _put(document, point.signal.time_path, _stamp(point.signal.time_format, time))
                _put(document, point.signal.path or "value", point.value(shown[point.unit]))
            text = json.dumps(document, separators=(",", ":"))
        elif group[0].signal.payload == "csv":
            columns: dict[int, object] = {}
            for point in group:
                if point.signal.time_path:
                    columns[int(point.signal.time_path)] = _stamp(point.signal.time_format, time)
                columns[int(point.signal.path or 0)] = point.value(shown[point.unit])
            row = [columns.get(column) for column in range(max(columns) + 1)]
            text = ",".join("" if item is None else str(item) for item in row)
        else:
            value = group[0].value(shown[group[0].unit])
            text = repr(math.nan if value is None else value)
        messages.append((topic, text.encode()))
    return messages


def _stamp(time_format: str, time: float) -> str | float | int:
    if time_format == "epoch s":
        return round(time, 3)
    if time_format == "epoch ms":
        return round(time * 1000.0)
    moment = datetime.datetime.fromtimestamp(time, datetime.UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _put(document: dict[str, object], path: str, value: object) -> None:
    """Set a value at a path such as ``values.reboiler`` or ``points[0].v``, making what is on the way."""
    steps: list[str | int] = [key or int(index) for key, index in _STEP.findall(path)]
    here: dict[str, object] | list[object] = document
    for step, following in zip(steps, [*steps[1:], None], strict=True):
        deeper: object = value if following is None else ([] if isinstance(following, int) else {})
        if isinstance(here, list):
            place = int(step)
            here.extend([None] * (place + 1 - len(here)))
            if following is None or here[place] is None:
                here[place] = deeper
            found = here[place]
        else:
            found = deeper if following is None else here.setdefault(str(step), deeper)
            here[str(step)] = found
        if following is not None:
            if not isinstance(found, dict | list):
                raise LayoutError(f'two signals disagree on what "{path}" is')
            here = found


class MqttPublisher:
    """One field device on a broker.

    Parameters
    ----------
    broker : MqttBroker
        Where to publish and how often.
    points : Sequence[Point]
        What to publish.
    report : callable
        Told in words when the broker is reached or lost.
    lateness : float
        How old messages are under ``late`` [s].
    """

    def __init__(
        self,
        broker: MqttBroker,
        points: Sequence[Point],
        report: Callable[[str], None],
        lateness: float = 3.0,
    ) -> None:
        self._broker = broker
        self._points = points
        self._report = report
        self._lateness = lateness
        self._shown: dict[str, Mapping[str, float | None]] = {}
        self._time = 0.0
        self._link_changed = asyncio.Event()
        self._link: LinkFault = "none"
        self.published = 0

    @property
    def period(self) -> float:
        """Time between two messages [s]: half of what the reader expects, so that none looks late."""
        periods = [point.signal.expected_period or self._broker.expected_period for point in self._points]
        return max(0.1, 0.5 * min(periods, default=self._broker.expected_period))

    def update(self, unit: str, shown: Mapping[str, float | None], time: float) -> None:
        """Take over what a unit's instruments show, and when."""
        self._shown[unit] = shown
        self._time = time

    def set_link(self, link: LinkFault) -> None:
        """Behave from now on: ``none``, ``closed`` (off the broker), ``silent``, ``late``."""
        if link != self._link:
            self._link = link
            self._link_changed.set()

    async def run(self) -> None:
        """Connect, publish every period, and connect again when the broker is lost; ends by cancellation."""
        where = f"{self._broker.host}:{self._broker.port}"
        while True:
            while self._link == "closed":
                await self._until_changed()
            try:
                async with aiomqtt.Client(
                    self._broker.host,
                    self._broker.port,
                    identifier=f"field-{self._broker.name}",
                    timeout=_ANSWER_LIMIT,
                ) as client:
                    self._report(f"publishing on {where}")
                    await self._publish_until_closed(client)
            except aiomqtt.MqttError as error:
                _stop_if_cancelled()  # saying good-bye failed while we were being stopped
                self._report(f"broker {where} lost: {error}")
                await asyncio.sleep(_RETRY)

    async def _publish_until_closed(self, client: aiomqtt.Client) -> None:
        while self._link != "closed":
            if self._link != "silent" and self._shown:
                messages = compose(self._points, self._shown, self._time)
                if self._link == "late":
                    await asyncio.sleep(self._lateness)
                for topic, payload in messages:
                    await client.publish(topic, payload, qos=1)
                    self.published += 1
                    _stop_if_cancelled()
            await self._until_changed(self.period)

    async def _until_changed(self, longest: float | None = None) -> None:
        """Wait for another link state, at most ``longest`` seconds."""
        try:
            async with asyncio.timeout(longest):
                await self._link_changed.wait()
        except TimeoutError:
            return
        self._link_changed.clear()


def _stop_if_cancelled() -> None:
    """Cancel again where a cancellation was swallowed.

    Python 3.11's ``asyncio.wait_for``, on which the MQTT library waits for its acknowledgement, drops a
    cancellation that arrives together with the answer.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError
