"""The standard's figures on invented transitions whose figures can be counted by hand."""

from __future__ import annotations

import pytest

from daemon.model import AlarmState, AlarmTransition, Priority
from daemon.monitor.alarms.performance import AlarmPerformance, Flood, Judgement, performance, verdicts

DAY = 86400.0
S = AlarmState


def step(
    time: float,
    state: AlarmState,
    previous: AlarmState = S.NORMAL,
    *,
    alarm: str = "a",
    priority: Priority = Priority.LOW,
    event: str = "",
) -> AlarmTransition:
    return AlarmTransition("u", alarm, "", previous, state, event, time, priority, "", "")


def pulse(time: float, length: float = 60.0, alarm: str = "a") -> list[AlarmTransition]:
    return [
        step(time, S.UNACKNOWLEDGED, alarm=alarm),
        step(time + length / 2, S.ACKNOWLEDGED, S.UNACKNOWLEDGED, alarm=alarm),
        step(time + length, S.NORMAL, S.ACKNOWLEDGED, alarm=alarm),
    ]


def pulses(*times: float, length: float = 60.0, alarm: str = "a") -> list[AlarmTransition]:
    steps = [item for time in times for item in pulse(time, length, alarm)]
    return sorted(steps, key=lambda item: item.time)


def judged(figures: AlarmPerformance) -> dict[str, Judgement]:
    return {verdict.figure: verdict.judgement for verdict in verdicts(figures)}


def test_a_quiet_day() -> None:
    figures = performance([], 0.0, DAY)
    assert (figures.annunciations, figures.per_day, figures.busiest, figures.floods) == (0, 0.0, 0, ())
    assert set(judged(figures).values()) == {Judgement.MET, Judgement.TOO_FEW}


def test_rates_count_annunciations_and_nothing_else() -> None:
    steps = [
        step(10.0, S.UNACKNOWLEDGED),
        step(20.0, S.ACKNOWLEDGED, S.UNACKNOWLEDGED),
        step(30.0, S.UNACKNOWLEDGED, S.ACKNOWLEDGED, event="re-alarmed"),
        step(40.0, S.UNACKNOWLEDGED, S.UNACKNOWLEDGED, event="re-alarmed"),
        step(50.0, S.SHELVED, S.UNACKNOWLEDGED),
        step(60.0, S.SHELVED, S.SHELVED, event="condition true"),
        step(70.0, S.UNACKNOWLEDGED, S.SHELVED, event="unshelved"),
        step(7200.0, S.UNACKNOWLEDGED, S.RETURNED_UNACKNOWLEDGED),
    ]
    figures = performance(steps, 0.0, 3600.0)
    assert figures.annunciations == 4
    assert figures.per_period == pytest.approx(4 / 6)
    assert (figures.per_hour, figures.per_day) == (4.0, 96.0)
    assert not figures.long_enough
    assert figures.busiest == 4


@pytest.mark.parametrize(
    ("count", "judgement"),
    [(6, Judgement.MET), (12, Judgement.MANAGEABLE), (13, Judgement.MISSED)],
)
def test_the_hourly_rate_against_target_and_limit(count: int, judgement: Judgement) -> None:
    steps = [item for i in range(count) for item in pulse(i * 270.0, alarm=f"a{i}")]
    assert judged(performance(steps, 0.0, 3600.0))["per hour"] is judgement


def test_a_flood_begins_above_ten_and_ends_below_five() -> None:
    times = [
        *(600.0 + 50 * i for i in range(11)),
        *(1200.0 + 50 * i for i in range(5)),
        *(1800.0 + 50 * i for i in range(4)),
    ]
    steps = [item for i, time in enumerate(times) for item in pulse(time, alarm=f"a{i}")]
    figures = performance(steps, 0.0, 6000.0)
    assert figures.floods == (Flood(600.0, 1800.0, 16),)
    assert figures.share_of_time_in_flood == pytest.approx(0.2)
    assert figures.share_of_busy_periods == pytest.approx(0.1)
    assert judged(figures)["most in 10 min"] is Judgement.MISSED


def test_a_flood_that_is_not_over_ends_with_the_period() -> None:
    steps = [item for i in range(12) for item in pulse(600.0 + i, alarm=f"a{i}")]
    assert performance(steps, 0.0, 1100.0).floods == (Flood(600.0, 1100.0, 12),)


