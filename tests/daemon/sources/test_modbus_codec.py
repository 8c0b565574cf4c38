"""Registers as values: every type in every order, and nothing that is no value passes for one."""

from __future__ import annotations

import math
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.quantities import Quantity
from config.signals import ModbusSignal
from config.units import UnitContext
from daemon.model import Quality, Reading, Status
from daemon.sources.base import scaling_of
from daemon.sources.modbus_codec import ORDERS, BlockDecoder, NoValueError, decode, number
from daemon.sources.modbus_plan import plan_signals
from tests.daemon.sources.test_modbus_plan import controller
from tests.support.modbus_values import registers_of

VALUES: dict[str, st.SearchStrategy[Any]] = {
    **{f"int{bits}": st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) for bits in (16, 32, 64)},
    **{f"uint{bits}": st.integers(0, 2**bits - 1) for bits in (16, 32, 64)},
    "float32": st.floats(width=32),
    "float64": st.floats(),
    "bcd16": st.integers(0, 9999),
    "bcd32": st.integers(0, 99_999_999),
    "ascii": st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=20),
}


def signal(kind: str, address: int = 0, **settings: Any) -> ModbusSignal:
    defaults: dict[str, Any] = {"controller": "plc", "table": "holding", "quantity": Quantity.NUMBER}
    return ModbusSignal(**defaults | {"type": kind, "address": address} | settings)


def as_bytes(registers: list[int]) -> bytes:
    return struct.pack(f">{len(registers)}H", *registers)


def read_block(signals: dict[str, ModbusSignal], data: bytes, **settings: Any) -> dict[str, Reading]:
    plc = controller(**settings)
    by_key = {("u", name): one for name, one in signals.items()}
    (read,) = plan_signals(plc, by_key)
    scalings = {key: scaling_of(key[1], one, UnitContext()) for key, one in by_key.items()}
    return BlockDecoder(read, plc, scalings).decode(data, 5.0, 6.0)["u"]


@pytest.mark.parametrize("kind", VALUES)
@given(data=st.data(), order=st.sampled_from(ORDERS))
def test_what_a_device_encodes_is_what_is_decoded(kind: str, data: st.DataObject, order: Any) -> None:
    value = data.draw(VALUES[kind])
    registers = registers_of(kind, value, *order)
    one = signal(kind, **({"length": len(registers)} if kind == "ascii" else {}))
    decoded = decode(one, as_bytes(registers), *order)
    if isinstance(value, float):
        assert decoded == value or (math.isnan(value) and math.isnan(number(decoded)))
    else:
        assert decoded == value


@given(data=st.data())
def test_a_block_of_mixed_types_and_orders_decodes_each_signal_as_alone(data: st.DataObject) -> None:
    signals: dict[str, ModbusSignal] = {}
    expected: dict[str, float] = {}
    registers: list[int] = []
    kinds = data.draw(
        st.lists(st.sampled_from([kind for kind in VALUES if kind != "ascii"]), min_size=1, max_size=12)
    )
    for index, kind in enumerate(kinds):
        registers += [0x7FC0] * data.draw(st.integers(0, 3))  # a gap that must not be taken for a value
        value = data.draw(VALUES[kind].filter(math.isfinite))
        word_order, byte_order = data.draw(st.sampled_from(ORDERS))
        signals[f"s{index}"] = signal(kind, len(registers), word_order=word_order, byte_order=byte_order)
        expected[f"s{index}"] = float(value)
        registers += registers_of(kind, value, word_order, byte_order)
    first = min(one.address for one in signals.values())
    readings = read_block(signals, as_bytes(registers[first:]))
    assert {name: reading.value for name, reading in readings.items()} == expected
    assert all(reading.status is Status.GOOD for reading in readings.values())
    assert all((reading.time, reading.received) == (5.0, 6.0) for reading in readings.values())


def test_float32_in_all_four_orders_as_registers() -> None:
    # IEEE 754: 123.456 is 0x42F6E979 as a float32 (common worked value, from memory; struct agrees).
    expected = {
        ORDERS[0]: [0x42F6, 0xE979],
        ORDERS[1]: [0xE979, 0x42F6],
        ORDERS[2]: [0xF642, 0x79E9],
        ORDERS[3]: [0x79E9, 0xF642],
    }
    for order, registers in expected.items():
        assert number(decode(signal("float32"), as_bytes(registers), *order)) == pytest.approx(123.456)


def test_scale_offset_and_unit_are_applied_in_that_order() -> None:
    # 4-20 mA card: raw 0..27648 counts for 0..400 degF. 27648 counts are 400 degF = 477.594 K (by definition
    # of the Fahrenheit scale: (400 + 459.67) / 1.8).
    one = signal("uint16", unit="degF", quantity=Quantity.TEMPERATURE, scale=400.0 / 27648.0)
    reading = read_block({"reboiler_temperature": one}, as_bytes([27648]))["reboiler_temperature"]
    assert reading.value == pytest.approx((400 + 459.67) / 1.8)
    gauge = signal("int16", unit="barg", quantity=Quantity.PRESSURE, scale=0.1, offset=-1.0)
    assert read_block({"s": gauge}, as_bytes([110]))["s"].value == pytest.approx(1e6 + 101325.0)


