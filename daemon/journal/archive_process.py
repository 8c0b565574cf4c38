"""The archiver in a process of its own, beside the daemon.

Packing a day of scans takes seconds of processor time and some hundred megabytes: more than a daemon that
watches a plant should spend on it. The process ends with the daemon, whatever ended that one, and may be
killed at any moment itself (``daemon.journal.manifest`` says why). It writes to the journal only in the short
transactions in which files begin or cease to answer; SQLite lets one process write at a time.

    python -m daemon.journal.archive_process < question.json
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sqlite3
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from config.site import ArchiveSettings
from daemon.journal import schema
from daemon.journal.archive_run import Archived
from daemon.journal.archiver import Archiver
from daemon.journal.columns import Catalogue, Column, ColumnFacts, Grain
from daemon.journal.errors import JournalError
from daemon.journal.manifest import DiskUse
from daemon.side_process import asked, beside


async def archive_apart(
    journal: Path, identity: str, settings: ArchiveSettings, catalogue: Catalogue, base: Path, now: float
) -> Archived:
    """Archive what is due in another process.

    Parameters
    ----------
    journal : Path
        The journal's file.
    identity : str
        Its identity, so that no other file is taken for it.
    settings, catalogue, base, now
        As for ``Archiver``.

    Raises
    ------
    JournalError
        It failed; the message says why.
    """
    question = {
        "journal": str(journal), "identity": identity, "settings": settings.model_dump(),
        "catalogue": _pack(catalogue), "base": str(base), "now": now,
    }  # fmt: skip
    async with beside(__name__, question) as process:
        assert process.stdout is not None  # noqa: S101 - asked for
        assert process.stderr is not None  # noqa: S101 - asked for
        answer, complaint = await asyncio.gather(process.stdout.read(), process.stderr.read())
        code = await process.wait()
    if code != 0:
        said = complaint.decode(errors="replace").strip().splitlines()
        raise JournalError(said[-1] if said else f"the archiver ended with code {code}")
    found = json.loads(answer)
    return Archived(**{**found, "disk": DiskUse(**found["disk"])})


class _Keeper:
    """The journal as the archiver needs it, from a process that is not the daemon's."""

    def __init__(self, path: Path, identity: str) -> None:
        self.path, self.identity = path, identity
        self._connection = schema.connect_writer(path)
        row = self._connection.execute("SELECT value FROM meta WHERE key = 'identity'").fetchone()
        if row is None or row[0] != identity:
            raise JournalError(f"{path}: is not the daemon's journal any more")

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Give a durable transaction."""
        with schema.transaction(self._connection, self.path):
            yield self._connection

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()


def _pack(catalogue: Catalogue) -> dict[str, Any]:
    facts = [
        [unit, column.kind, column.name, each.grain and [each.grain.step, each.grain.origin], each.quantity,
         each.symbol, each.description, each.deadband]
        for (unit, column), each in (catalogue.facts or {}).items()
    ]  # fmt: skip
    return {"configuration": catalogue.configuration, "facts": facts}


def _unpack(packed: dict[str, Any]) -> Catalogue:
    facts = {
        (unit, Column(kind, name)): ColumnFacts(grain and Grain(*grain), *others)
        for unit, kind, name, grain, *others in packed["facts"]
    }
    return Catalogue(packed["configuration"], facts)


def main() -> int:
    """Answer one question from standard input on standard output."""
    for number in (signal.SIGTERM, signal.SIGINT):
        # They come to the whole group when the daemon is to stop, which then ends its archiver itself.
        signal.signal(number, signal.SIG_IGN)
    question = asked()
    try:
        with contextlib.closing(_Keeper(Path(question["journal"]), question["identity"])) as keeper:
            settings = ArchiveSettings(**question["settings"])
            catalogue, base = _unpack(question["catalogue"]), Path(question["base"])
            done = Archiver(keeper, settings, catalogue, base).run(question["now"])
    except (JournalError, sqlite3.Error) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    sys.stdout.write(json.dumps(asdict(done)))
    return 0


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    os._exit(code)  # the thread that waits for the daemon's end would hold standard input
