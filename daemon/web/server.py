"""The HTTP server on a Unix socket that only the daemon's own user can open."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import uvicorn
from fastapi import FastAPI


class _Server(uvicorn.Server):
    """Leaves signals to the daemon: there is one place that decides to stop, and it is not here."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def bind_unix_socket(path: Path) -> socket.socket:
    """Bind a Unix socket with permissions for its owner only, replacing one that a dead daemon has left.

    Raises
    ------
    OSError
        A living process listens there already, or the folder may not be written.
    """
    if path.is_socket():
        with socket.socket(socket.AF_UNIX) as probe:
            try:
                probe.connect(str(path))
            except ConnectionRefusedError:
                path.unlink()
            else:
                raise OSError(f"another daemon is already listening on {path}")
    listener = socket.socket(socket.AF_UNIX)
    before = os.umask(0o177)
    try:
        listener.bind(str(path))
    except BaseException:
        listener.close()
        raise
    finally:
        os.umask(before)
    listener.listen(64)
    return listener


class ApiServer:
    """Serves an application until told to stop.

    Parameters
    ----------
    application : FastAPI
        What to serve.
    path : pathlib.Path
        Where the socket lies.
    """

    def __init__(self, application: FastAPI, path: Path) -> None:
        self._path = path
        self._listener = bind_unix_socket(path)
        configuration = uvicorn.Config(
            application,
            log_config=None,
            access_log=False,
            lifespan="off",
            timeout_graceful_shutdown=2,
            limit_concurrency=256,
        )
        self._server = _Server(configuration)

    async def run(self) -> None:
        """Serve until ``stop`` is called."""
        try:
            await self._server.serve(sockets=[self._listener])
        finally:
            self._listener.close()
            self._path.unlink(missing_ok=True)

    def stop(self) -> None:
        """Finish the requests under way, end the streams, and return from ``run``."""
        self._server.should_exit = True
