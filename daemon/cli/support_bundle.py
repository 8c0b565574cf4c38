"""What a support bundle holds, without secrets: part by part, so that one that fails hides no other."""

from __future__ import annotations

import io
import json
import os
import platform
import re
import shutil
import subprocess
import sys
import tarfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from importlib.metadata import distribution, version
from pathlib import Path
from typing import Any

from config.errors import ConfigError
from config.loader import configuration_hash, load_site
from config.site import Site
from daemon.build_info import commit
from daemon.cli.client import DaemonUnreachable, RequestRefused, ask, open_client, socket_path
from daemon.web.redaction import clean, known_secrets, redacted

LOG_LINES = 2000
"""Last lines of each log that are taken."""
LOG_BYTES = 4_000_000
"""Where in a long log reading begins, from its end."""
PROGRAM_LIMIT = 10.0
"""How long a program of the box may take to answer [s]."""
_CLOCK_PROGRAMS = {
    "timedatectl": ["timedatectl", "show", "--property=NTPSynchronized,NTP,TimeUSec,Timezone"],
    "chronyc": ["chronyc", "-n", "tracking"],
}


@dataclass(frozen=True, slots=True)
class Part:
    """One file of the bundle."""

    name: str
    text: str


def gather(site_file: Path, logs: Iterable[Path]) -> list[Part]:
    """Return the parts of a bundle; what cannot be had says why."""
    folder = site_file.resolve().parent
    site: Site | None = None
    parts = [_part("versions.json", _versions), _part("system.json", lambda: _system(folder))]
    try:
        site = load_site(site_file)
    except ConfigError as error:
        parts.append(Part("configuration.json", f"the site file cannot be used:\n{error}\n"))
    secrets = frozenset[str]()
    if site is not None:
        loaded = site
        secrets = known_secrets(loaded, folder)
        parts += [
            _part("configuration.json", lambda: _configuration(loaded)),
            _part("health.json", lambda: _from_daemon(site_file, loaded, "/v1/health")),
            _part("alarms.json", lambda: _from_daemon(site_file, loaded, "/v1/alarms")),
            _part("journal.json", lambda: _journal(folder / loaded.journal.path)),
        ]
    parts.append(_part("clock.json", _clock))
    parts += [_part(f"logs/{number}-{log.name}", partial(_tail, log)) for number, log in enumerate(logs)]
    return [Part(part.name, clean(part.text, secrets)) for part in parts]


def write_bundle(parts: Iterable[Part], path: Path, now: float) -> None:
    """Write the parts as one archive that only its owner may read.

    Raises
    ------
    OSError
        It cannot be written, or is there already.
    """
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file, tarfile.open(fileobj=file, mode="w:gz") as archive:
        for part in parts:
            body = part.text.encode()
            entry = tarfile.TarInfo(f"tegwatch-support/{part.name}")
            entry.size, entry.mtime, entry.mode = len(body), int(now), 0o600
            archive.addfile(entry, io.BytesIO(body))


def _part(name: str, make: Callable[[], Any]) -> Part:
    try:
        made = make()
    except Exception as error:  # noqa: BLE001 - one part's trouble is part of the findings
        made = {"cannot be had": f"{type(error).__name__}: {error}"}
    text = (
        made if isinstance(made, str) else json.dumps(made, indent=2, ensure_ascii=False, default=str) + "\n"
    )
    return Part(name, text)


def _versions() -> dict[str, str]:
    found = {"tegwatch": version("tegwatch"), "commit": commit(), "python": sys.version}
    for requirement in distribution("tegwatch").requires or []:
        if "extra ==" in requirement:
            continue
        name = re.split(r"[^A-Za-z0-9._-]", requirement, maxsplit=1)[0]
        found[name] = version(name)
    return found


def _system(folder: Path) -> dict[str, object]:
    usage = shutil.disk_usage(folder)
    return {
        "platform": platform.platform(),
        "processors": os.cpu_count(),
        "load": os.getloadavg(),
        "memory": Path("/proc/meminfo").read_text(encoding="ascii").splitlines()[:3],
        "disk": {"folder": str(folder), "total": usage.total, "free": usage.free},
    }


def _configuration(site: Site) -> dict[str, object]:
    return {"hash": configuration_hash(site), "site": redacted(site.model_dump(mode="json"))}


def _from_daemon(site_file: Path, site: Site, route: str) -> object:
    path = socket_path(site_file, site)
    if not path.is_socket():
        return {"cannot be had": f"no daemon answers on {path}"}
    try:
        with open_client(path) as client:
            return ask(client, "GET", route)
    except (DaemonUnreachable, RequestRefused) as error:
        return {"cannot be had": str(error)}


def _journal(path: Path) -> dict[str, object]:
    from daemon.journal.integrity import verify
    from daemon.journal.schema import connect_reader

    connection = connect_reader(path)
    try:
        complaints = verify(connection)
    finally:
        connection.close()
    return {
        "file": str(path),
        "bytes": path.stat().st_size,
        "verified": not complaints,
        "complaints": complaints,
    }


def _clock() -> dict[str, str]:
    """Ask what keeps the box's clock; a program that is absent says nothing."""
    found = {}
    for name, command in _CLOCK_PROGRAMS.items():
        program = shutil.which(command[0])
        if program is None:
            found[name] = "not on this box"
            continue
        try:
            done = subprocess.run(  # noqa: S603 - a fixed command without anything from outside
                [program, *command[1:]], capture_output=True, text=True, timeout=PROGRAM_LIMIT, check=False
            )
            found[name] = (done.stdout or done.stderr).strip()
        except subprocess.TimeoutExpired:
            found[name] = f"no answer within {PROGRAM_LIMIT:g} s"
    return found


def _tail(path: Path) -> str:
    with path.open("rb") as file:
        size = file.seek(0, io.SEEK_END)
        file.seek(max(0, size - LOG_BYTES))
        lines = file.read().decode("utf-8", errors="replace").splitlines()
    return "\n".join(lines[-LOG_LINES:]) + "\n"
