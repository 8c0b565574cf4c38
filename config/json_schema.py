"""The JSON Schema of site files, by which editors complete keys, show what they mean and mark mistakes.

It says less than the loader, which knows units, references and consistency: `tegwatch check` has the last
word.
"""

from __future__ import annotations

from typing import Any

from config.site import Site


def site_schema() -> dict[str, Any]:
    """Return the schema of a site file as a JSON value (JSON Schema, draft 2020-12)."""
    schema = Site.model_json_schema()
    info = schema["$defs"]["SiteInfo"]
    # The loader works the pressure out where the elevation is given: the file needs one of the two.
    info["required"].remove("barometric_pressure")
    info["oneOf"] = [{"required": ["elevation"]}, {"required": ["barometric_pressure"]}]
    _drop_si_defaults(schema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "tegwatch site file",
    }


def _drop_si_defaults(node: object) -> None:
    """Take out defaults in SI units where the file has text with a unit: they would be refused there."""
    if isinstance(node, dict):
        alternatives = [node, *node.get("anyOf", [])]
        texts = any(one.get("type") == "string" for one in alternatives if isinstance(one, dict))
        default = node.get("default")
        if texts and isinstance(default, int | float) and not isinstance(default, bool):
            del node["default"]
        for value in node.values():
            _drop_si_defaults(value)
    elif isinstance(node, list):
        for value in node:
            _drop_si_defaults(value)
