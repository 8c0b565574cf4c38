"""A register map as CSV: taken whole or refused with every mistake, its line, its column and the fix."""

from __future__ import annotations

import csv
import io
import re
from importlib.resources import files
from pathlib import Path

import pytest

from config.errors import ConfigError
from config.loader import configuration_hash, load_site, parse_site
from config.quantities import Quantity
from config.signal_columns import COLUMNS
from config.signal_table import read_signal_table
from config.signals import ModbusSignal
from config.site import Site

GOOD = Path(__file__).parent / "site_ok.toml"
BAD = sorted((Path(__file__).parent / "bad_tables").glob("*.csv"))
HEADING = "dehydration_unit,signal,controller,table,address,type"
ROW = "north,reboiler_temperature,plc,holding,40001,int16"


def refused(text: str) -> list[str]:
    _, problems = read_signal_table(text, "map.csv")
    assert problems
    return [str(problem) for problem in problems]


def site_of(folder: Path, *tables: tuple[str, str]) -> Site:
    """Load the good site with tables by name and text, its file and they in one folder."""
    for name, text in tables:
        (folder / name).write_text(text, encoding="utf-8")
    names = ", ".join(f'"{name}"' for name, _ in tables)
    path = folder / "site.toml"
    path.write_text(f"signal_tables = [{names}]\n{GOOD.read_text()}")
    return load_site(path)


def test_every_column_arrives_in_its_signal(tmp_path: Path) -> None:
    cells = {
        "dehydration_unit": "unit-1",
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
        "storage_deadband": "0.5",
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
    signal = site_of(tmp_path, ("map.csv", text.getvalue())).units[0].signals["my_own"]
    assert isinstance(signal, ModbusSignal)
    assert (signal.table, signal.address, signal.type, signal.unit) == ("input", 30007, "int16", "degF")
    assert (signal.scale, signal.offset, signal.range) == (0.1, -40.0, (-50.0, 500.0))
    assert (signal.resolution, signal.uncertainty, signal.storage_deadband) == (0.1, 2.0, 0.5)
    assert (signal.scan_class, signal.device_id) == ("slow", 3)
    assert (signal.word_order, signal.byte_order) == ("low word first", "low byte first")
    assert (signal.bit, signal.length, signal.bad_values) == (None, None, (0x8000, -1))
    assert (signal.inverted, signal.counter_bits) == (False, 16)
    assert (signal.quantity, signal.description) == (Quantity.TEMPERATURE, "skin, north side")


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("start", ["", "\ufeff", "# exported on a Monday\n\n"])
def test_separator_byte_order_mark_comments_and_empty_lines_do_not_matter(separator: str, start: str) -> None:
    text = start + f"{HEADING}\n\n# north\n{ROW}\n,,,,,\n".replace(",", separator)
    rows, problems = read_signal_table(text, "map.csv")
    assert problems == []
    assert [(row.unit, row.signal, row.data["address"]) for row in rows] == [
        ("north", "reboiler_temperature", 40001)
    ]


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
    ],
)
def test_a_mistake_is_named_with_line_column_and_fix(text: str, message: str) -> None:
    assert refused(text) == [message]


def test_a_quote_that_is_not_closed_is_named() -> None:
    (message,) = refused(f'{HEADING},description\n{ROW},"north\n')
    assert message.startswith("map.csv:2: is not CSV: ")


def test_all_mistakes_are_told_at_once() -> None:
    text = f"{HEADING}\n{ROW.replace('40001', 'x')}\n{ROW},7\n"
    assert [line.split(": ")[0] for line in refused(text)] == ["map.csv:2", "map.csv:3"]


def test_an_empty_table_lacks_its_heading() -> None:
    assert len(refused("# nothing\n")) == 6


def test_there_is_a_bad_table_for_every_kind_of_mistake() -> None:
    assert len(BAD) >= 12


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.stem)
def test_each_mistake_of_a_row_names_the_table_its_line_and_column(path: Path) -> None:
    """The comment lines at the head of each table are the messages expected, to the letter."""
    expected = [line[2:] for line in path.read_text().splitlines() if line.startswith("# ")]

    with pytest.raises(ConfigError) as caught:
        load_site(GOOD, [path])

    said = str(caught.value).replace(f"{GOOD.parent}/", "").replace("bad_tables/", "")
    assert expected
    assert said.splitlines() == expected


def test_rows_join_the_signals_of_their_units(tmp_path: Path) -> None:
    text = f"{HEADING},unit\nunit-1,rich_glycol_temperature,plc,holding,20,int16,degF\n"

    site = site_of(tmp_path, ("map.csv", text))

    assert list(site.units[0].signals) == [
        "reboiler_temperature",
        "contactor_pressure",
        "rich_glycol_temperature",
    ]


