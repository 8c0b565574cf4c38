"""Frames: nothing but reads goes out, and no reply is believed that does not fit its request."""

from __future__ import annotations

import itertools
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from daemon.sources.modbus_faults import EXCEPTION_CODES, FaultKind, ReadError
from daemon.sources.modbus_frames import (
    IdentifyRequest,
    NotAReadError,
    ReadRequest,
    RtuFraming,
    TcpFraming,
    check_read_pdu,
    crc16,
    reply_data,
)

REQUEST = ReadRequest(7, "holding", 107, 3)
# MODBUS Application Protocol Specification V1.1b3, 6.3: read holding registers 108-110.
REQUEST_PDU = bytes.fromhex("03006B0003")
REPLY_PDU = bytes.fromhex("0306022B00000064")


def allowed(pdu: bytes, *, identification: bool = False) -> bool:
    try:
        check_read_pdu(pdu, identification=identification)
    except NotAReadError:
        return False
    return True


@given(body=st.binary(max_size=252), identification=st.booleans())
@pytest.mark.parametrize("first", [range(64), range(64, 128), range(128, 192), range(192, 256)])
def test_of_all_function_codes_only_the_reads_pass(first: range, body: bytes, identification: bool) -> None:
    for code in first:
        if allowed(bytes((code,)) + body, identification=identification):
            assert code in {1, 2, 3, 4} or (code == 43 and identification and body[0] == 14)


@given(code=st.integers(0, 255), address=st.integers(0, 0xFFFF), count=st.integers(0, 0xFFFF))
def test_a_well_formed_read_passes_exactly_when_code_and_count_are_the_protocol_s(
    code: int, address: int, count: int
) -> None:
    # Limits: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4.
    limit = {1: 2000, 2: 2000, 3: 125, 4: 125}.get(code, 0)
    assert allowed(struct.pack(">BHH", code, address, count)) is (1 <= count <= limit)


@pytest.mark.parametrize("tail", [b"\0", b"\0\x06", b"\x10\0\0\0\x01\x02\0\0"])
def test_nothing_can_ride_along_behind_a_read(tail: bytes) -> None:
    assert allowed(REQUEST_PDU)
    assert not allowed(REQUEST_PDU + tail)


def test_identification_passes_only_where_the_site_file_allows_it() -> None:
    assert allowed(bytes((43, 14, 1, 0)), identification=True)
    assert not allowed(bytes((43, 14, 1, 0)), identification=False)
    assert not allowed(bytes((43, 13, 1, 0)), identification=True)  # CANopen access can write
    assert not allowed(b"")


@pytest.mark.parametrize("framing", [TcpFraming(), RtuFraming()])
@given(pdu=st.binary(max_size=10))
def test_a_framing_sends_what_the_guard_passes_and_nothing_else(
    framing: TcpFraming | RtuFraming, pdu: bytes
) -> None:
    if allowed(pdu):
        assert pdu in framing.encode(1, pdu, identification=False)
    else:
        with pytest.raises(NotAReadError, match="only reads"):
            framing.encode(1, pdu, identification=False)


def test_the_specification_s_read_example() -> None:
    data = reply_data(REQUEST, 7, REPLY_PDU)
    assert struct.unpack(">3H", data) == (555, 0, 100)


@pytest.mark.parametrize(
    ("device_id", "pdu", "reason"),
    [
        (8, REPLY_PDU, "device 8 answered a request to device 7"),
        (7, b"\x04" + REPLY_PDU[1:], "function 4"),
        (7, b"", "function -1"),
        (7, REPLY_PDU[:-2], "4 data bytes, 6 were asked for"),
        (7, REPLY_PDU + b"\0\0", "8 data bytes"),
        (7, b"\x03\x08" + REPLY_PDU[2:], "6 data bytes"),
        (7, b"\x83\x02\x00", "function 131"),
        (7, b"\x84\x02", "function 132"),
    ],
)
def test_a_reply_that_does_not_fit_is_malformed(device_id: int, pdu: bytes, reason: str) -> None:
    with pytest.raises(ReadError, match=reason) as caught:
        reply_data(REQUEST, device_id, pdu)
    assert caught.value.kind is FaultKind.MALFORMED


@given(device_id=st.integers(0, 255), pdu=st.binary(max_size=260))
def test_whatever_is_believed_fits_in_every_way(device_id: int, pdu: bytes) -> None:
    try:
        data = reply_data(REQUEST, device_id, pdu)
    except ReadError:
        return
    assert (device_id, pdu[0], pdu[1], len(data), len(pdu)) == (7, 3, 6, 6, 8)


@pytest.mark.parametrize("code", range(256))
def test_every_exception_code_is_named_and_says_what_to_do(code: int) -> None:
    with pytest.raises(ReadError) as caught:
        reply_data(REQUEST, 7, bytes((0x83, code)))
    error = caught.value
    assert (error.kind, error.exception_code) == (FaultKind.REFUSED, code)
    assert error.status.name.startswith("BAD")
    assert error.what_to_do
    assert (code in EXCEPTION_CODES) is ("does not know" not in error.reason)


