"""The planner: every signal in exactly one read, within every limit, over no hole."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.controllers import Hole, ModbusRtuOverTcp, ModbusSerial, ModbusTcp
from config.modbus_map import REGISTERS, PlacementError, holes_on_wire, shared_lines, wire_address
from config.signals import ModbusSignal
from daemon.sources.modbus_plan import place, plan_reads, plan_signals


def controller(**settings: Any) -> ModbusTcp:
    return ModbusTcp(
        **{"protocol": "modbus-tcp", "name": "plc", "host": "h", "addressing": "zero-based"} | settings
    )


def signal(address: int, kind: str = "uint16", table: str = "holding", **settings: Any) -> ModbusSignal:
    return ModbusSignal(controller="plc", table=table, address=address, type=kind, **settings)  # type: ignore[arg-type] # literals, checked by the model


@st.composite
def _plans(draw: st.DrawFn) -> tuple[ModbusTcp, dict[tuple[str, str], ModbusSignal]]:
    holes = tuple(
        Hole.model_validate({"table": table, "first": first, "last": first + length})
        for table, first, length in draw(
            st.lists(
                st.tuples(st.sampled_from(["holding", "coil"]), st.integers(0, 300), st.integers(0, 5)),
                max_size=4,
            )
        )
    )
    plc = controller(
        max_registers_per_request=draw(st.integers(4, 125)),
        max_bits_per_request=draw(st.integers(1, 2000)),
        max_gap=draw(st.integers(0, 124)),
        holes=holes,
    )
    signals = {}
    for number in range(draw(st.integers(0, 40))):
        scan_class = draw(st.sampled_from(["fast", "slow"]))
        device_id = draw(st.sampled_from([None, 2, 3]))
        if draw(st.booleans()):
            kind = draw(st.sampled_from(sorted(REGISTERS)))
            one = signal(draw(st.integers(0, 300)), kind, scan_class=scan_class, device_id=device_id)
        else:
            one = signal(
                draw(st.integers(0, 300)), "bool", "coil", scan_class=scan_class, device_id=device_id
            )
        try:
            place(plc, "u", f"s{number}", one)
        except PlacementError:
            continue  # it lies in a hole
        signals["u", f"s{number}"] = one
    return plc, signals


@given(_plans())
def test_every_signal_is_in_exactly_one_read_and_no_read_breaks_a_limit_or_touches_a_hole(
    case: tuple[ModbusTcp, dict[tuple[str, str], ModbusSignal]],
) -> None:
    plc, signals = case
    reads = plan_signals(plc, signals)
    planned = [(point.unit, point.signal) for read in reads for point in read.points]
    assert sorted(planned) == sorted(signals)
    for read in reads:
        request = read.request
        limit = plc.max_registers_per_request if request.table == "holding" else plc.max_bits_per_request
        assert 1 <= request.count <= limit
        for hole in holes_on_wire(plc, request.table):
            assert not set(hole) & set(range(request.address, request.address + request.count))
        for point in read.points:
            assert request.address <= point.address
            assert point.end <= request.address + request.count
            assert (point.device_id, point.table) == (request.device_id, request.table)
            assert point.scan_class == read.scan_class
        covered = sorted((point.address, point.end) for point in read.points)
        reached = covered[0][1]
        for start, end in covered:
            assert start - reached <= plc.max_gap
            reached = max(reached, end)
        assert reached == request.address + request.count


@given(_plans())
def test_halves_hold_the_same_points_and_stay_inside_the_whole(
    case: tuple[ModbusTcp, dict[tuple[str, str], ModbusSignal]],
) -> None:
    for read in plan_signals(*case):
        halves = read.halves()
        assert tuple(point for half in halves for point in half.points) == read.points
        for half in halves:
            assert half.request.address >= read.request.address
            end = read.request.address + read.request.count
            assert half.request.address + half.request.count <= end


def test_neighbours_become_one_request_and_a_wide_gap_two() -> None:
    plc = controller(max_gap=8)
    points = [place(plc, "u", f"s{address}", signal(address)) for address in (0, 1, 10, 20)]
    reads = plan_reads(plc, points)
    assert [(read.request.address, read.request.count) for read in reads] == [(0, 11), (20, 1)]


def test_60_neighbouring_registers_are_one_request() -> None:
    signals = {("u", f"s{n}"): signal(n) for n in range(60)}
    (read,) = plan_signals(controller(), signals)
    assert (read.request.function_code, read.request.address, read.request.count) == (3, 0, 60)


@pytest.mark.parametrize(
    ("addressing", "table", "address", "wire"),
    [
        ("zero-based", "holding", 0, 0),
        ("one-based", "holding", 1, 0),
        # MODBUS Application Protocol Specification V1.1b3, section 4.3: the first data element is number 1
        # and is addressed 0 in the PDU. The prefixes are common practice, no source.
        ("prefixed", "holding", 40001, 0),
        ("prefixed", "holding", 49999, 9998),
        ("prefixed", "holding", 400001, 0),
        ("prefixed", "holding", 465536, 65535),
        ("prefixed", "input", 30001, 0),
        ("prefixed", "input", 365536, 65535),
        ("prefixed", "discrete", 10001, 0),
        ("prefixed", "discrete", 100001, 0),
        ("prefixed", "coil", 1, 0),
        ("prefixed", "coil", 9999, 9998),
    ],
)
def test_addresses_become_wire_addresses(addressing: str, table: Any, address: int, wire: int) -> None:
    assert wire_address(addressing, table, address) == wire


@pytest.mark.parametrize(
    ("addressing", "table", "address", "message"),
    [
        ("one-based", "holding", 0, "no one-based address"),
        ("zero-based", "holding", 65536, "no zero-based address"),
        ("prefixed", "holding", 30001, 'into the table "input", not "holding"'),
        ("prefixed", "input", 40001, 'into the table "holding", not "input"'),
        ("prefixed", "holding", 50001, "use 40001 to 49999 or 400001 to 465536"),
        ("prefixed", "holding", 465537, "use 40001"),
        ("prefixed", "coil", 10001, 'into the table "discrete", not "coil"'),
        ("prefixed", "coil", 65000, "coils above 9999"),
    ],
)
def test_an_address_that_cannot_be_meant_is_refused(
    addressing: str, table: Any, address: int, message: str
) -> None:
    with pytest.raises(PlacementError, match=message) as caught:
        wire_address(addressing, table, address)
    assert caught.value.key == "address"


@pytest.mark.parametrize(
    ("one", "key", "message"),
    [
        (signal(0, "uint16", "coil"), "type", "is one bit"),
        (signal(0, "bool", "coil", bit=3), "type", "without a bit"),
        (signal(0, "bool"), "bit", "bit and bool belong together"),
        (signal(0, "float32", bit=3), "bit", "bit and bool belong together"),
        (signal(0, "ascii"), "length", "length and ascii belong together"),
        (signal(0, "uint16", length=3), "length", "with ascii only"),
        (signal(65535, "uint32"), "address", "run over the end"),
        (signal(11, "uint32"), "address", "lies in a hole"),
        (signal(0, "ascii", length=60), "length", "60 registers do not fit into one read of 50"),
    ],
)
def test_a_signal_that_cannot_be_read_is_refused_with_its_key(
    one: ModbusSignal, key: str, message: str
) -> None:
    plc = controller(max_registers_per_request=50, holes=(Hole(table="holding", first=12, last=13),))
    with pytest.raises(PlacementError, match=message) as caught:
        place(plc, "u", "s", one)
    assert caught.value.key == key


def test_a_serial_device_id_that_cannot_exist_is_refused() -> None:
    plc = ModbusRtuOverTcp(
        protocol="modbus-rtu-over-tcp",
        name="plc",
        host="h",
        port=4001,
        addressing="zero-based",
        device_id=248,
    )
    with pytest.raises(PlacementError, match="1 to 247"):
        place(plc, "u", "s", signal(0))


def test_all_signals_that_cannot_be_placed_are_named_at_once() -> None:
    with pytest.raises(ExceptionGroup) as caught:
        plan_signals(controller(), {("u", "a"): signal(0, "bool"), ("u", "b"): signal(0, "ascii")})
    assert [str(error) for error in caught.value.exceptions] == [
        (
            "units.u.signals.a.bit: bit and bool belong together. "
            'Fix: a state in a register has type = "bool" and bit = 0 to 15'
        ),
        (
            "units.u.signals.b.length: length and ascii belong together. "
            "Fix: give length = number of registers, with ascii only"
        ),
    ]


def test_a_hole_that_ends_before_it_begins_is_refused() -> None:
    plc = controller(holes=(Hole(table="coil", first=9, last=8),))
    with pytest.raises(PlacementError, match="ends before it begins"):
        place(plc, "u", "s", signal(0))


def test_two_controllers_on_one_serial_line_are_refused() -> None:
    lines = [
        ModbusSerial(protocol="modbus-rtu", name=name, device="/dev/ttyS0", addressing="zero-based")
        for name in ("a", "b")
    ]
    assert list(shared_lines(lines)) == [(1, "/dev/ttyS0")]
    assert list(shared_lines(lines[:1])) == []
