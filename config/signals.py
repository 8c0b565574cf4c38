"""Signals: where each measured value comes from and what it means."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag

from config.base import Name, StrictModel
from config.fields import Duration
from config.quantities import SIGNAL_KINDS, WITHOUT_UNIT, Quantity
from config.units import Conversion, UnitContext, conversion

ModbusType = Literal[
    "bool",
    "int16",
    "uint16",
    "int32",
    "uint32",
    "int64",
    "uint64",
    "float32",
    "float64",
    "bcd16",
    "bcd32",
    "ascii",
]


_WHOLE_NUMBER_TYPES = ("int", "uint", "bcd")
GROSS_MARGIN = 0.025
"""The gross range is the range widened by this share of its span (3.6 to 20.4 mA of a 4-20 mA loop)."""


class SignalChecks(StrictModel):
    """Thresholds of the signal checks, in the signal's own unit; each has a default made from the range."""

    gross_range: tuple[float, float] | None = None
    """Outside it the value is bad; default: the range widened by 2.5 % of its span."""
    rate_of_change: Annotated[float, Field(gt=0)] | None = None
    """Largest credible change a second; absent means not checked."""
    spike: Annotated[float, Field(gt=0)] | None = None
    """Size of a one-sample jump and return that is called a spike; default: 10 % of the span."""
    flat_line: Duration | None = None
    """How long a value of a running unit may stay the same to the last digit; absent means not checked."""


class SignalBase(StrictModel):
    """What all signals have in common."""

    controller: Name
    """Controller or broker that it comes from."""
    unit: str = ""
    """Unit of the value after scale and offset: degF, psig, MMscfd, /min; not for states and counts."""
    scale: float = 1.0
    """Value in ``unit`` = raw value x scale + offset."""
    offset: float = 0.0
    """See ``scale``."""
    range: tuple[float, float] | None = None
    """Credible values in ``unit``; outside it the value is uncertain, outside the gross range bad."""
    resolution: Annotated[float, Field(gt=0)] | None = None
    """Smallest step of the value in ``unit``; default: ``scale`` for whole-number types."""
    uncertainty: Annotated[float, Field(gt=0)] | None = None
    """Standard uncertainty of the instrument in ``unit``; default: a share of the range by kind of signal."""
    storage_deadband: Annotated[float, Field(gt=0)] | None = None
    """How far, in ``unit``, archived scans may be from what was measured; absent: not at all."""
    scan_class: Literal["fast", "slow"] = "fast"
    """Fast signals are read every scan period of the controller, slow ones every slow scan period."""
    quantity: Quantity | None = None
    """Only for signals of your own: what kind of quantity it is."""
    description: str = ""
    """Only for display."""
    inverted: bool = False
    """For states: a raw 0 means true."""
    counter_bits: Literal[16, 32] | None = None
    """For stroke counters: width at which the counter rolls over; default: the width of its type."""
    checks: SignalChecks = SignalChecks()
    """Thresholds of the signal checks."""


class ModbusSignal(SignalBase):
    """A value in a Modbus controller."""

    table: Literal["holding", "input", "coil", "discrete"]
    """Which of the four Modbus tables: function code 3, 4, 1 or 2."""
    address: Annotated[int, Field(ge=0)]
    """Address as the controller's ``addressing`` says."""
    type: ModbusType
    """How the registers are read; ``bool`` for coils and discrete inputs."""
    device_id: Annotated[int, Field(ge=0, le=255)] | None = None
    """Another device behind the same gateway."""
    word_order: Literal["high word first", "low word first"] | None = None
    """Default: the controller's."""
    byte_order: Literal["high byte first", "low byte first"] | None = None
    """Default: the controller's."""
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    """For a state packed into a register: its bit, 0 is the least significant."""
    length: Annotated[int, Field(ge=1, le=64)] | None = None
    """For ``ascii``: number of registers."""
    bad_values: tuple[int, ...] = ()
    """Raw register values by which the device says that it has no value, for example 0x8000."""


