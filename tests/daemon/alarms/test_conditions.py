"""Comparison, deadband, delays, rates and bad input, one instant after the other."""

from __future__ import annotations

import math
import random

import pytest

from config.alarms import ResolvedAlarm, SetPoint
from config.quantities import Quantity
from daemon.model import LinkState, OperatingState, Reading, Result, Status
from daemon.monitor.alarms import AlarmInputs
from daemon.monitor.alarms.conditions import Detector, Observation, Position, Watch
from tests.daemon.alarms.alarm_kit import START, Bench, alarm, bad, good, link, predicted_alarm, result

BEYOND, BETWEEN, BACK, UNKNOWN = Position.BEYOND, Position.BETWEEN, Position.BACK, Position.UNKNOWN


def look(
    definition: ResolvedAlarm,
    signals: dict[str, Reading] | None = None,
    results: dict[str, Result] | None = None,
    state: OperatingState = OperatingState.DRYING,
    **links: LinkState,
) -> Observation:
    inputs = AlarmInputs(
        START,
        0.0,
        state,
        signals or {},
        results or {},
        {name: link(it, "no answer") for name, it in links.items()},
    )
    return Watch(definition).look(inputs)


@pytest.mark.parametrize(
    ("condition", "value", "position"),
    [
        ("high", 80.5, BEYOND),
        ("high", 80.0, BETWEEN),
        ("high", 78.5, BETWEEN),
        ("high", 78.0, BACK),
        ("low", 79.5, BEYOND),
        ("low", 80.0, BETWEEN),
        ("low", 81.5, BETWEEN),
        ("low", 82.0, BACK),
    ],
)
def test_a_limit_with_a_deadband_of_two(condition: str, value: float, position: Position) -> None:
    seen = look(alarm(condition=condition, deadband=2.0), {"level": good(value)})
    assert (seen.position, seen.value, seen.setpoint) == (position, value, 80.0)


def test_without_a_deadband_the_setpoint_itself_is_back() -> None:
    assert look(alarm(), {"level": good(80.0)}).position is BACK


@pytest.mark.parametrize(
    ("other", "position"), [(85.1, BEYOND), (74.9, BEYOND), (84.5, BETWEEN), (81.0, BACK)]
)
def test_a_deviation_counts_in_both_directions(other: float, position: Position) -> None:
    definition = alarm(condition="deviation", deviation_from="second", setpoint=SetPoint(5.0), deadband=1.0)
    seen = look(definition, {"level": good(80.0), "second": good(other)})
    assert seen.position is position
    assert seen.value == pytest.approx(abs(80.0 - other))


def test_a_deviation_from_nothing_is_unknown() -> None:
    definition = alarm(condition="deviation", deviation_from="second", setpoint=SetPoint(5.0))
    assert look(definition, {"level": good(80.0), "second": bad()})[:2] == (UNKNOWN, None)
    assert "second has no usable value" in look(definition, {"level": good(80.0)}).why


@pytest.mark.parametrize(
    ("condition", "value", "position"),
    [
        ("state true", 1.0, BEYOND),
        ("state true", 0.0, BACK),
        ("state false", 0.0, BEYOND),
        ("state false", 1.0, BACK),
    ],
)
def test_a_state(condition: str, value: float, position: Position) -> None:
    seen = look(alarm(condition=condition, setpoint=None), {"level": good(value)})
    assert (seen.position, seen.setpoint) == (position, None)


@pytest.mark.parametrize(
    ("policy", "position"), [("hold", UNKNOWN), ("suppress", UNKNOWN), ("alarm", BEYOND)]
)
@pytest.mark.parametrize("reading", [bad("open circuit"), None, good(None)])
def test_bad_input_by_policy(policy: str, position: Position, reading: Reading | None) -> None:
    seen = look(alarm(quality_policy=policy), {} if reading is None else {"level": reading})
    assert (seen.position, seen.value) == (position, None)
    assert seen.why.startswith("level is bad")


def off_range() -> Reading:
    reason = "121 reads above its gross range -2 to 102: truly so high, or a failed instrument"
    return Reading(None, Status.BAD_OUT_OF_RANGE, START, 0.0, reason)


def heights(watch: Watch, *readings: Reading) -> list[Position]:
    return [
        watch.look(AlarmInputs(START, 0.0, OperatingState.DRYING, {"level": one}, {})).position
        for one in readings
    ]


def test_a_value_that_rises_past_the_set_point_and_out_of_its_range_is_still_beyond() -> None:
    assert heights(Watch(alarm()), good(90.0), off_range(), off_range(), good(50.0)) == [BEYOND] * 3 + [BACK]


