"""The packaged demonstration site on ports that a test may have."""

from __future__ import annotations

from importlib.resources import files

from config.loader import parse_site
from config.site import Site


def demo_site(modbus_port: int = 15020, mqtt_port: int = 18830) -> Site:
    text = files("config").joinpath("examples/demo.toml").read_text(encoding="utf-8")
    text = text.replace("port = 15020", f"port = {modbus_port}")
    return parse_site(text.replace("port = 18830", f"port = {mqtt_port}"), "demo.toml")
