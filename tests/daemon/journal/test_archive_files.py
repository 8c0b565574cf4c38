"""Archive files: any tool reads them, they say what they are, and a damaged one is named."""

from __future__ import annotations

import json
import math
import random
import sqlite3
from dataclasses import replace

import duckdb
import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.journal import manifest
from daemon.journal.archive_reading import FileFacts, read_points, read_scans
from daemon.journal.archive_writing import write_scans
from daemon.journal.blocks import Block
from daemon.journal.columns import Column, Grain
from daemon.journal.errors import ArchiveDamaged, JournalError
from daemon.journal.journal import Journal
from daemon.journal.queries import History
from daemon.model import Status
from tests.support.archives import (
    DAY,
    HOT,
    LEVEL,
    MARGIN,
    MIDNIGHT,
    archive,
    catalogue,
    filled,
    folder_of,
    step,
    steps,
)

COLUMNS = [HOT, LEVEL, MARGIN]


def test_any_tool_reads_values_and_what_they_are(days):
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


def test_metadata_say_which_part_of_which_journal(days):
    first = min((folder_of(days) / "north").glob("scans-*.parquet"))
    facts = json.loads(pq.read_schema(first).metadata[b"facts"])
    with History(days) as history:
        assert facts == {
            "identity": history.identity, "unit": "north", "width": 0, "first": 1, "last": 2880,
            "configuration": "cafe",
        }  # fmt: skip
    assert first.name == "scans-2023-11-15T0000-1-2880.parquet"


def test_a_damaged_file_is_named_and_the_rest_answers(tmp_path):
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


def test_a_folder_of_another_journal_is_refused(tmp_path):
    first = filled(tmp_path / "one.sqlite3", MIDNIGHT, MIDNIGHT + DAY, 600.0)
    archive(first, MIDNIGHT + 2 * DAY)
    second = filled(tmp_path / "two.sqlite3", MIDNIGHT, MIDNIGHT + DAY, 600.0)
    with pytest.raises(JournalError, match="holds the archive of another journal"):
        archive(second, MIDNIGHT + 2 * DAY)
    first.close()
    second.close()


def test_the_journal_and_its_archive_can_be_moved_together(tmp_path):
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
def test_every_value_comes_back_within_half_a_step(tmp_path_factory, values, scale, origin):
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


def test_a_column_that_a_later_configuration_brings_is_absent_before(tmp_path):
    journal = Journal.open(tmp_path / "journal.sqlite3", now=MIDNIGHT)
    old, new = step(1, MIDNIGHT, random.Random(1)), step(2, MIDNIGHT + 60, random.Random(2))
    signals = dict(old.signals)
    del signals["level"]
    journal.commit([replace(old, signals=signals), new])
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


def test_a_file_that_is_no_archive_file_says_so(tmp_path):
    path = tmp_path / "notes.parquet"
    path.write_text("my notes")
    with pytest.raises(ArchiveDamaged, match=r"archive file .*notes.parquet"):
        list(read_scans(path, [HOT], 0.0, 1.0))


def test_disk_use_is_what_lies_there(days):
    connection = sqlite3.connect(days)
    used = manifest.usage(connection, days)
    connection.close()
    on_disk = sum(path.stat().st_size for path in folder_of(days).rglob("*.parquet"))
    assert used.archive == on_disk
    assert min(used.scans, used.minutes) > 0
    assert used.journal >= days.stat().st_size


def _flipped(data: bytes) -> bytes:
    """One bit in the middle of the first column's pages."""
    at = len(data) // 3
    return data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :]
