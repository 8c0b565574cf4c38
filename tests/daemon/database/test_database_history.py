"""The history asked of a database: the same answers as the journal's own, and words for what goes wrong.

The journal's entries are written to a server of the tests' own, which runs the Flux that it is sent; its
answers are read by the database's own client. Nothing here was run against a real InfluxDB 2.
"""

from __future__ import annotations

import contextlib
import datetime
import itertools
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.loader import unit_context
from config.sinks import InfluxSink as InfluxSettings
from config.site import Site
from daemon.database.flux import Place
from daemon.database.history import DatabaseHistory
from daemon.database.rows import QueryFailed
from daemon.journal.buckets import Bucket
from daemon.journal.columns import Column
from daemon.journal.errors import NotStored
from daemon.journal.journal import Journal
from daemon.journal.queries import History
from daemon.journal.rows import Row
from daemon.model import EntryKind, Event, OperatingState, Outcome, Reading, Result, Status
from daemon.sinks.line_protocol import Encoder
from daemon.wiring import wording_of
from tests.support.demo_site import demo_site
from tests.support.influx_server import InfluxServer, influx_server_in_a_thread, parse_line
from tests.support.outcomes import transition

SITE = demo_site()
DENVER = ZoneInfo("America/Denver")
BEGIN = datetime.datetime(2026, 10, 31, 20, tzinfo=DENVER).timestamp()  # the clocks go back in the night
COLUMNS = [
    Column("signal", "reboiler_temperature"),
    Column("signal", "contactor_pressure"),
    Column("result", "dew_point_margin"),
]


@pytest.fixture(scope="module")
def server() -> Iterator[InfluxServer]:
    with influx_server_in_a_thread() as made:
        yield made


@pytest.fixture
def token(tmp_path: Path) -> Path:
    path = tmp_path / "token"
    path.write_text("t0ken\n")
    path.chmod(0o600)
    return path


@contextlib.contextmanager
def database(
    server: InfluxServer, token: Path, *, site: Site = SITE, **changes: object
) -> Iterator[DatabaseHistory]:
    settings = InfluxSettings.model_validate(
        {
            "kind": "influx", "name": "history", "url": f"http://127.0.0.1:{server.port}", "org": "gas",
            "bucket": "teg", "token_file": str(token), "timeout": "5 s", **changes,
        }
    )  # fmt: skip
    now = BEGIN + 1e7
    with DatabaseHistory(settings, wording_of(site), unit_context(site), now) as opened:
        yield opened


def forward(journal: Journal, server: InfluxServer, *, si: bool = False) -> None:
    """What the sink writes of a journal, without its requests: ``test_influx`` has those."""
    encoder = Encoder(wording_of(SITE), "tegwatch", si=si)
    server.points = {}
    for entry in journal.entries(0, 1_000_000):
        for line in encoder.lines(entry):
            series, fields, time = parse_line(line)
            server.points[series, time] = {**server.points.get((series, time), {}), **fields}


def step(
    number: int,
    time: float,
    hot: float | None,
    margin: float | None,
    *,
    late: bool = False,
    new: bool = False,
) -> Outcome:
    """A scan with a good, a bad and an uncertain value, one that is not there from the beginning."""
    signals = {
        "reboiler_temperature": Reading(470.0 + hot, Status.GOOD, time - 0.25, 0.0)
        if hot is not None
        else Reading(None, Status.BAD_SENSOR_FAILURE, time - 7.5, 0.0, 'open circuit, "cell 3"'),
    }
    if new:
        signals["contactor_pressure"] = Reading(5.6e6 + number, Status.GOOD_CLAMPED, time, 0.0)
    results = {
        "dew_point_margin": Result(margin, 2.5, Status.UNCERTAIN_SUB_NORMAL, "no analyzer")
        if margin is not None
        else Result(None, None, Status.BAD_DEPENDENT_VALUE_CHANGED, "an input is bad"),
    }
    if late:
        return Outcome("north", 0, time, 0.0, OperatingState.UNKNOWN, signals, {})
    alarms = (transition(number),) if number % 7 == 3 else ()
    events = (Event("north", "operating state", time, "drying", {"of": number}),) if number % 5 == 1 else ()
    return Outcome("north", number, time, 0.0, OperatingState.DRYING, signals, results, alarms, events)


def near(value: float | None, other: float | None, *, rel: float = 1e-8) -> bool:
    if value is None or other is None:
        return value is other
    return math.isclose(value, other, rel_tol=rel, abs_tol=1e-6)


def same_rows(ours: Row, theirs: Row) -> None:
    assert (ours.sequence, ours.state) == (theirs.sequence, theirs.state)
    assert abs(ours.time - theirs.time) < 1e-6
    for one, other in zip(ours.samples, theirs.samples, strict=True):
        if one is None or other is None:
            assert one is other
            continue
        assert (one.status, one.reason) == (other.status, other.reason)
        assert near(one.value, other.value)
        assert near(one.uncertainty, other.uncertainty)
        assert abs(one.time - other.time) < 1e-5


