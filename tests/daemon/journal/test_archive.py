"""The archive: what comes back, within which bounds, for whom, whatever was killed or damaged when."""

from __future__ import annotations

import json
import math
import random
import sqlite3
from pathlib import Path

import duckdb
import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.journal import manifest
from daemon.journal.archive_reading import FileFacts, read_points, read_scans
from daemon.journal.archive_writing import write_scans
from daemon.journal.blocks import Block, read_block
from daemon.journal.columns import Column, Grain
from daemon.journal.errors import ArchiveDamaged, JournalError
from daemon.journal.journal import Journal
from daemon.journal.packing import layout_of, pack_scan
from daemon.journal.queries import History
from daemon.model import Status
from tests.support.archives import (
    DAY,
    GRAINS,
    HOT,
    LEVEL,
    MARGIN,
    MIDNIGHT,
    archive,
    catalogue,
    filled,
    folder,
    step,
    steps,
)

COLUMNS = [HOT, LEVEL, MARGIN]


@pytest.fixture(scope="module")
def days(tmp_path_factory) -> Path:
    """Three and a half days of scans every 30 s, of which three days are archived, in a closed journal."""
    path = tmp_path_factory.mktemp("days") / "journal.sqlite3"
    journal = filled(path, MIDNIGHT, MIDNIGHT + 3.5 * DAY, 30.0)
    archive(journal, MIDNIGHT + 3.5 * DAY)
    journal.close()
    return path


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
    whole = _sequences(journal.path)
    while not journal.prune(now - DAY / 4, now=now, spare_unarchived=True).finished:
        pass
    assert journal.entries(0, 1)[0].sequence == 2 * 2880 + 1, "what the archive has not must stay"
    assert _sequences(journal.path) == whole
    while not journal.prune(now - DAY / 4, now=now).finished:
        pass
    assert len(_sequences(journal.path)) == len(whole) - DAY / 120
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
        assert _sequences(journal.path, -1.0, MIDNIGHT + 500 * DAY) == set(range(1, len(times) + 1))
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


