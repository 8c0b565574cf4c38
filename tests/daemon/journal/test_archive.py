"""The archive: what comes back, within which bounds and for whom, before and after scans have moved there."""

from __future__ import annotations

import math
import random

import pytest

from daemon.journal.blocks import read_block
from daemon.journal.journal import Journal
from daemon.journal.packing import layout_of, pack_scan
from daemon.journal.queries import History
from tests.support.archives import (
    DAY,
    GRAINS,
    HOT,
    LEVEL,
    MARGIN,
    MIDNIGHT,
    archive,
    filled,
    sequences,
    step,
    steps,
)

COLUMNS = [HOT, LEVEL, MARGIN]


def test_archived_scans_come_back_within_their_bounds(days):
    expected = list(steps(MIDNIGHT, MIDNIGHT + 3.5 * DAY, 30.0))
    with History(days) as history:
        rows = list(history.values("north", COLUMNS, MIDNIGHT, MIDNIGHT + 3.5 * DAY))
        assert history.unreadable == []
    assert len(rows) == len(expected)
    assert [row.sequence for row in rows] == list(range(1, len(expected) + 1))
    for row, given_ in zip(rows, expected, strict=True):
        assert row.time == pytest.approx(given_.time, abs=1e-6)
        assert row.state is given_.state
        hot, level, margin = row.samples
        for sample, reading in ((hot, given_.signals["hot"]), (level, given_.signals["level"])):
            assert (sample.status, sample.reason) == (reading.status, reading.reason)
            assert sample.time == pytest.approx(reading.time, abs=0.051)
            assert (sample.value is None) == (reading.value is None)
        result = given_.results["margin"]
        assert (margin.status, margin.reason) == (result.status, result.reason)
        if hot.value is not None:  # a whole-number register comes back as it was read
            assert hot.value == pytest.approx(given_.signals["hot"].value, abs=1e-9)
        assert level.value == given_.signals["level"].value  # no resolution: to the last bit
        if result.value is not None:
            assert abs(margin.value - result.value) <= 0.0025 + 1e-12
            assert margin.uncertainty == pytest.approx(result.uncertainty, rel=2.0**-8)


def test_statistics_are_the_same_before_and_after_archiving(tmp_path):
    journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 2.2 * DAY, 30.0)
    questions = [(60.0, 0.0), (3600.0, 1234.5), (28800.0, 7.0), (45.0, 0.0), (5400.0, 0.0)]

    def answers():
        with History(journal.path) as history:
            return [
                list(history.buckets("north", COLUMNS, MIDNIGHT + late, MIDNIGHT + 2.1 * DAY, width))
                for width, late in questions
            ]

    before = answers()
    assert archive(journal, MIDNIGHT + 2.2 * DAY).scans == 2 * 2880
    after = answers()
    journal.close()
    for old, new in zip(before, after, strict=True):
        assert [(bucket.start, bucket.scans) for bucket in old] == [
            (bucket.start, bucket.scans) for bucket in new
        ]
        for one, other in zip(old, new, strict=True):
            for column, first, second in zip(COLUMNS, one.statistics, other.statistics, strict=True):
                assert (first.count, first.worst) == (second.count, second.worst)
                grain = GRAINS[column]
                bound = 1e-9 if grain is None else grain.step / 2 + 1e-9
                for part in ("minimum", "maximum", "last", "mean"):
                    expected, found = getattr(first, part), getattr(second, part)
                    assert found == (None if expected is None else pytest.approx(expected, abs=bound)), part


def test_the_exact_rows_stay_for_replay_until_the_journal_is_pruned(tmp_path):
    journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 2.5 * DAY, 30.0)
    now = MIDNIGHT + 2.5 * DAY
    exact = [entry.body for entry in journal.entries(0, 10)]
    archive(journal, now)
    assert [entry.body for entry in journal.entries(0, 10)] == exact
    whole = sequences(journal.path)
    while not journal.prune(now - DAY / 4, now=now, spare_unarchived=True).finished:
        pass
    assert journal.entries(0, 1)[0].sequence == 2 * 2880 + 1, "what the archive has not must stay"
    assert sequences(journal.path) == whole
    while not journal.prune(now - DAY / 4, now=now).finished:
        pass
    assert len(sequences(journal.path)) == len(whole) - DAY / 120
    journal.close()


