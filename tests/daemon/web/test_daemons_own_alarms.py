"""The daemon's watch over itself, through the API and the journal."""

from __future__ import annotations

import dataclasses
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.box import clock_synchronised, free_share
from daemon.journal.queries import History
from daemon.model import AlarmTransition, Event, OperatingState, Outcome
from daemon.self_watch import SelfWatch, Watched
from daemon.web.api import WebParts, local_api
from tests.support.web_kit import Rig, web_rig


@dataclass
class Own:
    rig: Rig
    watch: SelfWatch

    def look(self, seconds: float = 1.0) -> Outcome:
        self.rig.clock.advance(seconds)
        daemon = self.rig.daemon
        return self.watch.look(Watched(daemon.fleet, daemon.sinks, daemon.writer, daemon.tasks))


@pytest.fixture
async def own(tmp_path: Path) -> AsyncIterator[Own]:
    async with web_rig(tmp_path) as rig:
        watch = SelfWatch(rig.daemon.site, rig.daemon.writer, rig.clock, rig.daemon.journal)
        rig.daemon = dataclasses.replace(rig.daemon, own=watch)
        rig.parts = WebParts(rig.daemon)
        rig.scan()
        yield Own(rig, watch)
        rig.parts.close()


def raised(outcome: Outcome) -> list[str]:
    return [step.alarm for step in outcome.alarms]


async def test_a_unit_that_cannot_be_evaluated_is_an_alarm_in_list_and_journal(own: Own) -> None:
    assert raised(own.look()) == []
    own.rig.scanner.figures.failing = "ZeroDivisionError: division by zero"
    own.look()
    assert raised(own.look(5.0)) == ["evaluation_failing.unit-1"]
    async with own.rig.client(api=local_api(own.rig.parts)) as client:
        (shown,) = (await client.get("/v1/alarms")).json()
        assert (shown["unit"], shown["alarm"], shown["priority"]) == (
            "daemon", "evaluation_failing.unit-1", "high",
        )  # fmt: skip
        assert shown["message"] == "Unit not watched: unit-1: ZeroDivisionError: division by zero"
        one = await client.get("/v1/alarms/daemon/evaluation_failing.unit-1")
        assert one.json()["response"].startswith("Watch the unit on its own panel")
        answer = await client.post(
            "/v1/alarms/daemon/evaluation_failing.unit-1/acknowledge",
            json={"actor": "Ada", "occurrence": shown["occurrence"]},
        )
        assert answer.json()["transitions"][0]["state"] == "ACKED"
    own.rig.scanner.figures.failing = ""
    for _ in range(6):
        own.rig.scan()
        own.look()
    now = own.rig.clock.wall()
    end = Event("", "end of the test", now, "")
    await own.rig.daemon.writer.committed(
        Outcome("", 0, now, 0.0, OperatingState.UNKNOWN, {}, {}, events=(end,))
    )
    with History(own.rig.daemon.journal) as history:
        entries = [entry.body for entry in history.records(0.0, 1e11)]
    steps = [one for one in entries if isinstance(one, AlarmTransition) and one.unit == "daemon"]
    assert [step.state.value for step in steps] == ["UNACK", "ACKED", "NORM"]


async def test_a_unit_that_is_not_scanned_any_more_is_told(own: Own) -> None:
    own.look()
    own.look(12.0)
    assert raised(own.look(6.0)) == ["evaluation_failing.unit-1"]
    assert own.watch.alarm_state("evaluation_failing.unit-1") == "UNACK"
    assert own.watch.alarm_state("no such alarm") is None


async def test_a_restarted_task_is_told_with_its_reason(own: Own) -> None:
    own.look()
    task = own.rig.daemon.tasks["source plc"]
    task.restarts, task.last_failure = 2, "OSError: no route"
    (step,) = own.look().alarms
    assert step.message.endswith("source plc was restarted 2 times: OSError: no route")


async def test_another_configuration_keeps_what_stands(own: Own) -> None:
    own.look()
    own.rig.daemon.tasks["source plc"].restarts = 1
    own.look()
    own.watch.reconfigure(own.rig.daemon.site)
    assert own.watch.alarm_state("task_restarted") is not None
    own.look()
    assert own.watch.alarm_state("task_restarted") == "UNACK"


async def test_the_daemons_alarms_do_not_show_where_there_are_none_of_its_own(rig: Rig) -> None:
    rig.scan()
    async with rig.client(api=rig.local) as client:
        answer = await client.get("/v1/alarms/daemon/disk_low")
        assert answer.status_code == 404


def test_the_box_answers_or_says_that_it_cannot(tmp_path: Path) -> None:
    share = free_share(tmp_path)
    assert share is not None
    assert 0.0 < share < 1.0
    assert free_share(tmp_path / "missing") is None
    assert clock_synchronised() in {True, False, None}
