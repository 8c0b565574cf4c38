"""Signal checks: what each one finds, what it says, and what it leaves alone."""

from __future__ import annotations

import json
import math
import random

import pytest

from daemon.model import Link, LinkState, Reading, Status
from daemon.monitor.checks import SignalCheck
from daemon.monitor.redundancy import REDUNDANT_PAIRS, RedundancyCheck
from daemon.monitor.specs import SignalSpec, signal_specs
from tests.daemon.monitor.plant import DOWN, START, UP, bad, good, make_site, moment

KELVIN_PER_DEGF = 5.0 / 9.0


def spec(keys: str = "", name: str = "reboiler_temperature") -> SignalSpec:
    """The spec of a temperature from 0 to 500 degF with further keys."""
    base = 'type = "float32", unit = "degF", range = [0, 500]'
    site, unit = make_site({name: f"{base}, {keys}" if keys else base})
    return signal_specs(site, unit)[name]


def degf(value: float) -> float:
    return (value + 459.67) * KELVIN_PER_DEGF


def run(
    check: SignalCheck, values: list[float], *, running: bool = False, start: float = 0.0
) -> list[Reading]:
    """Give one new value a second, seen at once."""
    return [
        check.check(good(value, start + index), moment(start + index), UP, running=running)
        for index, value in enumerate(values)
    ]


OR_FAILED = "truly so {}, or a failed instrument"


class TestAge:
    @pytest.mark.parametrize(
        ("age", "status", "reason"),
        [
            (0.5, Status.GOOD, ""),
            (3.0, Status.GOOD, ""),
            (3.1, Status.UNCERTAIN_LAST_USABLE_VALUE, "no update for 3.1 s, expected every 1 s"),
            (10.0, Status.UNCERTAIN_LAST_USABLE_VALUE, "no update for 10 s, expected every 1 s"),
            (10.5, Status.BAD_TIMEOUT, "no update for 10.5 s, expected every 1 s"),
        ],
    )
    def test_three_and_ten_periods(self, age: float, status: Status, reason: str) -> None:
        check = SignalCheck(spec())
        found = check.check(good(degf(385.0), 100.0), moment(100.0 + age), UP)
        assert (found.status, found.reason) == (status, reason)
        assert (found.value is None) is (status is Status.BAD_TIMEOUT), "a bad value is absent"

    def test_a_wall_clock_that_jumps_ages_nothing(self) -> None:
        check = SignalCheck(spec())
        reading = Reading(degf(385.0), Status.GOOD, START - 86400.0, 99.5)
        assert check.check(reading, moment(100.0), UP) is reading

    def test_slow_signals_have_their_own_period(self) -> None:
        check = SignalCheck(spec('scan_class = "slow"'))
        assert check.check(good(degf(385.0), 0.0), moment(89.0), UP).status is Status.GOOD
        assert check.check(good(degf(385.0), 0.0), moment(91.0), UP).status is not Status.GOOD

    @pytest.mark.parametrize(
        ("link", "age", "status", "reason"),
        [
            (DOWN, 1.0, "UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE", "plc is down: connection refused"),
            (DOWN, 60.0, "BAD_NOT_CONNECTED", "plc is down: connection refused; no update for 60 s"),
            (
                Link(LinkState.DOWN, 50.0, 40.0, "timeout"),
                60.0,
                "BAD_NO_COMMUNICATION",
                "plc is down: timeout; no update for 60 s",
            ),
            (Link(LinkState.DEGRADED, 50.0, 40.0, "timeout"), 1.0, "GOOD", ""),
            (None, 1.0, "GOOD", ""),
        ],
    )
    def test_link(self, link: Link | None, age: float, status: str, reason: str) -> None:
        found = SignalCheck(spec()).check(good(degf(385.0), 0.0), moment(age), link)
        assert (found.status.name, found.reason) == (status, reason)

    def test_no_reading_waits(self) -> None:
        found = SignalCheck(spec()).check(None, moment(5.0), UP)
        assert found.status is Status.BAD_WAITING_FOR_INITIAL_DATA
        assert found.value is None

    def test_the_sources_own_reason_stays_unless_worse_is_found(self) -> None:
        reading = bad(0.0)
        assert SignalCheck(spec()).check(reading, moment(500.0), DOWN) is reading
        doubtful = good(degf(385.0), 0.0).degraded(Status.UNCERTAIN_SIMULATED_VALUE, "simulation mode")
        check = SignalCheck(spec())
        assert check.check(doubtful, moment(5.0), UP) is doubtful
        assert check.check(doubtful, moment(50.0), UP).status is Status.BAD_TIMEOUT


