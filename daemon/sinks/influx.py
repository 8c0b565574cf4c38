"""Journal entries into a time-series database by the InfluxDB 2 write API.

The client's own batching gives up after some attempts and drops; here a request is made synchronously in a
thread of the sink's own, and the runner moves the cursor only after the answer. What an answer means:

=================  =====================================================================================
2xx                taken
400, 422           a point in it cannot be taken: the batch is halved until the point is found, the others
                   are written, the point is set apart in the quarantine file, an event says so
413                the request is too large: it is halved; a single point too large is set apart
401, 403           the token is not accepted: nothing is set apart, somebody has to put it right
404                no such bucket or organization: as 401
3xx                a redirect is not followed: as 401
429, 5xx, none     an outage: tried again, as late as the server asks
=================  =====================================================================================

A series whose points were refused before is taken out of a refused batch first, so that one bad signal costs
two requests a batch and not a search. When very many series of one batch are refused, the mistake is not in
the points (a wrong bucket schema, a wrong server): nothing is set apart and the sink waits for a person.
"""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from config.sinks import InfluxSink as InfluxSettings
from daemon.clock import Clock
from daemon.credentials import CredentialError, read_secret
from daemon.model import Entry, EntryKind
from daemon.sinks.base import DeliveryFailed, Selection, Sink, selection_of
from daemon.sinks.documents import Wording
from daemon.sinks.influx_connection import Answered, InfluxConnection, NoAnswer
from daemon.sinks.line_protocol import Encoder
from daemon.sinks.webhook import retry_after
from daemon.times import rfc3339

QUARANTINED = "points quarantined"
"""Kind of the event that says that points were set apart."""
MOST_REFUSED_SERIES = 20
"""When more series of one batch are refused, the mistake is not in the points."""
QUARANTINE_BYTES = 64 * 1024 * 1024
"""A quarantine file grows no larger; then the sink waits for a person."""
EVENT_RESTS = 3600.0
"""Time between two events about quarantined points at least [s]: one of them may itself be refused."""
LARGEST_REST = 0.05
"""While catching up, the thread rests as long as it worked, at most so long [s], for the scans' sake."""

Note = Callable[..., None]


class Refused(Exception):  # noqa: N818 - says what happened
    """The server refused a request because of what is in it."""

    def __init__(self, reason: str, *, too_large: bool) -> None:
        super().__init__(reason)
        self.reason = reason
        self.too_large = too_large


def judge(status: int, message: str, wish: float | None) -> DeliveryFailed | Refused:
    """Say what an answer other than 2xx means.

    Parameters
    ----------
    status : int
        HTTP status.
    message : str
        What the server says.
    wish : float or None
        Shortest pause that the server asks for [s].

    Examples
    --------
    >>> [type(judge(status, "", None)).__name__ for status in (400, 401, 404, 413, 429, 503)]
    ['Refused', 'DeliveryFailed', 'DeliveryFailed', 'Refused', 'DeliveryFailed', 'DeliveryFailed']
    """
    said = f"HTTP {status}" + (f": {message}" if message else "")
    match status:
        case 400 | 422:
            return Refused(said, too_large=False)
        case 413:
            return Refused(said, too_large=True)
        case 401 | 403:
            advice = "the token is not accepted; check token_file and its write permission for the bucket"
            return DeliveryFailed(f"{advice} ({said})", retryable=False)
        case 404:
            return DeliveryFailed(f"no such organization or bucket ({said})", retryable=False)
    if 300 <= status < 400:
        return DeliveryFailed(f"{said}: a redirect is not followed", retryable=False)
    return DeliveryFailed(said, retryable=status in {408, 425, 429} or status >= 500, retry_after=wish)


