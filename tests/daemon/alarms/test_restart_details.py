"""A restart in detail: what is kept of each alarm, in which form, and clocks that were set meanwhile."""

from __future__ import annotations

import json

import pytest

from config.alarms import SetPoint
from daemon.model import ActionKind, OperatingState
from daemon.monitor.alarms import AlarmEngine
from tests.daemon.alarms.alarm_kit import START, UNIT, Bench, alarm, good, words, write


def restored(bench: Bench, *, time: float, monotonic: float = 0.0) -> None:
    """Restore what the engine saves into a new one that starts at ``monotonic``, which is now second zero."""
    saved = json.loads(json.dumps(bench.engine.save()))
    bench.engine = AlarmEngine(UNIT, bench.alarms, write)
    bench.engine.restore(saved, time=time, monotonic=monotonic)
    bench.boot, bench.at = monotonic, 0.0


def plain(value: object) -> bool:
    """Whether a value is of JSON's own types, no subclasses."""
    if type(value) is dict:
        return all(type(key) is str and plain(item) for key, item in value.items())
    if type(value) is list:
        return all(map(plain, value))
    return value is None or type(value) in {str, int, float, bool}


def test_what_is_saved_is_plain_json() -> None:
    bench = Bench(alarm(first_out_group="g"), alarm(id="rate", condition="rate high", window=60.0))
    bench.scan(0, 70.0)
    bench.scan(1, 90.0)
    bench.acknowledge(2)
    saved = bench.engine.save()
    assert set(saved) == {"version", "time", "counter", "alarms", "first_out"}
    assert plain(saved)


def test_another_version_is_refused_by_both_numbers() -> None:
    bench = Bench(alarm())
    with pytest.raises(ValueError, match="saved alarms are of version 7, this program knows 1"):
        bench.engine.restore(
            {"version": 7, "time": 0.0, "counter": 0, "alarms": {}}, time=START, monotonic=0.0
        )


@pytest.mark.parametrize(
    ("clock", "due"),
    [
        (0.0, 500.0),
        (40.0, 460.0),  # down for 40 s
        (-50.0, 500.0),  # the clock was set back: time does not run backwards for a repetition
    ],
)
def test_a_repetition_counts_the_time_down_and_never_less_than_nothing(clock: float, due: float) -> None:
    bench = Bench(alarm(priority="highest", re_alarm=600.0))
    bench.scan(0, 90.0)
    bench.scan(100, 90.0)
    restored(bench, time=START + 100 + clock)
    assert bench.scan(due - 0.5, 90.0) == ()
    assert words(bench.scan(due, 90.0)) == [("level_high", "re-alarmed", "UNACK")]


def test_shelving_ends_by_the_earlier_clock_and_says_so_in_both() -> None:
    bench = Bench(alarm())
    bench.shelve(0, duration=3600.0, comment="valve work")
    bench.scan(600, 70.0)
    restored(bench, time=START + 1600, monotonic=17.0)
    shelf = bench.shown().shelf
    assert shelf is not None
    assert (shelf.until, shelf.until_monotonic) == (START + 3600, 17.0 + 2000)
    assert (shelf.actor, shelf.comment) == ("Ada", "valve work")


def test_an_acknowledgement_without_words_stays_without() -> None:
    bench = Bench(alarm())
    bench.scan(0, 90.0)
    bench.acknowledge(1)
    restored(bench, time=START + 2)
    known = bench.shown().acknowledgement
    assert known is not None
    assert (known.actor, known.time, known.comment) == ("Ada", START + 1, "")


def test_class_priority_and_title_are_kept_for_the_end_of_an_alarm_that_is_gone_from_the_configuration() -> (
    None
):
    bench = Bench(alarm(priority="high", alarm_class="contract", title="Dew point high"))
    bench.scan(0, 90.0)
    bench.alarms = ()
    (end,) = bench.restart()
    assert (end.priority, end.alarm_class) == ("high", "contract")
    assert end.message == "Dew point high: no longer configured"
    assert (end.unit, end.event, end.time) == (UNIT, "removed from configuration", START)


def test_an_alarm_in_its_first_state_again_is_not_kept() -> None:
    bench = Bench(alarm(priority="high", alarm_class="contract", quality_policy="suppress"))
    bench.scan(0, 70.0)
    bench.scan(1)
    bench.scan(2, 70.0)
    assert bench.engine.save()["alarms"] == {}


def test_an_off_delay_that_was_running_goes_on() -> None:
    bench = Bench(alarm(off_delay=10.0))
    bench.scan(0, 90.0)
    bench.scan(1, 70.0)
    bench.scan(5, 70.0)
    restored(bench, time=START + 5)
    assert bench.scan(5.5, 70.0) == ()
    assert words(bench.scan(6, 70.0)) == [("level_high", "condition false", "RTNUN")]