@pytest.mark.parametrize(
    ("definition", "before"),
    [
        (alarm(), good(50.0)),  # it jumped: a failed instrument as much as a high level
        (alarm(quality_policy="suppress"), good(90.0)),
        (alarm(condition="deviation", deviation_from="level", setpoint=SetPoint(-1.0)), good(90.0)),
    ],
)
def test_a_value_that_leaves_its_range_is_else_unknown(definition: ResolvedAlarm, before: Reading) -> None:
    assert heights(Watch(definition), before, off_range())[1] is UNKNOWN


def test_another_kind_of_bad_value_forgets_what_was_beyond() -> None:
    assert heights(Watch(alarm()), good(90.0), bad(), off_range()) == [BEYOND, UNKNOWN, UNKNOWN]


def test_an_uncertain_value_counts() -> None:
    reading = Reading(90.0, Status.UNCERTAIN_LAST_USABLE_VALUE, START, 0.0, "old")
    assert look(alarm(), {"level": reading}).position is BEYOND


def test_a_result_comes_before_a_signal_of_the_same_name() -> None:
    definition = alarm(source="result", setpoint=SetPoint(0.0, "floor", factor=2.0))
    results = {"level": result(21.0), "floor": result(10.0)}
    seen = look(definition, {"level": good(1.0), "floor": good(99.0)}, results)
    assert (seen.position, seen.value, seen.setpoint) == (BEYOND, 21.0, 20.0)


@pytest.mark.parametrize(("reference", "setpoint"), [(10.0, 25.0), (2.0, 12.0), (100.0, 30.0), (None, None)])
def test_a_setpoint_that_follows_another_value_within_bounds(
    reference: float | None, setpoint: float | None
) -> None:
    definition = alarm(setpoint=SetPoint(5.0, "load", factor=2.0, at_least=12.0, at_most=30.0))
    signals = {"level": good(26.0)} | ({} if reference is None else {"load": good(reference)})
    seen = look(definition, signals)
    assert seen.setpoint == setpoint
    assert (seen.position is UNKNOWN) is (setpoint is None)
    assert (seen.why == "the setpoint has no usable value") is (setpoint is None)


def test_a_setpoint_by_operating_state() -> None:
    definition = alarm(setpoint_by_state={"heating": SetPoint(95.0)})
    assert look(definition, {"level": good(90.0)}).position is BEYOND
    assert look(definition, {"level": good(90.0)}, state=OperatingState.HEATING).position is BACK


@pytest.mark.parametrize(("reading", "position"), [(bad(), BEYOND), (None, BEYOND), (good(3.0), BACK)])
def test_bad_quality_is_its_own_condition(reading: Reading | None, position: Position) -> None:
    definition = alarm(condition="bad quality", setpoint=None, controller="plc")
    assert (
        look(definition, {} if reading is None else {"level": reading}, plc=LinkState.UP).position is position
    )


@pytest.mark.parametrize("state", [LinkState.DOWN, LinkState.CONNECTING])
def test_a_lost_controller_is_not_one_more_alarm_for_each_of_its_signals(state: LinkState) -> None:
    definition = alarm(condition="bad quality", setpoint=None, controller="plc")
    seen = look(definition, {"level": bad()}, plc=state)
    assert (seen.position, seen.why) == (UNKNOWN, "controller plc is not connected")


@pytest.mark.parametrize(
    ("state", "position"),
    [
        (LinkState.DOWN, BEYOND),
        (LinkState.CONNECTING, BEYOND),
        (LinkState.DEGRADED, BACK),
        (LinkState.UP, BACK),
    ],
)
def test_a_link(state: LinkState, position: Position) -> None:
    definition = alarm(input="plc", source="link", condition="link down", setpoint=None)
    assert look(definition, plc=state) == Observation(position, None, None, START, "no answer")


def test_a_link_that_nobody_reports_is_unknown() -> None:
    assert look(alarm(input="plc", source="link", condition="link down", setpoint=None)).position is UNKNOWN


def test_what_is_not_a_number_neither_raises_nor_clears() -> None:
    assert look(alarm(), {"level": good(math.nan)}).position is BETWEEN


def drive(detector: Detector, positions: str, on: float, off: float, at: float = 0.0) -> str:
    """One letter a second (b beyond, w between, k back, u unknown) in, ``#`` while true out."""
    letters = {"b": BEYOND, "w": BETWEEN, "k": BACK, "u": UNKNOWN}
    out = ""
    for second, letter in enumerate(positions):
        detector.update(Observation(letters[letter], None, None, at + second), at + second, on, off)
        out += "#" if detector.active else "."
    return out


