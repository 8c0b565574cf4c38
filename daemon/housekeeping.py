"""What keeps the disk in order: closed periods into the archive, old scans and files away."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection
from dataclasses import dataclass, field

import structlog

from config.site import Site
from daemon.clock import Clock
from daemon.journal.archive_process import archive_apart
from daemon.journal.archiver import Archived
from daemon.journal.catalogue import catalogue_of
from daemon.journal.errors import JournalError
from daemon.journal.manifest import DiskUse
from daemon.journal.writer import JournalWriter

log = structlog.get_logger(__name__)

FIRST_RUN = 60.0
"""How long after the start it begins: first everything else has to run [s]."""
EVERY = 600.0
"""Pause between two runs [s]."""
ARCHIVE_FAILING = "archive failing"
"""Kind of the event that says that periods cannot be archived, or files not be read."""
ARCHIVE_WORKS = "archive works"
"""Kind of the event that says that they can again."""


@dataclass(slots=True)
class HousekeepingFigures:
    """How it is going."""

    failing: str = ""
    """Why periods cannot be archived; empty when they can."""
    archived_scans: int = 0
    """Since the start."""
    disk: DiskUse = field(default_factory=DiskUse)
    """As of the last run."""


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
    keep : callable
        Puts an event into the journal: its kind and a message.
    """

    def __init__(
        self,
        writer: JournalWriter,
        clock: Clock,
        site: Callable[[], Site],
        scan_readers: Callable[[], Collection[str]],
        keep: Callable[[str, str], None],
    ) -> None:
        self.figures = HousekeepingFigures()
        self._writer, self._clock, self._site = writer, clock, site
        self._scan_readers, self._keep = scan_readers, keep

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
        if settings.archive.enabled:
            await self._prune(settings.keep, spare_unarchived=True)
            # An archive that fails for long must not fill the disk.
            await self._prune(2 * settings.keep, spare_unarchived=False)
            await self._archive()
        else:
            await self._prune(settings.keep, spare_unarchived=False)

    async def _prune(self, keep: float, *, spare_unarchived: bool) -> None:
        lost: dict[str, int] = {}
        finished = False
        while not finished:
            before = self._clock.wall() - keep
            pruned = await self._writer.prune(before, self._scan_readers(), spare_unarchived=spare_unarchived)
            finished = pruned.finished
            for sink, scans in pruned.lost.items():
                lost[sink] = lost.get(sink, 0) + scans
        if lost:
            log.error("scans_deleted_undelivered", lost=lost)

    async def _archive(self) -> None:
        site = self._site()
        try:
            done = await archive_apart(
                self._writer.journal.path,
                self._writer.journal.identity,
                site.journal.archive,
                catalogue_of(site),
                self._writer.journal.path.parent,
                self._clock.wall(),
            )
        except JournalError as error:
            self._tell(str(error))
            return
        self.figures.disk = done.disk
        self.figures.archived_scans += done.scans
        self._tell("; ".join(done.trouble))
        if done.files or done.expired:
            self._report(done)

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