def same_buckets(ours: Bucket, theirs: Bucket) -> None:
    assert (ours.start, ours.scans) == (theirs.start, theirs.scans)
    for one, other in zip(ours.statistics, theirs.statistics, strict=True):
        if one is None or other is None:
            assert one is other
            continue
        assert (one.worst, one.count) == (other.worst, other.count)
        for mine, yours in zip(one[:4], other[:4], strict=True):
            assert near(mine, yours)


@st.composite
def histories(draw: st.DrawFn) -> list[Outcome]:
    """Some hours over the night in which the clocks go back, with gaps, bad and late values."""
    number = draw(st.integers(1, 40))
    gaps = draw(
        st.lists(st.sampled_from([1.0, 2.5, 60.0, 3600.0, 40_000.0]), min_size=number, max_size=number)
    )
    value = st.one_of(st.none(), st.floats(-50.0, 50.0, allow_subnormal=False))
    time, outcomes = BEGIN, []
    for count, gap in enumerate(gaps):
        time += gap
        late = draw(st.booleans()) and count % 6 == 5
        outcomes.append(step(count, time, draw(value), draw(value), late=late, new=count > number // 2))
    return outcomes


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(histories(), st.sampled_from([10.0, 900.0, 3600.0, 86400.0, 23.04 * 3600]), st.booleans(), st.data())
def test_the_same_questions_have_the_same_answers(
    server: InfluxServer, token: Path, tmp_path_factory: pytest.TempPathFactory, outcomes: list[Outcome],
    width: float, si: bool, data: st.DataObject,
) -> None:  # fmt: skip
    folder = tmp_path_factory.mktemp("journal")
    journal = Journal.open(folder / "journal.sqlite3", now=BEGIN)
    journal.commit(outcomes)
    forward(journal, server, si=si)
    journal.close()
    times = [outcome.time for outcome in outcomes]
    edges = st.sampled_from([BEGIN, *times, times[-1] + 1.0])
    start, end = sorted((data.draw(edges), data.draw(edges)))
    with History(folder / "journal.sqlite3") as here, database(server, token) as there:
        known = [column for column in COLUMNS if column in here.columns("north")]
        assert there.units() == here.units()
        assert set(there.columns("north")) == set(known)
        assert there.span("north") == pytest.approx(here.span("north"), abs=1e-6)
        raw = (here.values("north", known, start, end), there.values("north", known, start, end))
        for ours, theirs in itertools.zip_longest(*raw):
            same_rows(ours, theirs)
        for zone in (datetime.UTC, DENVER):
            question = ("north", known, start, end, width)
            for mine, yours in itertools.zip_longest(
                here.buckets(*question, zone=zone), there.buckets(*question, zone=zone)
            ):
                same_buckets(mine, yours)
        records = [list(each.records(start, end)) for each in (here, there)]
        assert len(records[0]) == len(records[1])
        for kept, came in zip(*records, strict=True):
            assert (kept.sequence, kept.unit, kept.kind) == (came.sequence, came.unit, came.kind)
            assert kept.time == pytest.approx(came.time, abs=1e-6)
            for name in (
                "alarm",
                "state",
                "previous",
                "event",
                "message",
                "reason",
                "kind",
                "data",
                "occurrence",
            ):
                assert getattr(kept.body, name, None) == getattr(came.body, name, None)


def filled(server: InfluxServer, tmp_path: Path, outcomes: list[Outcome]) -> None:
    journal = Journal.open(tmp_path / "journal.sqlite3", now=BEGIN)
    journal.commit(outcomes)
    forward(journal, server)
    journal.close()


def test_a_long_answer_comes_in_pages_and_leaps_over_gaps(
    server: InfluxServer, token: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    times = [*range(80), *range(10_000_000, 10_000_080)]
    filled(server, tmp_path, [step(at, BEGIN + time, 1.0, 2.0) for at, time in enumerate(times)])
    monkeypatch.setattr("daemon.database.history.PAGE", 200)
    end = BEGIN + 2e7
    with database(server, token) as there:
        server.questions.clear()
        rows = list(there.values("north", COLUMNS[::2], BEGIN, end))
        assert [round(row.time - BEGIN) for row in rows] == times
        asked = len(server.questions)
        assert asked < 40
        buckets = list(there.buckets("north", COLUMNS[::2], BEGIN, end, 10.0))
        assert sum(bucket.scans for bucket in buckets) == len(times)
        assert len(server.questions) - asked < 12


def test_names_never_become_part_of_the_question() -> None:
    wicked = 'x") |> drop(columns: ["_value"]) //${stop}\\'
    place = Place(wicked, "tegwatch", wicked)
    column = Column("signal", wicked)
    for question in (
        place.scans(wicked, [column], 0, 1),
        place.statistics(wicked, [column], 0, 1, 1000),
        place.records(0, 1, [EntryKind.ALARM], wicked),
        place.edge(wicked, 0, 1, last=True),
        place.names(1),
    ):
        assert 'drop(columns: ["_value"' not in question.text
        assert wicked not in question.text
        assert wicked in question.values.values()


def test_a_unit_called_like_a_program_is_a_unit(server: InfluxServer, token: Path, tmp_path: Path) -> None:
    """The client sends values as a syntax tree; the server's interpreter takes them as values."""
    filled(server, tmp_path, [step(1, BEGIN, 1.0, 2.0)])
    with database(server, token) as there:
        assert list(there.values('north" or true or r.unit == "', COLUMNS, BEGIN, BEGIN + 1)) == []
        assert len(list(there.values("north", COLUMNS[:1], BEGIN, BEGIN + 1))) == 1


def test_another_sites_points_are_not_ours(server: InfluxServer, token: Path, tmp_path: Path) -> None:
    filled(server, tmp_path, [step(1, BEGIN, 1.0, 2.0)])
    renamed = SITE.model_copy(update={"site": SITE.site.model_copy(update={"name": "elsewhere"})})
    with database(server, token, site=renamed) as there:
        assert there.units() == []
        with pytest.raises(NotStored, match="no values of a unit called north; of: none"):
            there.columns("north")


def test_after_a_change_of_units_old_points_still_mean_what_they_did(
    server: InfluxServer, token: Path, tmp_path: Path
) -> None:
    filled(server, tmp_path, [step(at, BEGIN + at, 1.0, 2.0) for at in range(4)])
    metric = SITE.model_copy(update={"site": SITE.site.model_copy(update={"unit_system": "si"})})
    encoder = Encoder(wording_of(metric), "tegwatch")
    with History(tmp_path / "journal.sqlite3"):
        journal = Journal.open(tmp_path / "journal.sqlite3", now=BEGIN)
        journal.commit([step(at, BEGIN + at, 1.0, 2.0) for at in range(4, 8)])
        for entry in journal.entries(0, 1000):
            for line in encoder.lines(entry) if entry.time >= BEGIN + 4 else ():
                series, fields, time = parse_line(line)
                server.points[series, time] = fields
        journal.close()
    with database(server, token, site=metric) as there:
        rows = list(there.values("north", COLUMNS[:1], BEGIN, BEGIN + 10))
        assert [row.samples[0].value for row in rows if row.samples[0]] == pytest.approx([471.0] * 8)
        [bucket] = there.buckets("north", COLUMNS[:1], BEGIN, BEGIN + 10, 60.0)
        [stats] = bucket.statistics
        assert stats is not None
        assert (bucket.scans, stats.count) == (8, 8)
        assert stats.mean == pytest.approx(471.0)


# ------------------------------------------------------------------ what goes wrong


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bucket": "other"}, r"knows no bucket other of an organization gas.*HTTP 404"),
        ({"org": "other"}, r"an organization other.*takes writes only"),
        ({"url": "http://127.0.0.1:9"}, r"no answer from http://127.0.0.1:9 .*is the server up"),
    ],
)
def test_a_wrong_place_is_told(
    server: InfluxServer, token: Path, changes: dict[str, Any], words: str
) -> None:
    with database(server, token, **changes) as there, pytest.raises(QueryFailed, match=words):
        there.units()


def test_a_token_that_may_not_read_is_told_with_the_setting_that_helps(
    server: InfluxServer, token: Path, tmp_path: Path
) -> None:
    reading = tmp_path / "read-token"
    reading.write_text("wr0ng\n")
    reading.chmod(0o600)
    with (
        database(server, token, read_token_file=str(reading)) as there,
        pytest.raises(QueryFailed, match=r"does not take the token in .*read-token; .*read_token_file"),
    ):
        there.units()
    reading.chmod(0o644)
    with (
        pytest.raises(QueryFailed, match="open to others; run: chmod 600"),
        database(server, token, read_token_file=str(reading)),
    ):
        pass


@pytest.mark.parametrize(
    ("status", "words"), [(400, "does not understand"), (429, "try again"), (503, "try again")]
)
def test_a_server_that_cannot_answer(server: InfluxServer, token: Path, status: int, words: str) -> None:
    server.answers = [(status, {})]
    with database(server, token) as there, pytest.raises(QueryFailed, match=words):
        there.units()


def test_an_answer_that_breaks_off_is_no_answer(server: InfluxServer, token: Path, tmp_path: Path) -> None:
    filled(server, tmp_path, [step(1, BEGIN, 1.0, 2.0)])
    server.breaks_off = "query exceeded its memory"
    try:
        with (
            database(server, token) as there,
            pytest.raises(QueryFailed, match=r"broke off its answer .*query exceeded its memory"),
        ):
            list(there.values("north", COLUMNS[:1], BEGIN, BEGIN + 10))
    finally:
        server.breaks_off = ""


def test_points_in_a_unit_that_nobody_knows_are_told_not_guessed(
    server: InfluxServer, token: Path, tmp_path: Path
) -> None:
    filled(server, tmp_path, [step(1, BEGIN, 1.0, 2.0)])
    server.points = {(key[0].replace("°F", "°Ra"), key[1]): fields for key, fields in server.points.items()}
    with (
        database(server, token) as there,
        pytest.raises(QueryFailed, match="reboiler_temperature stands there in °Ra"),
    ):
        list(there.values("north", COLUMNS[:1], BEGIN, BEGIN + 10))
