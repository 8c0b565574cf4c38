"""Questions to the journal: spans, aggregates, quality, gaps, beside a writer and without one."""

from __future__ import annotations

import itertools
import math
import shutil
import statistics
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.journal.errors import JournalError, JournalUnusable, TooManyRows
from daemon.journal.grid import Grid
from daemon.journal.journal import Journal
from daemon.journal.queries import Column, History
from daemon.journal.summaries import combined, joined, of_scans, to_buckets
from daemon.model import EntryKind, Quality, Reading, Status
from tests.support.outcomes import BAD_LINK, event, outcome, transition

NOW = 1_700_000_000.0
SIGNAL = Column("signal", "signal_0")
RESULT = Column("result", "result_1")


@pytest.fixture
def journal(tmp_path: Path):
    opened = Journal.open(tmp_path / "journal.sqlite3", now=NOW)
    yield opened
    opened.close()


def test_values_of_a_span_come_with_quality_reason_spread_and_source_time(journal):
    journal.commit([outcome(n, bad=n == 5) for n in range(10)])
    with History(journal.path) as history:
        rows = list(history.values("north", [SIGNAL, RESULT], NOW + 4, NOW + 7))
    assert [row.time - NOW for row in rows] == [4, 5, 6]
    good, result = rows[0].samples
    assert (good.value, good.status, good.time) == (
        outcome(4).signals["signal_0"].value,
        Status.GOOD,
        NOW + 3.875,
    )
    assert (result.value, result.uncertainty) == (1.5, 0.5)
    bad = rows[1].samples[0]
    assert (bad.value, bad.status, bad.reason) == (None, *BAD_LINK)


def test_units_do_not_mix(journal):
    journal.commit([outcome(n, unit=("north", "south")[n % 2]) for n in range(10)])
    with History(journal.path) as history:
        assert history.units() == ["north", "south"]
        assert [row.time - NOW for row in history.values("south", [SIGNAL], NOW, NOW + 99)] == [1, 3, 5, 7, 9]
        with pytest.raises(JournalError, match="no values of a unit called west; there are: north, south"):
            history.values("west", [SIGNAL], NOW, NOW + 1)


