"""What the journal costs, against a naive SQLite table with one row per sample, in the same run.

The signals are noisy and rounded to their register's resolution before they become SI, as field values are.
"""

from __future__ import annotations

import asyncio
import random
import sqlite3
import statistics
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from daemon.journal.journal import Journal
from daemon.journal.packing import Layout, ScanRow, layout_of, pack_scan
from daemon.journal.queries import Column, History
from daemon.journal.tuning import WriterTuning
from daemon.journal.writer import JournalWriter
from daemon.model import OperatingState, Outcome, Reading, Result, Status
from tests.support.narrow import present
from tests.support.outcomes import transition

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

START = 1_700_000_000.0
SIGNALS, RESULTS = 25, 22
BATCH = 10


def field_scans(count: int, unit: str = "north", seed: int = 1) -> list[Outcome]:
    """Scans of one unit: slow drift, noise, rounding to 0.1 or 0.01 of the field unit, then SI."""
    rng = random.Random(seed)
    levels = [rng.uniform(50.0, 400.0) for _ in range(SIGNALS)]
    found = []
    for number in range(count):
        now = START + number
        signals = {}
        for index in range(SIGNALS):
            levels[index] += rng.gauss(0.0, 0.02)
            value = round(levels[index] + rng.gauss(0.0, 0.15), 1 + index % 2)
            signals[f"signal_{index}"] = Reading(
                (value + 459.67) / 1.8, Status.GOOD, now - 0.01, number + 0.99
            )
        results = {
            f"result_{index}": Result(present(signals[f"signal_{index}"].value) * 0.9, 0.3, Status.GOOD)
            for index in range(RESULTS)
        }
        found.append(Outcome(unit, number, now, number + 1.0, OperatingState.DRYING, signals, results))
    return found


def batches(outcomes: Sequence[Outcome], size: int = BATCH) -> Iterator[Sequence[Outcome]]:
    for start in range(0, len(outcomes), size):
        yield outcomes[start : start + size]


class Naive:
    """One row per sample, the usual first design; the same commits, the same synchronous setting."""

    def __init__(self, path: Path) -> None:
        self.connection = sqlite3.connect(path, isolation_level=None)
        self.connection.execute("PRAGMA journal_mode = WAL")
        self.connection.execute("PRAGMA synchronous = NORMAL")
        self.connection.execute(
            "CREATE TABLE sample (series INTEGER, time REAL, value REAL, uncertainty REAL, status INTEGER, "
            "PRIMARY KEY (series, time)) WITHOUT ROWID"
        )

    def ask(self, statement: str) -> list[Any]:
        return self.connection.execute(statement).fetchall()

    def commit(self, outcomes: Sequence[Outcome]) -> None:
        rows: list[tuple[int, float, float | None, float | None, int]] = []
        for outcome in outcomes:
            for series, reading in enumerate(outcome.signals.values()):
                rows.append((series, outcome.time, reading.value, None, reading.status))
            for series, result in enumerate(outcome.results.values(), start=SIGNALS):
                rows.append((series, outcome.time, result.value, result.uncertainty, result.status))
        self.connection.execute("BEGIN")
        self.connection.executemany("INSERT INTO sample VALUES (?, ?, ?, ?, ?)", rows)
        self.connection.execute("COMMIT")


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def file_size(connection: sqlite3.Connection, path: Path) -> int:
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.stat().st_size


def test_ingest_size_and_queries_against_a_row_per_sample(tmp_path: Path) -> None:
    outcomes = field_scans(20_000)
    samples = len(outcomes) * (SIGNALS + RESULTS)
    journal = Journal.open(tmp_path / "journal.sqlite3", now=START)
    naive = Naive(tmp_path / "naive.sqlite3")
    took = {"journal": 0.0, "naive": 0.0}
    for batch in batches(outcomes):  # turn about, so that both meet the same noise of the machine
        took["journal"] += seconds(partial(journal.commit, batch))
        took["naive"] += seconds(partial(naive.commit, batch))
    size = {
        "journal": file_size(journal._connection, journal.path),
        "naive": file_size(naive.connection, tmp_path / "naive.sqlite3"),
    }

    history = History(journal.path)
    one, ten = [Column("signal", "signal_3")], [Column("signal", f"signal_{n}") for n in range(10)]
    end = START + len(outcomes)
    asked = {
        "1-min mean of 1": (
            lambda: list(history.buckets("north", one, START, end, 60.0)),
            "SELECT CAST(time / 60 AS INTEGER), avg(value), min(value), max(value), count(*) FROM sample "  # noqa: ISC004 - one statement
            "WHERE series = 3 GROUP BY 1",
        ),
        "10 raw": (
            lambda: list(history.values("north", ten, START, end)),
            "SELECT time, series, value, status FROM sample WHERE series < 10 ORDER BY time",
        ),
        "newest of all": (
            lambda: history.last("north", history.columns("north")),
            "SELECT series, max(time), value FROM sample GROUP BY series",
        ),
    }
    print(f"\n{len(outcomes)} scans of {SIGNALS} signals and {RESULTS} results, {BATCH} to a commit")
    for name, spent in took.items():
        rates = f"{len(outcomes) / spent:8.0f} scans/s {samples / spent / 1e3:8.0f} k samples/s"
        print(f"  {name:8} {rates} {size[name] / samples:6.2f} B/sample")
    for name, (ask, statement) in asked.items():
        ours = min(seconds(ask) for _ in range(3))
        theirs = min(seconds(partial(naive.ask, statement)) for _ in range(3))
        print(f"  {name:16} journal {ours * 1e3:7.1f} ms   naive {theirs * 1e3:7.1f} ms")
    history.close()
    naive.connection.close()
    journal.close()
    assert size["journal"] < 0.6 * size["naive"]
    assert took["journal"] < 0.6 * took["naive"]


