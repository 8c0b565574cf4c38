"""The time-series sink against a server that refuses, stalls, limits, and takes all but some points."""

from __future__ import annotations

import asyncio
import contextlib
import re
import stat
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from config.sinks import InfluxSink as InfluxSettings
from config.units import UnitContext, display_units
from daemon.model import Entry
from daemon.sinks.base import DeliveryFailed, route_test
from daemon.sinks.documents import Wording
from daemon.sinks.influx import MOST_REFUSED_SERIES, InfluxSink, Refused, judge
from daemon.sinks.line_protocol import Encoder
from daemon.sinks.runner import SinkRunner
from tests.support.clocks import FakeClock
from tests.support.influx_server import InfluxServer, influx_server, parse_line
from tests.support.journals import MemoryJournal, alarm, event, scan

WORDING = Wording("north", display_units("us", UnitContext()), {})


@dataclass
class Rig:
    server: InfluxServer
    sink: InfluxSink
    clock: FakeClock
    folder: Path
    notes: list[tuple[str, str, dict[str, Any]]] = field(default_factory=list)

    @property
    def quarantine(self) -> Path:
        return self.folder / "quarantine.lp"

    def quarantined(self) -> list[str]:
        text = self.quarantine.read_text() if self.quarantine.exists() else ""
        return [line for line in text.splitlines() if not line.startswith("#")]


@contextlib.asynccontextmanager
async def rig(folder: Path, **changes: object) -> AsyncIterator[Rig]:
    token = folder / "token"
    token.write_text("t0ken\n")
    token.chmod(0o600)
    async with influx_server() as server:
        settings = InfluxSettings.model_validate(
            {
                "kind": "influx", "name": "history", "url": f"http://127.0.0.1:{server.port}", "org": "gas",
                "bucket": "teg", "token_file": str(token), "timeout": "5 s", **changes,
            }
        )  # fmt: skip
        clock = FakeClock()
        made = Rig(server, None, clock, folder)  # type: ignore[arg-type]  # set in the next line
        made.sink = InfluxSink(
            settings, WORDING, clock, made.quarantine,
            lambda kind, message, **data: made.notes.append((kind, message, data)),
        )  # fmt: skip
        try:
            yield made
        finally:
            await made.sink.close()


def points(*entries: Entry) -> set[tuple[str, int]]:
    lines = [line for entry in entries for line in Encoder(WORDING, "tegwatch").lines(entry)]
    return {(series, time) for series, _, time in map(parse_line, lines)}


async def test_everything_arrives_once_however_often_it_is_sent(tmp_path: Path) -> None:
    entries = [scan(1), alarm(2), event(3), scan(4)]
    async with rig(tmp_path) as one:
        await one.sink.deliver(entries)
        first = {key: dict(fields) for key, fields in one.server.points.items()}
        await one.sink.deliver(entries)
        assert one.server.points == first
        assert set(first) == points(*entries)
        assert one.server.requests == 2
        assert not one.notes


async def test_a_request_holds_no_more_points_than_asked(tmp_path: Path) -> None:
    async with rig(tmp_path, batch_lines=3) as one:
        await one.sink.deliver([scan(1), scan(2)])
        assert one.server.requests == 4
        assert set(one.server.points) == points(scan(1), scan(2))


@pytest.mark.parametrize(
    ("status", "retryable", "words"),
    [
        (401, False, "token is not accepted"),
        (403, False, "token is not accepted"),
        (404, False, "no such organization or bucket"),
        (307, False, "redirect"),
        (429, True, "429"),
        (500, True, "500"),
        (503, True, "503"),
    ],
)
async def test_refusals_are_told_from_outages(
    tmp_path: Path, status: int, retryable: bool, words: str
) -> None:
    async with rig(tmp_path) as one:
        one.server.answers = [(status, {"Location": "http://127.0.0.1:1/"})]
        with pytest.raises(DeliveryFailed, match=words) as caught:
            await one.sink.deliver([scan(1)])
        assert caught.value.retryable is retryable
        assert caught.value.delivered == 0
        assert not one.quarantined()
        await one.sink.deliver([scan(1)])
        assert set(one.server.points) == points(scan(1))


async def test_the_servers_wish_to_wait_is_passed_on(tmp_path: Path) -> None:
    async with rig(tmp_path) as one:
        one.server.answers = [(429, {"Retry-After": "17"}), (503, {"Retry-After": "4"})]
        for wish in (17.0, 4.0):
            with pytest.raises(DeliveryFailed) as caught:
                await one.sink.deliver([scan(1)])
            assert caught.value.retry_after == wish


async def test_wrong_token_bucket_and_org_are_named(tmp_path: Path) -> None:
    async with rig(tmp_path, bucket="attic") as one:
        with pytest.raises(DeliveryFailed, match='bucket "attic" not found'):
            await one.sink.deliver([scan(1)])
        one.server.token = "another"
        with pytest.raises(DeliveryFailed, match="unauthorized access"):
            await one.sink.deliver([scan(1)])


async def test_no_server_is_an_outage(tmp_path: Path) -> None:
    async with rig(tmp_path, url="http://127.0.0.1:9") as one:
        with pytest.raises(DeliveryFailed) as caught:
            await one.sink.deliver([scan(1)])
        assert caught.value.retryable


