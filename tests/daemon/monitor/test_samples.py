"""A laboratory sample on its way: log book, monitor, results, what is learned from them, restart, replay."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from pathlib import Path

import pytest

from config.alarm_set import resolve_alarms
from config.site import Site
from daemon.fieldsim.scenarios import Disturbance, Upset, UpsetKind, combine
from daemon.journal.recording import Recording
from daemon.logbook import maintenance_event, sample_event
from daemon.model import Event, Outcome, Result, ScanRecord
from daemon.monitor.unit_monitor import UnitMonitor
from daemon.replay import Replay, replay
from tests.bench.test_bench_alarm_year import START, Field, make_field
from tests.daemon.monitor.plant import NORMAL, make_scan, make_site
from tests.support.demo_site import demo_site
from tests.support.recorded_run import BEGIN, VERSION, RecordedRun

HOUR, DAY = 3600.0, 86400.0


class LeakingSeals:
    """A pump whose worn seals let some rich glycol into the lean: what no reboiler temperature tells."""

    def at(self, elapsed: float, unit: int) -> Disturbance:
        upset = Upset(kind=UpsetKind.WORN_PUMP_SEALS, start=0.0, end=1e9, ramp=1.0, severity=0.5)
        return combine([upset], elapsed, counter_resets=0)


def sampled(monitor: UnitMonitor, unit: str, time: float, water: float, *, ago: float = 0.0) -> Event:
    entry = sample_event(unit, time - ago, time, {"lean_water": water}, "maria", "")
    (told,) = monitor.enter(entry)
    return told


@pytest.fixture(scope="module")
def leaking() -> Field:
    """A plant whose glycol is wetter than its reboiler says, after four hours of drying."""
    field = make_field(60.0, LeakingSeals())
    for _ in range(240):
        field.scan()
    return field


def test_a_sample_brings_purity_and_dew_point_nearer_to_what_the_plant_knows(leaking: Field) -> None:
    without, given = copy.deepcopy(leaking), copy.deepcopy(leaking)
    truth = given.plant.state
    told = sampled(given.monitor, given.unit.name, START + given.at, truth.lean_water_fraction)
    assert told.data["used"]
    assert told.message.startswith("the sample with 1.")
    before, after = without.scan().results, given.scan().results
    assert given.plant.state == without.plant.state

    lean, plain = after["lean_mass_fraction"], before["lean_mass_fraction"]
    true_lean = 1.0 - truth.lean_water_fraction
    assert lean.value is not None
    assert lean.uncertainty is not None
    assert plain.value is not None
    assert plain.uncertainty is not None
    assert plain.value - true_lean > 0.002  # calculated 0.2 wt% and more too pure
    assert abs(lean.value - true_lean) < 0.4 * (plain.value - true_lean)
    assert abs(lean.value - true_lean) < 2.0 * lean.uncertainty
    assert lean.uncertainty < plain.uncertainty
    # What the calculation alone gives stays visible, with its uncertainty.
    alone, bias = after["calculated_lean_mass_fraction"], after["lean_purity_bias"]
    assert alone.value == pytest.approx(plain.value, abs=1e-12)
    assert alone.uncertainty == pytest.approx(plain.uncertainty, rel=0.15)
    assert bias.value == pytest.approx(lean.value - plain.value, abs=1e-12)
    # Wetter glycol dries less: dew point, margin, glycol needed and what is over the limit all say so.
    for name, sign in (
        ("equilibrium_dew_point", 1.0),
        ("calculated_dew_point", 1.0),
        ("required_circulation_rate", 1.0),
        ("rich_mass_fraction", -1.0),
    ):
        one, other = after[name].value, before[name].value
        assert one is not None
        assert other is not None
        assert sign * (one - other) > 1e-4 * abs(other), name


def test_what_is_learned_from_the_calculation_goes_on_over_a_sample(leaking: Field) -> None:
    without, given = copy.deepcopy(leaking), copy.deepcopy(leaking)
    sampled(given.monitor, given.unit.name, START + given.at, given.plant.state.lean_water_fraction)
    before, after = without.scan().results, given.scan().results
    steps = [
        after[name].value - before[name].value  # type: ignore[operator]  # both are there
        for name in ("calculated_dew_point", "dew_point_bias")
    ]
    assert steps[0] > 1.0
    assert steps[1] == pytest.approx(-steps[0], abs=0.05)
    means = [one.monitor._outlook._drifts._dew_point._residual.mean for one in (given, without)]
    assert means[0] - means[1] == pytest.approx(-steps[0], abs=0.05)
    for _ in range(10):  # the step in the margin is no trend
        found = given.scan().results["margin_time_to_limit"]
        assert found.value in {None, DAY}


def steady_monitor(hours: float = 3.0) -> UnitMonitor:
    site, unit = make_site()
    monitor = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
    run(monitor, 0, round(hours * 60))
    return monitor


def run(monitor: UnitMonitor, first: int, count: int) -> Outcome:
    for number in range(first, first + count):
        values = {name: value * (1.0 + 1e-4 * (number % 7)) for name, value in NORMAL.items()}
        values |= {"stroke_count": 1000.0 + 20.0 * number, "burner_on": 1.0}
        outcome = monitor.step(make_scan(number, 60.0 * (number + 1), values))
    return outcome


def test_without_a_sample_nothing_at_all_is_changed() -> None:
    monitor = steady_monitor()
    process = monitor._process
    assert process.purity.design is process.design  # the very same design: the very same bits
    assert not {"lean_purity_bias", "calculated_lean_mass_fraction"} & run(monitor, 180, 1).results.keys()


def test_without_an_analyzer_the_margin_moves_with_the_sample() -> None:
    plain, given = steady_monitor(), steady_monitor()
    at = 1_760_000_000.0 + 3.0 * HOUR + 1.0
    told = sampled(given, "unit-1", at, 0.022, ago=600.0)
    assert told.data["used"]
    before, after = (run(one, 180, 1).results["dew_point_margin"] for one in (plain, given))
    assert after.value is not None
    assert before.value is not None
    assert after.value < before.value - 1.0
    assert given.save() != plain.save()


def test_it_survives_a_restart_and_new_glycol_ends_it() -> None:
    one = steady_monitor()
    at = 1_760_000_000.0 + 3.0 * HOUR + 1.0
    sampled(one, "unit-1", at, 0.022)
    site, unit = make_site()
    other = UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)
    other.restore(one.save())
    assert run(other, 180, 2).results == run(one, 180, 2).results
    assert "lean_purity_bias" in run(one, 182, 1).results

    done = maintenance_event("unit-1", "glycol change", at + 180.0, at + 200.0, "jo", "")
    (told,) = one.enter(done)
    assert told.message == "lean purity is calculated without samples again: glycol change; draw a new sample"
    results = run(one, 183, 1).results
    assert "lean_purity_bias" not in results
    never = steady_monitor()
    run(never, 180, 3)
    plain = run(never, 183, 1).results
    assert results["glycol_age"].value == 59.0
    begun_anew = {"glycol_age", "glycol_exposure", "margin_time_to_limit"}
    assert {name: one for name, one in results.items() if name not in begun_anew} == {
        name: one for name, one in plain.items() if name not in begun_anew
    }
    assert one.enter(maintenance_event("unit-1", "filter change", at, at, "jo", "")) == ()
    assert not sampled(one, "unit-1", at + 300.0, 0.02, ago=1800.0).data["used"]


def test_a_replay_repeats_what_samples_did(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = demo_site()
    recorded = RecordedRun(tmp_path / "journal.sqlite3", site, period=60.0)
    recorded.run(3 * HOUR)
    assert recorded.enter(
        sample_event("north", recorded.now - 600.0, recorded.now, {"lean_water": 0.019}, "m", "")
    )
    recorded.run(600)
    recorded.kill()
    recorded.start(first_monotonic=90_000.0)
    recorded.run(600)
    assert recorded.enter(maintenance_event("north", "glycol change", recorded.now, recorded.now, "m", ""))
    recorded.run(300)
    recorded.close()
    stored = stored_scans(recorded.path, recorded.now)
    assert sum("lean_purity_bias" in scan.results for scan in stored) == 20

    stepped: list[Outcome] = []
    step = UnitMonitor.step

    def watched(monitor: UnitMonitor, scan: object) -> Outcome:
        stepped.append(step(monitor, scan))  # type: ignore[arg-type]  # passed on as it came
        return stepped[-1]

    monkeypatch.setattr(UnitMonitor, "step", watched)
    found = replayed(recorded.path, site, recorded.now)
    assert found.differences() == 0
    assert [numbers(one.results) for one in stepped] == [numbers(scan.results) for scan in stored]


def numbers(results: Mapping[str, Result]) -> dict[str, float | None]:
    return {name: result.value for name, result in results.items()}


def stored_scans(path: Path, end: float) -> list[ScanRecord]:
    with Recording(path, "north") as recording:
        steps = list(recording.steps(recording.places(0, end + 1.0)))
    return [step.scan for step in steps if step.scan is not None]


def replayed(path: Path, site: Site, end: float) -> Replay:
    with Recording(path, "north") as recording:
        return replay(recording, site, BEGIN, end + 1.0, version=VERSION, keep_values=False)