@pytest.mark.parametrize(
    ("kind", "bad", "registers"),
    [
        ("int16", 0x8000, [0x8000]),
        ("int16", -32768, [0x8000]),
        ("uint16", 0xFFFF, [0xFFFF]),
        ("uint32", 0xFFFFFFFF, [0xFFFF, 0xFFFF]),
        ("float32", 0x7F800001, [0x7F80, 0x0001]),
        ("float32", 0xC61C3C00, [0xC61C, 0x3C00]),  # -9999.0
    ],
)
def test_a_declared_bad_value_is_bad_and_absent(kind: str, bad: int, registers: list[int]) -> None:
    reading = read_block({"s": signal(kind, bad_values=(bad,))}, as_bytes(registers))["s"]
    assert reading.value is None
    assert reading.status is Status.BAD_SENSOR_FAILURE
    assert reading.reason.startswith("the device")


@pytest.mark.parametrize("pattern", [0x7FC00000, 0x7F800000, 0xFF800000, 0xFFFFFFFF, 0x7F800001])
def test_nan_and_infinity_are_bad_without_being_declared(pattern: int) -> None:
    reading = read_block({"s": signal("float32")}, pattern.to_bytes(4, "big"))["s"]
    assert (reading.value, reading.quality) == (None, Quality.BAD)


@given(st.integers(0, 0xFFFF))
def test_bcd_digits_above_9_are_no_value(register: int) -> None:
    digits = f"{register:04X}"
    if digits.isdecimal():
        assert decode(signal("bcd16"), register.to_bytes(2, "big"), *ORDERS[0]) == int(digits)
    else:
        with pytest.raises(NoValueError, match="BCD"):
            decode(signal("bcd16"), register.to_bytes(2, "big"), *ORDERS[0])


@given(register=st.integers(0, 0xFFFF), bit=st.integers(0, 15))
def test_each_bit_of_a_register_is_a_state(register: int, bit: int) -> None:
    one = signal("bool", bit=bit, quantity=Quantity.STATE)
    inverted = signal("bool", bit=bit, quantity=Quantity.STATE, inverted=True)
    readings = read_block({"a": one, "b": inverted}, register.to_bytes(2, "big"))
    assert readings["a"].value == float(register >> bit & 1)
    assert readings["b"].value == 1.0 - float(register >> bit & 1)


@given(bits=st.lists(st.booleans(), min_size=1, max_size=40))
def test_coils_are_unpacked_least_significant_bit_first(bits: list[bool]) -> None:
    # MODBUS Application Protocol Specification V1.1b3, 6.1: the LSB of the first byte is the first coil.
    data = sum(value << index for index, value in enumerate(bits)).to_bytes((len(bits) + 7) // 8, "little")
    signals = {
        f"s{index}": signal("bool", index, table="coil", quantity=Quantity.STATE)
        for index in range(len(bits))
    }
    readings = read_block(signals, data)
    assert [readings[f"s{index}"].value for index in range(len(bits))] == [float(bit) for bit in bits]


def test_the_specification_s_own_coil_example() -> None:
    # MODBUS Application Protocol Specification V1.1b3, 6.1: coils 20-38 answered with CD 6B 05.
    signals = {f"c{n}": signal("bool", n - 1, table="coil", quantity=Quantity.STATE) for n in range(20, 39)}
    readings = read_block(signals, bytes.fromhex("CD6B05"), max_gap=0)
    states = "".join(str(int(readings[f"c{n}"].value or 0)) for n in range(20, 39))
    assert states == "10110011" + "11010110" + "101"


@pytest.mark.parametrize(
    ("text", "value"), [("12.5", 12.5), (" -3e2 ", -300.0), ("n/a", None), ("1_000", None), ("nan", None)]
)
def test_a_number_written_as_text_is_read_and_other_text_is_bad(text: str, value: float | None) -> None:
    registers = registers_of("ascii", text)
    reading = read_block({"s": signal("ascii", length=len(registers))}, as_bytes(registers))["s"]
    assert reading.value == value
    assert (reading.quality is Quality.GOOD) is (value is not None)


def test_bytes_that_are_no_ascii_are_bad() -> None:
    reading = read_block({"s": signal("ascii", length=1)}, b"\xff\xfe")["s"]
    assert "not ASCII" in reading.reason


def test_one_read_can_feed_two_units() -> None:
    plc = controller()
    signals = {("a", "x"): signal("uint16", 0), ("b", "y"): signal("uint16", 1)}
    (read,) = plan_signals(plc, signals)
    scalings = {key: scaling_of(key[1], one, UnitContext()) for key, one in signals.items()}
    readings = BlockDecoder(read, plc, scalings).decode(as_bytes([7, 8]), 0.0, 0.0)
    assert (readings["a"]["x"].value, readings["b"]["y"].value) == (7.0, 8.0)


def test_controller_orders_hold_where_the_signal_names_none() -> None:
    readings = read_block({"s": signal("float32")}, as_bytes([0xE979, 0x42F6]), word_order="low word first")
    assert readings["s"].value == pytest.approx(123.456)
