"""How commands talk to the running daemon: HTTP over its Unix socket."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import httpx

    from config.site import Site

BASE = "http://daemon"
"""Host name of no meaning: the socket decides who is asked."""


class DaemonUnreachable(Exception):  # noqa: N818 - says what happened
    """No daemon answers on the socket; the message says what to do."""


class RequestRefused(Exception):  # noqa: N818 - says what happened
    """The daemon answered, and refused; the message is its reason."""


def socket_path(site_file: Path, site: Site) -> Path:
    """Return where a site's daemon listens: relative paths are relative to the site file."""
    return site_file.resolve().parent / site.api.socket


def open_client(path: Path, timeout: float = 10.0) -> httpx.Client:
    """Open a client for the socket at ``path``."""
    import httpx

    return httpx.Client(transport=httpx.HTTPTransport(uds=str(path)), base_url=BASE, timeout=timeout)


def ask(client: httpx.Client, method: str, route: str, body: object = None) -> object:
    """Send one request and return the decoded answer.

    Raises
    ------
    DaemonUnreachable
        Nobody answers.
    RequestRefused
        The answer is a refusal.
    """
    import httpx

    try:
        answer = client.request(method, route, json=body)
    except httpx.TransportError as error:
        transport = client._transport  # noqa: SLF001 - only to name the socket in the message
        path = getattr(getattr(transport, "_pool", None), "_uds", "its socket")
        raise DaemonUnreachable(f"no daemon answers on {path}; start it with: tegwatch run SITE") from error
    if answer.is_success:
        return answer.json()
    try:
        detail = answer.json()["detail"]
    except (ValueError, KeyError, TypeError):
        detail = answer.text
    raise RequestRefused(str(detail))
