"""Secrets from files that only the daemon's user may read, and TLS contexts that always check the peer."""

from __future__ import annotations

import ssl
import stat
from pathlib import Path

from config.controllers import Tls


class CredentialError(Exception):
    """A file that cannot be used; the text names it and the fix, and never holds what is in it."""


def read_credentials(path: str | None) -> tuple[str | None, str | None]:
    """Read user and password from the two lines of a file.

    Parameters
    ----------
    path : str or None
        The file; ``None`` gives neither.

    Raises
    ------
    CredentialError
        No such file, another layout, or a file that others may read.
    """
    if path is None:
        return None, None
    lines = _private_lines(path)
    if len(lines) != 2 or not all(lines):
        raise CredentialError(f"credentials file {path} must hold two lines: user, then password")
    return lines[0], lines[1]


def read_secret(path: str | None) -> str | None:
    """Read one secret, the only line of a file.

    Parameters
    ----------
    path : str or None
        The file; ``None`` gives none.

    Raises
    ------
    CredentialError
        No such file, another layout, or a file that others may read.
    """
    if path is None:
        return None
    lines = _private_lines(path)
    if len(lines) != 1 or not lines[0].strip():
        raise CredentialError(f"secret file {path} must hold one line")
    return lines[0].strip()


def tls_context(tls: Tls) -> ssl.SSLContext:
    """Make a TLS context that checks the peer's certificate and name, with our own certificate if any.

    Raises
    ------
    CredentialError
        A file that cannot be read or does not hold what it should.
    """
    try:
        context = ssl.create_default_context(cafile=tls.ca_file)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if tls.certificate_file is not None:
            context.load_cert_chain(tls.certificate_file, tls.key_file)
    except (OSError, ssl.SSLError) as error:
        files = ", ".join(file for file in (tls.ca_file, tls.certificate_file, tls.key_file) if file)
        raise CredentialError(f"cannot use the TLS files {files}: {error}") from error
    return context


def _private_lines(path: str) -> list[str]:
    file = Path(path)
    try:
        if file.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise CredentialError(f"file {path} with a secret is open to others; run: chmod 600 {path}")
        return file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise CredentialError(f"cannot read file {path}: {type(error).__name__}") from error
