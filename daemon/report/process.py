"""Writes a report in a process of its own, for the daemon's page.

A month of one-second scans takes a minute of processor time: on a thread of the daemon it would slow every
scan down. The process ends with the daemon, whatever ended that one.

    python -m daemon.report.process < question.json > answer

The question is one line of JSON: ``site`` (the configuration in force), ``journal``, ``question`` (the fields
of ``Question``), ``now`` and ``version``. The answer is one line of JSON with the hash of the report's style
sheet, then the report. Exit code 2: the question has no answer; 3: the journal cannot be read; 1: a defect.
Each says why on standard error.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import sys
import traceback
from pathlib import Path

from config.site import Site
from daemon.journal.errors import JournalError, NotStored, TooManyRows
from daemon.report.page import STYLE
from daemon.report.written import Question, write_report
from daemon.side_process import asked


def main() -> int:
    """Answer one question from standard input on standard output."""
    given = asked()
    site = Site.model_validate_json(json.dumps(given["site"]))
    question = Question(**given["question"])
    try:
        written = write_report(
            site, Path(given["journal"]), question, now=given["now"], version=given["version"]
        )
    except (NotStored, TooManyRows) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    except JournalError as error:
        sys.stderr.write(f"{error}\n")
        return 3
    digest = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
    sys.stdout.reconfigure(encoding="utf-8")  # type: ignore[union-attr]  # a text stream over a pipe
    sys.stdout.write(json.dumps({"style": f"sha256-{digest}"}) + "\n")
    sys.stdout.write(written.html)
    return 0


if __name__ == "__main__":
    try:
        code = main()
    except Exception:  # noqa: BLE001 - the daemon logs it
        traceback.print_exc()
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)  # the thread that waits for the daemon's end would hold standard input
