"""The journal as one process sees it: order, transactions, cursors, retention, the chain of records."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path

import pytest

from daemon.journal import schema
from daemon.journal.errors import JournalUnusable, StoreFailed
from daemon.journal.integrity import verify
from daemon.journal.journal import Journal
from daemon.model import AlarmTransition, EntryKind, Event, ScanRecord
from tests.support.outcomes import event, outcome, transition

NOW = 1_700_000_000.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite3"


@pytest.fixture
def journal(path: Path):
    opened = Journal.open(path, now=NOW, machine_boot="boot-a")
    yield opened
    opened.close()


def kill(journal: Journal) -> None:
    """Let go of the file as a killed process does: nothing is said good-bye to."""
    journal._connection.close()
    journal._lock.close()


def test_entries_come_back_in_order_scan_first_then_alarms_then_events(journal):
    last = journal.commit([outcome(1, alarms=(transition(1), transition(2)), events=(event(3),)), outcome(2)])
    entries = journal.entries(0, 100)
    assert [entry.sequence for entry in entries] == [1, 2, 3, 4, 5]
    assert last == 5
    assert [type(entry.body) for entry in entries] == [
        ScanRecord, AlarmTransition, AlarmTransition, Event, ScanRecord,
    ]  # fmt: skip
    assert entries[1].body == transition(1)
    assert entries[3].body == event(3)


def test_reading_goes_on_after_a_cursor_and_by_kind(journal):
    journal.commit([outcome(n, alarms=(transition(n),) if n % 10 == 0 else ()) for n in range(1, 101)])
    assert [entry.sequence for entry in journal.entries(50, 3)] == [51, 52, 53]
    alarms = journal.entries(0, 100, {EntryKind.ALARM})
    assert [entry.body.occurrence for entry in alarms] == [f"reboiler_high-{n}" for n in range(10, 101, 10)]
    assert journal.entries(alarms[-1].sequence, 5, {EntryKind.ALARM}) == []


def test_alarms_are_found_without_reading_the_scans_between_them(journal):
    plan = " ".join(
        row[3]
        for row in journal._connection.execute(
            "EXPLAIN QUERY PLAN SELECT sequence FROM entry WHERE sequence > 5 AND kind IN (2,3) "
            "AND kind <> 1 ORDER BY sequence LIMIT 10"
        )
    )
    assert "record_by_sequence" in plan


def test_a_clock_set_back_neither_reorders_nor_overwrites(journal):
    times = [NOW, NOW + 1, NOW - 86400, NOW - 86399, NOW + 1, 0.0]
    for number, time in enumerate(times):
        journal.commit([outcome(number, time=time)])
    entries = journal.entries(0, 100)
    assert [entry.time for entry in entries] == times
    assert [entry.sequence for entry in entries] == sorted(entry.sequence for entry in entries)


def test_a_failing_commit_leaves_nothing_and_can_be_repeated(journal):
    journal.commit([outcome(1)])
    broken = outcome(2, unit="new", alarms=(transition(2),), checkpoint="state 2")
    drafts = [journal.number(broken)]
    journal._connection.execute(
        "CREATE TEMP TRIGGER full BEFORE INSERT ON main.entry WHEN NEW.kind = 2 "
        "BEGIN SELECT RAISE(ABORT, 'database or disk is full'); END"
    )
    with pytest.raises(StoreFailed, match="disk is full"):
        journal.store(drafts)
    assert len(journal.entries(0, 100)) == 1
    assert journal.checkpoint("new") is None
    journal._connection.execute("DROP TRIGGER full")
    journal.store(drafts)
    assert [entry.sequence for entry in journal.entries(0, 100)] == [1, 2, 3]
    assert journal.checkpoint("new").body == "state 2"
    assert journal.verify() == []


def test_a_checkpoint_is_stored_with_its_outcome_and_says_whether_its_clock_still_counts(path):
    journal = Journal.open(path, now=NOW, machine_boot="boot-a")
    journal.commit([outcome(1, checkpoint="one"), outcome(2, checkpoint="two", alarms=(transition(2),))])
    saved = journal.checkpoint("north")
    assert (saved.body, saved.sequence, saved.monotonic, saved.same_boot) == ("two", 3, 1002.0, True)
    journal.close()
    journal = Journal.open(path, now=NOW, machine_boot="boot-b")
    assert journal.checkpoint("north").same_boot is False
    journal.close()


def test_batches_with_records_wait_for_the_disk_and_others_do_not(journal):
    statements: list[str] = []
    journal._connection.set_trace_callback(statements.append)
    journal.commit([outcome(1)])
    journal.commit([outcome(2), outcome(3, events=(event(3),))])
    assert [text for text in statements if "synchronous" in text] == [
        "PRAGMA synchronous = NORMAL",
        "PRAGMA synchronous = FULL",
    ]


def test_a_cursor_moves_forward_only_and_survives(path):
    journal = Journal.open(path, now=NOW)
    assert journal.cursor("mqtt") is None
    journal.commit([outcome(6), outcome(7)])
    journal.move_cursor("mqtt", 6)
    journal.move_cursor("mqtt", 3)
    journal.close()
    journal = Journal.open(path, now=NOW)
    assert journal.cursor("mqtt") == 6
    journal.close()


def test_numbering_goes_on_after_a_clean_stop_and_jumps_after_any_other(path):
    journal = Journal.open(path, now=NOW)
    journal.commit([outcome(1), outcome(2)])
    journal.number(outcome(3))  # told to a sink while the disk was full, then never stored
    journal.close()
    journal = Journal.open(path, now=NOW)
    assert journal.next_sequence == 4
    journal.commit([outcome(3)])
    kill(journal)
    journal = Journal.open(path, now=NOW)
    assert journal.next_sequence == 4 + schema.STRIDE
    assert [entry.sequence for entry in journal.entries(0, 10)] == [1, 2, 4]
    journal.close()


def test_numbers_are_not_used_again_when_the_newest_entries_were_pruned(path):
    journal = Journal.open(path, now=NOW)
    journal.commit([outcome(n) for n in range(10)])
    journal.prune(NOW + 1e6, now=NOW + 1e6)
    journal.close()
    journal = Journal.open(path, now=NOW)
    assert journal.next_sequence == 11
    journal.commit([outcome(11)])
    journal.prune(NOW + 1e6, now=NOW + 1e6)
    kill(journal)
    journal = Journal.open(path, now=NOW)
    assert journal.next_sequence > 11
    journal.close()


def test_a_start_on_a_full_disk_watches_on_and_uses_no_number_twice(path, monkeypatch):
    journal = Journal.open(path, now=NOW)
    journal.commit([outcome(1)])
    journal.close()

    def full(self):
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as disk:
        disk.setattr(Journal, "_enroll", full)
        journal = Journal.open(path, now=NOW)
        draft = journal.number(outcome(2, alarms=(transition(2),)))
        with pytest.raises(StoreFailed, match="full"):
            journal.store([draft])
    journal.store([draft])  # the disk has recovered
    assert [entry.sequence for entry in journal.entries(0, 10)] == [1, draft.first, draft.last]
    assert draft.first > schema.STRIDE
    assert journal.verify() == []
    kill(journal)
    journal = Journal.open(path, now=NOW)
    assert journal.next_sequence > draft.last
    journal.close()


def test_a_log_cut_off_anywhere_leaves_whole_outcomes_and_no_number_is_used_again(path, tmp_path):
    """A power cut leaves any first part of the log: what opens then is a first part of the journal."""
    journal = Journal.open(path, now=NOW)
    journal._connection.execute("PRAGMA wal_autocheckpoint = 0")
    for number in range(40):
        alarms = (transition(number),) if number % 4 == 0 else ()
        journal.commit([outcome(number, alarms=alarms, checkpoint=str(number))])
    whole, used = journal.entries(0, 1000), journal.last_sequence
    main, log = path.read_bytes(), path.with_name(path.name + "-wal").read_bytes()
    journal.close()
    lengths = set()
    rng = random.Random(7)
    for _ in range(40):
        cut = tmp_path / f"cut-{len(lengths)}-{rng.random()}.sqlite3"
        cut.write_bytes(main)
        cut.with_name(cut.name + "-wal").write_bytes(log[: rng.randrange(len(log))])
        try:
            journal = Journal.open(cut, now=NOW)
        except JournalUnusable:  # cut off within the making of the file itself, before any entry
            continue
        found = journal.entries(0, 1000)
        assert journal.salvage is None
        assert found == whole[: len(found)]
        assert journal.verify() == []
        scans = [entry for entry in found if entry.kind is EntryKind.SCAN]
        alarms = [entry for entry in found if entry.kind is EntryKind.ALARM]
        assert len(alarms) == (len(scans) + 3) // 4, "an outcome in part"
        if scans:
            assert journal.checkpoint("north").body == str(len(scans) - 1)
            assert journal.next_sequence > used
        lengths.add(len(found))
        journal.close()
    assert len(lengths) > 10


class TestPrune:
    def test_old_scans_go_and_records_stay(self, journal):
        journal.commit([outcome(n, alarms=(transition(n),) if n == 3 else ()) for n in range(10)])
        pruned = journal.prune(NOW + 6, now=NOW + 10)
        assert (pruned.scans, pruned.finished) == (6, True)
        assert [entry.time - NOW for entry in journal.entries(0, 100)] == [3, 6, 7, 8, 9]
        assert journal.verify() == []

    def test_what_a_slow_sink_did_not_get_is_counted_as_its_loss(self, journal):
        journal.move_cursor("alarms_only", 0)
        journal.commit([outcome(n) for n in range(10)])
        journal.move_cursor("slow", 2)
        pruned = journal.prune(NOW + 6, now=NOW + 10, scan_readers={"slow"})
        assert pruned.lost == {"slow": 4}
        assert (journal.lost("slow"), journal.lost("alarms_only")) == (4, 0)

    def test_scans_of_a_clock_that_was_wrong_do_not_take_others_along(self, journal):
        # 1970 before the first synchronisation, then right, then a year ahead for a moment, then right.
        times = [5.0, NOW, NOW + 3.2e7, NOW + 1, 6.0, NOW + 2]
        journal.commit([outcome(n, time=time) for n, time in enumerate(times)])
        assert journal.prune(NOW - 3600, now=NOW + 3).scans == 1
        assert [entry.time for entry in journal.entries(0, 10)] == times[1:]
        assert journal.prune(NOW + 2, now=NOW + 3).scans == 4
        assert [entry.time for entry in journal.entries(0, 10)] == [NOW + 2]

    def test_everything_goes_when_everything_is_old(self, journal):
        journal.commit([outcome(n) for n in range(4)])
        assert journal.prune(NOW + 1e6, now=NOW + 2e6).scans == 4
        assert journal.entries(0, 10) == []

    def test_nothing_to_prune_is_no_error(self, journal):
        assert journal.prune(NOW, now=NOW).scans == 0


class TestChain:
    @pytest.fixture
    def written(self, path):
        journal = Journal.open(path, now=NOW)
        journal.commit([outcome(n, alarms=(transition(n, actor="maria"),)) for n in range(1, 4)])
        journal.close()
        return path

    @pytest.mark.parametrize(
        ("tampering", "complaint"),
        [
            (
                "UPDATE entry SET body = replace(body, 'maria', 'jorge') WHERE sequence = 4",
                "record 4 was changed",
            ),
            ("UPDATE entry SET boot = 99 WHERE sequence = 4", "record 4 was changed"),
            ("DELETE FROM entry WHERE sequence = 4", "record 6 was changed"),
            ("DELETE FROM entry WHERE sequence = 6", "newest records are missing"),
            ("UPDATE entry SET body = substr(body, 1, 40) || zeroblob(10) WHERE sequence = 3", "scan 3"),
        ],
    )
    def test_tampering_shows(self, written, tampering, complaint):
        connection = sqlite3.connect(written)
        connection.text_factory = schema.forgiving_text
        connection.execute(tampering)
        connection.commit()
        found = verify(connection)
        connection.close()
        assert any(complaint in text for text in found), found

    def test_an_untouched_journal_passes(self, written):
        journal = Journal.open(written, now=NOW)
        assert journal.salvage is None
        assert journal.verify() == []
        journal.close()


class TestRefusals:
    def test_a_second_daemon_on_the_same_journal(self, journal):
        with pytest.raises(JournalUnusable, match="in use by another daemon"):
            Journal.open(journal.path, now=NOW)

    def test_a_file_that_is_no_database(self, path):
        path.write_text("These are my notes.\n" * 100)
        with pytest.raises(JournalUnusable, match="is not a journal"):
            Journal.open(path, now=NOW)
        assert path.read_text().startswith("These are my notes.")

    def test_a_database_of_something_else(self, path):
        with sqlite3.connect(path) as other:
            other.execute("CREATE TABLE accounts (id)")
        other.close()
        with pytest.raises(JournalUnusable, match="database of something else"):
            Journal.open(path, now=NOW)

    def test_a_journal_of_a_newer_version(self, path):
        Journal.open(path, now=NOW).close()
        connection = sqlite3.connect(path)
        connection.execute("PRAGMA user_version = 99")
        connection.close()
        with pytest.raises(JournalUnusable, match=r"newer tegwatch \(journal version 99"):
            Journal.open(path, now=NOW)

    def test_a_folder_that_does_not_exist(self, tmp_path):
        with pytest.raises(JournalUnusable, match="check that the folder exists"):
            Journal.open(tmp_path / "nowhere" / "journal.sqlite3", now=NOW)


class TestSalvage:
    @pytest.fixture
    def large(self, path):
        journal = Journal.open(path, now=NOW)
        journal.commit([outcome(0, checkpoint="saved", alarms=(transition(0),))])
        journal.move_cursor("mqtt", 1)
        for start in range(1, 2000, 100):
            journal.commit([outcome(n, columns=(20, 20)) for n in range(start, start + 100)])
            journal.commit([outcome(start, values=False, alarms=(transition(start),))])
        journal.close()
        return path

    def test_a_damaged_file_is_set_aside_and_the_rest_carried_over(self, large):
        before = {entry.sequence: entry for entry in _all(large)}
        size = large.stat().st_size
        with large.open("r+b") as file:  # two pages in the second half are gone
            file.seek(size // 2 // 4096 * 4096)
            file.write(b"\xa5" * 2 * 4096)
        journal = Journal.open(large, now=NOW)
        salvage = journal.salvage
        assert salvage is not None
        assert salvage.set_aside.stat().st_size == size
        assert salvage.gaps
        after = {entry.sequence: entry for entry in _entries(journal)}
        assert after
        assert all(before[sequence] == entry for sequence, entry in after.items())
        missing = set(before) - set(after)
        assert missing
        assert all(any(first <= sequence <= last for first, last in salvage.gaps) for sequence in missing)
        assert len(missing) < len(before) / 20
        assert journal.checkpoint("north").body == "saved"
        assert journal.cursor("mqtt") == 1
        assert journal.next_sequence > max(before)
        journal.commit([outcome(9999, alarms=(transition(9999),))])
        assert journal.verify() == []
        journal.close()

    def test_a_changed_newest_scan_is_noticed_at_opening(self, large):
        connection = sqlite3.connect(large)
        last = connection.execute("SELECT max(sequence) FROM entry WHERE kind = 1").fetchone()[0]
        connection.execute("UPDATE entry SET body = zeroblob(length(body)) WHERE sequence = ?", (last,))
        connection.commit()
        connection.close()
        journal = Journal.open(large, now=NOW)
        assert f"scan {last}" in journal.salvage.complaint
        assert journal.salvage.gaps == ((last, last),)
        journal.close()
        again = Journal.open(large, now=NOW)
        assert again.salvage is None
        again.close()


def _entries(journal):
    found, after = [], 0
    while batch := journal.entries(after, 1000):
        found += batch
        after = batch[-1].sequence
    return found


def _all(path):
    journal = Journal.open(path, now=NOW)
    found = _entries(journal)
    journal.close()
    return found


class TestMigration:
    def test_an_older_file_is_brought_up_to_date_step_by_step(self, path, monkeypatch):
        journal = Journal.open(path, now=NOW)
        journal.commit([outcome(1, alarms=(transition(1),))])
        journal.close()
        steps = (*schema.MIGRATIONS, "CREATE TABLE extra (id INTEGER PRIMARY KEY) STRICT;")
        monkeypatch.setattr(schema, "MIGRATIONS", steps)
        journal = Journal.open(path, now=NOW)
        assert schema.version(journal._connection) == len(steps)
        assert len(journal.entries(0, 10)) == 2
        journal.close()

    def test_a_step_that_fails_leaves_the_file_as_it_was(self, path, monkeypatch):
        Journal.open(path, now=NOW).close()
        original = schema.MIGRATIONS
        steps = (
            *original,
            "CREATE TABLE extra (id INTEGER) STRICT;\nCREATE TABLE extra (id INTEGER) STRICT;",
        )
        monkeypatch.setattr(schema, "MIGRATIONS", steps)
        with pytest.raises(JournalUnusable, match="already exists"):
            Journal.open(path, now=NOW)
        monkeypatch.setattr(schema, "MIGRATIONS", original)
        journal = Journal.open(path, now=NOW)
        assert schema.version(journal._connection) == len(original)
        journal.close()
