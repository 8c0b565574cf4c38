"""Whether the daemon is ready, for the container's health check: exit code 0, or 1 with the reasons.

Standard library only, and quick: it runs every half a minute beside a daemon that has one core.

    python healthcheck.py /run/tegwatch/tegwatch.sock
"""

from __future__ import annotations

import http.client
import json
import socket
import sys

PATIENCE = 4.0
"""How long the daemon may take to answer [s]; below the check's own limit, so that its reason is seen."""


class LocalConnection(http.client.HTTPConnection):
    """HTTP over a Unix socket."""

    def __init__(self, path: str) -> None:
        super().__init__("daemon", timeout=PATIENCE)
        self._path = path

    def connect(self) -> None:
        """Connect to the socket's path instead of a host."""
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(PATIENCE)
        self.sock.connect(self._path)


def main(path: str) -> int:
    """Ask once; print what is not ready."""
    connection = LocalConnection(path)
    try:
        connection.request("GET", "/readyz")
        answer = connection.getresponse()
        body = answer.read()
    except (OSError, http.client.HTTPException) as error:
        sys.stdout.write(f"no daemon answers on {path}: {error}\n")
        return 1
    finally:
        connection.close()
    if answer.status == 200:
        return 0
    try:
        sys.stdout.write("; ".join(json.loads(body)["reasons"]) + "\n")
    except (ValueError, KeyError, TypeError):
        sys.stdout.write(f"the daemon answered {answer.status}\n")
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
