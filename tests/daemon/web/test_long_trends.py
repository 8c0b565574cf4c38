"""Trends and statistics over an archive: from what is summed up, in a zone, honest about what is damaged."""

from __future__ import annotations

import csv
import datetime
import io
import json
import zoneinfo
from pathlib import Path

import pytest

from config.loader import load_site
from daemon.history_output import headers, site_wording, write_values
from daemon.journal.errors import TooManyRows
from daemon.journal.queries import History
from daemon.web import trends
from daemon.web.access.permissions import Permission
from daemon.web.trends import trend
from tests.support.archives import DAY, HOT, MARGIN, MIDNIGHT, archive, filled, steps
from tests.support.web_kit import Rig

SITE = load_site(Path(__file__).parents[3] / "config" / "examples" / "demo.toml")
DAYS, PERIOD = 20, 300.0
END = MIDNIGHT + DAYS * DAY + 0.4 * DAY
ASKED = MIDNIGHT + 1234.0, END
NAMES = ["hot", "margin"]
START = 1_700_000_000.0


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty days of scans in the archive and some hours in the journal."""
    path: Path = tmp_path_factory.mktemp("past") / "journal.sqlite3"
    journal = filled(path, MIDNIGHT, END, PERIOD)
    archive(journal, END)
    journal.close()
    return path


def extremes() -> dict[str, tuple[float, float, int]]:
    """Least, greatest and number of the usable values, from the scans as they were made."""
    hot, margin = [], []
    for one in steps(MIDNIGHT, END, PERIOD):
        if ASKED[0] <= one.time < ASKED[1]:
            hot += [one.signals["hot"].value] if one.signals["hot"].value is not None else []
            margin += [one.results["margin"].value] if one.results["margin"].value is not None else []
    return {name: (min(all_), max(all_), len(all_)) for name, all_ in (("hot", hot), ("margin", margin))}


@pytest.mark.parametrize("points", [2, 60, 600, 3000])
def test_extremes_are_kept_from_whatever_it_is_drawn(
    past: Path, monkeypatch: pytest.MonkeyPatch, points: int
) -> None:
    monkeypatch.setattr(trends, "EXACT_ROWS", 100)
    with History(past) as stored:
        shown = trend(stored, SITE, "north", NAMES, *ASKED, points)
        assert stored.incomplete == shown.unreadable == []
    for series in shown.series:
        low, high, _ = extremes()[series.name]
        assert len(shown.time) <= points
        # Results are kept to 0.005 K; a signal of a whole-number register as it was read.
        assert min(value for value in series.minimum if value is not None) == pytest.approx(low, abs=0.003)
        assert max(value for value in series.maximum if value is not None) == pytest.approx(high, abs=0.003)
    assert shown.time[0] >= ASKED[0]
    assert shown.time[-1] <= ASKED[1]


def test_what_is_read_is_counted_and_more_than_allowed_makes_it_coarser_not_refused(
    past: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trends, "EXACT_ROWS", 100)
    with History(past) as stored:
        scans = stored.rows_to_read("north", *ASKED, None, 10**6)
        hours = stored.rows_to_read("north", MIDNIGHT, MIDNIGHT + DAYS * DAY, 3600.0, 10**6)
        assert scans == pytest.approx((ASKED[1] - ASKED[0]) / PERIOD, abs=1)
        # November is over, sixteen days of it as hours; of December there are minutes, a scan in each.
        assert hours == 16 * 24 + 4 * DAY / PERIOD
        monkeypatch.setattr(trends, "MOST_ROWS", 2000)
        shown = trend(stored, SITE, "north", NAMES, MIDNIGHT, MIDNIGHT + 20 * DAY, 5000)
        assert (shown.width, len(shown.time)) == (3600.0, 20 * 24)
        monkeypatch.setattr(trends, "MOST_ROWS", 10)
        with pytest.raises(TooManyRows):
            trend(stored, SITE, "north", NAMES, *ASKED, 5000)


def test_a_damaged_file_is_told_in_trends_and_at_the_end_of_every_answer(
    tmp_path: Path,
) -> None:
    journal = filled(tmp_path / "journal.sqlite3", MIDNIGHT, MIDNIGHT + 3 * DAY, 600.0)
    archive(journal, MIDNIGHT + 4 * DAY)
    journal.close()
    for path in (tmp_path / "tegwatch-archive" / "north").glob("*-2023-11-16T*"):
        path.write_bytes(b"PAR1")
    span = MIDNIGHT, MIDNIGHT + 3 * DAY
    with History(journal.path) as stored:
        shown = trend(stored, SITE, "north", NAMES, *span, 100)
        assert [("scans-2023-11-16" in text) for text in shown.unreadable] == [True]
        assert shown.time
    answers = {}
    for form in ("json", "jsonl", "csv"):
        with History(journal.path) as stored:
            wording = site_wording(SITE)
            rows = stored.buckets("north", [HOT, MARGIN], *span, 3600.0)
            out = io.StringIO()
            assert write_values(
                rows, headers([HOT, MARGIN], wording), form, wording, out, "north", lambda: stored.incomplete
            ) == 48  # fmt: skip
            answers[form] = out.getvalue()
    (missing,) = json.loads(answers["json"])["unreadable"]
    assert "minutes-2023-11-16" in missing
    assert json.loads(answers["jsonl"].splitlines()[-1]) == {"unreadable": [missing]}
    assert list(csv.reader(io.StringIO(answers["csv"])))[-1] == ["unreadable", missing]


async def test_days_and_what_is_shown_follow_the_zone_that_is_asked_for(rig: Rig) -> None:
    headers_, _ = rig.token(Permission.VIEW, life=1e6)
    rig.scan()
    rig.scan(2 * 3600.0)  # 17:13 in Denver, the next day already in UTC
    await rig.stored()
    asked: dict[str, str | float] = {
        "name": "reboiler_temperature", "every": "1d", "from": START - 9e4, "to": START + 9e4,
    }  # fmt: skip
    async with rig.client() as client:

        async def days(**more: str | float) -> list[tuple[str, int]]:
            answer = await client.get("/v1/units/unit-1/history", params=asked | more, headers=headers_)
            assert answer.status_code == 200, answer.text
            rows = [json.loads(line) for line in answer.text.splitlines()]
            return [(row["time"], row["scans"]) for row in rows]

        assert await days() == [("2023-11-14T00:00:00+00:00", 1), ("2023-11-15T00:00:00+00:00", 1)]
        assert await days(zone="America/Denver") == [("2023-11-14T00:00:00-07:00", 2)]
        none = await client.get(
            "/v1/units/unit-1/history", params=asked | {"zone": "Mars/Base"}, headers=headers_
        )
        assert (none.status_code, "is no time zone" in none.json()["detail"]) == (422, True)
        # Without an offset a time is meant in the zone too: from 15:30 in Denver on only the second scan.
        later = asked | {"from": "2023-11-14T15:30", "zone": "America/Denver"}
        answer = await client.get("/v1/units/unit-1/history", params=later, headers=headers_)
        assert json.loads(answer.text)["scans"] == 1


def test_the_day_on_which_clocks_change_is_longer(tmp_path: Path) -> None:
    denver = zoneinfo.ZoneInfo("America/Denver")
    start = datetime.datetime(2023, 11, 4, tzinfo=denver).timestamp()
    end = datetime.datetime(2023, 11, 7, tzinfo=denver).timestamp()
    journal = filled(tmp_path / "journal.sqlite3", start, end, 600.0)
    archive(journal, end + 2 * DAY)
    journal.close()
    with History(journal.path) as stored:
        days = list(stored.buckets("north", [HOT], start, end, DAY, zone=denver))
    # 2023-11-05 had 25 hours in the United States (first Sunday of November, Energy Policy Act of 2005).
    assert [one.scans for one in days] == [144, 150, 144]
