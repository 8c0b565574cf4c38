"""The two tables that decide who may do what: permissions of a role, and the permission of every route.

A route that is not in the table is refused to everybody; an application with such a route is not built.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from types import MappingProxyType


class Permission(enum.StrEnum):
    """What a route needs; also the scope of a token."""

    OPEN = "open"
    """Nothing: anybody who reaches the listener. Such routes say nothing of the plant."""
    OWN = "own"
    """Any valid credential: one's own session and password."""
    METRICS = "metrics"
    """Figures of the daemon for a monitoring system."""
    VIEW = "view"
    """Values, alarms, history, health."""
    OPERATE = "operate"
    """Acknowledge, shelve, unshelve, reset alarms; enter lab samples and maintenance work."""
    ENGINEER = "engineer"
    """Remove alarms from service and return them; read the configuration."""
    ADMINISTER = "administer"
    """Users and tokens; a new configuration."""


class Role(enum.StrEnum):
    """What a user is; each role can do what the one before it can."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    ENGINEER = "engineer"
    ADMIN = "admin"


_VIEWER = frozenset({Permission.OPEN, Permission.OWN, Permission.METRICS, Permission.VIEW})
_OPERATOR = _VIEWER | {Permission.OPERATE}
_ENGINEER = _OPERATOR | {Permission.ENGINEER}
_ADMIN = _ENGINEER | {Permission.ADMINISTER}

ROLE_PERMISSIONS: Mapping[Role, frozenset[Permission]] = MappingProxyType(
    {Role.VIEWER: _VIEWER, Role.OPERATOR: _OPERATOR, Role.ENGINEER: _ENGINEER, Role.ADMIN: _ADMIN}
)
EVERYTHING = _ADMIN
SCOPES = (Permission.METRICS, Permission.VIEW, Permission.OPERATE, Permission.ENGINEER, Permission.ADMINISTER)
"""What a token can be given."""

ROUTE_PERMISSIONS: Mapping[tuple[str, str], Permission] = MappingProxyType(
    {
        ("GET", "/healthz"): Permission.OPEN,
        ("POST", "/v1/session"): Permission.OPEN,  # the credential is in its body
        ("POST", "/v1/first-user"): Permission.OPEN,  # the one-time secret is in its body
        ("GET", "/v1/session"): Permission.OWN,
        ("DELETE", "/v1/session"): Permission.OWN,
        ("PUT", "/v1/session/password"): Permission.OWN,
        ("GET", "/metrics"): Permission.METRICS,
        ("GET", "/readyz"): Permission.VIEW,
        ("GET", "/v1/openapi.json"): Permission.VIEW,
        ("GET", "/v1/health"): Permission.VIEW,
        ("GET", "/v1/site"): Permission.VIEW,
        ("GET", "/v1/units"): Permission.VIEW,
        ("GET", "/v1/units/{unit}"): Permission.VIEW,
        ("GET", "/v1/units/{unit}/series"): Permission.VIEW,
        ("GET", "/v1/units/{unit}/trend"): Permission.VIEW,
        ("GET", "/v1/units/{unit}/history"): Permission.VIEW,
        ("GET", "/v1/units/{unit}/report"): Permission.VIEW,
        ("GET", "/v1/records"): Permission.VIEW,
        ("GET", "/v1/stream"): Permission.VIEW,
        ("GET", "/v1/alarms"): Permission.VIEW,
        ("GET", "/v1/alarms/{unit}/{alarm}"): Permission.VIEW,
        ("POST", "/v1/alarms/{unit}/{alarm}/acknowledge"): Permission.OPERATE,
        ("POST", "/v1/alarms/{unit}/{alarm}/shelve"): Permission.OPERATE,
        ("POST", "/v1/alarms/{unit}/{alarm}/unshelve"): Permission.OPERATE,
        ("POST", "/v1/alarms/{unit}/{alarm}/reset"): Permission.OPERATE,
        ("POST", "/v1/alarms/{unit}/{alarm}/remove-from-service"): Permission.ENGINEER,
        ("POST", "/v1/alarms/{unit}/{alarm}/return-to-service"): Permission.ENGINEER,
        ("GET", "/v1/log-book"): Permission.VIEW,
        ("POST", "/v1/units/{unit}/samples"): Permission.OPERATE,
        ("POST", "/v1/units/{unit}/maintenance"): Permission.OPERATE,
        ("POST", "/v1/sinks/{name}/test"): Permission.ENGINEER,
        ("GET", "/v1/configuration"): Permission.ENGINEER,
        ("POST", "/v1/configuration/reload"): Permission.ADMINISTER,
        ("GET", "/v1/users"): Permission.ADMINISTER,
        ("POST", "/v1/users"): Permission.ADMINISTER,
        ("PUT", "/v1/users/{name}/role"): Permission.ADMINISTER,
        ("DELETE", "/v1/users/{name}"): Permission.ADMINISTER,
        ("GET", "/v1/tokens"): Permission.ADMINISTER,
        ("POST", "/v1/tokens"): Permission.ADMINISTER,
        ("DELETE", "/v1/tokens/{token}"): Permission.ADMINISTER,
        # Pages. The login page and the files that draw pages hold nothing of the plant.
        ("GET", "/login"): Permission.OPEN,
        ("GET", "/static/{path:path}"): Permission.OPEN,
        ("GET", "/"): Permission.VIEW,
        ("GET", "/units/{unit}"): Permission.VIEW,
        ("GET", "/alarms"): Permission.VIEW,
        ("GET", "/trends"): Permission.VIEW,
        ("GET", "/report"): Permission.VIEW,
        ("GET", "/log-book"): Permission.VIEW,
        ("GET", "/system"): Permission.VIEW,
        ("GET", "/access"): Permission.ADMINISTER,
    }
)
"""By method and path template."""
