"""Short hashes by which two configurations are told apart."""

from __future__ import annotations

import hashlib
import json

from config.site import Site

_ABOUT_ALARMS_AND_DELIVERY = ("alarms", "sinks", "journal", "api", "web", "signal_tables")


def values_hash(site: Site) -> str:
    """Return a hash of what readings, results and operating state rest on: all but alarms and deliveries.

    Two sites with the same hash make the same values of the same readings, so a replay may take stored
    values as they are.
    """
    data = site.model_dump(mode="json")
    for key in _ABOUT_ALARMS_AND_DELIVERY:
        data.pop(key, None)
    for unit in data["units"]:
        unit.pop("alarms", None)
        for signal in unit["signals"].values():
            signal.pop("storage_deadband", None)  # of the archive, not of the values
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()[:16]
