"""Words are checked against the Modbus and IEEE 754 standards, not by decoding them back."""

from __future__ import annotations

from typing import Any

import pytest

from config.controllers import Hole, ModbusTcp
from config.signals import ModbusSignal
from config.units import UnitContext
from daemon.fieldsim.registers import LayoutError, lay_out, wire_address

CONTEXT = UnitContext()


def controller(**more: object) -> ModbusTcp:
    base = {"name": "plc", "protocol": "modbus-tcp", "host": "x", "addressing": "zero-based"}
    return ModbusTcp.model_validate({**base, **more})


def signal(**more: object) -> ModbusSignal:
    base = {"controller": "plc", "table": "holding", "address": 0, "type": "float32", "unit": "K"}
    return ModbusSignal.model_validate({**base, **more})


def words(
    value: float | None,
    count: int,
    name: str = "reboiler_temperature",
    table: str = "holding",
    device: int = 1,
    settings: ModbusTcp | None = None,
    **more: Any,
) -> list[int] | None:
    memory = lay_out(settings or controller(), [("u", name, signal(table=table, **more))], CONTEXT)[device]
    memory.update("u", {name: value})
    return memory.read(table, more.get("address", 0), count)


@pytest.mark.parametrize(
    ("more", "value", "expected"),
    [
        # 123.456 as IEEE 754 single is 42F6 E979, 1.0 as double 3FF0 0000 0000 0000.
        ({}, 123.456, [0x42F6, 0xE979]),
        ({"word_order": "low word first"}, 123.456, [0xE979, 0x42F6]),
        ({"byte_order": "low byte first"}, 123.456, [0xF642, 0x79E9]),
        ({"word_order": "low word first", "byte_order": "low byte first"}, 123.456, [0x79E9, 0xF642]),
        ({"type": "float64"}, 1.0, [0x3FF0, 0, 0, 0]),
        ({"type": "int16", "scale": 0.1}, 47.2, [472]),
        ({"type": "int16", "scale": 0.1, "offset": 100.0}, 47.2, [0x10000 - 528]),
        ({"type": "int16"}, 1e9, [0x7FFF]),
        ({"type": "uint16"}, -5.0, [0]),
        ({"type": "int32"}, 65_537.0, [1, 1]),
        ({"type": "uint64", "word_order": "low word first"}, 65_537.0, [1, 1, 0, 0]),
        ({"type": "bcd16"}, 1234.0, [0x1234]),
        ({"type": "bcd32"}, 12345678.0, [0x1234, 0x5678]),
    ],
)
def test_numbers_are_laid_out_as_the_standards_say(
    more: dict[str, Any], value: float, expected: list[int]
) -> None:
    assert words(value, len(expected), **more) == expected


def test_a_value_is_converted_to_the_unit_of_the_signal() -> None:
    # 390 degF is 472.039 K; 0.1 degF steps.
    assert words(472.0389, 1, type="int16", scale=0.1, unit="degF") == [3900]


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({"type": "uint16"}, [1]),
        ({"type": "uint32"}, [1, 1]),
        ({"type": "uint32", "counter_bits": 16}, [0, 1]),
        ({"type": "int16"}, [1]),
    ],
)
def test_counters_roll_over(more: dict[str, Any], expected: list[int]) -> None:
    assert words(65_537.0, len(expected), name="stroke_count", unit="", **more) == expected
    assert words(65_535.0, 1, name="stroke_count", unit="", type="int16") == [0xFFFF]


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({}, [0x7FC0, 0]),  # the quiet NaN of IEEE 754
        ({"type": "int16"}, [0x8000]),
        ({"type": "int16", "bad_values": [0xFFFF]}, [0xFFFF]),
        ({"type": "int32"}, [0x8000, 0]),
    ],
)
def test_a_bad_value_is_sent_as_devices_send_it(more: dict[str, Any], expected: list[int]) -> None:
    more = {key: tuple(value) if isinstance(value, list) else value for key, value in more.items()}
    assert words(None, len(expected), **more) == expected


@pytest.mark.parametrize(("state", "inverted", "bit"), [(1.0, False, 1), (1.0, True, 0), (0.0, True, 1)])
def test_contacts(state: float, inverted: bool, bit: int) -> None:
    more: dict[str, Any] = {"name": "burner_on", "type": "bool", "unit": "", "inverted": inverted}
    assert words(state, 1, table="discrete", **more) == [bit]
    assert words(state, 1, bit=3, **more) == [bit << 3]


@pytest.mark.parametrize(
    ("addressing", "table", "address", "wire"),
    [
        ("zero-based", "holding", 7, 7),
        ("one-based", "holding", 7, 6),
        ("prefixed", "holding", 40_001, 0),
        ("prefixed", "holding", 400_001, 0),
        ("prefixed", "input", 30_010, 9),
        ("prefixed", "discrete", 10_001, 0),
        ("prefixed", "discrete", 100_001, 0),
        ("prefixed", "coil", 1, 0),
    ],
)
def test_addresses_are_counted_as_the_site_file_says(
    addressing: str, table: str, address: int, wire: int
) -> None:
    assert wire_address(controller(addressing=addressing), table, address) == wire


def test_spare_registers_read_as_zero_and_beyond_and_in_holes_there_is_nothing() -> None:
    settings = controller(holes=(Hole(table="holding", first=6, last=7),))
    signals = [
        ("u", "reboiler_temperature", signal(address=2)),
        ("u", "gas_rate", signal(address=10, unit="Sm3/h")),
    ]
    memory = lay_out(settings, signals, CONTEXT)[1]
    assert memory.read("holding", 4, 2) == [0, 0]
    assert memory.read("holding", 5, 2) is None
    assert memory.read("holding", 1, 2) is None
    assert memory.read("holding", 10, 3) is None
    assert memory.read("input", 0, 1) is None


def test_devices_behind_one_gateway_have_memories_of_their_own() -> None:
    signals = [
        ("u", "reboiler_temperature", signal(type="int16")),
        ("v", "reboiler_temperature", signal(type="int16", device_id=9)),
    ]
    memories = lay_out(controller(device_id=1), signals, CONTEXT)
    for memory in memories.values():
        memory.update("u", {"reboiler_temperature": 300.0})
        memory.update("v", {"reboiler_temperature": 400.0})
    assert memories[1].read("holding", 0, 1) == [300]
    assert memories[9].read("holding", 0, 1) == [400]


@pytest.mark.parametrize(
    ("name", "more", "settings", "complaint"),
    [
        ("flow_of_time", {}, {}, "has no signal"),
        ("gas_rate", {"type": "ascii", "length": 4, "unit": "Sm3/h"}, {}, "is text"),
        ("gas_rate", {"unit": "Sm3/h"}, {"addressing": "one-based"}, "not on the wire"),
        (
            "gas_rate",
            {"unit": "Sm3/h", "address": 5},
            {"holes": (Hole(table="holding", first=6, last=6),)},
            "hole",
        ),
    ],
)
def test_what_cannot_be_served_is_refused(
    name: str, more: dict[str, Any], settings: dict[str, Any], complaint: str
) -> None:
    with pytest.raises(LayoutError, match=complaint):
        lay_out(controller(**settings), [("u", name, signal(**more))], CONTEXT)
