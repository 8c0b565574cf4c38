"""Report by exception: the bound holds for any values, and what is not noise is kept."""

from __future__ import annotations

import json
import math
import random
from pathlib import Path

import duckdb
import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.loader import load_site
from config.site import ArchiveSettings
from daemon.journal.archive_process import _pack, _unpack
from daemon.journal.archive_reading import FileFacts, read_points
from daemon.journal.archive_writing import write_scans
from daemon.journal.archiver import Archiver
from daemon.journal.blocks import Block
from daemon.journal.catalogue import catalogue_of
from daemon.journal.columns import Catalogue, Column, ColumnFacts, Grain
from daemon.journal.deadband import Holder
from daemon.journal.journal import Journal
from daemon.journal.queries import History
from daemon.model import OperatingState, Outcome, Reading, Status
from tests.support.archives import DAY, HOT, MIDNIGHT

BAD, UNCERTAIN = int(Status.BAD_SENSOR_FAILURE), int(Status.UNCERTAIN_SUB_NORMAL)
VALUES = st.floats(-1e5, 1e5) | st.floats(299.0, 301.0)
SCANS = st.lists(
    st.tuples(
        st.none() | VALUES,
        st.sampled_from([0, 0, 0, UNCERTAIN, BAD]),
        st.sampled_from([1.0, 1.0, 1.2, 9.0]),
    ),
    min_size=1,
    max_size=80,
)


def block_of(scans: list[tuple[float | None, int, float]], first: int = 0, start: float = MIDNIGHT) -> Block:
    """A block of one column: value, status, pause before it."""
    count = len(scans)
    values = np.array([[math.nan if value is None else value] for value, _, _ in scans])
    codes = np.array([[code] for _, code, _ in scans], np.int64)
    time = start + np.cumsum([pause for _, _, pause in scans])
    none, whole = np.full((count, 1), np.nan), np.ones(count, np.int64)
    return Block(
        np.arange(first, first + count), time, whole, values, codes, none, np.zeros((count, 1)),
        [{} for _ in scans], 0,
    )  # fmt: skip


@given(SCANS, SCANS, st.floats(0.01, 50.0), st.none() | st.floats(0.01, 1.0), st.floats(-300.0, 300.0))
def test_no_archived_value_is_farther_from_the_measured_one_than_its_metadata_say(
    tmp_path_factory, early, late, deadband, share, origin
):
    path = tmp_path_factory.mktemp("one") / "a.parquet"
    grain = None if share is None else Grain(deadband * share, origin)
    facts = ColumnFacts(grain, "temperature", "K", "invented", deadband)
    blocks = [block_of(early), block_of(late, len(early), MIDNIGHT + 2000.0)]
    written = Catalogue("cafe", {("north", HOT): facts})
    count = len(early) + len(late)
    write_scans(path, FileFacts("id", "north", 0, 0, count), [HOT], written, lambda: blocks)
    found = read_points(path, [HOT], -math.inf, math.inf)
    about = pq.read_schema(path).field(str(HOT)).metadata
    assert float(about[b"deadband"]) == deadband
    bound = float(about[b"error_bound"])
    assert bound == deadband
    measured = [*early, *late]
    for (value, code, _), (back, status) in zip(
        measured, zip(_raw(path), found.worst[:, 0].tolist(), strict=True), strict=True
    ):
        assert status == code
        if value is None:
            assert back is None
        else:
            assert abs(back - value) <= bound


def _raw(path: Path) -> list[float | None]:
    """Values as anybody reads them who goes by the metadata."""
    table = pq.read_table(path)
    about = table.schema.field(str(HOT)).metadata
    scale, offset = float(about.get(b"scale", b"1")), float(about.get(b"offset", b"0"))
    return [None if value is None else value * scale + offset for value in table[str(HOT)].to_pylist()]


@given(SCANS)
def test_a_value_is_written_anew_after_a_gap_a_change_of_status_and_where_there_was_none(scans):
    block = block_of(scans)
    held = Holder({HOT: ColumnFacts(None, deadband=1e9)}).held(block).values[:, 0]
    usual = float(np.median(np.diff(block.time))) if len(scans) > 1 else math.inf
    for at, (value, code, _) in enumerate(scans):
        before = scans[at - 1] if at else (None, -1, 0.0)
        pause = block.time[at] - block.time[at - 1] if at else math.inf
        if value is None:
            assert math.isnan(held[at])
        elif code != before[1] or before[0] is None or pause > 1.5 * usual:
            assert held[at] == value
        else:
            assert held[at] == held[at - 1], "nothing leaves a band as wide as this"


