"""Commands of ``tegwatch``, one thin file each."""

from __future__ import annotations


def main() -> None:
    """Run the command line."""
    from daemon.cli.commands import app

    app(prog_name="tegwatch")
