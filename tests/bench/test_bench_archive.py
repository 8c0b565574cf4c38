"""What the archive costs: bytes on the disk and query times, against stores that anybody would take first.

The signals are the journal benchmark's: slow drift and noise, rounded to their register's resolution before
they become SI, as field values are. All stores get the same numbers in the same run.
"""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from config.loader import load_site
from config.site import ArchiveSettings
from daemon.journal import manifest
from daemon.journal.archive_folder import ArchiveFolder
from daemon.journal.archive_reading import FileFacts
from daemon.journal.archive_writing import write_scans, write_statistics
from daemon.journal.archiver import Archiver
from daemon.journal.blocks import Block
from daemon.journal.columns import Catalogue, Column, ColumnFacts, Grain
from daemon.journal.grid import Grid
from daemon.journal.journal import Journal
from daemon.journal.queries import History
from daemon.journal.summaries import combined, of_scans
from daemon.model import OperatingState, Outcome, Reading, Result, Status
from daemon.web.trends import trend
from tests.bench.test_bench_journal import RESULTS, SIGNALS, field_scans, seconds

pytestmark = [pytest.mark.bench, pytest.mark.timeout(900)]

DAY = 86400.0
TODAY = DAY / 2
MIDNIGHT = 1_700_006_400.0


def bench_catalogue(unit: str = "north") -> Catalogue:
    """Registers of 0.1 and 0.01 degF by turns; results at a hundredth of a kelvin."""
    facts = {}
    for index in range(SIGNALS):
        grain = Grain((0.1, 0.01)[index % 2] / 1.8, 459.67 / 1.8)
        facts[unit, Column("signal", f"signal_{index}")] = ColumnFacts(grain)
    for index in range(RESULTS):
        facts[unit, Column("result", f"result_{index}")] = ColumnFacts(Grain(0.01))
    return Catalogue("bench", facts)


def _calculated(one: Outcome, number: int) -> Outcome:
    """Results as they come: no two alike, each with an uncertainty that moves with it."""
    values = [reading.value for reading in one.signals.values()]
    results = {}
    for index in range(RESULTS):
        value = 0.7 * values[index] + 0.3 * values[index + 1] + 1e-4 * values[index] * values[index + 2]
        results[f"result_{index}"] = Result(value, 0.3 + value * 1e-3, Status.GOOD)
    return replace(one, time=MIDNIGHT + number, results=results)


def size_of(*paths: Path) -> int:
    return sum(path.stat().st_size for path in paths if path.exists())


def test_bytes_of_a_sample_against_plain_parquet_duckdb_and_rows(tmp_path):
    duckdb = pytest.importorskip("duckdb")

    outcomes = [_calculated(one, number) for number, one in enumerate(field_scans(40_000))]
    samples = len(outcomes) * (SIGNALS + RESULTS)
    journal = Journal.open(tmp_path / "journal.sqlite3", now=MIDNIGHT)
    for at in range(0, len(outcomes), 1000):
        journal.commit(outcomes[at : at + 1000])
    archiver = Archiver(journal, ArchiveSettings(), bench_catalogue(), tmp_path)
    took = seconds(lambda: archiver.run(MIDNIGHT + 2 * DAY))
    journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    journal.close()
    files = list((tmp_path / "tegwatch-archive" / "north").iterdir())
    sizes = {
        "archive, scans": size_of(*(path for path in files if path.name.startswith("scans"))),
        "archive, minutes": size_of(*(path for path in files if path.name.startswith("minutes"))),
        "journal": size_of(tmp_path / "journal.sqlite3"),
    }

    names = [*(f"s{n}" for n in range(SIGNALS)), *(f"r{n}" for n in range(RESULTS))]
    columns = {"time": np.array([one.time for one in outcomes])}
    for at, name in enumerate(names):
        kind, place = ("result", at - SIGNALS) if at >= SIGNALS else ("signal", at)
        key = f"{kind}_{place}"
        columns[name] = np.array([getattr(one, f"{kind}s")[key].value for one in outcomes])
    plain = pa.table(columns)
    pq.write_table(plain, tmp_path / "plain.parquet", compression="zstd")
    pq.write_table(plain, tmp_path / "snappy.parquet")
    pq.write_table(
        plain, tmp_path / "split.parquet", compression="zstd", compression_level=9, use_dictionary=False,
        column_encoding=dict.fromkeys(columns, "BYTE_STREAM_SPLIT"),
    )  # fmt: skip
    with duckdb.connect(str(tmp_path / "store.duckdb")) as store:
        store.register("plain", plain)
        store.execute("CREATE TABLE wide AS SELECT * FROM plain")
        store.execute("CHECKPOINT")
    rows = sqlite3.connect(tmp_path / "rows.sqlite3")
    rows.execute(
        "CREATE TABLE sample (series INTEGER, time REAL, value REAL, status INTEGER, "
        "PRIMARY KEY (series, time)) WITHOUT ROWID"
    )
    for series, name in enumerate(names):
        rows.executemany(
            "INSERT INTO sample VALUES (?, ?, ?, 0)",
            (
                (series, at, value)
                for at, value in zip(columns["time"].tolist(), columns[name].tolist(), strict=True)
            ),
        )
    rows.commit()
    rows.close()
    for name, file in (
        ("Parquet, as it comes (snappy)", "snappy.parquet"), ("Parquet, zstd", "plain.parquet"),
        ("Parquet, byte streams split, zstd", "split.parquet"), ("DuckDB", "store.duckdb"),
        ("SQLite, a row a sample", "rows.sqlite3"),
    ):  # fmt: skip
        sizes[name] = size_of(tmp_path / file)
    print(
        f"\n  {samples / 1e6:.2f} M samples of {SIGNALS} signals and {RESULTS} results; the other stores hold"
    )
    print("  values only, the archive also status, source time and uncertainty")
    for name, size in sizes.items():
        print(f"  {name:36} {size / samples:6.2f} B/sample")
    print(f"  archived at {samples / took / 1e3:.0f} k samples/s")
    assert sizes["archive, scans"] / samples <= 1.5
    assert sizes["archive, scans"] < 0.8 * sizes["Parquet, byte streams split, zstd"]
    assert sizes["archive, scans"] < 0.1 * sizes["SQLite, a row a sample"]


