"""A site file is taken whole or refused with every mistake named: file, line, key and fix."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from config.errors import ConfigError
from config.loader import barometric_pressure, configuration_hash, load_site, parse_site

HERE = Path(__file__).parent
GOOD = HERE / "site_ok.toml"
BAD = sorted((HERE / "bad").glob("*.toml"))


def test_a_good_site_becomes_si() -> None:
    site = load_site(GOOD)

    unit = site.units[0]
    assert unit.reboiler.set_point == pytest.approx(463.706, abs=1e-3)  # 375 degF
    assert unit.pump_in_service.stall_rate == pytest.approx(8 / 60)
    assert site.site.pipeline_limit.water_content == pytest.approx(7 * 16.049e-6, rel=1e-4)


def test_there_is_a_bad_file_for_every_kind_of_mistake() -> None:
    assert len(BAD) >= 45


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.stem)
def test_each_mistake_is_named_with_line_key_and_fix(path: Path) -> None:
    """The comment lines at the head of each file are the messages expected, to the letter."""
    text = path.read_text()
    expected = [line[2:] for line in text.splitlines() if line.startswith("# ") and ".toml:" in line]

    with pytest.raises(ConfigError) as caught:
        parse_site(text, path.name)

    assert expected
    assert str(caught.value).splitlines() == expected


@pytest.mark.parametrize("path", [path for path in BAD if path.stem not in {"units-missing", "empty-file"}])
def test_the_line_that_is_named_holds_the_key_or_opens_its_table(path: Path) -> None:
    text = path.read_text()

    with pytest.raises(ConfigError) as caught:
        parse_site(text, path.name)

    for problem in caught.value.problems:
        line = text.splitlines()[problem.line - 1]
        words = [part for part in problem.path if isinstance(part, str)]
        assert not words or any(word in line for word in words), (problem, line)


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        load_site(tmp_path / "none.toml")
    with pytest.raises(ConfigError, match="is a folder"):
        load_site(tmp_path)


def test_text_that_is_not_utf8_names_the_line(tmp_path: Path) -> None:
    path = tmp_path / "latin1.toml"
    path.write_bytes(b"schema_version = 1\n# caf\xe9\n")

    with pytest.raises(ConfigError, match=r"latin1\.toml:2: is not UTF-8"):
        load_site(path)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_an_unreadable_file_says_so(tmp_path: Path) -> None:
    path = tmp_path / "closed.toml"
    path.write_text("")
    path.chmod(0)

    with pytest.raises(ConfigError, match="may not be read"):
        load_site(path)


def test_the_hash_follows_the_meaning_not_the_spelling() -> None:
    text = GOOD.read_text()
    same = text.replace("elevation = ", "elevation   =   ").replace('"8 /min"', '"8 strokes/min"')
    other = text.replace('"8 /min"', '"9 /min"')

    assert configuration_hash(parse_site(same, "")) == configuration_hash(parse_site(text, ""))
    assert configuration_hash(parse_site(other, "")) != configuration_hash(parse_site(text, ""))


@pytest.mark.parametrize(
    ("elevation", "pressure"),
    # ISO 2533:1975 standard atmosphere, pressure by geopotential height (from memory, high confidence).
    [(0.0, 101325.0), (1000.0, 89874.6), (2000.0, 79495.2), (5000.0, 54019.9)],
)
def test_barometric_pressure_follows_the_standard_atmosphere(elevation: float, pressure: float) -> None:
    assert barometric_pressure(elevation) == pytest.approx(pressure, rel=2e-5)
