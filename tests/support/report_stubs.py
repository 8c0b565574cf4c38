"""Stands in for the process that writes reports: python -m tests.support.report_stubs (see ``main``)."""

from __future__ import annotations

import json
import sys
from pathlib import Path


def main() -> None:
    """Write down who is asked, then answer when a file says so, or never."""
    question = json.loads(sys.stdin.buffer.readline())
    folder = Path(question["journal"]).parent
    with (folder / "asked").open("a") as asked:
        asked.write(f"{question['question']['unit']}\n")
    if (folder / "answer").exists():
        sys.stdout.write(json.dumps({"style": "sha256-x"}) + "\n" + "page " * 100_000)
        sys.stdout.flush()
    else:
        sys.stdin.buffer.read()  # until the daemon hangs up


if __name__ == "__main__":
    main()
