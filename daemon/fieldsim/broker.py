"""An MQTT broker inside the process, for the demonstration: loopback only, no accounts, nothing kept.

Not for real use: it keeps no messages for a session that is away. A site has a broker of its own.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from amqtt.broker import Broker


@asynccontextmanager
async def embedded_broker(port: int, host: str = "127.0.0.1") -> AsyncIterator[None]:
    """Run a broker on a loopback port for the length of a ``async with`` block.

    Raises
    ------
    amqtt.errors.BrokerError
        The port is taken.
    """
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"{host}:{port}"}},
            "plugins": {
                "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
            },
        }
    )
    await broker.start()
    try:
        yield
    finally:
        await broker.shutdown()
