"""Strokes from counters and contacts: nothing lost, nothing invented, the rate with its uncertainty."""

from __future__ import annotations

import json
import math
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from daemon.monitor.strokes import ContactEdges, StrokeTimeline, counter_step


def run_counter(rate: float, period: float, seconds: float, phase: float = 0.0) -> list[StrokeTimeline]:
    """Sample an even pump's counter; return the timeline as it stood after each sample."""
    timeline = StrokeTimeline(30.0)
    states = []
    for index in range(1, round(seconds / period) + 1):
        since, until = (index - 1) * period, index * period
        strokes = math.floor(until * rate + phase) - math.floor(since * rate + phase)
        timeline.observe(float(strokes), since, until)
        copy = StrokeTimeline(30.0)
        copy.restore(json.loads(json.dumps(timeline.save())))
        states.append(copy)
    return states


@pytest.mark.parametrize("phase", [0.0, 0.13, 0.5, 0.999])
def test_six_strokes_a_minute_at_one_scan_a_second_read_six(phase: float) -> None:
    """The target of the work order: 6.0 with its stated uncertainty, at every scan once it has settled."""
    for timeline in run_counter(0.1, 1.0, 600.0, phase)[60:]:
        assert timeline.rate is not None
        rate, uncertainty = timeline.rate
        assert uncertainty < 0.011 * rate
        assert abs(rate - 0.1) < 3.0 * uncertainty
        assert f"{rate * 60:.1f}" == "6.0"


@given(
    rate=st.floats(0.05, 2.0),
    period=st.sampled_from([0.1, 0.25, 1.0, 5.0, 60.0]),
    phase=st.floats(0.0, 0.999),
)
def test_an_even_pump_is_read_within_the_ends_of_the_window(rate: float, period: float, phase: float) -> None:
    """Each end lies within its width, which is sqrt(3) standard uncertainties: the rate within 2 sqrt(3).

    Where many strokes fall between two samples the width is that of the mean interval of one sample, which
    may be shorter than the pump's; that costs up to a half more.
    """
    timeline = run_counter(rate, period, 12.0 * max(period, 1.0 / rate), phase)[-1]
    if period * rate < 1.0 and 1.0 / rate + period >= 30.0:
        return  # a pump that slow counts as stopped between two strokes
    assert timeline.rate is not None
    found, uncertainty = timeline.rate
    widest = 2.0 * math.sqrt(3.0) * (1.0 if period * rate <= 0.5 else 1.5)
    assert abs(found - rate) <= widest * uncertainty + 1e-9


def test_the_rate_falls_from_scan_to_scan_while_a_stroke_is_overdue() -> None:
    timeline = StrokeTimeline(30.0)
    for index in range(1, 61):
        timeline.observe(float(index % 5 == 0), index - 1.0, float(index))
    rates = []
    for index in range(61, 90):
        timeline.observe(0.0, index - 1.0, float(index))
        assert timeline.rate is not None
        rates.append(timeline.rate[0])
        assert rates[-1] <= 1.0 / (index - 60.0) + 1e-12
    assert rates[:4] == pytest.approx([0.2] * 4)
    assert all(later < earlier for earlier, later in pairwise(rates[4:]))
    overdue = timeline.stopped
    timeline.observe(0.0, 89.0, 90.0)
    assert (overdue, timeline.stopped) == (False, True)
    assert timeline.rate is not None
    assert timeline.rate[0] == 0.0
    assert timeline.time_since_stroke == pytest.approx((30.5, 1.0 / math.sqrt(12.0)))


def test_a_stall_at_half_speed_shows_after_one_overdue_stroke() -> None:
    """A pump at 12 /min slows to 5 /min: under its stall rate of 6 /min within one of its own intervals."""
    timeline = StrokeTimeline(30.0)
    for index in range(1, 121):
        timeline.observe(float(index % 5 == 0), index - 1.0, float(index))
    called = None
    for index in range(121, 180):
        timeline.observe(float((index - 120) % 12 == 0), index - 1.0, float(index))
        assert timeline.rate is not None
        if called is None and timeline.rate[0] < 0.1:
            called = index - 120
    assert called == 11
    assert timeline.rate is not None
    assert timeline.rate[0] == pytest.approx(5.0 / 60.0, rel=0.02)


def test_a_late_scan_averages_and_is_no_stall() -> None:
    timeline = StrokeTimeline(30.0)
    for index in range(1, 61):
        timeline.observe(float(index % 5 == 0), index - 1.0, float(index))
    timeline.observe(9.0, 60.0, 105.0)
    assert timeline.rate is not None
    assert timeline.rate[0] == pytest.approx(0.2, rel=0.03)
    assert not timeline.stopped


def test_a_standstill_is_no_stroke_interval() -> None:
    timeline = StrokeTimeline(30.0)
    for index in range(1, 61):
        timeline.observe(float(index % 5 == 0), index - 1.0, float(index))
    for index in range(61, 661):
        timeline.observe(0.0, index - 1.0, float(index))
    timeline.observe(1.0, 660.0, 661.0)
    after_one_stroke = timeline.rate
    for index in range(662, 672):
        timeline.observe(float((index - 661) % 5 == 0), index - 1.0, float(index))
    assert after_one_stroke is None, "one stroke after a standstill is no rate"
    assert timeline.rate is not None
    assert timeline.rate[0] == pytest.approx(0.2, rel=0.15)


