"""All commands by name. What a command needs is imported when it runs, so ``--help`` stays quick."""

from __future__ import annotations

from typing import Annotated

import typer

from daemon.cli.alarms import app as alarms
from daemon.cli.backup import backup
from daemon.cli.check import COLUMNS_HELP, check
from daemon.cli.configurations import app as configurations
from daemon.cli.demo import demo
from daemon.cli.doctor import doctor
from daemon.cli.evaluate import evaluate
from daemon.cli.history import history
from daemon.cli.init import init
from daemon.cli.logbook import maintenance, samples
from daemon.cli.reload import reload
from daemon.cli.replay import replay
from daemon.cli.report import report
from daemon.cli.run import run
from daemon.cli.simulate import simulate
from daemon.cli.size_pump import size_pump
from daemon.cli.users import app as users

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="markdown",  # joins wrapped lines, and leaves [web] and [s] alone
    pretty_exceptions_enable=False,
    help=(
        "Watches TEG gas dehydration units: reads controllers over Modbus and MQTT, calculates, keeps "
        "history, raises alarms. It never writes to a controller. "
        "It is no safety system and replaces no shutdown."
    ),
    epilog="Begin with: tegwatch demo",
)


def _version(wanted: bool) -> None:
    if wanted:
        from daemon.build_info import described

        print(described())
        raise typer.Exit


Version = Annotated[
    bool,
    typer.Option("--version", callback=_version, is_eager=True, help="Print version and commit and leave."),
]


@app.callback()
def options(*, version: Version = False) -> None:
    """Options of every command."""


app.command()(demo)
app.command()(init)
app.command()(run)
app.command()(reload)
app.add_typer(configurations, name="configurations")
app.command()(doctor)
app.command()(backup)
app.command(epilog=COLUMNS_HELP)(check)
app.add_typer(alarms, name="alarms")
app.add_typer(users, name="users")
app.command()(history)
app.add_typer(samples, name="sample")
app.add_typer(maintenance, name="maintenance")
app.command()(replay)
app.command()(report)
app.command()(evaluate)
app.command("size-pump")(size_pump)
app.command()(simulate)