def test_exception_names_are_the_specification_s() -> None:
    # MODBUS Application Protocol Specification V1.1b3, section 7.
    names = {1: "illegal function", 2: "illegal data address", 3: "illegal data value", 5: "acknowledge"}
    names |= {4: "server device failure", 6: "server device busy", 10: "gateway path unavailable"}
    for code, name in names.items():
        assert EXCEPTION_CODES[code].name == name


@given(st.binary(max_size=300))
def test_the_checksum_is_that_of_pymodbus(data: bytes) -> None:
    assert crc16(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")


def test_transaction_ids_grow_by_one_and_never_are_0() -> None:
    framing = TcpFraming(0xFFFE)
    frames = [framing.encode(1, REQUEST_PDU, identification=False) for _ in range(3)]
    assert [int.from_bytes(frame[:2], "big") for frame in frames] == [0xFFFF, 1, 2]


def tcp_bytes(*frames: tuple[int, int, bytes]) -> bytes:
    return b"".join(struct.pack(">HHHB", tid, 0, len(pdu) + 1, dev) + pdu for tid, dev, pdu in frames)


@given(
    frames=st.lists(
        st.tuples(st.integers(0, 0xFFFF), st.integers(0, 255), st.binary(min_size=1, max_size=253)),
        max_size=5,
    ),
    cuts=st.lists(st.integers(0, 1400), max_size=8),
)
def test_a_tcp_stream_gives_the_same_frames_however_it_is_cut(
    frames: list[tuple[int, int, bytes]], cuts: list[int]
) -> None:
    stream = tcp_bytes(*frames)
    edges = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    framing = TcpFraming()
    got = [
        tuple(reply) for start, end in itertools.pairwise(edges) for reply in framing.feed(stream[start:end])
    ]
    assert got == frames


@pytest.mark.parametrize("header", ["0001 1234 0006 01", "0001 0000 0000 01", "0001 0000 0100 01"])
def test_a_stream_that_is_not_modbus_tcp_is_given_up(header: str) -> None:
    with pytest.raises(ReadError, match="not Modbus TCP"):
        TcpFraming().feed(bytes.fromhex(header) + b"\x03\x00")


def rtu_bytes(device_id: int, pdu: bytes) -> bytes:
    body = bytes((device_id,)) + pdu
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


@pytest.mark.parametrize(
    "noise", [b"", b"\0", b"\xff\x00", rtu_bytes(9, REPLY_PDU), rtu_bytes(7, b"\x04\x02\0\1")]
)
@pytest.mark.parametrize("echo", [False, True])
def test_an_rtu_reply_is_found_behind_noise_an_echo_and_another_device_s_answer(
    noise: bytes, echo: bool
) -> None:
    framing = RtuFraming()
    sent = framing.encode(7, REQUEST_PDU, identification=False)
    line = (sent if echo else b"") + noise + rtu_bytes(7, REPLY_PDU)
    replies = [framing.feed(line[index : index + 1], REQUEST) for index in range(len(line))]
    assert replies == [None] * (len(line) - 1) + [REPLY_PDU]


def test_an_rtu_exception_is_found() -> None:
    framing = RtuFraming()
    framing.encode(7, REQUEST_PDU, identification=False)
    assert framing.feed(rtu_bytes(7, b"\x83\x0b"), REQUEST) == b"\x83\x0b"


@given(flip=st.integers(0, 8 * 11 - 1))
def test_no_rtu_reply_with_a_flipped_bit_is_believed(flip: int) -> None:
    frame = bytearray(rtu_bytes(7, REPLY_PDU))
    frame[flip // 8 % len(frame)] ^= 1 << flip % 8
    framing = RtuFraming()
    framing.encode(7, REQUEST_PDU, identification=False)
    assert framing.feed(bytes(frame), REQUEST) is None


def test_a_new_rtu_request_forgets_what_arrived_before() -> None:
    framing = RtuFraming()
    framing.encode(7, REQUEST_PDU, identification=False)
    framing.feed(rtu_bytes(7, REPLY_PDU)[:-1], REQUEST)
    assert framing.received
    framing.encode(7, REQUEST_PDU, identification=False)
    assert framing.received == 0


@given(cut=st.integers(0, 40))
def test_an_identification_reply_tells_its_own_length(cut: int) -> None:
    # MODBUS Application Protocol Specification V1.1b3, 6.21: header, then id, length and text per object.
    objects = b"".join(
        bytes((number, len(text))) + text for number, text in enumerate([b"abc", b"d", b"1.0"])
    )
    pdu = bytes((43, 14, 1, 1, 0, 0, 3)) + objects
    size = IdentifyRequest(1).reply_size(pdu[:cut])
    assert size is None or size == len(pdu)
    assert IdentifyRequest(1).reply_size(pdu) == len(pdu)
