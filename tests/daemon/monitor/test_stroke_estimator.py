"""From checked readings to stroke results: which source counts, and what the results say of themselves."""

from __future__ import annotations

import json
import random
from collections.abc import Mapping
from typing import Any

import pytest

from daemon.model import Quality, Reading, Result, Status
from daemon.monitor.specs import signal_specs
from daemon.monitor.stroke_estimator import PumpLimits, StrokeEstimator
from tests.daemon.monitor.plant import START, bad, good, make_site, moment
from tests.support.narrow import near

PUMP = PumpLimits(lowest_rate=0.1, maximum_rate=40.0 / 60.0)
RATE_REGISTER = {"stroke_rate": 'type = "uint16", unit = "/min", scale = 0.1'}
SWITCH = {"stroke_switch": 'type = "bool", bit = 0'}
RETURN = {"stroke_switch_return": 'type = "bool", bit = 1'}


def estimator(signals: Mapping[str, str] | None = None, without: tuple[str, ...] = ()) -> StrokeEstimator:
    site, unit = make_site(signals, without=without)
    return StrokeEstimator(signal_specs(site, unit), PUMP)


def step(
    strokes: StrokeEstimator, at: float, **values: float | Reading
) -> tuple[dict[str, Result], tuple[str, ...]]:
    readings = {
        name: value if isinstance(value, Reading) else good(value, at) for name, value in values.items()
    }
    notes = strokes.observe(readings, moment(at))
    return strokes.results(readings, moment(at)), notes


