"""``tegwatch backup``: all that a clean box needs to go on, in one folder with check sums."""

from __future__ import annotations

import hashlib
import shutil
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.exits import FAILED, clear_failures, fail

SUMS = "SHA256SUMS"


def backup(
    site_file: Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML).")],
    folder: Annotated[Path, typer.Argument(help="Folder to make; must not exist yet.")],
) -> None:
    """Copy site file, signal tables, journal, archive and kept configurations; the daemon may run meanwhile.

    Secrets and users are left out: they are made anew, or kept elsewhere. To restore: check with
    `sha256sum --check SHA256SUMS`, copy what is in site/ to the site file's folder and what is in journal/ to
    the journal's, install tegwatch of the same or a newer version, put the secrets in place, start.
    Example: tegwatch backup site.toml /mnt/backup/2026-11-25
    """
    from config.loader import load_with_texts
    from daemon.configurations import FOLDER
    from daemon.journal.backup import back_up
    from daemon.journal.errors import JournalError

    with clear_failures():
        loaded = load_with_texts(site_file)
    root = site_file.resolve().parent
    journal = root / loaded.site.journal.path
    try:
        folder.mkdir(mode=0o700, parents=True)
        written = [
            _copy(Path(name), folder / "site" / _below(Path(name).resolve(), root)) for name in loaded.texts
        ]
        (folder / "journal").mkdir()
        written += back_up(journal, folder / "journal")
        kept = journal.parent / FOLDER
        if kept.is_dir():
            shutil.copytree(kept, folder / "journal" / FOLDER)
            written += [one for one in (folder / "journal" / FOLDER).rglob("*") if one.is_file()]
        (folder / SUMS).write_text(_sums(folder, written), encoding="utf-8")
    except FileExistsError:
        fail(f"{folder} is there already; name another folder", FAILED)
    except (JournalError, OSError) as error:
        fail(f"{error}; {folder} is not complete", FAILED)
    size = sum(path.stat().st_size for path in written)
    print(f"{folder}: {len(written)} files, {size / 1e6:.1f} MB, without secrets and users", file=sys.stderr)


def _below(path: Path, root: Path) -> Path:
    """Return where a file of the site stands below its folder; one from elsewhere by its name alone."""
    return path.relative_to(root) if path.is_relative_to(root) else Path(path.name)


def _copy(source: Path, place: Path) -> Path:
    place.parent.mkdir(parents=True, exist_ok=True)
    return Path(shutil.copy2(source, place))


def _sums(folder: Path, files: Iterable[Path]) -> str:
    lines = []
    for path in sorted(files):
        with path.open("rb") as file:
            total = hashlib.file_digest(file, "sha256").hexdigest()
        lines.append(f"{total}  {path.relative_to(folder)}\n")
    return "".join(lines)