def test_time_and_count_never_go_back() -> None:
    timeline = StrokeTimeline(30.0)
    timeline.observe(1.0, 0.0, 1.0)
    for strokes, since, until in ((-1.0, 1.0, 2.0), (1.0, 2.0, 1.5), (1.0, 0.0, 0.5)):
        with pytest.raises(ValueError, match="strokes from"):
            timeline.observe(strokes, since, until)
    assert timeline.total == 1.0


@pytest.mark.parametrize(
    ("spread", "expected"),
    [(0.0, 0.0), (1.5, 0.3)],
    ids=["even", "every other interval 30 % longer and shorter"],
)
def test_regularity_is_free_of_quantisation(spread: float, expected: float) -> None:
    """Intervals alternate between 5 - spread and 5 + spread, so their variation is spread over 5."""
    times = [sum(5.0 + (spread if k % 2 else -spread) for k in range(n)) for n in range(1, 40)]
    timeline = StrokeTimeline(30.0)
    for index in range(1, 1900):
        since, until = (index - 1) * 0.1, index * 0.1
        timeline.observe(float(sum(since < time <= until for time in times)), since, until)
    assert timeline.regularity is not None
    assert timeline.regularity.interval == pytest.approx(5.0, abs=0.1)
    assert timeline.regularity.variation == pytest.approx(expected, abs=0.02)
    assert timeline.regularity.uncertainty < 0.06


class TestCounterStep:
    @pytest.mark.parametrize(
        ("previous", "value", "modulus", "kind", "strokes"),
        [
            (None, 17.0, 65536.0, "first", 0.0),
            (17.0, 17.0, 65536.0, "counted", 0.0),
            (17.0, 19.0, 65536.0, "counted", 2.0),
            (65535.0, 0.0, 65536.0, "rolled over", 1.0),
            (65534.0, 3.0, 65536.0, "rolled over", 5.0),
            (2.0**32 - 1.0, 1.0, 2.0**32, "rolled over", 2.0),
            (32767.0, -32768.0, 65536.0, "rolled over", 1.0),  # a signed register
            (9999.0, 0.0, 10000.0, "rolled over", 1.0),  # four BCD digits
            (50000.0, 0.0, 65536.0, "reset", 0.0),
            (50000.0, 4.0, 65536.0, "reset", 0.0),
            (100.0, 40.0, 65536.0, "reset", 0.0),
            (100.0, 30000.0, 65536.0, "reset", 0.0),
        ],
    )
    def test_cases(
        self, previous: float | None, value: float, modulus: float, kind: str, strokes: float
    ) -> None:
        step = counter_step(previous, value, modulus, most=6.0)
        assert (step.kind, step.strokes) == (kind, strokes)


events = st.lists(
    st.one_of(
        st.tuples(st.just("run"), st.integers(0, 3), st.floats(0.5, 5.0)),
        st.tuples(st.just("late"), st.integers(0, 30), st.floats(30.0, 120.0)),
        st.tuples(st.just("reset"), st.integers(0, 3), st.floats(0.5, 5.0)),
        st.tuples(st.just("duplicate"), st.just(0), st.just(0.0)),
    ),
    max_size=60,
)


@given(bits=st.sampled_from([16, 32]), start=st.integers(0, 400), story=events)
@example(bits=16, start=1, story=[("run", 2, 1.0), ("reset", 0, 1.0), ("run", 1, 1.0)])
def test_no_story_of_a_counter_loses_or_invents_strokes(
    bits: int, start: int, story: list[tuple[str, int, float]]
) -> None:
    """Over random roll-overs, resets, late scans and duplicates.

    The counter starts close below its roll-over. A reset from within reach of the roll-over cannot be told
    from one by anybody, so the story resets only from outside that reach.
    """
    modulus = 2**bits
    count = (modulus - start) % modulus
    timeline = StrokeTimeline(30.0)
    timeline.observe(0.0, 0.0, 0.0)
    known: float | None = float(count)
    now, driven, total = 0.0, 0, 0.0
    for kind, strokes, seconds in story:
        before, now = now, now + seconds
        most = 3.0 * (40.0 / 60.0) * seconds + 2.0
        made = min(strokes, int(most))  # what a pump can do
        reset = kind == "reset" and modulus - count > most and count > made
        if reset:
            count = made
        else:
            count = (count + made) % modulus
            driven += made
        step = counter_step(known, float(count), float(modulus), most)
        known = float(count)
        if step.kind == "reset":
            assert reset
            timeline.blind_until(now)
        else:
            assert not reset
            timeline.observe(step.strokes, before, now)
        assert timeline.total >= total, "the total never decreases"
        total = timeline.total
        assert timeline.rate is None or timeline.rate[0] >= 0.0
        assert timeline.rate is None or math.isfinite(timeline.rate[1])
    assert total == driven, "every stroke outside resets is counted, none of a reset is"


class TestContact:
    def test_a_closing_is_a_stroke_and_an_opening_is_none(self) -> None:
        edges = ContactEdges()
        seen = [
            edges.sample(float(time), closed=closed)[0]
            for time, closed in enumerate([True, True, False, False, True, True, False, True])
        ]
        assert seen == [0, 0, 0, 0, 1, 0, 0, 1]

    def test_what_was_not_watched_is_not_guessed(self) -> None:
        edges = ContactEdges()
        edges.sample(0.0, closed=False)
        edges.forget()
        assert edges.sample(60.0, closed=True) == (0, 60.0)
        assert edges.sample(61.0, closed=False) == (0, 60.0)