class MqttSignal(SignalBase):
    """A value in messages on an MQTT topic."""

    topic: str
    """Topic; may hold the wildcards ``+`` and ``#`` when the payload names the signal by its path."""
    payload: Literal["number", "json", "csv"] = "number"
    """How the payload is read."""
    path: str | None = None
    """For JSON: the way, as ``values.reboiler`` or ``points[0].v``; for CSV: the column number."""
    time_path: str | None = None
    """For JSON and CSV: where the source's time stamp is; absent means time of receipt."""
    time_format: Literal["epoch s", "epoch ms", "ISO 8601"] = "ISO 8601"
    """How the time stamp is written."""
    expected_period: Duration | None = None
    """Time between two messages; default: the broker's."""


class SparkplugSignal(SignalBase):
    """A metric of a Sparkplug B edge node or of a device behind it."""

    edge_node: str
    """Edge node id."""
    device: str | None = None
    """Device id; absent means that the metric belongs to the edge node itself."""
    metric: str
    """Name of the metric as its birth message gives it."""


def _signal_source(value: object) -> str:
    keys = value if isinstance(value, dict) else getattr(value, "__dict__", {})
    if "topic" in keys:
        return "mqtt"
    if "metric" in keys:
        return "sparkplug-b"
    return "modbus"


Signal = Annotated[
    Annotated[ModbusSignal, Tag("modbus")]
    | Annotated[MqttSignal, Tag("mqtt")]
    | Annotated[SparkplugSignal, Tag("sparkplug-b")],
    Discriminator(_signal_source),
]


def step_of(signal: SignalBase) -> float | None:
    """Return the smallest step of a signal's value, in its unit; ``None`` where it has none that is known."""
    if signal.resolution is not None:
        return signal.resolution
    if isinstance(signal, ModbusSignal) and signal.type.startswith(_WHOLE_NUMBER_TYPES):
        return abs(signal.scale)
    return None


def quantity_of(name: str, signal: SignalBase) -> Quantity:
    """Return what kind of quantity a signal is.

    Raises
    ------
    ValueError
        The calculation does not know the name and the site file does not say.
    """
    if signal.quantity is not None:
        return signal.quantity
    if name in SIGNAL_KINDS:
        return SIGNAL_KINDS[name].quantity
    raise ValueError(
        f'signal "{name}" is none that the calculation knows, so it needs a "quantity", '
        'for example quantity = "temperature"'
    )


def conversion_of(name: str, signal: SignalBase, context: UnitContext) -> Conversion:
    """Return how a signal's value, after scale and offset, becomes SI; what has no unit stays as it is.

    Raises
    ------
    ValueError
        No quantity, or (as ``config.units.UnitError``) a unit that does not fit it.
    """
    quantity = quantity_of(name, signal)
    if not signal.unit and quantity in WITHOUT_UNIT:
        return Conversion(1.0)
    return conversion(signal.unit, quantity, context)


def range_of(name: str, signal: SignalBase, context: UnitContext) -> tuple[float, float] | None:
    """Return the lowest and the highest credible value [SI]; ``None`` where the site gives no range."""
    return None if signal.range is None else _in_si(signal.range, conversion_of(name, signal, context))


def gross_range_of(name: str, signal: SignalBase, context: UnitContext) -> tuple[float, float] | None:
    """Return the values [SI] outside which a reading is bad; ``None`` where the site gives no range."""
    if signal.checks.gross_range is not None:
        return _in_si(signal.checks.gross_range, conversion_of(name, signal, context))
    span = range_of(name, signal, context)
    if span is None:
        return None
    margin = GROSS_MARGIN * (span[1] - span[0])
    return span[0] - margin, span[1] + margin


def _in_si(limits: tuple[float, float], convert: Conversion) -> tuple[float, float]:
    low, high = sorted((convert.to_si(limits[0]), convert.to_si(limits[1])))
    return low, high
