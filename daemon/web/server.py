"""The two listeners: a Unix socket for this box, and TCP for browsers and other boxes.

``run`` serves until it is cancelled, which ends it in order. It can be run again: a supervisor does so when
a listener fails, because no alarm may wait for a page.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import ssl
from collections.abc import Callable, Iterator
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from config.web import WebSettings
from daemon.web.connection import Connections

STOP_LIMIT = 3
"""How long requests under way may take at the end [s]."""
LOCAL_CONNECTIONS = 256
KEEP_ALIVE = 15
"""How long a connection may rest between two requests [s]."""


class _Server(uvicorn.Server):
    """Leaves signals to the daemon: there is one place that decides to stop, and it is not here."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


class Listener:
    """Serves an application on a socket until cancelled.

    Parameters
    ----------
    application : ASGIApp
        What to serve.
    bind : callable
        Opens the listening socket; called at every start.
    connections : Connections
        Bounds what clients can hold.
    tls : callable
        Returns how it encrypts; called at every start.
    release : callable
        Called when the socket is closed.
    """

    def __init__(
        self,
        application: ASGIApp,
        bind: Callable[[], socket.socket],
        connections: Connections,
        tls: Callable[[], ssl.SSLContext | None] = lambda: None,
        release: Callable[[], None] = lambda: None,
    ) -> None:
        self._application = application
        self._bind = bind
        self._connections = connections
        self._tls = tls
        self._release = release
        self._bound: socket.socket | None = None

    def bind(self) -> None:
        """Open the socket now, for the first ``run``: where it must not fail unseen.

        Raises
        ------
        OSError
            It cannot be opened.
        """
        self._bound = self._bind()

    async def run(self) -> None:
        """Serve until cancelled.

        Raises
        ------
        OSError
            The socket cannot be opened, or certificate and key cannot be used.
        """
        tls = self._tls()
        server = _Server(
            uvicorn.Config(
                self._application,
                http=self._connections.protocol,
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                timeout_keep_alive=KEEP_ALIVE,
                timeout_graceful_shutdown=STOP_LIMIT,
                h11_max_incomplete_event_size=32 * 1024,
                ssl_context_factory=None if tls is None else lambda _config, _default: tls,
            )
        )
        with contextlib.ExitStack() as stack:
            stack.callback(self._release)
            listener = stack.enter_context(contextlib.closing(self._bound or self._bind()))
            self._bound = None
            serving = asyncio.create_task(server.serve(sockets=[listener]), name="http server")
            try:
                await asyncio.shield(serving)
            finally:
                server.should_exit = True
                await asyncio.wait({serving}, timeout=STOP_LIMIT + 1)
                if not serving.done():
                    serving.cancel()
                    await asyncio.wait({serving})


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


def bind_tcp_socket(settings: WebSettings) -> socket.socket:
    """Bind the TCP socket of a site.

    Raises
    ------
    OSError
        The address is not this box's, or the port is taken.
    """
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    listener = socket.socket(family)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((settings.host, settings.port))
    except OSError as error:
        listener.close()
        where = f"{settings.host} port {settings.port}"
        raise OSError(f"cannot listen on {where}: {error.strerror}") from error
    listener.listen(512)
    return listener


def tls_context(settings: WebSettings, folder: Path) -> ssl.SSLContext | None:
    """Return how the TCP listener encrypts: TLS 1.2 or newer; ``None`` where it does not.

    Raises
    ------
    OSError
        Certificate or key cannot be read or do not belong together.
    """
    if settings.tls is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(folder / settings.tls.certificate_file, folder / settings.tls.key_file)
    return context


def local_listener(application: ASGIApp, path: Path) -> Listener:
    """Return the listener on the Unix socket at ``path``."""
    return Listener(
        application,
        lambda: bind_unix_socket(path),
        Connections(LOCAL_CONNECTIONS),
        release=lambda: path.unlink(missing_ok=True),
    )


def network_listener(application: ASGIApp, settings: WebSettings, folder: Path) -> Listener:
    """Return the TCP listener of a site; file names are relative to ``folder``."""
    return Listener(
        application,
        lambda: bind_tcp_socket(settings),
        Connections(settings.max_connections),
        lambda: tls_context(settings, folder),
    )