class Quarantine:
    """The file of points that the database will never take, as line protocol with the reason above each.

    Parameters
    ----------
    path : Path
        The file; made when it is first needed, for the daemon's user only.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def add(self, lines: Sequence[tuple[str, str]], now: float) -> None:
        """Keep points durably, each with the reason why.

        Raises
        ------
        DeliveryFailed
            The file is full or cannot be written.
        """
        text = "".join(f"# {rfc3339(now)} {reason}\n{line}\n" for line, reason in lines).encode()
        try:
            handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            try:
                if os.fstat(handle).st_size + len(text) > QUARANTINE_BYTES:
                    raise DeliveryFailed(
                        f"{self.path} is full of points that the database refused; see what is wrong with "
                        "them, then move the file away",
                        retryable=False,
                    )
                while text:
                    text = text[os.write(handle, text) :]
                os.fsync(handle)
            finally:
                os.close(handle)
        except OSError as error:
            raise DeliveryFailed(f"{self.path}: refused points cannot be set apart: {error}") from error


class InfluxSink(Sink):
    """Writes journal entries to one bucket.

    Parameters
    ----------
    settings : config.sinks.InfluxSink
        Server, bucket, token, naming.
    wording : Wording
        Name and units of the site.
    clock : Clock
        To read dates in ``Retry-After`` and to space events.
    quarantine : Path
        File for points that the database will never take.
    note : callable
        ``note(kind, message, **data)`` puts an event into the journal; must not raise.
    """

    def __init__(
        self,
        settings: InfluxSettings,
        wording: Wording,
        clock: Clock,
        quarantine: Path,
        note: Note = lambda *_args, **_data: None,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._encoder = Encoder(wording, settings.measurement_prefix, si=settings.values_in == "si")
        self._quarantine = Quarantine(quarantine)
        self._note = note
        self._noted_at: float | None = None
        self._unnoted = 0
        self._suspects: set[str] = set()
        self._connection: InfluxConnection | None = None
        self._token: str | None = None
        self._thread: ThreadPoolExecutor | None = None

    @property
    def name(self) -> str:
        """Name of the sink and of its cursor."""
        return self._settings.name

    @property
    def selection(self) -> Selection:
        """Values, alarms of the configured priority and units, and events."""
        return selection_of(self._settings, EntryKind.SCAN, EntryKind.ALARM, EntryKind.EVENT)

    async def deliver(self, entries: Sequence[Entry]) -> None:
        """Write entries in order, a request for every so many points."""
        if self._thread is None:
            self._thread = ThreadPoolExecutor(1, f"sink-{self.name}")
        loop = asyncio.get_running_loop()
        refused, failure = await loop.run_in_executor(self._thread, self._deliver, entries)
        self._tell(refused)
        if failure is not None:
            raise failure

    async def close(self) -> None:
        """Close the connections."""
        thread, self._thread = self._thread, None
        if thread is not None:
            await asyncio.get_running_loop().run_in_executor(thread, self._disconnect)
            thread.shutdown()

    # ------------------------------------------------------------------ in the sink's thread

    def _deliver(self, entries: Sequence[Entry]) -> tuple[list[tuple[str, str]], DeliveryFailed | None]:
        """Write entries; return the points that were set apart, and why not all entries are delivered."""
        refused: list[tuple[str, str]] = []
        delivered, pending = 0, list[str]()
        try:
            self._connect()
            began = time.perf_counter()
            for taken, entry in enumerate(entries, start=1):
                pending += self._encoder.lines(entry)
                if len(pending) >= self._settings.batch_lines or taken == len(entries):
                    for begin in range(0, len(pending), self._settings.batch_lines):
                        refused += self._write_apart(pending[begin : begin + self._settings.batch_lines])
                    delivered, pending = taken, []
                    if taken < len(entries):
                        time.sleep(min(time.perf_counter() - began, LARGEST_REST))
                    began = time.perf_counter()
        except CredentialError as error:
            return refused, DeliveryFailed(str(error), delivered=delivered)
        except DeliveryFailed as failed:
            failed.delivered = delivered
            return refused, failed
        return refused, None

    def _write_apart(self, lines: list[str]) -> list[tuple[str, str]]:
        """Write a batch; points that are refused go to the quarantine file and are returned."""
        refused: list[tuple[str, str]] = []
        self._write(lines, refused, set())
        if refused:
            self._quarantine.add(refused, self._clock.wall())
            self._suspects.update(_series(line) for line, _ in refused)
        return refused

    def _write(self, lines: list[str], refused: list[tuple[str, str]], found: set[str]) -> None:
        try:
            self._request("\n".join(lines))
        except Refused as answer:
            if len(lines) == 1:
                refused.append((lines[0], answer.reason))
                found.add(_series(lines[0]))
                if len(found) > MOST_REFUSED_SERIES:
                    raise DeliveryFailed(
                        f"the database refuses points of more than {MOST_REFUSED_SERIES} series in one batch "
                        f"({answer.reason}); nothing was set apart",
                        retryable=False,
                    ) from answer
                return
            suspects = self._suspects | found
            known = [] if answer.too_large else [line for line in lines if _series(line) in suspects]
            if known and len(known) < len(lines):
                rest = [line for line in lines if _series(line) not in suspects]
                self._write(rest, refused, found)
                refused += [(line, answer.reason) for line in known]
                return
            middle = len(lines) // 2
            self._write(lines[:middle], refused, found)
            self._write(lines[middle:], refused, found)

    def _request(self, body: str) -> None:
        assert self._connection is not None  # noqa: S101 - connected before
        try:
            self._connection.write(body)
        except Answered as answer:
            wish = retry_after(answer.headers.get("Retry-After"), self._clock.wall())
            raise judge(answer.status, answer.message, wish) from answer
        except NoAnswer as silence:
            raise DeliveryFailed(str(silence)) from silence

    def _connect(self) -> None:
        # Read each time, so that a new token needs no restart.
        token = read_secret(self._settings.token_file)
        if self._connection is not None and token == self._token:
            return
        self._disconnect()
        self._token = token
        self._connection = InfluxConnection(self._settings, token)

    def _disconnect(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    # ------------------------------------------------------------------

    def _tell(self, refused: list[tuple[str, str]]) -> None:
        """Put an event into the journal, not more often than sensible."""
        self._unnoted += len(refused)
        now = self._clock.monotonic()
        if not self._unnoted or (self._noted_at is not None and now - self._noted_at < EVENT_RESTS):
            return
        path, reason = self._quarantine.path, refused[-1][1] if refused else "see the file"
        message = f"{self.name} refused {self._unnoted} points ({reason}); they are kept in {path}"
        self._note(QUARANTINED, message, sink=self.name, points=self._unnoted)
        self._unnoted, self._noted_at = 0, now


def _series(line: str) -> str:
    """Return measurement and tags of a line: all before the first space that no backslash escapes."""
    at = line.find(" ")
    while at > 0 and line[at - 1] == "\\":
        at = line.find(" ", at + 1)
    return line[:at]
