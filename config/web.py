"""The listener for browsers and programs on other boxes. Absent, the daemon opens no TCP port at all."""

from __future__ import annotations

import ipaddress
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from config.base import StrictModel
from config.fields import Duration

Count = Annotated[int, Field(ge=1)]


def _address(text: str) -> str:
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        raise ValueError(f'"{text}" is no IP address; write for example host = "127.0.0.1"') from None


class WebTls(StrictModel):
    """Encryption of the listener: TLS 1.2 or newer."""

    certificate_file: str
    """Certificate with its chain, PEM; relative to the site file."""
    key_file: str
    """Its private key, PEM; relative to the site file; readable by the daemon's user only."""


class WebSettings(StrictModel):
    """Page and API over TCP. Everybody logs in or brings a token; nothing here can reach a controller."""

    host: Annotated[str, AfterValidator(_address)] = "127.0.0.1"
    """Address to listen on; anything but a loopback address needs ``tls``."""
    port: Annotated[int, Field(ge=1, le=65535)] = 8321
    """TCP port."""
    tls: WebTls | None = None
    """Encryption; only a loopback address may go without."""
    users_file: str = "tegwatch-users.json"
    """Users and tokens, as ``tegwatch users`` writes them; relative to the journal's folder."""
    session_idle: Annotated[Duration, Field(ge=60, le=86400)] = 900.0
    """A session ends after this time without anybody doing anything."""
    session_absolute: Annotated[Duration, Field(ge=300, le=7 * 86400)] = 43_200.0
    """A session ends after this time whatever happens in it."""
    view_after_idle: bool = False
    """Let an idle session go on viewing, without acting, until ``session_absolute``: a wall display."""
    requests_per_second: Annotated[float, Field(gt=0, le=1000)] = 20.0
    """Sustained rate of one user session, token or unknown address; faster ones are told to wait."""
    request_burst: Count = 60
    """How many requests may come at once; a page needs some thirty to open."""
    max_streams: Count = 100
    """How many pages and programs may follow live values at a time."""
    max_connections: Count = 2000
    """How many connections are held; beyond it idle ones are closed, the oldest first."""

    @model_validator(mode="after")
    def _network_needs_encryption(self) -> Self:
        if not self.loopback and self.tls is None:
            raise ValueError(
                f"would send passwords over the network from {self.host} without encryption; "
                'add [web.tls], or host = "127.0.0.1" behind a proxy that encrypts'
            )
        return self

    @property
    def loopback(self) -> bool:
        """Whether only this box can reach the listener."""
        return ipaddress.ip_address(self.host).is_loopback
