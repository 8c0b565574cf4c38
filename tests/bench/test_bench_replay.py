"""What replaying history costs: the whole evaluation again, and the alarms alone on stored values.

Budget: 30 days of 10 s scans of one unit in 60 s. What is asserted are ratios within one run.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from daemon.journal.recording import Recording
from daemon.replay import replay
from tests.support.demo_site import demo_site
from tests.support.recorded_run import BEGIN, VERSION, RecordedRun

pytestmark = pytest.mark.bench
THIRTY_DAYS = 30 * 8640


def test_replay_of_thirty_days(tmp_path: Path) -> None:
    site = demo_site()
    run = RecordedRun(tmp_path / "journal.sqlite3", site, period=10.0)
    began = time.process_time()
    run.run(3000 * 10.0)
    stepped = time.process_time() - began
    run.close()
    seconds = {}
    for keep_values in (False, True):
        began = time.process_time()
        with Recording(run.path, "north") as recording:
            found = replay(recording, site, BEGIN, run.now + 1.0, version=VERSION, keep_values=keep_values)
        seconds[keep_values] = time.process_time() - began
        assert found.scans == 3000
        assert found.differences() == 0
    whole, alarms_only = (THIRTY_DAYS / 3000 * seconds[keep] for keep in (False, True))
    print(
        f"\n30 days of 10 s scans, one unit, CPU: everything anew {whole:.0f} s, alarms alone "
        f"{alarms_only:.0f} s; the run itself, stored, took {THIRTY_DAYS / 3000 * stepped:.0f} s"
    )
    assert seconds[True] < 0.6 * seconds[False]
    assert seconds[False] < stepped
