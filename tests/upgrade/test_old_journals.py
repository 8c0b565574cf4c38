"""A journal and a site file of every earlier version go on in this one: nothing lost, no alarm forgotten.

``tests/data/journals/README.md`` says how the old files came to be. What is expected was read by the program
that wrote them.
"""

from __future__ import annotations

import json
import lzma
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from config.alarm_set import resolve_alarms
from config.loader import load_site
from daemon.journal import schema
from daemon.journal.errors import JournalUnusable
from daemon.journal.journal import Journal
from daemon.journal.schema import MIGRATIONS, connect_reader
from daemon.model import Entry, EntryKind, Scan, ScanRecord
from daemon.monitor.unit_monitor import UnitMonitor
from daemon.sources.board import Board
from daemon.times import rfc3339
from tests.support.clocks import FakeClock
from tests.support.daemon_process import run_command, running_daemon

DATA = Path(__file__).parents[1] / "data" / "journals"
OLD = sorted(path.name for path in DATA.iterdir() if path.is_dir())
LATER = 1_795_700_000.0


@pytest.fixture(params=OLD)
def version(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def journal_file(version: str, tmp_path: Path) -> Path:
    path = tmp_path / "tegwatch-journal.sqlite3"
    path.write_bytes(lzma.decompress((DATA / version / "journal.sqlite3.xz").read_bytes()))
    return path


@pytest.fixture
def then(version: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(
        lzma.decompress((DATA / version / "as-read-then.json.xz").read_bytes())
    )
    return found


def as_read_now(entry: Entry) -> dict[str, Any]:
    """Put an entry into the words in which the old code was asked."""
    body = entry.body
    if isinstance(body, ScanRecord):
        told: dict[str, Any] = {
            "state": str(body.state),
            "signals": {name: [one.value, int(one.status)] for name, one in body.signals.items()},
            "results": {
                name: [one.value, one.uncertainty, int(one.status)] for name, one in body.results.items()
            },
        }
    else:
        names = type(body).__dataclass_fields__
        told = json.loads(json.dumps({name: getattr(body, name) for name in names}, default=str))
    return {
        "sequence": entry.sequence,
        "kind": str(entry.kind),
        "unit": entry.unit,
        "time": entry.time,
        "body": told,
    }


def test_there_is_a_journal_of_every_version_before_this_one() -> None:
    assert [f"version-{number}" for number in range(1, len(MIGRATIONS))] == OLD


def test_every_scan_alarm_and_cursor_is_as_the_old_program_read_it(
    journal_file: Path, version: str, then: dict[str, Any]
) -> None:
    before = sqlite3.connect(journal_file)
    assert schema.version(before) == int(version.removeprefix("version-"))
    before.close()

    journal = Journal.open(journal_file, now=LATER)
    try:
        now = [as_read_now(entry) for entry in journal.entries(0, 10_000)]
        assert journal.verify() == []
        for name, sequence, lost in then["cursors"]:
            assert (journal.cursor(name), journal.lost(name)) == (sequence, lost)
        for unit, sequence, time in then["checkpoints"]:
            kept = journal.checkpoint(unit)
            assert kept is not None
            assert (kept.sequence, kept.time) == (sequence, time)
        assert journal.next_sequence > then["entries"][-1]["sequence"]
    finally:
        journal.close()

    assert [one["sequence"] for one in now] == [one["sequence"] for one in then["entries"]]
    for new, old in zip(now, then["entries"], strict=True):
        fresh = {**new, "body": {name: new["body"][name] for name in old["body"]}}  # fields may be added
        assert fresh == old
    assert {one["kind"] for one in now} == {str(kind) for kind in EntryKind}


def test_alarms_go_on_where_they_stood(journal_file: Path, version: str, then: dict[str, Any]) -> None:
    """An acknowledged alarm is not raised again by an upgrade, and a shelved one stays shelved."""
    site = load_site(DATA / version / "site.toml")
    last: dict[tuple[str, str], str] = {
        (one["unit"], one["body"]["alarm"]): one["body"]["state"]
        for one in then["entries"]
        if one["kind"] == "alarm"
    }
    assert last["north", "controller_lost.north-plc"] == "ACKED"
    assert last["south", "surge_level_low"] == "SHLVD"

    journal = Journal.open(journal_file, now=LATER)
    clock = FakeClock(then["entries"][-1]["time"] + 2.0)
    board = Board(site, clock)
    stands: dict[tuple[str, str], str] = {}
    for unit in site.units:
        kept = journal.checkpoint(unit.name)
        assert kept is not None
        monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
        monitor.restore(kept.body)
        # The first scan after a start: nothing has answered yet, which neither raises nor clears anything.
        first = Scan(
            unit.name, 0, clock.wall(), clock.monotonic(), board.readings(unit.name), board.links(unit.name)
        )
        assert monitor.step(first).alarms == ()
        stands |= {(unit.name, one.alarm.id): str(one.state) for one in monitor.alarms()}
    journal.close()

    assert {key: stands[key] for key in last} == last


def test_an_upgrade_that_breaks_off_leaves_a_whole_journal_that_goes_on(
    journal_file: Path, version: str, then: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks_off(_: sqlite3.Connection) -> None:
        raise RuntimeError("the power went")

    with monkeypatch.context() as patched:
        patched.setattr(schema, "MIGRATIONS", (*MIGRATIONS, breaks_off))
        with pytest.raises(RuntimeError, match="the power went"):
            Journal.open(journal_file, now=LATER)

    journal = Journal.open(journal_file, now=LATER)
    assert len(journal.entries(0, 10_000)) == len(then["entries"])
    assert journal.verify() == []
    journal.close()


def test_reading_an_old_journal_says_how_it_is_brought_up_to_date(journal_file: Path) -> None:
    with pytest.raises(JournalUnusable, match="older version; start the daemon once"):
        connect_reader(journal_file)


async def test_a_journal_of_a_newer_program_stops_the_daemon_with_the_fix(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_bytes((DATA / OLD[-1] / "site.toml").read_bytes())
    journal = tmp_path / "tegwatch-journal.sqlite3"
    Journal.open(journal, now=LATER).close()
    newer = sqlite3.connect(journal)
    newer.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    newer.close()
    before = journal.read_bytes()

    code, _, errors = await run_command("run", str(site))

    assert code == 1
    assert "was written by a newer tegwatch" in errors
    assert "install that version again" in errors
    assert "Traceback" not in errors
    assert journal.read_bytes() == before  # a program that does not know it leaves it alone


@pytest.mark.slow
@pytest.mark.timeout(120)
async def test_the_daemon_watches_on_from_an_old_journal(
    journal_file: Path, version: str, then: dict[str, Any]
) -> None:
    """No controller answers here: what was acknowledged stays so, and history is there to ask."""
    folder = journal_file.parent
    text = (DATA / version / "site.toml").read_text()
    async with running_daemon(folder, text) as daemon:
        await daemon.until(lambda: daemon.unit("north"), lambda unit: unit["sequence"] > 2)
        lost = await daemon.alarm("controller_lost.north-plc", "north")
        begin = then["entries"][0]["time"] - 1
        assert await daemon.stop() == 0
    assert lost["state"] == "ACKED"

    code, output, errors = await run_command(
        "history", str(folder / "site.toml"), "north", "reboiler_temperature", "--format", "json",
        "--from", rfc3339(begin), "--to", rfc3339(then["entries"][-1]["time"] + 1),
    )  # fmt: skip
    assert code == 0, errors
    old = [one for one in then["entries"] if one["kind"] == "scan" and one["unit"] == "north"]
    assert len(old) == output.count('"time"')