def test_a_durable_commit_against_an_ordinary_one(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "journal.sqlite3", now=START)
    plain, durable = [], []
    for number, outcome in enumerate(field_scans(600)):
        if number % 2:
            with_alarm = Outcome(
                outcome.unit, number, outcome.time, outcome.monotonic, outcome.state, outcome.signals,
                outcome.results, (transition(number),),
            )  # fmt: skip
            durable.append(seconds(partial(journal.commit, [with_alarm])))
        else:
            plain.append(seconds(partial(journal.commit, [outcome])))
    journal.close()
    for name, times in (("values only", plain), ("with an alarm", durable)):
        quantiles = statistics.quantiles(times, n=100)
        print(
            f"\n  commit {name:14} median {quantiles[49] * 1e3:6.3f} ms   p99 {quantiles[98] * 1e3:6.3f} ms",
            end="",
        )
    print()
    assert statistics.median(plain) < statistics.median(durable)


@pytest.mark.parametrize("scans", [1, 2, 8])
def test_what_a_commit_writes_to_flash(tmp_path: Path, scans: int) -> None:
    """Bytes of log for each scan by scans in a commit: why values wait up to a second for company."""
    journal = Journal.open(tmp_path / "journal.sqlite3", now=START)
    naive = Naive(tmp_path / "naive.sqlite3")
    outcomes, written = field_scans(800), {}
    for name, connection, commit in (
        ("journal", journal._connection, journal.commit),
        ("naive", naive.connection, naive.commit),
    ):
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        for batch in batches(outcomes, scans):
            commit(batch)
        written[name] = (tmp_path / f"{name}.sqlite3-wal").stat().st_size / len(outcomes)
    naive.connection.close()
    journal.close()
    ours, theirs = written["journal"] / 1e3, written["naive"] / 1e3
    print(
        f"\n  {scans} scans to a commit: journal {ours:.1f} kB a scan ({ours * 86.4:.0f} MB a day at one a "
        f"second), naive {theirs:.1f} kB"
    )
    assert written["journal"] < 0.2 * written["naive"]


def test_packing_and_opening_one_scan() -> None:
    (outcome,) = field_scans(1)
    layout, body = layout_of(outcome), pack_scan(outcome)
    count = 5000
    pack = seconds(lambda: [pack_scan(outcome) for _ in range(count)]) / count
    one = seconds(lambda: [ScanRow(layout, body).value(3) for _ in range(count)]) / count
    everything = seconds(lambda: [ScanRow(layout, body).record("n", 0.0) for _ in range(count)]) / count
    print(
        f"\n  pack {pack * 1e6:.1f} us, open and read one value {one * 1e6:.1f} us, "
        f"all {everything * 1e6:.1f} us, {len(body)} bytes"
    )
    assert Layout.from_json(layout.to_json()) == layout
    assert one < everything


async def test_the_writer_under_a_thousand_units(tmp_path: Path) -> None:
    """One outcome a second from each of 1000 units, as fast as it goes: CPU of the whole way to the file."""
    units, seconds_of_plant = 1000, 5
    template = field_scans(seconds_of_plant)
    steps = [
        Outcome(f"unit_{n}", step.sequence, step.time, step.monotonic, step.state, step.signals, step.results)
        for step in template
        for n in range(units)
    ]
    journal = Journal.open(tmp_path / "journal.sqlite3", now=START)
    started, cpu = time.perf_counter(), time.process_time()
    async with JournalWriter.running(journal, tuning=WriterTuning()) as writer:
        for number, step in enumerate(steps):
            writer.put_nowait(step)
            if number % 100 == 0:
                await asyncio.sleep(0)
    wall, used = time.perf_counter() - started, time.process_time() - cpu
    print(
        f"\n  {len(steps)} outcomes of {units} units: {len(steps) / wall:.0f} /s, CPU "
        f"{used / len(steps) * 1e6:.0f} us each: {used / seconds_of_plant:.2f} cores at one scan a second"
    )
    assert writer.figures.outcomes == len(steps)
    assert writer.figures.dropped_samples == 0