def test_long_answers_come_in_pages_without_loss_or_repeat_also_at_equal_times(journal):
    times = [NOW + n // 3 for n in range(4500)]
    journal.commit([outcome(n, time=time) for n, time in enumerate(times)])
    with History(journal.path) as history:
        rows = list(history.values("north", [SIGNAL], NOW, NOW + 9999))
    assert [row.sequence for row in rows] == list(range(1, 4501))


def test_a_writer_goes_on_while_a_long_answer_is_read(journal):
    journal.commit([outcome(n) for n in range(5000)])
    with History(journal.path) as history:
        rows = history.values("north", [SIGNAL], NOW, NOW + 10_000)
        next(rows)
        journal.commit([outcome(n) for n in range(5000, 6000)])
        # No look at the file is open between pages, so the log can be emptied in full.
        assert journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
        assert sum(1 for _ in rows) == 5999


def test_a_stopped_daemons_file_answers_also_where_nothing_may_be_written(journal, tmp_path):
    journal.commit([outcome(n) for n in range(3)])
    copies = tmp_path / "copies"
    copies.mkdir()
    journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(journal.path, copies)
    with History(copies / journal.path.name) as history:
        assert history.span("north") == (NOW, NOW + 2)


def test_a_changed_configuration_changes_the_columns_and_nothing_else(journal):
    before, after = outcome(1), outcome(2)
    after = replace(
        after, signals={**after.signals, "added": Reading(7.0, Status.GOOD, NOW, 0.0)}, results={}
    )
    journal.commit([before, after])
    added = Column("signal", "added")
    with History(journal.path) as history:
        assert history.columns("north")[:4] == [Column("signal", f"signal_{n}") for n in range(3)] + [added]
        first, second = history.values("north", [added, RESULT], NOW, NOW + 9)
        assert first.samples[0] is None
        assert first.samples[1].value == 1.125
        assert second.samples[0].value == 7.0
        assert second.samples[1] is None
        (bucket,) = history.buckets("north", [added, RESULT], NOW, NOW + 9, 60.0)
        assert [each.count for each in bucket.statistics] == [1, 1]


def test_a_name_that_is_measured_and_calculated_gives_both(journal):
    step = outcome(1)
    step = replace(step, results={"signal_0": step.results["result_0"]})
    journal.commit([step])
    with History(journal.path) as history:
        assert history.resolve("north", ["signal_0"]) == [SIGNAL, Column("result", "signal_0")]
        assert history.resolve("north", ["result:signal_0"]) == [Column("result", "signal_0")]
        with pytest.raises(JournalError, match="called x_9; there are: signal_0, signal_1, signal_2"):
            history.resolve("north", ["x_9"])
        with pytest.raises(JournalError, match=r"called signal:signla_1; did you mean signal_1 or"):
            history.resolve("north", ["signal:signla_1"])


def test_the_newest_values_are_the_last_written_whatever_the_clock_said(journal):
    journal.commit([outcome(1), outcome(2, time=NOW + 1e6), outcome(3, time=NOW - 1e6)])
    with History(journal.path) as history:
        assert history.last("north", [SIGNAL]).time == NOW - 1e6


def test_too_much_is_refused_before_the_first_row(journal):
    journal.commit([outcome(n) for n in range(100)])
    with History(journal.path) as history:
        with pytest.raises(TooManyRows, match="more than 99 scans"):
            history.values("north", [SIGNAL], NOW, NOW + 100, max_rows=99)
        assert len(list(history.values("north", [SIGNAL], NOW, NOW + 100, max_rows=100))) == 100


def test_records_by_time_unit_and_alarm(journal):
    for n in range(10):
        alarms = (transition(n, alarm=("hot", "cold")[n % 2]),)
        journal.commit([outcome(n, alarms=alarms, events=(event(n),) if n == 4 else ())])
    journal.commit(
        [outcome(3, unit="south", values=False, alarms=(transition(3, unit="south", alarm="hot"),))]
    )
    with History(journal.path) as history:
        hot = history.records(NOW + 2, NOW + 9, unit="north", alarm="hot")
        assert [entry.body.occurrence for entry in hot] == ["hot-2", "hot-4", "hot-6", "hot-8"]
        assert [entry.unit for entry in history.records(NOW + 3, NOW + 4)] == ["north", "south"]
        (only,) = history.records(NOW, NOW + 99, kinds={EntryKind.EVENT})
        assert only.body == event(4)


def test_damaged_rows_are_passed_over_and_counted(journal):
    journal.commit([outcome(n) for n in range(5)])
    journal._connection.execute("UPDATE entry SET body = substr(body, 1, 30) WHERE sequence = 3")
    with History(journal.path) as history:
        assert len(list(history.values("north", [SIGNAL], NOW, NOW + 9))) == 4
        assert history.damaged == 1
        assert any("scan 3" in text for text in history.verify())


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(JournalUnusable, match="no such journal"):
        History(tmp_path / "nothing.sqlite3")
    assert not (tmp_path / "nothing.sqlite3").exists()


class TestBuckets:
    def test_bad_values_do_not_enter_and_gaps_stay_gaps(self, journal):
        start = Grid(60.0).start(NOW) + 60.0
        steps = [
            (0, 10.0, Status.GOOD),
            (10, 20.0, Status.UNCERTAIN_SUB_NORMAL),
            (20, None, Status.BAD_TIMEOUT),
            (180, None, Status.BAD_TIMEOUT),
            (240, 5.0, Status.GOOD),
        ]
        for n, (at, value, status) in enumerate(steps):
            reading = Reading(value, status, start + at, 0.0)
            journal.commit([replace(outcome(n, time=start + at), signals={"x": reading}, results={})])
        with History(journal.path) as history:
            buckets = list(history.buckets("north", [Column("signal", "x")], start, start + 600, 60.0))
        assert [bucket.start - start for bucket in buckets] == [0, 180, 240]
        first, empty, last = (bucket.statistics[0] for bucket in buckets)
        assert (first.mean, first.minimum, first.maximum, first.last, first.count) == (
            15.0,
            10.0,
            20.0,
            20.0,
            2,
        )
        assert (first.worst, buckets[0].scans) == (Quality.BAD, 3)
        assert (empty.mean, empty.minimum, empty.last, empty.count, empty.worst) == (
            None,
            None,
            None,
            0,
            Quality.BAD,
        )
        assert (last.mean, last.worst) == (5.0, Quality.GOOD)

    @given(
        st.lists(
            st.tuples(st.floats(0, 1000), st.none() | st.floats(-1e9, 1e9), st.sampled_from(Status)),
            max_size=80,
        ),
        st.floats(0.5, 300.0),
    )
    def test_against_the_standard_librarys_statistics(self, points, width):
        points.sort(key=lambda point: point[0])
        scans = _as_scans(points)
        buckets = list(to_buckets(combined(scans, Grid(width))))
        assert [bucket.start for bucket in buckets] == sorted(
            {math.floor(t / width) * width for t, _, _ in points}
        )
        assert sum(bucket.scans for bucket in buckets) == len(points)
        for bucket in buckets:
            inside = [point for point in points if math.floor(point[0] / width) * width == bucket.start]
            usable = [
                value for _, value, status in inside if value is not None and status.quality < Quality.BAD
            ]
            (found,) = bucket.statistics
            assert found.worst == max(status.quality for _, _, status in inside)
            assert found.count == len(usable)
            if usable:
                assert found.mean == pytest.approx(statistics.fmean(usable), rel=1e-9, abs=1e-5)
                assert (found.minimum, found.maximum, found.last) == (min(usable), max(usable), usable[-1])
            else:
                assert found.mean is None

    @given(
        st.lists(
            st.tuples(st.floats(0, 1e5), st.none() | st.floats(-1e9, 1e9), st.sampled_from(Status)),
            max_size=80,
        ),
        st.lists(st.integers(0, 79), max_size=4),
    )
    def test_hours_of_minutes_are_hours_of_scans_wherever_they_are_cut(self, points, cuts):
        points.sort(key=lambda point: point[0])
        whole = list(to_buckets(combined(_as_scans(points), Grid(3600.0))))
        edges = [0, *sorted(min(cut, len(points)) for cut in cuts), len(points)]
        minutes = []
        for begin, end in itertools.pairwise(edges):
            part = _as_scans(points[begin:end])
            part = replace(part, sequence=part.sequence + begin)
            minutes.append(combined(part, Grid(60.0)))
        again = list(to_buckets(combined(joined(minutes, 1), Grid(3600.0))))
        assert len(again) == len(whole)
        for one, other in zip(again, whole, strict=True):
            assert (one.start, one.scans) == (other.start, other.scans)
            (found,), (expected,) = one.statistics, other.statistics
            assert found._replace(mean=None) == expected._replace(mean=None)
            if expected.mean is not None:
                assert found.mean == pytest.approx(expected.mean, rel=1e-9, abs=1e-5)

    def test_a_bucket_needs_a_width(self, journal):
        journal.commit([outcome(1)])
        with History(journal.path) as history, pytest.raises(ValueError, match="no width"):
            list(history.buckets("north", [SIGNAL], NOW, NOW + 1, 0.0))


def _as_scans(points):
    """Scans of one column from (time, value, status) in the order of time."""
    return of_scans(
        np.array([time for time, _, _ in points], float),
        np.arange(len(points)),
        np.array([[math.nan if value is None else value] for _, value, _ in points], float).reshape(-1, 1),
        np.array([[int(status)] for _, _, status in points], np.int64).reshape(-1, 1),
    )
