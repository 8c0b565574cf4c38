"""Archive files, read (``daemon.journal.archive_writing`` says what is in them)."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.journal.columns import Column
from daemon.journal.errors import ArchiveDamaged
from daemon.journal.summaries import NOT_STORED, Floats, Integers, Summaries, of_scans

FORMAT = "tegwatch archive 1"
STATISTICS = ("mean", "minimum", "maximum", "last")


@dataclass(frozen=True, slots=True)
class FileFacts:
    """What stands in a file's metadata: whose it is and which part of the journal it holds."""

    identity: str
    unit: str
    width: int
    """Seconds of a row: 0 for scans, 60 or 3600."""
    first: int
    last: int
    configuration: str = ""


@contextmanager
def _opened(path: Path) -> Iterator[tuple[Any, Any]]:
    """Open a file, with its schema; whatever is wrong with it is told with its name."""
    import pyarrow as pa  # noqa: PLC0415 - 45 MB, only for those who ask
    import pyarrow.parquet as pq  # noqa: PLC0415 - the same

    try:
        with pq.ParquetFile(path, page_checksum_verification=True, pre_buffer=False) as file:
            schema = file.schema_arrow  # made anew each time it is asked for
            if (schema.metadata or {}).get(b"format") != FORMAT.encode():
                raise ArchiveDamaged(path, f"it is not of the format {FORMAT!r}")
            yield file, schema
    except FileNotFoundError as error:
        raise ArchiveDamaged(path, "it is missing") from error
    except (pa.ArrowException, OSError, ValueError, KeyError) as error:
        raise ArchiveDamaged(path, str(error).splitlines()[0]) from error


def read_facts(path: Path) -> tuple[FileFacts, int]:
    """Return what a file holds and how many rows.

    Raises
    ------
    ArchiveDamaged
        It cannot be read, or is no archive file.
    """
    with _opened(path) as (file, schema):
        return FileFacts(**json.loads(schema.metadata[b"facts"])), int(file.metadata.num_rows)


def check_file(path: Path) -> str:
    """Read a whole file with the check sums of its pages; return what is wrong, empty when nothing is."""
    try:
        with _opened(path) as (file, _):
            for group in range(file.num_row_groups):
                file.read_row_group(group, use_threads=False)
    except ArchiveDamaged as damaged:
        return str(damaged)
    return ""


def read_points(path: Path, columns: Sequence[Column], start: float, end: float) -> Summaries:
    """Read values and statuses of the scans with ``start <= time < end``.

    Raises
    ------
    ArchiveDamaged
        It cannot be read.
    """
    with _opened(path) as (file, schema):
        names = [part for column in columns for part in (str(column), f"{column}:status")]
        table = _Table(file, schema, names, start, end)
        return of_scans(
            table.time(), table.integers("sequence"),
            table.wide([table.values(str(column)) for column in columns]),
            table.wide([table.integers(f"{column}:status", NOT_STORED) for column in columns]),
        )  # fmt: skip


