"""Which passwords are taken, and how they are kept."""

from __future__ import annotations

import importlib

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type

from daemon.web.access import passwords


def test_they_are_kept_as_asvs_asks() -> None:
    """OWASP ASVS 5.0, appendix C: argon2id with m >= 47104 KiB, t >= 1, p = 1."""
    fresh = importlib.util.module_from_spec(importlib.util.find_spec("daemon.web.access.passwords"))  # type: ignore[arg-type]  # it is found
    fresh.__spec__.loader.exec_module(fresh)  # type: ignore[union-attr]  # and has a loader
    kept = fresh.hash_password("violet harbour eats 7 lamps")
    found = extract_parameters(kept)
    assert found.type is Type.ID
    assert found.memory_cost >= 47_104
    assert found.time_cost >= 1
    assert found.parallelism == 1
    assert found.salt_len >= 16
    assert fresh.password_matches(kept, "violet harbour eats 7 lamps")
    assert not fresh.password_matches(kept, "violet harbour eats 7 lamp")


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("", "at least 15"),
        ("short but good!", ""),
        ("fourteen chars", "at least 15"),
        ("passwordpassword", "guesser"),
        ("Password12345678", "guesser"),
        ("qwertyuiopasdfgh", "guesser"),
        ("aaaaaaaaaaaaaaaaaaaaaaaa", "guesser"),
        ("123456789012345", "guesser"),
        ("iloveyouiloveyou", "guesser"),
        ("tegwatchtegwatch1", "guesser"),
        ("kim-operator-kim", "guesser"),
        ("west-ridge-2024!", "guesser"),
        ("correct horse battery staple", "famous"),
        ("violet harbour eats 7 lamps", ""),
        ("пять синих домов у реки", ""),
        ("x" + "violet harbour eats 7 lamps" * 5, "at most 128"),
    ],
)
def test_what_is_taken(password: str, why: str) -> None:
    problem = passwords.password_problem(password, ("kim-operator", "west-ridge"))
    assert bool(problem) == bool(why)
    assert why in problem


def test_nobodys_password_matches_nothing_but_takes_the_same_way() -> None:
    assert not passwords.password_matches(None, "nobody has this password")
    assert not passwords.password_matches("not a hash", "anything")


def test_a_hash_with_other_parameters_is_renewed() -> None:
    weak = PasswordHasher(time_cost=1, memory_cost=64, parallelism=2).hash("x")
    assert passwords.needs_new_hash(weak)
    assert not passwords.needs_new_hash(passwords.hash_password("x"))
