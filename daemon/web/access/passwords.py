"""Passwords: what is accepted, and how they are kept (argon2id, OWASP ASVS 5.0 appendix C and 6.2)."""

from __future__ import annotations

import math
from collections.abc import Collection

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.low_level import Type

SHORTEST, LONGEST = 15, 128
"""Length of a password in characters."""
LEAST_GUESSES = 1e12
"""A password that an informed guesser finds in fewer attempts is refused."""
_JUDGED = 64
"""Characters that the estimate of guesses looks at: its cost grows faster than the length."""
_OWN_WORDS = ("tegwatch", "glycol", "dehydration", "dehydrator", "contactor", "reboiler", "pipeline")
_FAMOUS = ("correcthorsebatterystaple", "correct horse battery staple")

_HASHER = PasswordHasher(time_cost=2, memory_cost=47_104, parallelism=1, hash_len=32, type=Type.ID)
_NOBODY = _HASHER.hash("nobody has this password")


def password_problem(password: str, words: Collection[str] = ()) -> str:
    """Say what is wrong with a new password; empty where nothing is.

    Parameters
    ----------
    password : str
        As typed. Any characters are allowed; none are demanded.
    words : collection of str
        What a guesser would know: the user's name, the site's.
    """
    if len(password) < SHORTEST:
        return f"it has {len(password)} characters; use at least {SHORTEST}, a few unrelated words do well"
    if len(password) > LONGEST:
        return f"it has {len(password)} characters; use at most {LONGEST}"
    if password.casefold() in _FAMOUS:
        return "it is a famous example; use words of your own"
    from zxcvbn import zxcvbn  # noqa: PLC0415 - its word lists cost memory that a running daemon seldom needs

    judged = zxcvbn(password[:_JUDGED], user_inputs=[*_OWN_WORDS, *words])
    if judged["guesses"] < LEAST_GUESSES:
        attempts = math.floor(math.log10(float(judged["guesses"])))
        return f"it is among the first 10^{attempts + 1} that a guesser would try; use a few unrelated words"
    return ""


def hash_password(password: str) -> str:
    """Return what is kept in place of a password: argon2id with its parameters and salt. Takes some 0.1 s."""
    return _HASHER.hash(password)


def password_matches(kept: str | None, password: str) -> bool:
    """Check a password; with ``None``, for a user who does not exist, takes as long and says no."""
    try:
        _HASHER.verify(kept or _NOBODY, password)
    except (VerificationError, InvalidHashError):
        return False
    return kept is not None


def needs_new_hash(kept: str) -> bool:
    """Whether a kept password was hashed with other parameters than today's."""
    return _HASHER.check_needs_rehash(kept)