def read_statistics(path: Path, columns: Sequence[Column]) -> Summaries:
    """Read a file of statistics. Raises as above."""
    parts = (*STATISTICS, "count", "status")
    with _opened(path) as (file, schema):
        table = _Table(file, schema, ["scans", *(f"{column}:{part}" for column in columns for part in parts)])
        mean, low, high, last = (
            table.wide([table.values(f"{column}:{part}") for column in columns]) for part in STATISTICS
        )
        count, worst = (
            table.wide([table.integers(f"{column}:{part}", none) for column in columns])
            for part, none in (("count", 0), ("status", NOT_STORED))
        )
        total = np.where(count > 0, mean * count, 0.0)
        return Summaries(
            table.time(), table.integers("sequence"), table.integers("scans"), count, total, low, high, last,
            worst,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class ArchivedScans:
    """Scans of a file with everything that is kept of the asked columns; as in ``Block``."""

    time: Floats
    sequence: Integers
    state: list[str]
    values: Floats
    codes: Integers
    uncertainty: Floats
    age: Floats
    reasons: list[str | None]


def read_scans(path: Path, columns: Sequence[Column], start: float, end: float) -> Iterator[ArchivedScans]:
    """Read the scans of a span with everything that is kept of them, some thousands at a time.

    Raises
    ------
    ArchiveDamaged
        It cannot be read.
    """
    names = ["state", "reasons"]
    for column in columns:
        names += [str(column), f"{column}:status"]
        names.append(f"{column}:age" if column.kind == "signal" else f"{column}:uncertainty")
    with _opened(path) as (file, schema):
        for group in range(file.num_row_groups):
            table = _Table(file, schema, names, start, end, [group])
            if table.rows:
                yield table.scans(columns)


class _Table:
    """Columns of a file or of one of its row groups, as arrays.

    Nothing here asks pyarrow to calculate or to convert: its functions, and the pandas that it loads where
    there is one, would take 50 MB of a daemon that only wants to read.
    """

    def __init__(
        self,
        file: Any,
        schema: Any,
        names: Iterable[str],
        start: float = -np.inf,
        end: float = np.inf,
        groups: Iterable[int] | None = None,
    ) -> None:
        known = set(schema.names)
        there = [name for name in ("time", "sequence", *names) if name in known]
        chosen = range(file.num_row_groups) if groups is None else groups
        if start > -np.inf or end < np.inf:
            at = schema.names.index("time")
            chosen = [group for group in chosen if self._overlaps(file, group, at, start, end)]
        self._fields = {name: schema.field(name) for name in there}
        self._read = file.read_row_groups(chosen, columns=there, use_threads=False)
        time = self.time()
        first, after = np.searchsorted(time, [start, end])  # rows are in the order of time
        if after - first != len(time):
            self._read = self._read.slice(first, after - first)
        self.rows = int(self._read.num_rows)

    @staticmethod
    def _overlaps(file: Any, group: int, column: int, start: float, end: float) -> bool:
        known = file.metadata.row_group(group).column(column).statistics
        if known is None or not known.has_min_max:
            return True
        return bool(known.min_raw < end * 1e6 and known.max_raw >= start * 1e6)  # microseconds

    def wide(self, arrays: list[Any]) -> Any:
        """Put columns side by side."""
        return np.column_stack(arrays) if arrays else np.empty((self.rows, 0))

    def time(self) -> Floats:
        """Return the times [POSIX s]."""
        stamps, _ = self._numbers("time")
        return np.asarray(stamps / 1e6, np.float64)

    def integers(self, name: str, none: int = 0) -> Integers:
        """Return a column of whole numbers; ``none`` in place of null and where there is no such column."""
        if name not in self._fields:
            return np.full(self._read.num_rows, none, np.int64)
        numbers, absent = self._numbers(name)
        return np.asarray(numbers if absent is None else np.where(absent, none, numbers), np.int64)

    def values(self, name: str) -> Floats:
        """Return a column in its unit; NaN in place of null and where there is no such column."""
        if name not in self._fields:
            return np.full(self._read.num_rows, np.nan)
        found, absent = self._numbers(name)
        numbers = np.asarray(found, np.float64)
        about = self._fields[name].metadata or {}
        if b"scale" in about:
            numbers = numbers * float(about[b"scale"]) + float(about.get(b"offset", 0.0))
        return numbers if absent is None else np.where(absent, np.nan, numbers)

    def texts(self, name: str) -> list[Any]:
        """Return a column of texts."""
        found: list[Any] = self._array(name).to_pylist()
        return found

    def scans(self, columns: Sequence[Column]) -> ArchivedScans:
        """Return everything."""
        return ArchivedScans(
            self.time(), self.integers("sequence"), self.texts("state"),
            self.wide([self.values(str(column)) for column in columns]),
            self.wide([self.integers(f"{column}:status", NOT_STORED) for column in columns]),
            self.wide([self.values(f"{column}:uncertainty") for column in columns]),
            self.wide([self.values(f"{column}:age") for column in columns]),
            self.texts("reasons"),
        )  # fmt: skip

    def _array(self, name: str) -> Any:
        return self._read.column(name).combine_chunks()

    def _numbers(self, name: str) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
        """Return a column as it lies in memory, and which of its rows are null; ``None`` where none is."""
        array = self._array(name)
        validity, data = array.buffers()
        kind = {"float": np.float32, "double": np.float64}.get(str(array.type), np.int64)
        if data is None:
            return np.empty(0, kind), None
        span = slice(array.offset, array.offset + len(array))
        numbers: NDArray[Any] = np.frombuffer(data, kind)[span]
        if not array.null_count:
            return numbers, None
        valid = np.unpackbits(np.frombuffer(validity, np.uint8), bitorder="little")[span]
        return numbers, valid == 0
