"""A restore drill: from the backup alone, on a clean box, the same history is told and watching goes on."""

from __future__ import annotations

import asyncio
import dataclasses
import random
import shutil
import sqlite3
import subprocess
from pathlib import Path
from typing import Any

import pytest

from config.loader import load_with_texts
from daemon.app import run_daemon
from daemon.journal.backup import BEYOND, back_up
from daemon.journal.errors import JournalUnusable
from daemon.journal.journal import Journal
from daemon.journal.queries import History
from daemon.model import AlarmTransition
from tests.support.archives import DAY, HOT, LEVEL, MARGIN, MIDNIGHT, archive, filled, step
from tests.support.brokers import free_port
from tests.support.daemon_process import run_command
from tests.support.journals import alarm
from tests.support.sites import _SITE

END = MIDNIGHT + 1.5 * DAY
UNIT = "unit-1"


@pytest.fixture
def box(tmp_path: Path) -> Path:
    """A box with a site, a day in the archive and half a day in the journal only."""
    home = tmp_path / "old box"
    home.mkdir()
    controllers = f"""
[[controllers]]
name = "plc"
protocol = "modbus-tcp"
host = "127.0.0.1"
port = {free_port()}
addressing = "zero-based"
"""
    signals = """
[units.signals.reboiler_temperature]
controller = "plc"
table = "holding"
address = 0
type = "float32"
unit = "degF"
"""
    (home / "site.toml").write_text(_SITE.format(controllers=controllers, signals=signals, rest=""))
    journal = filled(home / "tegwatch-journal.sqlite3", MIDNIGHT, END, 60.0, UNIT)
    raised = alarm(1, unit=UNIT).body
    assert isinstance(raised, AlarmTransition)
    journal.commit([dataclasses.replace(step(0, END - 1, random.Random(0), UNIT), alarms=(raised,))])
    archive(journal, END + DAY / 4)
    journal.move_cursor("control-room", 100)
    journal.close()
    return home


def told(journal: Path) -> dict[str, Any]:
    """What the history answers, in every way of asking, from journal and archive."""
    with History(journal) as history:
        columns = [HOT, LEVEL, MARGIN]
        return {
            "values": list(history.values(UNIT, columns, MIDNIGHT, END)),
            "hours": list(history.buckets(UNIT, columns, MIDNIGHT, END, 3600.0)),
            "records": list(history.records(0.0, END)),
            "identity": history.identity,
            "wrong": history.verify(),
        }


def restored(backup: Path, home: Path) -> Path:
    """Do as the command's help says, with the tools of any box."""
    subprocess.run(["sha256sum", "--check", "--quiet", "SHA256SUMS"], cwd=backup, check=True)
    home.mkdir()
    for part in ("site", "journal"):
        shutil.copytree(backup / part, home, dirs_exist_ok=True)
    return home / "site.toml"


async def start_once(file: Path) -> None:
    loaded = load_with_texts(file)
    stop = asyncio.Event()
    await run_daemon(loaded.site, file.parent, stop=stop, ready=stop.set, texts=loaded.texts)


async def test_a_clean_box_goes_on_from_a_backup_and_tells_the_same_history(
    box: Path, tmp_path: Path
) -> None:
    before = told(box / "tegwatch-journal.sqlite3")
    assert len(before["values"]) == 1.5 * 1440 + 1
    assert len(before["records"]) == 1
    assert before["wrong"] == []
    backup = tmp_path / "backup"
    code, _, errors = await run_command("backup", str(box / "site.toml"), str(backup))
    assert code == 0, errors
    assert backup.stat().st_mode & 0o077 == 0
    shutil.rmtree(box)

    site = restored(backup, tmp_path / "new box")
    journal = site.parent / "tegwatch-journal.sqlite3"
    assert told(journal) == before

    highest = before["records"][-1].sequence
    await start_once(site)
    assert told(journal) == before  # what the new box adds lies after it
    opened = Journal.open(journal, now=END)
    assert opened.cursor("control-room") == 100
    first = opened.entries(highest, 1)[0]
    # The old box may have given out numbers after the backup: none of them is used again.
    assert first.sequence > highest + BEYOND
    opened.close()


def test_a_backup_is_made_beside_a_writing_daemon(box: Path, tmp_path: Path) -> None:
    journal = Journal.open(box / "tegwatch-journal.sqlite3", now=END)
    journal.commit([step(1, END + 1, random.Random(1), UNIT)])
    place = tmp_path / "copy"
    place.mkdir()

    written = back_up(journal.path, place)

    journal.commit([step(2, END + 2, random.Random(2), UNIT)])
    journal.close()
    with History(place / journal.path.name) as copy:
        assert [row.time for row in copy.values(UNIT, [HOT], END, END + 10)] == [END + 1]
        assert copy.verify() == []
    assert {path.suffix for path in written} == {".sqlite3", ".parquet"}


def test_a_damaged_journal_makes_no_backup_that_looks_whole(box: Path, tmp_path: Path) -> None:
    file = box / "tegwatch-journal.sqlite3"
    with sqlite3.connect(file) as connection:
        connection.execute("UPDATE entry SET body = zeroblob(40) WHERE sequence = 2100")
    connection.close()

    with pytest.raises(JournalUnusable, match="is damaged"):
        back_up(file, tmp_path)


def test_a_file_that_the_journal_names_and_is_gone_is_told(box: Path, tmp_path: Path) -> None:
    gone = next((box / "tegwatch-archive").rglob("scans-*.parquet"))
    gone.unlink()

    with pytest.raises(JournalUnusable, match=f"{gone.name}.*is not there"):
        back_up(box / "tegwatch-journal.sqlite3", tmp_path)


async def test_an_older_backup_is_never_written_over(box: Path, tmp_path: Path) -> None:
    code, _, errors = await run_command("backup", str(box / "site.toml"), str(tmp_path))
    assert code == 1
    assert "is there already" in errors
