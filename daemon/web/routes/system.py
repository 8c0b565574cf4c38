"""The daemon itself: liveness, readiness, health, figures, configuration."""

from __future__ import annotations

from typing import Any, cast

from fastapi import FastAPI, Response

from config.loader import configuration_hash
from daemon.web.broadcast import Broadcaster
from daemon.web.health import health_view, readiness_view
from daemon.web.metrics import CONTENT_TYPE, exposition
from daemon.web.parts import Daemon
from daemon.web.redaction import redacted
from daemon.web.schemas import ConfigurationView, HealthView, LivenessView, ReadinessView


def add_system_routes(api: FastAPI, daemon: Daemon, broadcaster: Broadcaster) -> None:
    """Add the routes of this subject."""

    @api.get("/healthz", tags=["system"])
    async def alive() -> LivenessView:
        """Answer: the process lives. Needs no credential and says nothing else."""
        return LivenessView()

    @api.get("/readyz", tags=["system"], responses={503: {"model": ReadinessView}})
    async def ready(response: Response) -> ReadinessView:
        """Whether every unit is being watched and kept; 503 with the reasons while not."""
        view = readiness_view(daemon)
        response.status_code = 503 if view.reasons else 200
        return view

    @api.get("/v1/health", tags=["system"])
    async def health() -> HealthView:
        """How the daemon is doing, and in words what is not well."""
        return health_view(daemon)

    @api.get(
        "/metrics",
        tags=["system"],
        response_class=Response,
        responses={200: {"content": {"text/plain": {"schema": {"type": "string"}}}}},
    )
    async def metrics() -> Response:
        """Figures in the Prometheus text format."""
        return Response(exposition(daemon, broadcaster), headers={"content-type": CONTENT_TYPE})

    @api.get("/v1/configuration", tags=["system"])
    async def configuration() -> ConfigurationView:
        """Return the configuration in force in SI units, without secrets."""
        shown = cast("dict[str, Any]", redacted(daemon.site.model_dump(mode="json")))
        return ConfigurationView(hash=configuration_hash(daemon.site), site=shown)
