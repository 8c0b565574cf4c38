"""Makes the secrets of ``docker/compose.yaml``: random, one file each, readable by their service only.

    sudo python3 docker/make_secrets.py docker/secrets

What is there already is kept. The password with which field devices log in to the broker is in
``broker_field``, the control room's in ``broker_control-room``.
"""

from __future__ import annotations

import base64
import hashlib
import os
import secrets
import sys
from pathlib import Path

OWNERS = {"tegwatch": 10001, "broker": 1883, "database": 1000}
"""User ids inside the containers."""
BROKER_USERS = ("tegwatch", "field", "control-room")
ROUNDS = 101
"""Iterations of PBKDF2 in the broker's own password tool; the passwords here are random, not guessable."""


def broker_line(user: str, password: str, salt: bytes) -> str:
    """Return a line of the broker's password file: PBKDF2 with SHA-512, its format 7."""
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS)
    return f"{user}:$7${ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}\n"


def main(folder: Path) -> None:
    """Write what is missing."""
    folder.mkdir(mode=0o711, parents=True, exist_ok=True)
    passwords = {}
    for user in BROKER_USERS:
        text = _keep(folder / f"broker_{user}", f"{user}\n{secrets.token_urlsafe(24)}\n", "tegwatch")
        passwords[user] = text.split("\n")[1]
    lines = [broker_line(user, password, secrets.token_bytes(12)) for user, password in passwords.items()]
    _keep(folder / "broker_passwords", "".join(lines), "broker")
    token = _keep(folder / "influx_token", secrets.token_urlsafe(32), "tegwatch")
    _keep(folder / "influx_token_database", token, "database")
    _keep(folder / "influx_password", secrets.token_urlsafe(24), "database")


def _keep(path: Path, text: str, service: str) -> str:
    """Write a secret where there is none yet; return the one that holds."""
    if path.exists():
        return path.read_text()
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o400), "w") as file:
        file.write(text)
    if os.geteuid() == 0:
        os.chown(path, OWNERS[service], OWNERS[service])
    else:
        sys.stdout.write(f"run: sudo chown {OWNERS[service]} {path}   (the container's user must read it)\n")
    return text


if __name__ == "__main__":
    main(Path(sys.argv[1]))