def test_a_counter_gives_rate_and_time_since_the_last_stroke() -> None:
    strokes = estimator()
    for at in range(121):
        results, notes = step(strokes, float(at), stroke_count=float(500 + at // 10))
        assert notes == ()
    rate, since = results["stroke_rate"], results["time_since_stroke"]
    assert rate.status is since.status is Status.GOOD
    assert rate.value == pytest.approx(0.1, rel=0.02)
    assert since.value == pytest.approx(0.5)  # counted at 120 s, so between 119 and 120 s
    assert results["stroke_irregularity"].value == pytest.approx(0.0, abs=0.02)
    assert strokes.total == 12.0


def test_before_two_strokes_there_is_no_rate() -> None:
    strokes = estimator()
    for at in range(12):
        results, _ = step(strokes, float(at), stroke_count=float(500 + at // 10))
        assert results["stroke_rate"].value is None
        assert results["stroke_rate"].reason == "two strokes have not been seen yet"
    results, _ = step(strokes, 20.0, stroke_count=502.0)
    assert results["stroke_rate"].value is not None


def test_a_pump_that_stands_from_the_start_is_called_stopped() -> None:
    strokes = estimator()
    for at in range(41):
        results, _ = step(strokes, float(at), stroke_count=500.0)
    assert results["stroke_rate"].value == 0.0
    assert results["stroke_rate"].status is Status.GOOD
    assert results["time_since_stroke"].value == 40.0


def test_a_reset_is_told_and_counts_nothing() -> None:
    strokes = estimator()
    for at in range(60):
        step(strokes, float(at), stroke_count=float(500 + at // 5))
    total = strokes.total
    results, notes = step(strokes, 60.0, stroke_count=0.0)
    assert notes == ("stroke counter went from 511 to 0: reset, nothing counted",)
    assert strokes.total == total
    assert results["stroke_rate"].value == pytest.approx(0.2, rel=0.02)
    assert results["stroke_rate"].status is Status.UNCERTAIN_LAST_USABLE_VALUE
    for at in range(61, 72):
        results, notes = step(strokes, float(at), stroke_count=float((at - 60) // 5))
    assert notes == ()
    assert results["stroke_rate"].status is Status.GOOD


def test_a_duplicate_and_an_older_reading_change_nothing() -> None:
    strokes = estimator()
    for at in range(60):
        step(strokes, float(at), stroke_count=float(500 + at // 5))
    saved = json.dumps(strokes.save())
    step(strokes, 60.0, stroke_count=good(511.0, 59.0))
    step(strokes, 60.0, stroke_count=good(509.0, 40.0))
    assert json.dumps(strokes.save()) == saved


def test_a_bad_counter_makes_the_results_absent() -> None:
    strokes = estimator()
    for at in range(60):
        step(strokes, float(at), stroke_count=float(500 + at // 5))
    results, _ = step(strokes, 60.0, stroke_count=bad(60.0))
    for name in ("stroke_rate", "time_since_stroke"):
        assert results[name].value is None
        assert results[name].reason == "no usable stroke signal: stroke_count is bad (exception 2)"


def test_an_uncertain_counter_makes_them_uncertain() -> None:
    strokes = estimator()
    for at in range(60):
        step(strokes, float(at), stroke_count=float(500 + at // 5))
    old = good(511.0, 59.0).degraded(Status.UNCERTAIN_LAST_USABLE_VALUE, "no update for 4 s")
    results, _ = step(strokes, 63.0, stroke_count=old)
    assert results["stroke_rate"].status is Status.UNCERTAIN_DEPENDENT_VALUE_CHANGED
    assert results["stroke_rate"].reason == "stroke_count: no update for 4 s"
    assert results["time_since_stroke"].value == pytest.approx(4.5), (
        "not watched since 59 s: no stall from that"
    )


def test_the_register_steps_in_for_a_bad_counter_and_says_so() -> None:
    strokes = estimator(RATE_REGISTER)
    results, _ = step(strokes, 1.0, stroke_count=bad(1.0), stroke_rate=0.2)
    assert results["stroke_rate"].value == 0.2
    assert results["stroke_rate"].status is Status.UNCERTAIN_SUB_NORMAL
    assert results["stroke_rate"].reason == "stroke_count is bad (exception 2)"


def test_a_register_alone_is_good_and_tells_the_time_at_zero() -> None:
    strokes = estimator(RATE_REGISTER, without=("stroke_count",))
    for at in range(10):
        results, _ = step(strokes, float(at), stroke_rate=0.2)
    assert results["stroke_rate"] == Result(0.2, near(0.004, rel=0.1), Status.GOOD)
    assert results["time_since_stroke"].value == 0.0
    for at in range(10, 31):
        results, _ = step(strokes, float(at), stroke_rate=0.0)
    assert results["time_since_stroke"].value == 21.0
    assert results["stroke_rate"].value == 0.0


def test_counter_and_register_that_differ_for_a_minute_are_doubtful() -> None:
    strokes = estimator(RATE_REGISTER)
    found = [
        step(strokes, float(at), stroke_count=float(500 + at // 5), stroke_rate=0.3)[0]["stroke_rate"]
        for at in range(120)
    ]
    assert found[60].quality is Quality.GOOD
    assert found[-1].status is Status.UNCERTAIN_SENSOR_NOT_ACCURATE
    assert found[-1].reason == "strokes are seen at 12.00 /min, the rate register says 18.00 /min"


def test_contacts_give_rate_and_asymmetry() -> None:
    """Read every 0.1 s; from one end to the other 2 s, back 3 s: asymmetry -0.2 by hand."""
    strokes = estimator(SWITCH | RETURN, without=("stroke_count",))
    for index in range(1200):
        at = index * 0.1
        phase = at % 5.0
        results, _ = step(
            strokes, at, stroke_switch=float(phase < 0.45), stroke_switch_return=float(1.95 < phase < 2.45)
        )
    assert results["stroke_rate"].value == pytest.approx(0.2, rel=0.01)
    assert results["stroke_asymmetry"].value == pytest.approx(-0.2, abs=0.02)


def test_a_contact_read_too_slowly_is_doubtful() -> None:
    strokes = estimator(SWITCH, without=("stroke_count",))
    for at in range(60):
        results, _ = step(strokes, float(at), stroke_switch=float(at % 10 < 5))
    assert results["stroke_rate"].value == pytest.approx(0.1, rel=0.02)
    assert results["stroke_rate"].status is Status.UNCERTAIN_SENSOR_NOT_ACCURATE
    assert "too slowly" in results["stroke_rate"].reason


PULSES = {"stroke_pulse": 'controller = "broker", topic = "p", payload = "json", path = "v", time_path = "t"'}


def pulse(at: float, *, delay: float = 0.0) -> Reading:
    """A message that was stamped at ``at`` and came ``delay`` later."""
    return good(1.0, at + delay, stamp=START + at)


def test_pulses_are_placed_by_their_stamps_whatever_the_network_does() -> None:
    """One stroke in 4.3 s, messages up to 0.9 s late, scans a second: the rate without jitter."""
    strokes = estimator(PULSES, without=("stroke_count",))
    dice = random.Random(5)
    delays = [dice.uniform(0.0, 0.9) for _ in range(60)]
    for at in range(1, 120):
        newest = max(n for n in range(60) if n == 0 or 4.3 * n + delays[n] <= at)
        results, _ = step(strokes, float(at), stroke_pulse=pulse(4.3 * newest, delay=delays[newest]))
    assert results["stroke_rate"].value == pytest.approx(1.0 / 4.3, rel=1e-3)
    assert results["stroke_rate"].status is Status.GOOD
    assert results["stroke_irregularity"].value == pytest.approx(0.0, abs=0.01)
    assert strokes.total == 27.0


def test_silence_of_pulses_is_a_stopped_pump_while_the_link_is_up() -> None:
    strokes = estimator(PULSES, without=("stroke_count",))
    for at in range(1, 60):
        step(strokes, float(at), stroke_pulse=pulse(float(at // 5 * 5)))
    for at in range(60, 120):
        results, _ = step(strokes, float(at), stroke_pulse=pulse(55.0))
    assert results["stroke_rate"].value == 0.0
    assert results["time_since_stroke"].value == pytest.approx(119.0 - 2.0 - 55.0, abs=0.1)


def test_a_lost_link_is_no_stopped_pump() -> None:
    strokes = estimator(PULSES, without=("stroke_count",))
    for at in range(1, 60):
        step(strokes, float(at), stroke_pulse=pulse(float(at // 5 * 5)))
    lost = pulse(55.0).degraded(Status.UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE, "broker is down")
    for at in range(60, 90):
        results, _ = step(strokes, float(at), stroke_pulse=lost)
    assert results["stroke_rate"].value == pytest.approx(0.2, rel=0.01)
    assert results["stroke_rate"].quality is Quality.UNCERTAIN
    results, _ = step(strokes, 90.0, stroke_pulse=pulse(90.0))
    assert strokes.total == 11.0, "what was missed is not guessed"


def test_a_unit_without_any_stroke_signal_says_so() -> None:
    results, _ = step(estimator(without=("stroke_count",)), 1.0)
    assert results["stroke_rate"].reason == "no stroke signal is configured"


def test_state_survives_json_at_every_step() -> None:
    signals = RATE_REGISTER | SWITCH | RETURN | PULSES
    straight, broken = estimator(signals), estimator(signals)
    for at in range(90):
        values: dict[str, Any] = {
            "stroke_count": float(65530 + at // 5) % 65536 if at < 70 else float(at - 70),
            "stroke_rate": 0.3,
            "stroke_switch": float(at % 6 < 2),
            "stroke_switch_return": float(3 <= at % 6 < 5),
            "stroke_pulse": pulse(float(at // 5 * 5)),
        }
        expected = step(straight, float(at), **values)
        assert step(broken, float(at), **values) == expected
        renewed = estimator(signals)
        renewed.restore(json.loads(json.dumps(broken.save(), allow_nan=False)))
        broken = renewed