@pytest.mark.parametrize(
    ("positions", "on", "off", "expected"),
    [
        ("kbk", 0, 0, ".#."),
        ("kbbbk", 3, 0, "....."),
        ("kbbbbk", 3, 0, "....#."),
        ("bbwbbb", 2, 0, ".....#"),  # between stops the on-delay
        ("bbbkkkk", 2, 3, "..####."),
        ("bbbkkwkkkk", 2, 3, "..#######."),  # and the off-delay
        ("bwwwwk", 0, 0, "#####."),
        ("bbuuuub", 3, 0, "......."),  # unknown time does not count
        ("bbuuuubb", 3, 0, ".......#"),
        ("bkuuuuk", 0, 2, "#######"),
        ("bkuuuukk", 0, 2, "#######."),
        ("buuuuuu", 0, 0, "#######"),  # unknown does not clear
        ("uuuuuuu", 0, 0, "......."),  # nor raise
    ],
)
def test_delays_second_by_second(positions: str, on: float, off: float, expected: str) -> None:
    assert drive(Detector(), positions, on, off) == expected


def test_a_delay_ends_at_its_scan_whatever_the_rounding_of_the_clock() -> None:
    detector = Detector()
    start = 123456.7
    raised = [
        detector.update(Observation(BEYOND, None, None, 0.0), start + 0.1 * step, 1.5, 0.0)
        for step in range(16)
    ]
    assert raised == [False] * 15 + [True]


def test_a_delay_goes_on_after_a_restart_without_the_time_between() -> None:
    first = Detector()
    drive(first, "bbb", on=5, off=0, at=40.0)
    assert first.pending == 2.0
    second = Detector()
    second.resume(active=first.active, pending=first.pending, began=first.began, now=900.0)
    assert drive(second, "bbbb", on=5, off=0, at=900.0) == "...#"


def test_the_mean_time_to_alarm_of_a_delay_on_white_noise_is_that_of_theory() -> None:
    """n consecutive samples at probability p: (1 - p^n)/((1 - p) p^n); Adnan, Izadi and Chen 2011."""
    source = random.Random(20260101)
    for p, n in ((0.3, 3), (0.5, 5), (0.9, 5)):
        mean = (1 - p**n) / ((1 - p) * p**n)
        times = []
        for _ in range(400):
            detector, count = Detector(), 0
            while not detector.active:
                position = BEYOND if source.random() < p else BACK
                detector.update(Observation(position, None, None, 0.0), float(count), n - 1.0, 0.0)
                count += 1
            times.append(count)
        spread = math.sqrt(sum((time - mean) ** 2 for time in times) / len(times) / len(times))
        assert sum(times) / len(times) == pytest.approx(mean, abs=4 * spread)


def test_check_values_of_the_consecutive_sample_formula() -> None:
    def mean(p: float, n: int) -> float:
        return (1 - p**n) / ((1 - p) * p**n)

    # Computed independently for the alarm reference of this project.
    assert mean(0.1, 3) == pytest.approx(1110, abs=0.5)
    assert mean(0.5, 5) == pytest.approx(62)
    assert mean(0.9, 5) == pytest.approx(6.94, abs=0.005)
    assert mean(0.99, 15) == pytest.approx(16.3, abs=0.05)


@pytest.mark.parametrize(
    ("condition", "setpoint", "expected"), [("rate high", 30.0, BEYOND), ("rate low", -30.0, BACK)]
)
def test_a_rate_alarm_compares_the_change_within_its_window(
    condition: str, setpoint: float, expected: Position
) -> None:
    definition = alarm(
        condition=condition,
        window=60.0,
        setpoint=SetPoint(setpoint),
        setpoint_quantity=Quantity.TEMPERATURE_DIFFERENCE,
        deadband=5.0,
    )
    watch = Watch(definition)
    seen = None
    for second in range(60):
        inputs = AlarmInputs(START, float(second), OperatingState.DRYING, {"level": good(0.6 * second)}, {})
        seen = watch.look(inputs)
        if second < 30:
            assert seen.position is UNKNOWN
            assert "too few values" in seen.why
    assert seen is not None
    assert seen.position is expected
    assert seen.value == pytest.approx(36.0)


def test_a_prediction_is_judged_by_the_earliest_time_that_its_uncertainty_allows() -> None:
    bench = Bench(predicted_alarm(deadband=450.0))
    bench.results = {"time_left": Result(1200.0, 100.0, Status.GOOD)}
    assert bench.scan(0.0) == ()  # 1200 s less 2.576 x 100 s is 942 s
    bench.results = {"time_left": Result(1200.0, 120.0, Status.GOOD)}
    (raised,) = bench.scan(1.0)  # 891 s
    assert raised.message == (
        "Level high: limit in 20 min at the present trend, 15 min at the earliest, warns below 15 min"
    )
    bench.results = {"time_left": Result(1300.0, 0.0, Status.GOOD)}
    assert bench.scan(2.0) == ()  # clears at one and a half times the setpoint
    bench.results = {"time_left": Result(86400.0, 0.0, Status.GOOD)}
    (gone,) = bench.scan(3.0)
    assert gone.event == "condition false"
    assert gone.message == "Level high: condition gone, limit in a day or more at the present trend"
