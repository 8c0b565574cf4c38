"""``tegwatch configurations``: what was in force, since when, by whom, and what it said."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.exits import FAILED, FINDINGS, clear_failures, fail

if TYPE_CHECKING:
    from daemon.configurations import Configurations

app = typer.Typer(
    no_args_is_help=True,
    help="Configurations that were in force: list them, show their text, compare them. Secrets are not kept.",
)
SiteFile = Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML).")]
_KINDS = ("daemon started", "configuration changed")


@dataclass(frozen=True, slots=True)
class InForce:
    """A configuration from the moment on that it came into force."""

    time: float
    configuration: str
    how: str
    """``started`` or ``reloaded``."""
    actor: str
    reason: str
    texts: str
    """Check sum of its texts; empty where none were kept."""
    state: str
    """``kept``, ``changed since`` or ``not kept``."""


@app.command("list")
def listing(
    site_file: SiteFile,
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a program.")] = False,
) -> None:
    """List them, the newest last; a text that somebody changed afterwards is told.

    Example: tegwatch configurations list site.toml
    """
    from daemon.times import rfc3339

    _, found = _known(site_file)
    for one in found:
        if as_json:
            print(json.dumps({**asdict(one), "time": rfc3339(one.time)}))
        else:
            by = f" by {one.actor}: {one.reason}" if one.actor else ""
            print(f"{rfc3339(one.time)}  {one.configuration}  {one.how:<8}  text {one.state}{by}")
    if any(one.state == "changed since" for one in found):
        fail("a kept text is not what was in force: somebody changed it afterwards", FINDINGS)


@app.command()
def show(
    site_file: SiteFile,
    configuration: Annotated[str, typer.Argument(help="Its hash, or enough of its beginning.")],
) -> None:
    """Print the text of a configuration.

    Example: tegwatch configurations show site.toml 3f0c
    """
    for name, text in _texts(site_file, configuration).items():
        print(f"# ---- {name}\n{text}", end="")


@app.command()
def diff(
    site_file: SiteFile,
    old: Annotated[str, typer.Argument(help="Hash of the earlier one, or enough of its beginning.")],
    new: Annotated[str, typer.Argument(help="Hash of the later one.")],
) -> None:
    """Show what was changed between two configurations.

    Example: tegwatch configurations diff site.toml 3f0c 9d41
    """
    before, after = _texts(site_file, old), _texts(site_file, new)
    for name in dict.fromkeys((*before, *after)):
        lines = difflib.unified_diff(
            before.get(name, "").splitlines(keepends=True),
            after.get(name, "").splitlines(keepends=True),
            f"{old}/{name}",
            f"{new}/{name}",
        )
        print("".join(lines), end="")


def _known(site_file: Path) -> tuple[Configurations, list[InForce]]:
    from config.loader import load_site
    from daemon.configurations import Configurations
    from daemon.journal.errors import JournalError

    with clear_failures():
        site = load_site(site_file)
    journal = site_file.resolve().parent / site.journal.path
    store = Configurations(journal)
    try:
        return store, list(_in_force(journal, store))
    except (JournalError, OSError) as error:
        fail(str(error), FAILED)


def _in_force(journal: Path, store: Configurations) -> Iterator[InForce]:
    from daemon.configurations import checksum
    from daemon.journal.queries import History
    from daemon.model import EntryKind, Event

    with History(journal) as history:
        for entry in history.records(-math.inf, math.inf, kinds=[EntryKind.EVENT]):
            event = entry.body
            if not isinstance(event, Event) or event.kind not in _KINDS:
                continue
            configuration = str(event.data.get("configuration", ""))
            total = str(event.data.get("texts") or "")
            kept = store.texts(configuration, total) if total else {}
            state = "not kept" if not kept else "kept" if checksum(kept) == total else "changed since"
            how = "started" if event.kind == _KINDS[0] else "reloaded"
            actor, reason = (str(event.data.get(key) or "") for key in ("actor", "reason"))
            yield InForce(event.time, configuration, how, actor, reason, total, state)


def _texts(site_file: Path, beginning: str) -> dict[str, str]:
    store, known = _known(site_file)
    fitting = [one for one in known if one.configuration.startswith(beginning)]
    names = sorted({one.configuration for one in fitting})
    if not names:
        fail(f"no configuration {beginning} was ever in force; see tegwatch configurations list", FAILED)
    if len(names) > 1:
        fail(f"{beginning} is the beginning of several: {', '.join(names)}", FAILED)
    kept = [one for one in fitting if one.state != "not kept"]
    if not kept:
        fail(f"the text of {names[0]} was not kept", FAILED)
    return store.texts(kept[-1].configuration, kept[-1].texts)
