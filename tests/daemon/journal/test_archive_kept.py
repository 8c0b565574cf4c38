"""What the archive keeps: whatever is killed, forgotten or damaged when, and for how long."""

from __future__ import annotations

import pytest

from daemon.journal import manifest
from daemon.journal.journal import Journal
from daemon.journal.queries import History
from tests.support.archives import DAY, HOT, MARGIN, MIDNIGHT, archive, filled, folder, sequences


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
            assert sequences(journal.path) == whole
        assert stops > 3
        assert sequences(journal.path) == whole
        _strays_are_gone(journal)
        journal.close()

    @pytest.mark.parametrize("width", ["scans", "minutes"])
    def test_a_file_that_never_came_to_answer_is_made_again(self, tmp_path, width):
        journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 1.5 * DAY, 120.0)
        archive(journal, MIDNIGHT + 1.5 * DAY)
        with journal.transaction() as connection:  # as before the one transaction of the switch
            connection.execute("DELETE FROM archive")
            connection.execute("DELETE FROM archived")
        assert sequences(journal.path) == set(range(1, 1081))
        (folder(journal) / "north" / ".scans-x.parquet.0a.part").write_bytes(b"half a file")
        done = archive(journal, MIDNIGHT + 1.5 * DAY)
        assert (done.files, done.trouble) == (2, [])
        assert sequences(journal.path) == set(range(1, 1081))
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
        assert len(sequences(journal.path)) < 3.5 * 720
        archive(journal, now)
        assert sequences(journal.path) == set(range(1, round(3.5 * 720) + 1))
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
        assert sequences(journal.path) == set(range(1, 145)) - {3, 144}
        assert archive(journal, MIDNIGHT + 2 * DAY).files == 0
        journal.close()


def _strays_are_gone(journal: Journal) -> None:
    there = {str(path.relative_to(folder(journal))) for path in folder(journal).glob("*/*")}
    with journal.transaction() as connection:
        assert there == {part.name for part in manifest.parts(connection)}