class TestClock:
    @pytest.mark.parametrize(
        ("ahead", "status"),
        [
            (0.0, Status.GOOD),
            (1.9, Status.GOOD),
            (2.1, Status.UNCERTAIN_SENSOR_NOT_ACCURATE),
            (-30.0, Status.GOOD),
            (-61.0, Status.UNCERTAIN_LAST_USABLE_VALUE),
        ],
    )
    def test_stamps_ahead_and_far_behind(self, ahead: float, status: Status) -> None:
        keys = (
            'controller = "broker", topic = "t", payload = "json", path = "v", time_path = "t", unit = "degF"'
        )
        site, unit = make_site({"still_top_temperature": keys})
        stamped = signal_specs(site, unit)["still_top_temperature"]
        reading = good(372.0, 99.9, stamp=START + 99.9 + ahead)
        found = SignalCheck(stamped).check(reading, moment(100.0), UP)
        assert found.status is status
        assert (found.reason == "") is (status is Status.GOOD)


class TestRange:
    @pytest.mark.parametrize(
        ("value", "status", "reason"),
        [
            (0.0, Status.GOOD, ""),
            (500.0, Status.GOOD, ""),
            (
                505.0,
                Status.UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
                "505 °F is outside the range 0 °F to 500 °F",
            ),
            (
                513.0,
                Status.BAD_OUT_OF_RANGE,
                f"513 °F reads above its gross range -12.5 °F to 512.5 °F: {OR_FAILED.format('high')}",
            ),
            (
                -13.0,
                Status.BAD_OUT_OF_RANGE,
                f"-13 °F reads below its gross range -12.5 °F to 512.5 °F: {OR_FAILED.format('low')}",
            ),
            (
                1e30,
                Status.BAD_CONFIGURATION_ERROR,
                "1e+30 °F is impossible: check register, type, word order and unit",
            ),
        ],
    )
    def test_range_gross_range_and_nonsense(self, value: float, status: Status, reason: str) -> None:
        (found,) = run(SignalCheck(spec()), [degf(value)])
        assert (found.status, found.reason) == (status, reason)
        assert (found.value is None) is (status.quality == 2)

    @pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
    def test_what_is_no_number_is_bad(self, value: float) -> None:
        (found,) = run(SignalCheck(spec()), [value])
        assert found.status is Status.BAD_SENSOR_FAILURE
        assert found.value is None

    def test_own_gross_range(self) -> None:
        (found,) = run(SignalCheck(spec("checks = { gross_range = [-50, 600] }")), [degf(590.0)])
        assert found.status is Status.UNCERTAIN_ENGINEERING_UNITS_EXCEEDED

    def test_word_order_shows_without_any_range(self) -> None:
        site, unit = make_site({"flash_temperature": 'type = "float32", unit = "degF"'})
        (found,) = run(SignalCheck(signal_specs(site, unit)["flash_temperature"]), [-3.2e12])
        assert found.status is Status.BAD_CONFIGURATION_ERROR


class TestJumps:
    def test_a_spike_never_looks_good_and_its_neighbours_do(self) -> None:
        values = [385.0, 385.2, 384.9, 460.0, 385.1, 385.0]
        found = run(SignalCheck(spec()), [degf(value) for value in values])
        assert [reading.status is Status.GOOD for reading in found] == [True, True, True, False, True, True]
        assert found[3].status is Status.UNCERTAIN_SENSOR_NOT_ACCURATE
        assert found[3].reason == "jumped by 75.1 °F in one sample; not confirmed yet"

    def test_a_step_costs_one_uncertain_sample(self) -> None:
        values = [385.0, 385.2, 460.0, 460.3, 460.1]
        found = run(SignalCheck(spec()), [degf(value) for value in values])
        assert [reading.quality.name for reading in found] == ["GOOD", "GOOD", "UNCERTAIN", "GOOD", "GOOD"]

    def test_noise_as_wide_as_the_limit_is_no_spike(self) -> None:
        noise = random.Random(20260101)
        values = [degf(250.0 + noise.gauss(0.0, 50.0)) for _ in range(300)]
        found = run(SignalCheck(spec()), values)[10:]
        assert sum(reading.status is Status.UNCERTAIN_SENSOR_NOT_ACCURATE for reading in found) < 6

    def test_after_a_gap_any_value_is_a_first_one(self) -> None:
        check = SignalCheck(spec())
        run(check, [degf(385.0)] * 5)
        assert run(check, [degf(150.0)], start=60.0)[0].status is Status.GOOD

    def test_the_same_reading_seen_again_keeps_its_verdict(self) -> None:
        check = SignalCheck(spec())
        run(check, [degf(385.0)] * 5)
        spike = good(degf(460.0), 5.0)
        first, again = check.check(spike, moment(5.0), UP), check.check(spike, moment(6.0), UP)
        assert first.status is again.status is Status.UNCERTAIN_SENSOR_NOT_ACCURATE

    def test_rate_of_change(self) -> None:
        check = SignalCheck(spec("checks = { rate_of_change = 2.0 }"))
        found = run(check, [degf(value) for value in (385.0, 386.9, 390.0, 391.0)])
        assert [reading.status is Status.GOOD for reading in found] == [True, True, False, True]
        assert found[2].reason == "changed by 3.1 °F in 1 s; more than 2 °F a second is not credible"


