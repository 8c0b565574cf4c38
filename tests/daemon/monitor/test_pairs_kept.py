"""A pair of transmitters finds its own saved state again, whatever pairs the site had before."""

from __future__ import annotations

import json

import pytest

from config.alarm_set import resolve_alarms
from daemon.monitor import unit_monitor
from daemon.monitor.redundancy import REDUNDANT_PAIRS, RedundantPair
from daemon.monitor.unit_monitor import UnitMonitor
from tests.daemon.monitor.plant import NORMAL, make_scan, make_site

SIGNALS = {
    "reboiler_shutdown_temperature": 'type = "float32", unit = "degF", range = [0, 500]',
    "lean_glycol_temperature": 'type = "float32", unit = "degF", range = [0, 250]',
}
OTHER = RedundantPair("contactor_temperature", "lean_glycol_temperature", floor=1.0, delay=1e6)
DISAGREEING = NORMAL | {"reboiler_shutdown_temperature": NORMAL["reboiler_temperature"] - 20.0}


def monitor() -> UnitMonitor:
    site, unit = make_site(SIGNALS)
    return UnitMonitor(site, unit, resolve_alarms(site, unit).alarms)


def test_a_pair_is_restored_by_its_name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unit_monitor, "REDUNDANT_PAIRS", (OTHER, *REDUNDANT_PAIRS))
    before = monitor()
    values = DISAGREEING | {"lean_glycol_temperature": NORMAL["contactor_temperature"]}
    for second in range(40):
        before.step(make_scan(second, 100.0 + second, values))
    saved = json.loads(before.save())["pairs"]
    assert saved == {
        "contactor_temperature and lean_glycol_temperature": {"since": None},
        "reboiler_temperature and reboiler_shutdown_temperature": {"since": 100.0},
    }
    monkeypatch.setattr(unit_monitor, "REDUNDANT_PAIRS", REDUNDANT_PAIRS)
    after = monitor()
    after.restore(before.save())
    assert json.loads(after.save())["pairs"] == {
        "reboiler_temperature and reboiler_shutdown_temperature": {"since": 100.0}
    }
    # Twenty seconds are left of the pair's minute, not sixty.
    for second in range(40, 62):
        outcome = after.step(make_scan(second, 100.0 + second, values))
    assert "one of the two is wrong" in outcome.signals["reboiler_temperature"].reason


def test_pairs_that_an_earlier_version_kept_by_position_begin_anew() -> None:
    before = monitor()
    before.step(make_scan(0, 100.0, DISAGREEING))
    state = json.loads(before.save())
    state["pairs"] = [{"since": 100.0}]
    after = monitor()
    after.restore(json.dumps(state))
    assert list(json.loads(after.save())["pairs"].values()) == [{"since": None}]