def test_a_unit_may_have_all_its_signals_from_tables(tmp_path: Path) -> None:
    head = GOOD.read_text().partition("[units.signals.")[0]
    (tmp_path / "map.csv").write_text(
        f"{HEADING},unit\nunit-1,reboiler_temperature,plc,holding,1,int16,degF\n"
    )

    site = parse_site(f'signal_tables = ["map.csv"]\n{head}', "site.toml", folder=tmp_path)

    assert list(site.units[0].signals) == ["reboiler_temperature"]


def test_the_fingerprint_is_that_of_the_signals_not_of_the_file_they_came_from(tmp_path: Path) -> None:
    head = GOOD.read_text()
    own = '\n[units.signals.rich_glycol_temperature]\ncontroller = "plc"\ntable = "holding"\n'
    own += 'address = 20\ntype = "int16"\nunit = "degF"\n'
    row = "unit-1,rich_glycol_temperature,plc,holding,20,int16,degF"

    from_table = site_of(tmp_path, ("map.csv", f"{HEADING},unit\n{row}\n"))
    other = site_of(tmp_path, ("map.csv", f"{HEADING},unit\n{row.replace('20', '21')}\n"))

    assert configuration_hash(from_table) == configuration_hash(parse_site(head + own, ""))
    assert configuration_hash(from_table) != configuration_hash(other)


def test_two_tables_and_the_site_file_are_told_of_at_once(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        site_of(
            tmp_path,
            ("a.csv", f"{HEADING}\nunit-1,flash_pressure,plc,holding,x,int16\n"),
            ("b.csv", f"{HEADING}\nunit-1,surge_level,plc,holding,1,int17\n"),
        )
    assert [(Path(one.file).name, one.line, one.key) for one in caught.value.problems] == [
        ("a.csv", 2, "address"),
        ("b.csv", 2, "type"),
    ]


def test_a_signal_of_two_tables_names_both_places(tmp_path: Path) -> None:
    row = f"{HEADING},unit\nunit-1,flash_pressure,plc,holding,1,int16,psig\n"
    with pytest.raises(ConfigError) as caught:
        site_of(tmp_path, ("a.csv", row), ("b.csv", row))
    (problem,) = caught.value.problems
    assert (Path(problem.file).name, problem.line, problem.key) == ("b.csv", 2, "signal")
    assert f"{tmp_path / 'a.csv'}:2 already" in problem.message


def test_a_table_that_is_not_there_is_told_at_the_line_that_names_it(tmp_path: Path) -> None:
    text = f'signal_tables = ["none.csv"]\n{GOOD.read_text()}'
    with pytest.raises(ConfigError) as caught:
        parse_site(text, "site.toml", folder=tmp_path)
    assert str(caught.value) == (
        f"site.toml:1: signal_tables[0]: {tmp_path / 'none.csv'}: no such file. Fix: check the path."
    )


def test_a_table_named_twice_is_told(tmp_path: Path) -> None:
    (tmp_path / "map.csv").write_text(f"{HEADING}\n")
    text = f'signal_tables = ["map.csv", "./map.csv"]\n{GOOD.read_text()}'
    with pytest.raises(ConfigError, match=r"site\.toml:1: signal_tables\[1\]: .* is named twice"):
        parse_site(text, "site.toml", folder=tmp_path)


def test_a_table_that_is_not_utf8_names_its_own_line(tmp_path: Path) -> None:
    (tmp_path / "map.csv").write_bytes(f"{HEADING}\n# caf".encode() + b"\xe9\n")
    with pytest.raises(ConfigError, match=r"map\.csv:2: is not UTF-8"):
        parse_site(f'signal_tables = ["map.csv"]\n{GOOD.read_text()}', "site.toml", folder=tmp_path)


def test_a_table_named_below_the_first_header_is_told_where_it_belongs() -> None:
    text = GOOD.read_text().replace("[site]\n", '[site]\nsignal_tables = ["map.csv"]\n')
    with pytest.raises(ConfigError, match=r"site\.signal_tables: .*Fix: it belongs at the top of the file"):
        parse_site(text, "site.toml")


def test_a_table_that_the_site_names_already_is_not_taken_twice(tmp_path: Path) -> None:
    row = f"{HEADING},unit\nunit-1,flash_pressure,plc,holding,1,int16,psig\n"
    site_of(tmp_path, ("map.csv", row))

    site = load_site(tmp_path / "site.toml", [tmp_path / "map.csv"])

    assert "flash_pressure" in site.units[0].signals


def test_the_first_site_names_every_column() -> None:
    words = set(
        re.findall(r"[a-z_]+", files("config").joinpath("examples/first-site.toml").read_text("utf-8"))
    )
    assert COLUMNS.keys() <= words


def test_the_example_table_joins_the_example_site() -> None:
    folder = Path(str(files("config").joinpath("examples")))
    assert "INVENTED" in (folder / "register-map.csv").read_text(encoding="utf-8").splitlines()[0]

    plain = load_site(folder / "first-site.toml")
    site = load_site(folder / "first-site.toml", [folder / "register-map.csv"])

    assert len(site.units[0].signals) - len(plain.units[0].signals) == 7