class TestFiles:
    def test_any_tool_reads_values_and_what_they_are(self, days):
        path = folder_of(days) / "north"
        found = duckdb.sql(
            f'SELECT count(*), min(time), count("signal:hot"), sum(("signal:hot:status" <> 0)::int) '
            f"FROM read_parquet('{path}/scans-*.parquet')"
        ).fetchall()[0]
        bad = sum(1 for n in range(3 * 2880) if n % 97 == 0)
        assert found[0] == 3 * 2880
        assert found[1].timestamp() == MIDNIGHT
        assert (found[2], found[3]) == (3 * 2880 - bad, bad)
        field = pq.read_schema(next(path.glob("scans-*.parquet"))).field("signal:hot")
        about = {key.decode(): text.decode() for key, text in field.metadata.items()}
        assert (about["quantity"], about["unit"], about["description"]) == ("temperature", "K", "invented")
        scale, offset = float(about["scale"]), float(about["offset"])
        assert float(about["error_bound"]) == pytest.approx(0.05 / 1.8)
        ((mean,),) = duckdb.sql(
            f"SELECT avg(\"signal:hot\") * {scale} + {offset} FROM read_parquet('{path}/scans-*.parquet')"
        ).fetchall()
        values = [one.signals["hot"].value for one in steps(MIDNIGHT, MIDNIGHT + 3 * DAY, 30.0)]
        known = [value for value in values if value is not None]
        assert mean == pytest.approx(sum(known) / len(known), abs=1e-6)

    def test_metadata_say_which_part_of_which_journal(self, days):
        first = min((folder_of(days) / "north").glob("scans-*.parquet"))
        facts = json.loads(pq.read_schema(first).metadata[b"facts"])
        with History(days) as history:
            assert facts == {
                "identity": history.identity, "unit": "north", "width": 0, "first": 1, "last": 2880,
                "configuration": "cafe",
            }  # fmt: skip
        assert first.name == "scans-2023-11-15T0000-1-2880.parquet"

    def test_a_damaged_file_is_named_and_the_rest_answers(self, tmp_path):
        journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 3.5 * DAY, 60.0)
        archive(journal, MIDNIGHT + 3.5 * DAY)
        journal.close()
        second = sorted((folder_of(journal.path) / "north").glob("scans-*.parquet"))[1]
        whole = second.read_bytes()
        for broken in (whole[: len(whole) // 2], b"", _flipped(whole)):
            second.write_bytes(broken)
            with History(journal.path) as history:
                rows = list(history.values("north", COLUMNS, MIDNIGHT, MIDNIGHT + 4 * DAY))
                assert len(rows) < 3.5 * 1440
                assert len(rows) >= 2.5 * 1440
                assert sum("scans-2023-11-16T0000" in text for text in history.unreadable) == 1
                assert sum("scans-2023-11-16T0000" in text for text in history.verify()) == 1
                # Statistics have files of their own.
                minutes = history.buckets("north", [HOT], MIDNIGHT, MIDNIGHT + 3 * DAY, 60.0)
                assert sum(bucket.scans for bucket in minutes) == 3 * 1440
        second.unlink()
        with History(journal.path) as history:
            assert len(list(history.values("north", COLUMNS, MIDNIGHT, MIDNIGHT + 4 * DAY))) == 2.5 * 1440
            assert "it is missing" in history.unreadable[0]

    def test_a_folder_of_another_journal_is_refused(self, tmp_path):
        first = filled(tmp_path / "one.sqlite3", MIDNIGHT, MIDNIGHT + DAY, 600.0)
        archive(first, MIDNIGHT + 2 * DAY)
        second = filled(tmp_path / "two.sqlite3", MIDNIGHT, MIDNIGHT + DAY, 600.0)
        with pytest.raises(JournalError, match="holds the archive of another journal"):
            archive(second, MIDNIGHT + 2 * DAY)
        first.close()
        second.close()

    def test_the_journal_and_its_archive_can_be_moved_together(self, tmp_path):
        home, away = tmp_path / "home", tmp_path / "away"
        home.mkdir()
        journal = filled(home / "journal.sqlite3", MIDNIGHT, MIDNIGHT + DAY, 60.0)
        archive(journal, MIDNIGHT + 2 * DAY)
        journal.close()
        home.rename(away)
        with History(away / "journal.sqlite3") as history:
            assert len(list(history.values("north", [HOT], MIDNIGHT, MIDNIGHT + DAY))) == 1440

    @settings(max_examples=40, deadline=None)
    @given(
        st.lists(
            st.none() | st.floats(-1e7, 1e7) | st.sampled_from([0.0, -0.0, 1e-9, 1e300, math.inf]),
            min_size=1, max_size=50,
        ),
        st.floats(1e-4, 10.0), st.floats(-500.0, 500.0),
    )  # fmt: skip
    def test_every_value_comes_back_within_half_a_step(self, tmp_path_factory, values, scale, origin):
        path = tmp_path_factory.mktemp("one") / "a.parquet"
        grain = Grain(scale, origin)
        numbers = np.array([[math.nan if value is None else value] for value in values])
        count = len(values)
        block = Block(
            np.arange(count), MIDNIGHT + np.arange(count, dtype=float), np.ones(count, np.int64), numbers,
            np.zeros((count, 1), np.int64), np.full((count, 1), np.nan), np.zeros((count, 1)),
            [{} for _ in values], 0,
        )  # fmt: skip
        facts = FileFacts("id", "north", 0, 0, count)
        write_scans(path, facts, [HOT], catalogue(grains={HOT: grain}), lambda: [block])
        found = read_points(path, [HOT], -math.inf, math.inf).last[:, 0]
        assert len(found) == count
        field = pq.read_schema(path).field(str(HOT)).metadata
        bound = float(field.get(b"error_bound", 0.0))
        for value, back in zip(values, found, strict=True):
            if value is None:
                assert math.isnan(back)
            else:
                slack = 4e-16 * max(abs(value), abs(origin)) if bound else 0.0
                assert back == value or abs(back - value) <= bound + slack

    def test_a_column_that_a_later_configuration_brings_is_absent_before(self, tmp_path):
        journal = Journal.open(tmp_path / "journal.sqlite3", now=MIDNIGHT)
        old, new = step(1, MIDNIGHT, random.Random(1)), step(2, MIDNIGHT + 60, random.Random(2))
        signals = dict(old.signals)
        del signals["level"]
        journal.commit([_with(old, signals), new])
        archive(journal, MIDNIGHT + 2 * DAY)
        with History(journal.path) as history:
            first, second = history.values("north", [LEVEL, HOT], MIDNIGHT, MIDNIGHT + DAY)
            assert first.samples[0] is None
            assert first.samples[1].status is Status.GOOD
            assert second.samples[0].value == new.signals["level"].value
            unknown = Column("signal", "never")
            (row,) = history.values("north", [unknown], MIDNIGHT + 60, MIDNIGHT + DAY)
            assert row.samples == (None,)
        journal.close()

    def test_a_file_that_is_no_archive_file_says_so(self, tmp_path):
        path = tmp_path / "notes.parquet"
        path.write_text("my notes")
        with pytest.raises(ArchiveDamaged, match=r"archive file .*notes.parquet"):
            list(read_scans(path, [HOT], 0.0, 1.0))


class TestKilled:
    """The archiver stopped at every place where it can be; then once more, to the end."""

    class Stop(BaseException):
        pass

    def test_wherever_it_stops_nothing_is_lost_or_doubled(self, tmp_path):
        journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 3.5 * DAY, 120.0)
        whole = set(range(1, round(3.5 * 720) + 1))
        stops = 0
        for place in range(1, 200):
            left = place

            def pause() -> None:
                nonlocal left
                left -= 1
                if left == 0:
                    raise self.Stop

            try:
                archive(journal, MIDNIGHT + 3.5 * DAY, pause)
            except self.Stop:
                stops += 1
            else:
                break
            assert _sequences(journal.path) == whole
        assert stops > 3
        assert _sequences(journal.path) == whole
        _strays_are_gone(journal)
        journal.close()

    @pytest.mark.parametrize("width", ["scans", "minutes"])
    def test_a_file_that_never_came_to_answer_is_made_again(self, tmp_path, width):
        journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 1.5 * DAY, 120.0)
        archive(journal, MIDNIGHT + 1.5 * DAY)
        with journal.transaction() as connection:  # as before the one transaction of the switch
            connection.execute("DELETE FROM archive")
            connection.execute("DELETE FROM archived")
        assert _sequences(journal.path) == set(range(1, 1081))
        (folder(journal) / "north" / ".scans-x.parquet.0a.part").write_bytes(b"half a file")
        done = archive(journal, MIDNIGHT + 1.5 * DAY)
        assert (done.files, done.trouble) == (2, [])
        assert _sequences(journal.path) == set(range(1, 1081))
        _strays_are_gone(journal)
        journal.close()

    def test_a_journal_that_forgot_its_archive_takes_it_in_again(self, tmp_path):
        journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 3.5 * DAY, 120.0)
        now = MIDNIGHT + 3.5 * DAY
        archive(journal, now)
        while not journal.prune(now - 2.2 * DAY, now=now, spare_unarchived=True).finished:
            pass
        with journal.transaction() as connection:  # as after a salvage that could not read the two tables
            connection.execute("DELETE FROM archive")
            connection.execute("DELETE FROM archived")
        assert len(_sequences(journal.path)) < 3.5 * 720
        archive(journal, now)
        assert _sequences(journal.path) == set(range(1, round(3.5 * 720) + 1))
        with History(journal.path) as history:
            minutes = list(history.buckets("north", [HOT], MIDNIGHT, now, 60.0))
            assert sum(bucket.scans for bucket in minutes) == 3.5 * 720
            assert history.verify() == []
        journal.close()

    def test_a_file_that_expired_and_was_not_removed_goes_later(self, tmp_path):
        journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 2 * DAY, 120.0)
        now = MIDNIGHT + 3 * DAY
        archive(journal, now)
        journal.prune(now, now=now, spare_unarchived=True)
        with journal.transaction() as connection:
            manifest.forget(connection, [part.name for part in manifest.parts(connection, width=0)])
        assert len(list((folder(journal) / "north").glob("scans-*"))) == 2
        archive(journal, now, keep_scans=DAY)
        assert list((folder(journal) / "north").glob("scans-2023-11-15*")) == []
        journal.close()


