"""The tool tells a weak test suite from a good one, and does not take its own failure for a killed mutant."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutation.campaign import Survivor, Verdict, complaints, load
from tests.mutation.mutants import mutants

ROOT = Path(__file__).parents[2]

GAUGE = '''"""A gauge."""

LIMIT = 3


def high(level: int) -> bool:
    """Whether it is high."""
    return level > LIMIT
'''
EXPLAINED = """
[[survivor]]
module = "gauge"
function = "high"
line = "return level > LIMIT"
mutation = "level > LIMIT -> level >= LIMIT"
kind = "harmless"
reason = "for this test only: the weak tests never look at the limit itself"
"""
GONE = EXPLAINED.replace(">= LIMIT", "!= LIMIT")
WEAK = "from gauge import high\n\n\ndef test_far_off():\n    assert high(5)\n    assert not high(2)\n"
GOOD = "from gauge import high\n\n\ndef test_around():\n    assert high(4)\n    assert not high(3)\n"


def run(directory: Path, tests: str, survivors: str = "") -> subprocess.CompletedProcess[str]:
    """Give the command, as its user does, a module and tests of our own."""
    (directory / "gauge.py").write_text(GAUGE)
    (directory / "test_gauge.py").write_text(tests)
    (directory / "pytest.ini").write_text("[pytest]\npythonpath = .\n")
    (directory / "survivors.toml").write_text(survivors)
    (directory / "campaign.toml").write_text(
        'floor = 0.5\nsurvivors = "survivors.toml"\ntests = []\n'
        '[[module]]\nname = "gauge"\ntests = ["test_gauge.py"]\n'
    )
    return subprocess.run(
        [sys.executable, "-m", "tests.mutation", "--campaign", "campaign.toml"],
        cwd=directory,
        env={"PYTHONPATH": str(ROOT), "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_weak_suite_leaves_the_survivors_that_it_must(tmp_path: Path) -> None:
    ended = run(tmp_path, WEAK, EXPLAINED + GONE)
    assert ended.returncode == 1, ended.stdout + ended.stderr
    # 5 is above and 2 is not, also for limits of 2 and 4 and for >= instead of >. One of them is explained.
    assert [
        line for line in ended.stdout.splitlines() if line.startswith(("together ", "survived", "expl"))
    ] == [
        "together                                   5       2           0         3             1   40.0%",
        "survived: gauge <module>",
        "survived: gauge <module>",
        "explained, but there is no such mutant: gauge high",
    ]
    assert "make 3 -> 2" in ended.stdout
    assert "make 3 -> 4" in ended.stdout
    assert "gauge: 40.0% killed, the floor is 50%" in ended.stdout


@pytest.mark.slow
def test_a_good_suite_leaves_none(tmp_path: Path) -> None:
    ended = run(tmp_path, GOOD)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert (
        "together                                   5       5           0         0             0  100.0%"
        in (ended.stdout)
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("tests", "complaint"),
    [
        (GOOD.replace("high(4)", "high(1)"), "the tests of gauge fail without any change"),
        ("def test_nothing():\n    pass\n", "no test imports gauge"),
        ("", "exit code 5"),
    ],
)
def test_its_own_failure_kills_nothing(tmp_path: Path, tests: str, complaint: str) -> None:
    ended = run(tmp_path, tests)
    assert ended.returncode == 2, ended.stdout + ended.stderr
    assert complaint in ended.stderr
    assert "killed" not in ended.stdout


def explained(mutation: str) -> Survivor:
    return Survivor(
        module="m",
        function="f",
        line="l",
        mutation=mutation,
        kind="equivalent",
        reason="a reason of some length",
    )


def test_explanations_and_survivors_must_be_the_same() -> None:
    verdict = Verdict("m", frozenset({("f", "l", "dead")}), frozenset({("f", "l", "alive")}), 0)
    assert complaints(verdict, (explained("alive"),)) == []
    assert [
        text.split(":")[0]
        for text in complaints(verdict, (explained("dead"), explained("gone"), explained("gone")))
    ] == [
        "survived",
        "explained, but a test kills it; remove the entry",
        "explained twice",
        "explained, but there is no such mutant",
    ]


@pytest.mark.parametrize(
    ("source", "mutations"),
    [
        ("x = a < b", ["a < b -> a <= b", "a < b -> a >= b"]),
        ("x = a is b", ["a is b -> a is not b"]),
        ("x = a and b", ["a and b -> a", "a and b -> a or b", "a and b -> b"]),
        ("x = not a", ["not a -> a"]),
        ("x = -a", ["-a -> a"]),
        ("x = 2", ["2 -> 1", "2 -> 3"]),
        ("x = 0", ["0 -> 1"]),
        ("x = True", ["True -> False"]),
        ("x = 'a'", ["'a' -> ''"]),
        ("x = ''", ["'' -> 'mutated'"]),
        ("x = f'a{b - c}'", ["f'a{b - c}' -> ''", "f'a{b - c}' -> f'a'", "f'a{b - c}' -> f'a{b + c}'"]),
        ("x = {a: b}", ["a: b -> (removed)"]),
        ("x = {a, b}", ["a -> (removed)", "b -> (removed)"]),
        ("x = min(a)", ["min(a) -> max(a)"]),
        ("x = a if b else c", ["a if b else c -> c if b else a"]),
        ("if a:\n    x = b", ["if a -> if not a"]),
        ("x.y = a", ["x.y = a -> (removed)"]),
        ("x += a", ["x += a -> (removed)", "x += a -> x -= a"]),
        ("x()", ["x() -> (removed)"]),
        ("raise x", ["raise x -> (removed)"]),
        ("def f(a=1): return a", ["1 -> 0", "1 -> 2", "return a -> return None"]),
        ("x = Hue.RED\ny = Hue.TAN", ["Hue.RED -> Hue.TAN", "Hue.TAN -> Hue.RED"]),
        ("x: int\n'words'", []),
        ("class A:\n    'words'\n    __slots__ = ('a',)", []),
    ],
)
def test_what_is_changed(source: str, mutations: list[str]) -> None:
    assert [mutant.mutation for mutant in mutants(source)] == mutations


def test_a_change_is_made_where_it_says_and_nowhere_else() -> None:
    source = "é = 'ß'  # ü\nx = (1 <\n     2)  # ä\n"
    changed = {mutant.mutation: mutant.apply(source) for mutant in mutants(source)}
    assert changed["1 < 2 -> 1 <= 2"] == "é = 'ß'  # ü\nx = ((1 <= 2))  # ä\n"
    assert changed["2 -> 3"] == "é = 'ß'  # ü\nx = (1 <\n     (3))  # ä\n"


def test_the_same_change_twice_in_a_line_has_two_names() -> None:
    assert [mutant.mutation for mutant in mutants("x = a[0] + a[0]")][-2:] == ["0 -> 1", "0 -> 1 #2"]


def test_every_file_that_the_campaign_names_is_there() -> None:
    campaign, _ = load(Path(__file__).with_name("campaign.toml"))
    named = {*campaign.tests, *(test for module in campaign.module for test in module.tests)}
    assert [name for name in named if not (ROOT / name).exists()] == []
    assert [module.name for module in campaign.module if not (ROOT / module.path).exists()] == []
