"""Exit codes that scripts can use, and the one way in which commands fail."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

import typer
from rich.console import Console

from config.errors import ConfigError
from daemon.cli.client import DaemonUnreachable, RequestRefused

OK = 0
FAILED = 1
"""The work could not be done; the message says why."""
USAGE = 2
"""The command line is wrong."""
CONFIGURATION = 3
"""The site file cannot be used."""
UNREACHABLE = 4
"""No daemon answers."""
REFUSED = 5
"""The daemon refused the request; nothing has changed."""
FINDINGS = 6
"""The command ran and found something wrong, for example a signal that cannot be read."""


def fail(message: str, code: int = FAILED) -> NoReturn:
    """Print a message to standard error and leave with a code."""
    Console(stderr=True, soft_wrap=True, highlight=False).print(message, markup=False)
    raise typer.Exit(code)


@contextmanager
def clear_failures() -> Iterator[None]:
    """Turn the failures that a user can mend into a message and an exit code."""
    try:
        yield
    except ConfigError as error:
        fail(str(error), CONFIGURATION)
    except DaemonUnreachable as error:
        fail(str(error), UNREACHABLE)
    except RequestRefused as error:
        fail(f"refused: {error}", REFUSED)
