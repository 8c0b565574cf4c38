"""Keeps the text of every configuration that was in force, beside the journal, without secrets.

A folder for each, named by the configuration's hash and the texts' check sum, holds the site file and the
signal tables that it names as they were read. The journal's event of the start or reload carries both; events
are hash-chained, so a text that was changed afterwards shows. The newest ``KEPT`` stay.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path, PurePath

from config.site import Site
from daemon.web.redaction import clean, known_secrets

FOLDER = "configurations"
KEPT = 1000
"""Configurations whose texts stay; a site file is some ten thousand bytes."""


class Configurations:
    """The texts of a journal's configurations.

    Parameters
    ----------
    journal : pathlib.Path
        The journal's file.
    """

    def __init__(self, journal: Path) -> None:
        self.folder = journal.parent / FOLDER

    def keep(self, configuration: str, site: Site, texts: Mapping[str, str], folder: Path) -> str:
        """Keep the texts of a configuration and return their check sum.

        Parameters
        ----------
        configuration : str
            Its hash.
        site : Site
            What was read from the texts: says where secrets are, which are taken out of the texts.
        texts : mapping
            Text of each file by its path, the site file first.
        folder : pathlib.Path
            Folder of the site file.

        Raises
        ------
        OSError
            They cannot be written.
        """
        secrets = known_secrets(site, folder)
        named: dict[str, str] = {}
        for path, text in texts.items():
            name = PurePath(path).name
            while name in named:  # tables of the same name from different folders
                name = f"other-{name}"
            named[name] = clean(text, secrets)
        self.folder.mkdir(mode=0o700, exist_ok=True)
        total = checksum(named)
        place = self._place(configuration, total)
        if self.texts(configuration, total) != named:
            made = Path(tempfile.mkdtemp(prefix=".new-", dir=self.folder))
            for name, text in named.items():
                (made / name).write_text(text, encoding="utf-8")
            shutil.rmtree(place, ignore_errors=True)
            made.rename(place)
        else:
            os.utime(place)  # in force again: not among the oldest
        self._forget_oldest()
        return total

    def texts(self, configuration: str, total: str) -> dict[str, str]:
        """Return the kept texts of a configuration with a check sum by file name; empty where none are kept.

        Raises
        ------
        OSError
            They are there and cannot be read.
        """
        place = self._place(configuration, total)
        if not place.is_dir():
            return {}
        return {path.name: path.read_text(encoding="utf-8") for path in sorted(place.iterdir())}

    def _place(self, configuration: str, total: str) -> Path:
        return self.folder / f"{PurePath(configuration).name}-{total[:12]}"

    def _forget_oldest(self) -> None:
        kept = [path for path in self.folder.iterdir() if not path.name.startswith(".new-")]
        for path in sorted(kept, key=lambda one: one.stat().st_mtime)[:-KEPT]:
            shutil.rmtree(path, ignore_errors=True)


def checksum(texts: Mapping[str, str]) -> str:
    """Return a hash over names and texts, whatever their order."""
    found = hashlib.sha256()
    for name in sorted(texts):
        for part in (name, texts[name]):
            encoded = part.encode()
            found.update(len(encoded).to_bytes(8, "big") + encoded)
    return found.hexdigest()