def test_which_began_first_is_kept_by_the_time_of_the_source() -> None:
    bench = Bench(alarm(id="slow", input="a", on_delay=5.0, first_out_group="g"))
    bench.scan(0, a=good(90.0, START - 3.0))
    bench.alarms = (*bench.alarms, alarm(id="quick", input="b", first_out_group="g"))
    restored(bench, time=START)
    steps = bench.scan(5, a=90.0, b=good(90.0, START - 2.0))
    assert [(step.alarm, step.first_out) for step in steps] == [("slow", True), ("quick", False)]


def test_settling_and_the_longest_suppression_go_on() -> None:
    bench = Bench(alarm(states=frozenset({"drying"}), settle_time=30.0, longest_suppression=100.0))
    bench.state = OperatingState.HEATING
    bench.scan(0, 90.0)
    bench.scan(60, 90.0)
    restored(bench, time=START + 60)
    assert bench.scan(39, 90.0) == ()
    assert words(bench.scan(40, 90.0)) == [("level_high", "suppression by design ended", "UNACK")]

    bench = Bench(alarm(states=frozenset({"drying"}), settle_time=30.0))
    bench.state = OperatingState.SHUT_IN
    bench.scan(0, 90.0)
    bench.state = OperatingState.DRYING
    bench.scan(10, 90.0)
    bench.scan(20, 90.0)
    restored(bench, time=START + 20)
    assert bench.scan(19.5, 90.0) == ()
    assert words(bench.scan(20, 90.0)) == [("level_high", "suppression by design ended", "UNACK")]


def test_a_rate_keeps_its_samples_and_their_age() -> None:
    bench = Bench(alarm(condition="rate high", window=60.0, setpoint=SetPoint(1000.0)))
    for second in range(40):
        bench.scan(second, 1.0 * second)
    restored(bench, time=START + 39 + 10)
    bench.scan(0, 49.0)  # ten seconds later on the same line: 60 in 60 s
    assert bench.shown().value == pytest.approx(60.0)


def test_notes_of_an_alarm_out_of_service_and_under_way_are_kept() -> None:
    bench = Bench(alarm())
    bench.scan(0, 90.0)
    bench.act(ActionKind.REMOVE_FROM_SERVICE, 1, comment="calibration")
    restored(bench, time=START + 1)
    shown = bench.shown()
    assert (shown.state.value, shown.condition, shown.service_note) == ("OOSRV", True, "Ada: calibration")


def test_a_state_that_an_earlier_program_saved_is_understood() -> None:
    """Written out by hand in the form of version 1: what is not said has its plain meaning."""
    occurrence = f"{UNIT}.level_high.1800000000000.4"
    bench = Bench(alarm(), alarm(id="second"), alarm(id="shelved"))
    ends = bench.engine.restore(
        {
            "version": 1,
            "time": START,
            "counter": 4,
            "alarms": {
                "level_high": {
                    "life": {"shown": "ACKED", "condition": True},
                    "occurrence": occurrence,
                    "raised": START - 50.0,
                    "acknowledgement": {"occurrence": occurrence, "actor": "Ada", "time": START - 40.0},
                },
                "second": {"life": {"out_of_service": True}, "service_note": "Ada: calibration"},
                "shelved": {
                    "life": {"condition": True, "shelved": True},
                    "shelf": {
                        "until": START + 60.0,
                        "remaining": 60.0,
                        "actor": "Ada",
                        "comment": "valve work",
                    },
                },
                "third": {"life": {"shown": "RTNUN"}, "occurrence": "north.third.1.2"},
            },
        },
        time=START,
        monotonic=0.0,
    )
    shown, second = bench.shown(), bench.shown("second")
    assert (shown.state.value, shown.occurrence, shown.raised) == ("ACKED", occurrence, START - 50.0)
    assert shown.acknowledgement is not None
    assert (shown.acknowledgement.actor, shown.acknowledgement.comment) == ("Ada", "")
    assert (shown.shelf, shown.suppression, shown.service_note, shown.first_out) == (None, "", "", False)
    assert (second.state.value, second.condition, second.occurrence) == ("OOSRV", False, "")
    shelf = bench.shown("shelved").shelf
    assert shelf is not None
    assert (shelf.until, shelf.comment, shelf.until_return) == (START + 60.0, "valve work", False)
    (end,) = ends
    assert (end.alarm, end.previous.value, end.priority, end.alarm_class) == ("third", "RTNUN", "low", "")
    assert end.message == "third: no longer configured"
