"""A flood begins above ten annunciations in ten minutes and ends below five."""

from __future__ import annotations

from daemon.monitor.alarms.flood import FloodGate


def test_begin_and_end() -> None:
    gate = FloodGate()
    seen = []
    for second in range(0, 110, 10):
        gate.add(float(second))
        seen.append(gate.flooded(float(second)))
    assert seen == [False] * 10 + [True]
    # The first annunciation leaves the window at 600 s, the seventh at 660 s: then four are left.
    assert [gate.flooded(float(second)) for second in (599, 600, 650, 659, 660)] == [True] * 4 + [False]
    for second in range(6):
        gate.add(661.0 + second)
    assert not gate.flooded(667.0)


def test_ten_in_ten_minutes_is_none() -> None:
    gate = FloodGate()
    for second in range(1000):
        if second % 60 == 0:
            gate.add(float(second))
        assert not gate.flooded(float(second))
