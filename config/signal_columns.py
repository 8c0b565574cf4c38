"""The columns of a signal table: what stands in them, for messages and for help."""

from __future__ import annotations

REQUIRED = ("dehydration_unit", "signal", "controller", "table", "address", "type")
"""Columns without which a row says nothing."""

COLUMNS: dict[str, str] = {
    "dehydration_unit": "name of the dehydration unit",
    "signal": "name of the signal, for example reboiler_temperature",
    "controller": "name of the controller",
    "table": "holding, input, coil or discrete",
    "address": "address as the controller's addressing says",
    "type": "int16, uint16, int32, uint32, int64, uint64, float32, float64, bcd16, bcd32, bool or ascii",
    "unit": "unit of the value after scale and offset, for example degF",
    "scale": "value = raw value x scale + offset",
    "offset": "see scale",
    "range_low": "lowest credible value, in the unit",
    "range_high": "highest credible value, in the unit",
    "resolution": "smallest step of the value, in the unit",
    "uncertainty": "standard uncertainty of the instrument, in the unit",
    "storage_deadband": "how far archived values may be from what was measured, in the unit",
    "scan_class": "fast or slow",
    "device_id": "another device behind the same gateway",
    "word_order": "high word first or low word first",
    "byte_order": "high byte first or low byte first",
    "bit": "bit of a register, 0 to 15",
    "length": "registers of a text",
    "bad_values": "raw values that mean no value, separated by spaces; 0x8000 is hexadecimal",
    "inverted": "yes where a raw 0 means true",
    "counter_bits": "16 or 32, for stroke counters",
    "quantity": "only for signals of your own: temperature, pressure ...",
    "description": "only for display",
}
"""Every column with what stands in it."""