class TestRetention:
    def test_each_class_is_kept_for_its_time(self, tmp_path):
        journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 75 * DAY, 1800.0)
        now = MIDNIGHT + 75 * DAY  # 2024-01-29
        archive(journal, now)
        with History(journal.path) as history:
            hourly = list(history.buckets("north", [HOT, MARGIN], MIDNIGHT, now, 3600.0))
        assert len(hourly) == 75 * 24
        done = archive(journal, now, keep_scans=10 * DAY, keep_minutes=20 * DAY, keep_hours=70 * DAY)
        assert done.expired > 60
        while not journal.prune(now - DAY, now=now, spare_unarchived=True).finished:
            pass
        names = sorted(path.name[:18] for path in (folder(journal) / "north").glob("*.parquet"))
        assert [name for name in names if name.startswith("hours")] == [
            "hours-2023-11-15T0", "hours-2023-12-01T0",
        ]  # fmt: skip
        with History(journal.path) as history:
            assert list(history.buckets("north", [HOT, MARGIN], MIDNIGHT, now, 3600.0)) == hourly
            scans = list(history.values("north", [HOT], MIDNIGHT, now))
            assert scans[0].time == MIDNIGHT + 64 * DAY
            assert history.span("north") == (MIDNIGHT, now - 1800.0)
        journal.close()

    def test_minutes_wait_for_their_hours(self, tmp_path):
        journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 5 * DAY, 1800.0)
        now = MIDNIGHT + 5.1 * DAY
        archive(journal, now, keep_scans=DAY, keep_minutes=DAY, keep_hours=300 * DAY)
        while not journal.prune(now - DAY, now=now, spare_unarchived=True).finished:
            pass
        with History(journal.path) as history:
            hours = list(history.buckets("north", [HOT], MIDNIGHT, now, 3600.0))
            assert sum(bucket.scans for bucket in hours) == 240
        journal.close()

    def test_a_damaged_scan_is_left_out_and_counted(self, tmp_path):
        journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + DAY, 600.0)
        journal._connection.execute("UPDATE entry SET body = substr(body, 1, 30) WHERE sequence IN (3, 144)")
        done = archive(journal, MIDNIGHT + 2 * DAY)
        assert (done.scans, done.damaged) == (142, 2)
        assert _sequences(journal.path) == set(range(1, 145)) - {3, 144}
        assert archive(journal, MIDNIGHT + 2 * DAY).files == 0
        journal.close()

    def test_disk_use_is_what_lies_there(self, days):
        connection = sqlite3.connect(days)
        used = manifest.usage(connection, days)
        connection.close()
        on_disk = sum(path.stat().st_size for path in folder_of(days).rglob("*.parquet"))
        assert used.archive == on_disk
        assert min(used.scans, used.minutes) > 0
        assert used.journal >= days.stat().st_size


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


def folder_of(path: Path) -> Path:
    return path.parent / "tegwatch-archive"


def _with(outcome, signals):
    from dataclasses import replace  # noqa: PLC0415

    return replace(outcome, signals=signals)


def _flipped(data: bytes) -> bytes:
    """One bit in the middle of the first column's pages."""
    at = len(data) // 3
    return data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :]


def _sequences(path: Path, start: float = 0.0, end: float = MIDNIGHT + 1000 * DAY) -> set[int]:
    """Which scans answer; fails where one answers twice."""
    with History(path) as history:
        found = [row.sequence for row in history.values("north", [HOT], start, end)]
        assert history.unreadable == []
    assert len(found) == len(set(found)), "a scan answers twice"
    return set(found)


def _strays_are_gone(journal: Journal) -> None:
    there = {str(path.relative_to(folder(journal))) for path in folder(journal).glob("*/*")}
    with journal.transaction() as connection:
        assert there == {part.name for part in manifest.parts(connection)}