def noisy(count: int) -> list[float]:
    """A temperature that drifts, with noise of a third of a degF, in a register of 0.1 degF [K]."""
    rng = random.Random(9)
    return [(round(375 + 8 * math.sin(n / 7000) + rng.gauss(0, 0.3), 1) + 459.67) / 1.8 for n in range(count)]


@pytest.fixture(scope="module")
def archived(tmp_path_factory):
    """Some hours of one-second scans of one signal, archived as measured and with a deadband of 1.5 degF."""
    values = noisy(20_000)
    found = {}
    for deadband in (None, 1.5 / 1.8):
        folder = tmp_path_factory.mktemp("archived")
        journal = Journal.open(folder / "journal.sqlite3", now=MIDNIGHT)
        scans = [
            Outcome(
                "north", n, MIDNIGHT + n, float(n), OperatingState.DRYING,
                {"hot": Reading(value, Status.GOOD, MIDNIGHT + n, float(n))}, {},
            )
            for n, value in enumerate(values)
        ]  # fmt: skip
        for at in range(0, len(scans), 2000):
            journal.commit(scans[at : at + 2000])
        facts = ColumnFacts(Grain(0.1 / 1.8, 459.67 / 1.8), "temperature", "K", "invented", deadband)
        known = Catalogue("cafe", {("north", HOT): facts})
        Archiver(journal, ArchiveSettings(), known, folder).run(MIDNIGHT + 2 * DAY)
        journal.close()
        found[deadband is not None] = folder
    return values, found


def test_it_takes_less_room_and_statistics_stay_what_was_measured(archived):
    values, folders = archived
    with (
        History(folders[True] / "journal.sqlite3") as held,
        History(folders[False] / "journal.sqlite3") as all_,
    ):
        rows = list(held.values("north", [HOT], MIDNIGHT, MIDNIGHT + DAY))
        assert (
            max(abs(row.samples[0].value - value) for row, value in zip(rows, values, strict=True))
            <= 1.5 / 1.8
        )
        assert len({row.samples[0].value for row in rows}) < 200
        minutes = [list(one.buckets("north", [HOT], MIDNIGHT, MIDNIGHT + DAY, 60.0)) for one in (held, all_)]
        assert minutes[0] == minutes[1]
        sizes = [one.disk_use.scans for one in (held, all_)]
    print(f"  {sizes[0] / len(values):.2f} B a scan held, {sizes[1] / len(values):.2f} B as measured")
    assert sizes[0] < 0.6 * sizes[1]


def test_other_tools_see_a_value_in_every_row_and_read_what_it_is(archived):
    _, folders = archived
    path = next((folders[True] / "tegwatch-archive" / "north").glob("scans-*"))
    ((rows, values, changes),) = duckdb.sql(
        'SELECT count(*), count(v), sum((v <> before)::int) FROM (SELECT "signal:hot" AS v, '
        f"lag(\"signal:hot\") OVER (ORDER BY time) AS before FROM read_parquet('{path}'))"
    ).fetchall()
    assert (rows, values) == (20_000, 20_000)
    assert changes < 0.02 * rows
    about = {
        key.decode(): text.decode() for key, text in pq.read_schema(path).field("signal:hot").metadata.items()
    }
    assert about["error_bound"] == about["deadband"] == repr(1.5 / 1.8)
    assert about["note"].startswith("report by exception: a value is repeated until")


class TestSiteFile:
    SITE = (Path(__file__).parents[3] / "config" / "examples" / "first-site.toml").read_text()

    def site(self, tmp_path, line):
        path = tmp_path / "site.toml"
        assert self.SITE.count("# storage_deadband = 0.5") == 1
        path.write_text(self.SITE.replace("# storage_deadband = 0.5", line))
        (tmp_path / "register-map.csv").write_text("")
        return path

    def test_it_is_given_in_the_signals_unit_and_reaches_the_archivers_process(self, tmp_path):
        known = catalogue_of(load_site(self.site(tmp_path, "storage_deadband = 0.9")))
        again = _unpack(json.loads(json.dumps(_pack(known))))
        facts = again.of("unit-1", Column("signal", "reboiler_temperature"))
        assert facts.deadband == pytest.approx(0.5)
        # A float register has no resolution: kept to a tenth of the deadband, the next lower of 1, 2, 5.
        assert facts.grain.step == pytest.approx(0.05)

    def test_below_the_resolution_it_would_hold_nothing(self, tmp_path):
        from config.errors import ConfigError  # noqa: PLC0415 - with its only test

        with pytest.raises(ConfigError, match=r"below the signal's resolution of 0.1: nothing would be held"):
            load_site(self.site(tmp_path, "resolution = 0.1\nstorage_deadband = 0.05"))
