"""Requests and answers byte by byte, as MODBUS Application Protocol V1.1b3 prints them."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.controllers import ModbusTcp
from config.signals import ModbusSignal
from config.units import UnitContext
from daemon.fieldsim.modbus_server import answer
from daemon.fieldsim.registers import Memory, lay_out


def memory() -> Memory:
    plc = ModbusTcp(name="plc", protocol="modbus-tcp", host="x", addressing="zero-based")
    common: dict[str, Any] = {"controller": "plc", "type": "uint16"}
    signals = {
        "stroke_count": ModbusSignal(table="holding", address=108, **common),
        "controller_heartbeat": ModbusSignal(table="input", address=8, **common),
    }
    contact: dict[str, Any] = {"controller": "plc", "type": "bool"}
    names = ["burner_on", "bypass_open", "stroke_switch", "stroke_switch_return"]
    for address, name in enumerate(names):
        signals[name] = ModbusSignal(table="discrete" if address < 2 else "coil", address=address, **contact)
    memory = lay_out(plc, [("u", name, signal) for name, signal in signals.items()], UnitContext())[1]
    memory.update(
        "u", {"stroke_count": 0x022B, "controller_heartbeat": 10, "bypass_open": 1, "stroke_switch": 1}
    )
    return memory


@pytest.mark.parametrize(
    ("request_", "response"),
    [
        ("03 00 6C 00 01", "03 02 02 2B"),
        ("04 00 08 00 01", "04 02 00 0A"),  # the specification's own example of function 04
        ("02 00 00 00 02", "02 01 02"),
        ("01 00 02 00 02", "01 01 01"),
        ("03 00 00 00 01", "83 02"),
        ("03 00 6C 00 02", "83 02"),
        ("03 00 6C 00 00", "83 03"),
        ("03 00 6C 00 7E", "83 03"),
        ("01 00 02 07 D1", "81 03"),
        ("03 00 6C", "83 03"),
        ("05 00 AC FF 00", "85 01"),
        ("06 00 6C 00 03", "86 01"),
        ("0F 00 13 00 0A 02 CD 01", "8F 01"),
        ("10 00 01 00 02 04 00 0A 01 02", "90 01"),
        ("16 00 04 00 F2 00 25", "96 01"),
        ("17 00 03 00 06 00 0E 00 01 02 00 FF", "97 01"),
        ("08 00 00 A5 37", "88 01"),
        ("2B 0E 01 00", "AB 01"),
    ],
)
def test_reads_are_answered_and_everything_else_is_refused(request_: str, response: str) -> None:
    assert answer(bytes.fromhex(request_), memory()) == bytes.fromhex(response)


def test_nobody_behind_a_device_id_is_said_as_a_gateway_says_it() -> None:
    assert answer(bytes.fromhex("03 00 6C 00 01"), None) == bytes.fromhex("83 0B")


@given(st.binary(min_size=1, max_size=253))
def test_no_request_can_change_what_is_read(pdu: bytes) -> None:
    held = memory()
    response = answer(pdu, held)
    assert response[0] & 0x7F == pdu[0] & 0x7F
    if pdu[0] not in {1, 2, 3, 4}:
        assert response == bytes([pdu[0] | 0x80, 1])
    assert answer(bytes.fromhex("03 00 6C 00 01"), held) == bytes.fromhex("03 02 02 2B")