async def test_a_new_token_needs_no_restart(tmp_path: Path) -> None:
    async with rig(tmp_path) as one:
        one.server.token = "newer"
        with pytest.raises(DeliveryFailed):
            await one.sink.deliver([scan(1)])
        (tmp_path / "token").write_text("newer\n")
        await one.sink.deliver([scan(1)])
        assert one.server.points


async def test_a_token_that_others_may_read_is_not_used(tmp_path: Path) -> None:
    async with rig(tmp_path) as one:
        (tmp_path / "token").chmod(0o644)
        with pytest.raises(DeliveryFailed, match="token"):
            await one.sink.deliver([scan(1)])
        assert one.server.requests == 0


async def test_poison_is_found_set_apart_and_told(tmp_path: Path) -> None:
    entries = [scan(number) for number in range(1, 41)]
    async with rig(tmp_path) as one:
        one.server.refuse = re.compile(r"name=gas_rate,.* 1700000017000000000$")
        await one.sink.deliver(entries)
        poison = one.quarantined()
        assert [parse_line(line)[2] for line in poison] == [1_700_000_017_000_000_000]
        everything = points(*entries)
        missing = everything - set(one.server.points)
        assert missing == {(parse_line(poison[0])[0], parse_line(poison[0])[2])}
        assert one.server.requests < 25
        text = one.quarantine.read_text()
        assert text.startswith("# 20")
        assert "field type conflict" in text
        assert stat.S_IMODE(one.quarantine.stat().st_mode) == 0o600
        [(kind, message, data)] = one.notes
        assert (kind, data) == ("points quarantined", {"sink": "history", "points": 1})
        assert str(one.quarantine) in message


async def test_a_series_known_to_be_refused_costs_two_requests_a_batch(tmp_path: Path) -> None:
    async with rig(tmp_path) as one:
        one.server.refuse = re.compile(r"name=gas_rate,")
        await one.sink.deliver([scan(number) for number in range(1, 21)])
        before = one.server.requests
        await one.sink.deliver([scan(number) for number in range(21, 41)])
        assert one.server.requests == before + 2
        assert len(one.quarantined()) == 40
        assert len(one.notes) == 1
        one.clock.advance(3601.0)
        one.server.refuse = re.compile(r"(?!)")
        await one.sink.deliver([scan(41)])
        assert one.notes[1][2] == {"sink": "history", "points": 20}
        assert points(scan(41)) <= set(one.server.points)
        assert len(one.quarantined()) == 40


async def test_when_everything_is_refused_nothing_is_set_apart(tmp_path: Path) -> None:
    entries = [alarm(number, name=f"alarm_{number}") for number in range(MOST_REFUSED_SERIES + 5)]
    async with rig(tmp_path) as one:
        one.server.refuse = re.compile("")
        with pytest.raises(DeliveryFailed, match="nothing was set apart") as caught:
            await one.sink.deliver(entries)
        assert not caught.value.retryable
        assert not one.quarantined()


async def test_a_batch_that_is_too_large_is_halved(tmp_path: Path) -> None:
    entries = [scan(number) for number in range(1, 41)]
    async with rig(tmp_path) as one:
        one.server.largest = 2000
        await one.sink.deliver(entries)
        assert set(one.server.points) == points(*entries)
        assert not one.quarantined()
        one.server.largest = 50
        await one.sink.deliver([alarm(50)])
        assert len(one.quarantined()) == 1


async def test_what_was_written_before_an_outage_does_not_come_again(tmp_path: Path) -> None:
    async with rig(tmp_path, batch_lines=4) as one:
        one.server.answers = [(204, {}), (204, {}), (503, {})]
        with pytest.raises(DeliveryFailed) as caught:
            await one.sink.deliver([scan(number) for number in range(1, 6)])
        assert caught.value.delivered == 2


async def test_a_full_quarantine_stops_the_sink_loudly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.sinks.influx.QUARANTINE_BYTES", 10)
    async with rig(tmp_path) as one:
        one.server.refuse = re.compile("name=gas_rate")
        with pytest.raises(DeliveryFailed, match="full of points"):
            await one.sink.deliver([scan(1)])


async def test_a_route_test_reaches_the_bucket(tmp_path: Path) -> None:
    async with rig(tmp_path) as one:
        await one.sink.deliver([route_test("north", 1_700_000_000.0)])
        [(series, _)] = one.server.points
        assert series == r"tegwatch_event,kind=route\ test,site=north"


async def test_after_an_outage_the_runner_delivers_all_in_order(tmp_path: Path) -> None:
    entries = [scan(number) for number in range(1, 1001)]
    pauses: list[float] = []

    async def no_pause(seconds: float) -> None:
        pauses.append(seconds)

    async with rig(tmp_path) as one:
        one.server.answers = [(503, {}), (503, {}), (401, {})]
        journal = MemoryJournal(*entries)
        runner = SinkRunner(one.sink, journal, one.clock, sleep=no_pause, spread=lambda: 0.0)
        task = asyncio.create_task(runner.run())
        await runner.caught_up(1000)
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        assert pauses == [1.0, 2.0, 60.0]
        assert set(one.server.points) == points(*entries)
        assert journal.cursors["history"] == 1000


def test_answers_are_judged_by_what_can_be_done() -> None:
    assert isinstance(judge(400, "x", None), Refused)
    too_large = judge(413, "", None)
    assert isinstance(too_large, Refused)
    assert too_large.too_large
    outage = judge(418, "teapot", None)
    assert isinstance(outage, DeliveryFailed)
    assert not outage.retryable
