"""A site file of an earlier version loads, or is refused with what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from config import former_keys
from config.errors import ConfigError
from config.loader import load_site, parse_site

JOURNALS = Path(__file__).parents[1] / "data" / "journals"
GOOD = (Path(__file__).parents[1] / "config" / "site_ok.toml").read_text()
OLD = sorted(JOURNALS.glob("*/site.toml"))


@pytest.mark.parametrize("path", OLD, ids=lambda path: path.parent.name)
def test_the_site_files_of_earlier_versions_load(path: Path) -> None:
    assert [unit.name for unit in load_site(path).units] == ["north", "south"]


def test_what_was_renamed_is_answered_with_what_to_write(monkeypatch: pytest.MonkeyPatch) -> None:
    renamed = {("units", "reboiler", "setpoint"): "it is called set_point now"}
    monkeypatch.setattr(former_keys, "FORMER_KEYS", renamed)
    text = GOOD.replace("set_point =", "setpoint =", 1)
    line = text.splitlines().index(next(one for one in text.splitlines() if one.startswith("setpoint"))) + 1

    with pytest.raises(ConfigError) as caught:
        parse_site(text, "old.toml")

    said = f"old.toml:{line}: units[0].reboiler.setpoint: was a key of an earlier version. Fix: it is called"
    assert any(str(one).startswith(said) for one in caught.value.problems), str(caught.value)


def test_a_site_file_of_another_layout_names_both_versions_and_the_fix() -> None:
    with pytest.raises(ConfigError) as caught:
        parse_site(GOOD.replace("schema_version = 1", "schema_version = 2"), "new.toml")

    (problem,) = caught.value.problems
    assert "has the value 2, this tegwatch knows 1" in str(problem)
    assert "install the tegwatch that the file was written for" in problem.fix