def test_a_clock_that_was_wrong_costs_no_scan_and_doubles_none(tmp_path):
    journal = Journal.open(tmp_path / "journal.sqlite3", now=MIDNIGHT)
    rng = random.Random(3)
    times = [5.0, 6.0]  # 1970, before the first synchronisation
    times += [MIDNIGHT + n * 60.0 for n in range(1440)]
    times += [MIDNIGHT + 400 * DAY, MIDNIGHT + 400 * DAY + 1]  # a year ahead for a moment
    times += [MIDNIGHT + DAY + n * 60.0 for n in range(700)]
    times += [MIDNIGHT + DAY - 3000.0 + n * 60.0 for n in range(800)]  # set back by most of a day
    for number, time in enumerate(times):
        journal.commit([step(number, time, rng)])
    now = times[-1]
    for hour in range(0, 60, 2):
        archive(journal, now - DAY + hour * 3600.0)
        assert sequences(journal.path, -1.0, MIDNIGHT + 500 * DAY) == set(range(1, len(times) + 1))
    with History(journal.path) as history:
        rows = list(history.values("north", COLUMNS, -1.0, MIDNIGHT + 500 * DAY))
        assert [row.time for row in rows] == sorted(row.time for row in rows)
        buckets = list(history.buckets("north", [HOT], -1.0, MIDNIGHT + 500 * DAY, 3600.0))
        assert sum(bucket.scans for bucket in buckets) == len(times)
        assert [bucket.start for bucket in buckets] == sorted({t // 3600 * 3600 for t in times})
    journal.close()


def test_each_unit_is_archived_by_itself_also_one_that_is_no_longer_scanned(tmp_path):
    journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + DAY / 2, 60.0, "north", "south")
    journal.commit(list(steps(MIDNIGHT + DAY / 2, MIDNIGHT + 2.5 * DAY, 60.0, "north")))
    archive(journal, MIDNIGHT + 2.5 * DAY)
    with History(journal.path) as history:
        assert len(list(history.values("south", [HOT], MIDNIGHT, MIDNIGHT + DAY))) == 720
        assert len(list(history.values("north", [HOT], MIDNIGHT, MIDNIGHT + 3 * DAY))) == 3600
        assert history.last("south", [HOT]).time == MIDNIGHT + DAY / 2 - 60
    while not journal.prune(MIDNIGHT + 2 * DAY, now=MIDNIGHT + 2.5 * DAY, spare_unarchived=True).finished:
        pass
    with History(journal.path) as history:
        assert history.last("south", [HOT]).time == MIDNIGHT + DAY / 2 - 60
        assert history.span("south") == (MIDNIGHT, MIDNIGHT + DAY / 2 - 60)
    journal.close()


def test_many_rows_at_once_are_the_same_as_one_by_one():
    found = list(steps(MIDNIGHT, MIDNIGHT + DAY / 24, 10.0))
    layout = layout_of(found[0])
    scans = [(at, one.time, 1, pack_scan(one)) for at, one in enumerate(found)]
    scans[7] = (*scans[7][:3], scans[7][3][:-1] + b"\x00")
    block = read_block(scans, lambda _: layout, COLUMNS, everything=True)
    assert block.damaged == 1
    kept = found[:7] + found[8:]
    assert [None if math.isnan(value) else value for value in block.values[:, 0]] == [
        one.signals["hot"].value for one in kept
    ]
    assert block.codes[:, 2].tolist() == [int(one.results["margin"].status) for one in kept]
    assert block.age[:, 1] == pytest.approx([one.time - one.signals["level"].time for one in kept])
    assert block.reasons[0] == {0: "open circuit", 1: "old", 2: "hot is bad: open circuit"}