def test_exactly_ten_is_no_flood() -> None:
    steps = [item for i in range(10) for item in pulse(600.0 + i, alarm=f"a{i}")]
    figures = performance(steps, 0.0, 3600.0)
    assert figures.floods == ()
    assert judged(figures)["most in 10 min"] is Judgement.MET


def test_the_ten_most_frequent() -> None:
    steps = sorted(
        (item for i in range(12) for k in range(12 - i) for item in pulse(k * 3600.0 + i, alarm=f"a{i}")),
        key=lambda item: item.time,
    )
    figures = performance(steps, 0.0, DAY)
    assert figures.annunciations == 78
    assert figures.top[0] == (("u", "a0"), 12)
    assert len(figures.top) == 10
    assert figures.share_of_top == pytest.approx(75 / 78)
    assert judged(figures)["share of the ten most frequent"] is Judgement.TOO_FEW


def test_chattering_is_more_than_three_in_a_minute() -> None:
    three = pulses(0.0, 20.0, 40.0, length=15.0, alarm="three")
    four = pulses(0.0, 20.0, 40.0, 60.0, length=15.0, alarm="four")
    slow = pulses(0.0, 25.0, 50.0, 75.0, length=15.0, alarm="slow")
    steps = sorted(three + four + slow, key=lambda item: item.time)
    assert performance(steps, 0.0, DAY).chattering == (("u", "four"),)


def test_fleeting_is_gone_in_less_than_ten_seconds() -> None:
    steps = sorted(
        pulses(100.0, 300.0, length=9.0, alarm="fleeting") + pulses(100.0, length=10.0, alarm="short"),
        key=lambda item: item.time,
    )
    figures = performance([*steps, step(DAY - 5.0, S.UNACKNOWLEDGED, alarm="still")], 0.0, DAY)
    assert figures.fleeting == {("u", "fleeting"): 2}
    assert judged(figures)["chattering and fleeting alarms"] is Judgement.MISSED


def test_stale_is_true_for_more_than_a_day_also_when_it_began_before() -> None:
    begin = 10 * DAY
    steps = [
        step(begin - 2 * DAY, S.UNACKNOWLEDGED, alarm="old"),
        step(begin - 3 * DAY, S.UNACKNOWLEDGED, alarm="over"),
        step(begin - DAY, S.NORMAL, S.ACKNOWLEDGED, alarm="over"),
        step(begin + DAY / 2, S.NORMAL, S.ACKNOWLEDGED, alarm="old"),
        step(begin + 2 * DAY, S.UNACKNOWLEDGED, alarm="new"),
        step(begin + 2.5 * DAY, S.UNACKNOWLEDGED, alarm="day"),
    ]
    figures = performance(steps, begin, begin + 3.25 * DAY)
    assert figures.stale == {("u", "old"): pytest.approx(2.5 * DAY), ("u", "new"): pytest.approx(1.25 * DAY)}
    assert figures.most_stale == 1
    assert figures.annunciations == 2
    assert judged(figures)["stale alarms on any day"] is Judgement.MET


def test_five_stale_alarms_are_too_many() -> None:
    steps = [step(float(i), S.UNACKNOWLEDGED, alarm=f"a{i}") for i in range(5)]
    figures = performance(steps, 0.0, 3 * DAY)
    assert figures.most_stale == 5
    assert judged(figures)["stale alarms on any day"] is Judgement.MISSED


def test_priorities_against_the_split() -> None:
    def split(medium: int, high: int, highest: int) -> dict[str, Judgement]:
        names = ["low"] * (200 - medium - high - highest)
        names += ["medium"] * medium + ["high"] * high + ["highest"] * highest
        steps = [
            step(i * 400.0, S.UNACKNOWLEDGED, priority=Priority(name), alarm=f"a{i}")
            for i, name in enumerate(names)
        ]
        return judged(performance(steps, 0.0, DAY))

    good = split(30, 10, 2)
    assert {good[f"priority {name}"] for name in ("medium", "high", "highest")} == {Judgement.MET}
    wrong = split(31, 11, 3)
    assert {wrong[f"priority {name}"] for name in ("medium", "high", "highest")} == {Judgement.MISSED}


def test_a_period_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="no length"):
        performance([], 5.0, 5.0)
