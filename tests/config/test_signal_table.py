"""A register map as CSV: taken whole or refused with every mistake, its line, its column and the fix."""

from __future__ import annotations

import csv
import io

import pytest

from config.errors import ConfigError
from config.quantities import Quantity
from config.signal_table import COLUMNS, parse_signal_table

HEADING = "dehydration_unit,signal,controller,table,address,type"
ROW = "north,reboiler_temperature,plc,holding,40001,int16"


def refused(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_signal_table(text, "map.csv")
    return str(caught.value).splitlines()


def test_every_column_arrives_in_its_signal() -> None:
    cells = {
        "dehydration_unit": "north",
        "signal": "my_own",
        "controller": "plc",
        "table": "input",
        "address": "30007",
        "type": "int16",
        "unit": "degF",
        "scale": "0.1",
        "offset": "-40",
        "range_low": "-50",
        "range_high": "500",
        "resolution": "0.1",
        "uncertainty": "2",
        "scan_class": "slow",
        "device_id": "3",
        "word_order": "low word first",
        "byte_order": "low byte first",
        "bit": "",
        "length": "",
        "bad_values": "0x8000 -1",
        "inverted": "no",
        "counter_bits": "16",
        "quantity": "temperature",
        "description": "skin, north side",
    }
    assert set(cells) == set(COLUMNS)
    text = io.StringIO()
    writer = csv.DictWriter(text, list(cells))
    writer.writeheader()
    writer.writerow(cells)
    signal = parse_signal_table(text.getvalue(), "map.csv")["north"]["my_own"]
    assert (signal.table, signal.address, signal.type, signal.unit) == ("input", 30007, "int16", "degF")
    assert (signal.scale, signal.offset, signal.range) == (0.1, -40.0, (-50.0, 500.0))
    assert (signal.resolution, signal.uncertainty) == (0.1, 2.0)
    assert (signal.scan_class, signal.device_id) == ("slow", 3)
    assert (signal.word_order, signal.byte_order) == ("low word first", "low byte first")
    assert (signal.bit, signal.length, signal.bad_values) == (None, None, (0x8000, -1))
    assert (signal.inverted, signal.counter_bits) == (False, 16)
    assert (signal.quantity, signal.description) == (Quantity.TEMPERATURE, "skin, north side")


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("start", ["", "\ufeff", "# exported on a Monday\n\n"])
def test_separator_byte_order_mark_comments_and_empty_lines_do_not_matter(separator: str, start: str) -> None:
    text = start + f"{HEADING}\n\n# north\n{ROW}\n,,,,,\n".replace(",", separator)
    table = parse_signal_table(text, "map.csv")
    assert table["north"]["reboiler_temperature"].address == 40001


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            f"{HEADING},uint\n{ROW},degF\n",
            "map.csv:1: uint: is no column of a signal table. Fix: did you mean unit?",
        ),
        (
            HEADING.replace(",address", "") + "\n",
            (
                "map.csv:1: address: is missing in the heading. "
                "Fix: add it: address as the controller's addressing says."
            ),
        ),
        (
            f"{HEADING},type\n{ROW},int16\n",
            "map.csv:1: type: stands in the heading twice. Fix: leave one away.",
        ),
        (
            f"{HEADING}\n{ROW}\n{ROW}\n",
            (
                'map.csv:3: signal: "reboiler_temperature" of unit "north" stands in the table twice. '
                "Fix: leave one of the rows away."
            ),
        ),
        (
            f"{HEADING}\n\n{ROW.replace('40001', '40001.0')}\n",
            'map.csv:3: address: "40001.0" cannot be used. Fix: write a whole number.',
        ),
        (
            f"{HEADING}\n{ROW.replace('north', '')}\n",
            "map.csv:2: dehydration_unit: is empty. Fix: give it: name of the dehydration unit.",
        ),
        (
            f'{HEADING},scale\n{ROW},"0,1"\n',
            'map.csv:2: scale: "0,1" cannot be used. Fix: write a number with a decimal point.',
        ),
        (
            f"{HEADING},bad_values\n{ROW},8000h\n",
            (
                'map.csv:2: bad_values: "8000h" cannot be used. '
                "Fix: write whole numbers separated by spaces, hexadecimal ones with 0x."
            ),
        ),
        (
            f"{HEADING},inverted\n{ROW},maybe\n",
            'map.csv:2: inverted: "maybe" cannot be used. Fix: write yes or no.',
        ),
        (
            f"{HEADING},range_low\n{ROW},3\n",
            "map.csv:2: range_low: a range has two ends. Fix: give both or neither.",
        ),
        (
            f"{HEADING}\n{ROW},7\n",
            (
                "map.csv:2: has 7 cells under 6 columns. "
                "Fix: put a cell that holds the separator in double quotes."
            ),
        ),
        (
            f"{HEADING}\n{ROW.replace('holding', 'output')}\n",
            (
                "map.csv:2: table: input should be 'holding', 'input', 'coil' or 'discrete'. "
                "Fix: the column holds holding, input, coil or discrete."
            ),
        ),
    ],
)
def test_a_mistake_is_named_with_line_column_and_fix(text: str, message: str) -> None:
    assert refused(text) == [message]


def test_a_quote_that_is_not_closed_is_named() -> None:
    (message,) = refused(f'{HEADING},description\n{ROW},"north\n')
    assert message.startswith("map.csv:2: is not CSV: ")


def test_all_mistakes_are_told_at_once() -> None:
    text = f"{HEADING}\n{ROW.replace('40001', 'x')}\n{ROW.replace('int16', 'int17')}\n"
    assert [line.split(": ")[0] for line in refused(text)] == ["map.csv:2", "map.csv:3"]


def test_an_empty_table_lacks_its_heading() -> None:
    assert len(refused("# nothing\n")) == 6