class TestFlatLine:
    KEYS = 'checks = { flat_line = "60 s" }'

    def noisy(self, count: int, resolution: float, deviation: float = 0.5) -> list[float]:
        noise = random.Random(7)
        return [degf(round(noise.gauss(390.0, deviation) / resolution) * resolution) for _ in range(count)]

    def test_a_frozen_transmitter_of_a_running_unit(self) -> None:
        check = SignalCheck(spec(self.KEYS))
        assert all(not reading.reason for reading in run(check, self.noisy(300, 0.1), running=True))
        found = run(check, [degf(386.4)] * 200, running=True, start=300.0)
        assert [found[at].quality.name for at in (60, 61, 120, 121)] == [
            "GOOD",
            "UNCERTAIN",
            "UNCERTAIN",
            "BAD",
        ]
        assert found[70].status is Status.UNCERTAIN_SENSOR_NOT_ACCURATE
        assert found[70].reason == "exactly 386.4 °F for 70 s while the unit runs: frozen"
        assert found[130].value is None

    def test_a_stopped_unit_may_be_flat(self) -> None:
        check = SignalCheck(spec(self.KEYS))
        run(check, self.noisy(300, 0.1), running=True)
        found = run(check, [degf(60.0)] * 400, running=False, start=300.0)[2:]
        assert all(reading.status is Status.GOOD for reading in found)

    def test_a_coarse_register_is_not_called_frozen(self) -> None:
        """Noise of a fifth of the resolution repeats itself 60 times in a row every other time."""
        check = SignalCheck(spec(self.KEYS))
        found = run(check, self.noisy(2000, 10.0, 2.0), running=True)[500:]  # after it has learned that
        found += run(check, [degf(390.0)] * 150, running=True, start=2000.0)
        assert all(reading.status is Status.GOOD for reading in found)

    def test_not_checked_unless_asked_for(self) -> None:
        found = run(SignalCheck(spec()), [degf(385.0)] * 1000, running=True)
        assert all(reading.status is Status.GOOD for reading in found)


def test_state_survives_json_between_any_two_samples() -> None:
    values = [degf(v) for v in (385, 385.2, 460, 385, 385, 385, 390, 470, 471, 505, 600, 385, 385)]
    keys = 'checks = { flat_line = "2 s", rate_of_change = 5.0 }'
    straight = run(SignalCheck(spec(keys)), values, running=True)
    broken: list[Reading] = []
    state: dict[str, object] | None = None
    for index, value in enumerate(values):
        check = SignalCheck(spec(keys))
        if state is not None:
            check.restore(state)
        broken += run(check, [value], running=True, start=float(index))
        state = json.loads(json.dumps(check.save(), allow_nan=False))
    assert broken == straight


class TestRedundancy:
    def pair(self) -> tuple[RedundancyCheck, dict[str, SignalSpec]]:
        keys = 'type = "float32", unit = "degF", range = [0, 500]'
        site, unit = make_site({"reboiler_shutdown_temperature": keys})
        specs = signal_specs(site, unit)
        (pair,) = REDUNDANT_PAIRS
        return RedundancyCheck(pair, specs[pair.first], specs[pair.second]), specs

    def test_a_lasting_disagreement_makes_both_uncertain(self) -> None:
        check, _ = self.pair()
        for at in range(62):
            signals = {
                "reboiler_temperature": good(degf(385.0), at),
                "reboiler_shutdown_temperature": good(degf(400.0), at),
            }
            check.apply(signals, float(at))
            doubtful = at >= 60
            assert all(
                (r.status is Status.UNCERTAIN_SENSOR_NOT_ACCURATE) is doubtful for r in signals.values()
            )
        assert signals["reboiler_temperature"].reason == (
            "reboiler_shutdown_temperature reads 400 °F: one of the two is wrong"
        )

    def test_agreement_and_a_bad_partner_say_nothing(self) -> None:
        check, _ = self.pair()
        for at in range(200):
            signals = {
                "reboiler_temperature": good(degf(385.0), at),
                "reboiler_shutdown_temperature": good(degf(390.0), at) if at < 100 else bad(at),
            }
            check.apply(signals, float(at))
            assert signals["reboiler_temperature"].status is Status.GOOD
