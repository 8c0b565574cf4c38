"""Small sites for tests: one unit whose controllers and signals a test writes as TOML."""

from __future__ import annotations

from config.loader import parse_site
from config.site import Site

_SITE = """
schema_version = 1
[site]
name = "test-site"
elevation = "1520 m"
unit_system = "us"
[site.pipeline_limit]
water_content = "7 lb/MMscf"
{controllers}
[[units]]
name = "unit-1"
[units.gas]
specific_gravity = 0.65
[units.contactor]
trays = 8
[units.reboiler]
set_point = "375 degF"
[[units.pumps]]
name = "p-1"
displacement = "0.0056 gal"
stall_rate = "8 /min"
maximum_rate = "40 /min"
{signals}
{rest}
"""


def site_with(controllers: str, signals: str, rest: str = "") -> Site:
    """Make a site of one unit, ``unit-1``, from the parts of a site file that matter to a test."""
    return parse_site(_SITE.format(controllers=controllers, signals=signals, rest=rest), "test.toml")
