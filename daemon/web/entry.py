"""The door behind a listener: leads each request to the application in force.

A reload builds a new application and puts it here. Requests under way end in the old one; the listener, its
connections and the sessions of people go on.
"""

from __future__ import annotations

from starlette.types import ASGIApp, Receive, Scope, Send


class Entry:
    """An application whose inside can be exchanged while it serves.

    Parameters
    ----------
    application : ASGIApp
        The first one.
    """

    def __init__(self, application: ASGIApp) -> None:
        self.application = application

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the application in force answer."""
        await self.application(scope, receive, send)