@pytest.fixture(scope="module")
def year(tmp_path_factory) -> tuple[Path, float]:
    """A year of one unit with a scan every second, written straight into archive files."""
    return _year(tmp_path_factory.mktemp("year"), 365)


def _year(folder: Path, days: int) -> tuple[Path, float]:
    rng = np.random.default_rng(7)
    path = folder / "journal.sqlite3"
    journal = Journal.open(path, now=MIDNIGHT)

    count, columns = 86400, [Column("signal", f"signal_{n}") for n in range(4)]
    columns += [Column("result", f"result_{n}") for n in range(2)]
    journal.commit([_layout_maker(columns)])
    home = ArchiveFolder((folder / "tegwatch-archive").absolute(), lambda: None)
    home.claim(journal.identity).close()
    for day in range(days):
        _write_day(journal, home, MIDNIGHT + day * DAY, 10 + day * count, columns, rng)
    end = MIDNIGHT + days * DAY
    archiver = Archiver(journal, ArchiveSettings(), bench_catalogue(), folder)
    archiver.run(end + 3 * DAY)  # sums months up to hours
    journal._next = 20 + days * count  # as if it had given the numbers that the files hold
    journal.commit(list(_today(columns, end, 20 + days * count)))
    journal.close()
    return path, end


def _today(columns, start, first):
    """Half a day that is not archived yet."""
    rng = np.random.default_rng(8)
    for number in range(round(TODAY)):
        at, noise = start + number, rng.normal(0, 0.15, len(columns))
        signals = {
            one.name: Reading(350.0 + noise[at_], Status.GOOD, at - 0.05, at)
            for at_, one in enumerate(columns)
            if one.kind == "signal"
        }
        results = {one.name: Result(5.0, 0.3, Status.GOOD) for one in columns if one.kind == "result"}
        yield Outcome("north", first + number, at, at, OperatingState.DRYING, signals, results)


def _write_day(journal, home, start, first, columns, rng) -> None:
    count, wide = 86400, (86400, len(columns))
    walk = np.cumsum(rng.normal(0, 0.01, wide), axis=0) + 200 + rng.normal(0, 0.15, wide)
    block = Block(
        np.arange(first, first + count), start + np.arange(count, dtype=float), np.full(count, 6),
        (np.round(walk, 1) + 459.67) / 1.8, np.zeros(wide, np.int64), np.full(wide, 0.3),
        np.full(wide, 0.05), [{} for _ in range(count)], 0,
    )  # fmt: skip
    rows = combined(of_scans(block.time, block.sequence, block.values, block.codes), Grid(60.0))
    scans, minutes = (
        FileFacts(journal.identity, "north", width, first, first + count - 1) for width in (0, 60)
    )
    catalogue, one, other = bench_catalogue(), home.file(scans, start), home.file(minutes, start)
    home.write(one, lambda part: write_scans(part, scans, columns, catalogue, lambda: [block]))
    home.write(other, lambda part: write_statistics(part, minutes, columns, catalogue, rows))
    files = [
        home.part(scans, one, (start, start + count - 1), count, 0),
        home.part(minutes, other, (start, start + DAY - 60), 1440, 0),
    ]
    with journal.transaction() as connection:
        manifest.note_folder(connection, "tegwatch-archive")
        manifest.register(connection, "north", files)


def _layout_maker(columns):

    signals = {one.name: Reading(1.0, Status.GOOD, 0.0, 0.0) for one in columns if one.kind == "signal"}
    results = {one.name: Result(1.0, 0.1, Status.GOOD) for one in columns if one.kind == "result"}
    return Outcome("north", 0, MIDNIGHT - DAY, 0.0, OperatingState.DRYING, signals, results)


