"""Where commands print for people: as wide as the terminal, or into a pipe with every row on one line."""

from __future__ import annotations

import re
import sys
from typing import Any

from rich.console import Console

_UNBROKEN = 10_000
"""Width of what is no terminal [columns]: nothing that is printed here is as wide, so nothing is broken."""


def standard_output() -> Console:
    """Return where to print tables and texts for people."""
    return Console(highlight=False) if sys.stdout.isatty() else _Unbroken()


class _Unbroken(Console):
    """Writes whole rows, without the blanks by which a table fills its width."""

    def __init__(self) -> None:
        super().__init__(width=_UNBROKEN, highlight=False, color_system=None)

    def print(self, *objects: Any, **options: Any) -> None:
        with self.capture() as held:
            super().print(*objects, **options)
        sys.stdout.write(re.sub(r" +$", "", held.get(), flags=re.MULTILINE))
