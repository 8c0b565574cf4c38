"""What keeps the disk in order: closed periods into the archive, old scans and files away."""

from __future__ import annotations

import asyncio
import functools
import math
from collections.abc import Callable, Collection
from typing import Protocol

import structlog

from config.site import Site
from daemon.clock import Clock
from daemon.journal.archive_process import archive_apart
from daemon.journal.archive_run import Archived
from daemon.journal.catalogue import catalogue_of
from daemon.journal.errors import JournalError
from daemon.journal.retention import Deleted
from daemon.journal.storage import StorageFigures
from daemon.journal.writer import JournalWriter
from daemon.times import rfc3339

log = structlog.get_logger(__name__)

FIRST_RUN = 60.0
"""How long after the start it begins: first everything else has to run [s]."""
EVERY = 600.0
"""Pause between two runs [s]."""
ARCHIVE_FAILING = "archive failing"
"""Kind of the event that says that periods cannot be archived, or files not be read."""
ARCHIVE_WORKS = "archive works"
"""Kind of the event that says that they can again."""
DELETED_UNARCHIVED = "scans deleted unarchived"
"""Kind of the event that says which scans were deleted before the archive had them."""
LONGEST = 6 * 3600.0
"""An archiver that goes on for longer is ended and counts as failing; what it has finished stays [s]."""
LAST_RESORT = 2.0
"""Scans that cannot be archived are deleted when they are so many times as old as the journal keeps them."""
FORBEARANCE = 6 * 3600.0
"""And not before archiving has failed, with its alarm standing, for so long [s]."""
DAY = 86400.0


class KeepsEvents(Protocol):
    """Puts an event into the journal."""

    def __call__(self, kind: str, message: str, **data: str | float | bool | None) -> None:
        """Keep it."""
        ...


class Housekeeping:
    """Archives and deletes for one journal.

    Parameters
    ----------
    writer : JournalWriter
        The journal's writer.
    clock : Clock
        What is old.
    site : callable
        Returns the configuration in force.
    scan_readers : callable
        Returns the names of the sinks that send scans on.
    keep : KeepsEvents
        Keeps what happened.
    figures : StorageFigures, optional
        Where to note how it goes.
    """

    def __init__(
        self,
        writer: JournalWriter,
        clock: Clock,
        site: Callable[[], Site],
        scan_readers: Callable[[], Collection[str]],
        keep: KeepsEvents,
        figures: StorageFigures | None = None,
    ) -> None:
        self.figures = figures or StorageFigures()
        self._writer, self._clock, self._site = writer, clock, site
        self._scan_readers, self._keep = scan_readers, keep
        self._failing_since: float | None = None

    async def run(self) -> None:
        """Do it every so often, for ever."""
        await asyncio.sleep(FIRST_RUN)
        while True:
            await self.once()
            await asyncio.sleep(EVERY)

    async def once(self) -> None:
        """Delete what may go, then archive what is due.

        In this order, so that scans stay for a while after the archive has begun to answer for them: a long
        answer that began before may still need them.
        """
        settings = self._site().journal
        before = self._clock.wall() - settings.keep
        if not settings.archive.enabled:
            await self._prune(before, spare_unarchived=False)
            return
        await self._prune(before, spare_unarchived=True)
        now = self._clock.monotonic()
        if await self._archive():
            self._failing_since = None
        elif self._failing_since is None:
            self._failing_since = now
        elif now - self._failing_since >= FORBEARANCE:
            await self._make_room(settings.keep)

    async def _make_room(self, keep: float) -> None:
        """Delete what could not be archived for very long: an archive that fails must not fill the disk.

        By whole days, so that there is one event a day and not one every ten minutes.
        """
        step = min(DAY, keep)
        before = math.floor((self._clock.wall() - LAST_RESORT * keep) / step) * step
        gone = await self._prune(before, spare_unarchived=False)
        if not gone:
            return
        total = functools.reduce(Deleted.__add__, gone.values())
        self.figures.deleted_unarchived += total.scans
        since, until = rfc3339(total.since), rfc3339(total.until)
        message = (
            f"{total.scans} scans from {since} to {until} were deleted before the archive had them, because "
            f"they were {LAST_RESORT:g} times as old as the journal keeps scans: {self.figures.failing}"
        )
        log.error("scans_deleted_unarchived", scans=total.scans, since=since, until=until)
        counts: dict[str, float] = {f"scans of {unit}": each.scans for unit, each in gone.items()}
        self._keep(DELETED_UNARCHIVED, message, **{"from": total.since, "to": total.until}, **counts)

    async def _prune(self, before: float, *, spare_unarchived: bool) -> dict[str, Deleted]:
        """Delete what is older; return what no archive answers for, by unit."""
        lost: dict[str, int] = {}
        unarchived: dict[str, Deleted] = {}
        finished = False
        while not finished:
            pruned = await self._writer.prune(before, self._scan_readers(), spare_unarchived=spare_unarchived)
            finished = pruned.finished
            for sink, scans in pruned.lost.items():
                lost[sink] = lost.get(sink, 0) + scans
            for unit, gone in pruned.unarchived.items():
                unarchived[unit] = unarchived[unit] + gone if unit in unarchived else gone
        if lost:
            log.error("scans_deleted_undelivered", lost=lost)
        return unarchived

    async def _archive(self) -> bool:
        """Archive what is due; whether it could be done."""
        site = self._site()
        try:
            async with asyncio.timeout(LONGEST):
                done = await archive_apart(
                    self._writer.journal.path,
                    self._writer.journal.identity,
                    site.journal.archive,
                    catalogue_of(site),
                    self._writer.journal.path.parent,
                    self._clock.wall(),
                )
        except TimeoutError:
            self._tell(f"the archiver has not come to an end within {LONGEST / 3600:g} h; is the disk stuck?")
            return False
        except JournalError as error:
            self._tell(str(error))
            return False
        self.figures.disk = done.disk
        self.figures.archived_scans += done.scans
        self._tell("; ".join(done.trouble))
        if done.files or done.expired:
            self._report(done)
        return True

    @staticmethod
    def _report(done: Archived) -> None:
        log.info(
            "archived",
            scans=done.scans,
            files=done.files,
            bytes=done.bytes,
            damaged=done.damaged,
            expired=done.expired,
            disk=done.disk.archive + done.disk.journal,
        )

    def _tell(self, failing: str) -> None:
        if failing == self.figures.failing:
            return
        if failing:
            log.error("archive_failing", reason=failing)
            self._keep(ARCHIVE_FAILING, failing)
        else:
            log.info("archive_works", was=self.figures.failing)
            self._keep(ARCHIVE_WORKS, "closed periods can be archived again")
        self.figures.failing = failing