@pytest.mark.nightly
@pytest.mark.parametrize("days", [1, 30, 365])
def test_query_times_over(year, days):
    path, end = year
    one = [Column("signal", "signal_1")]
    start = end - days * DAY
    asked = {
        "1-min mean of 1 point": lambda history: list(history.buckets("north", one, start, end, 60.0)),
        "1-h mean of 1 point": lambda history: list(history.buckets("north", one, start, end, 3600.0)),
        "1-d mean of 1 point": lambda history: list(history.buckets("north", one, start, end, DAY)),
        "newest": lambda history: history.last("north", one),
    }
    if days == 1:
        asked["every scan of 1 point"] = lambda history: list(history.values("north", one, start, end))
    print(f"\n  {days} days of one scan a second")
    took = {}
    for name, ask in asked.items():

        def whole(ask=ask):
            with History(path) as history:
                ask(history)
                assert history.unreadable == []

        took[name] = min(seconds(whole) for _ in range(3))
        print(f"  {name:24} {took[name] * 1e3:8.1f} ms")
    if days == 30:
        naive = seconds(lambda: _by_hand(path, start, end))
        print(f"  {'the same by hand':24} {naive * 1e3:8.1f} ms   (DuckDB over the files of scans)")
        assert took["1-min mean of 1 point"] < naive


@pytest.mark.nightly
@pytest.mark.parametrize("days", [30, 365])
def test_a_trend_over(year, days):
    """Four values over the span that ends now: today's scans are in the journal, the rest is archived."""
    path, _ = year
    site = load_site(Path(__file__).parents[2] / "config" / "examples" / "demo.toml")
    names = [f"signal:signal_{n}" for n in range(4)]
    end = MIDNIGHT + 365 * DAY + TODAY
    took = {}
    for name, since, points in (
        ("the last hour", end - 3600.0, 600), (f"{days} days", end - days * DAY, 600),
        (f"{days} days, as fine as it goes", end - days * DAY, 5000),
    ):  # fmt: skip

        def drawn(since=since, points=points):
            with History(path) as history:
                assert trend(history, site, "north", names, since, end, points).unreadable == []

        took[name] = min(seconds(drawn) for _ in range(3))
        print(f"\n  trend of 4 values over {name:32} {took[name] * 1e3:8.1f} ms", end="")
    print()
    # What costs is today: the past is summed up. Scan by scan a year would cost thousands of times an hour.
    assert took[f"{days} days"] < 50 * took["the last hour"]


def test_bytes_held_within_a_deadband_against_every_value(tmp_path):
    """Noise of one standard deviation of 0.15 degF on a drift, in registers of 0.1 degF; half a day."""
    rng = np.random.default_rng(5)
    count = 43_200
    walk = np.cumsum(rng.normal(0, 0.004, (count, 4)), axis=0) + 375 + rng.normal(0, 0.15, (count, 4))
    values = (np.round(walk, 1) + 459.67) / 1.8
    columns = [Column("signal", f"signal_{n}") for n in range(4)]
    zero = np.zeros((count, 4))
    block = Block(
        np.arange(count), MIDNIGHT + np.arange(count, dtype=float), np.full(count, 6), values,
        zero.astype(np.int64), zero + np.nan, zero + 0.05, [{} for _ in range(count)], 0,
    )  # fmt: skip
    sizes = {}
    print("\n  four noisy temperatures, status and source time included")
    for deadband in (None, 0.3, 0.6, 1.0):
        facts = ColumnFacts(Grain(0.1 / 1.8, 459.67 / 1.8), deadband=deadband and deadband / 1.8)
        known = Catalogue("bench", {("north", column): facts for column in columns})
        path = tmp_path / "a.parquet"
        took = seconds(
            lambda known=known, path=path: write_scans(
                path, FileFacts("id", "north", 0, 0, count), columns, known, lambda: [block]
            )
        )
        sizes[deadband] = size_of(path) / (4 * count)
        name = "every value" if deadband is None else f"within {deadband:g} degF"
        print(
            f"  {name:20} {sizes[deadband]:6.3f} B/sample, packed at {4 * count / took / 1e3:.0f} k samples/s"
        )
    assert sizes[1.0] < sizes[0.6] < sizes[0.3] < sizes[None]
    assert sizes[0.6] < 0.5 * sizes[None]


def _by_hand(path: Path, start: float, end: float) -> None:
    duckdb = pytest.importorskip("duckdb")
    with duckdb.connect() as store:
        found = store.execute(
            'SELECT time_bucket(INTERVAL 1 MINUTE, time) AS minute, avg("signal:signal_1") '
            f"FROM read_parquet('{path.parent}/tegwatch-archive/north/scans-*.parquet') "
            "WHERE time >= to_timestamp(?) AND time < to_timestamp(?) GROUP BY minute ORDER BY minute",
            [start, end],
        ).fetchall()
    assert len(found) == 30 * 1440
