"""Which known fault would explain what moves: candidates with the evidence for and against each.

Every observable votes by itself (naive Bayes): a fault that expects what is seen gains, one that expects
something else loses, an observable that is not known says nothing. What is still as usual has a weak vote:
an alarm comes early, when half of what a fault moves has not moved yet. Faults are taken as equally likely
beforehand, and that nothing known is wrong as likely as all of them together, so that a weak likeness stays
weak. The figures behind a vote are ours; what counts is the order, and the evidence that is shown with it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from daemon.model import LikelyCause
from daemon.monitor.alarms.signatures import SIGNATURES, Move, Observable, Signature

CONTRARY = 0.1
"""Probability that an observable moves against what its fault says; shared by the contrary moves."""
LATE = 0.3
"""Probability that an observable that its fault moves has not moved yet, or not clearly."""
STEADY_WEIGHT = 0.2
"""What is as usual counts this much of what has moved: it may move yet, and ten steady values are not ten
witnesses but nearly one."""
QUIET = 0.85
"""Probability that an observable is as usual while nothing is wrong; the rest is shared by the moves."""
WORTH_SAYING = 0.05
"""Candidates with a smaller share are left out."""
CLEAR_SHIFT = 3.0
"""A shift of this many usual standard deviations is a move."""
CLEAR_SCATTER = 3.0
"""Scatter of this many times the usual is erratic."""


def judge_move(shift: float | None, scatter: float | None = None) -> Move | None:
    """Say how an observable stands to its usual value.

    Parameters
    ----------
    shift : float or None
        Distance from its usual mean in usual standard deviations; ``None`` if it is not known.
    scatter : float or None
        Present standard deviation over the usual one; ``None`` if it is not known.
    """
    if scatter is not None and scatter >= CLEAR_SCATTER:
        return Move.ERRATIC
    if shift is None or not math.isfinite(shift):
        return None
    if abs(shift) < CLEAR_SHIFT:
        return Move.STEADY
    return Move.UP if shift > 0 else Move.DOWN


def diagnose(
    seen: Mapping[Observable, Move], signatures: Sequence[Signature] = SIGNATURES
) -> tuple[LikelyCause, ...]:
    """Return the faults that may explain what is seen, the likeliest first.

    Parameters
    ----------
    seen : mapping of Observable to Move
        What is known; an observable that is not known is left out.
    signatures : sequence of Signature
        The faults to choose from.

    Returns
    -------
    tuple of LikelyCause
        Empty when nothing moves: without evidence there is no verdict. A candidate has at least one
        observable that moves as it expects.
    """
    if all(move is Move.STEADY for move in seen.values()):
        return ()
    weights = [math.exp(_log_likelihood(signature, seen)) for signature in signatures]
    nothing = len(signatures) * math.exp(
        sum(_weight(move) * math.log(_quiet(move)) for move in seen.values())
    )
    whole = sum(weights) + nothing
    candidates = [
        _candidate(signature, seen, weight / whole)
        for signature, weight in zip(signatures, weights, strict=True)
        if weight / whole >= WORTH_SAYING
    ]
    candidates.sort(key=lambda candidate: -candidate.share)
    return tuple(candidate for candidate in candidates if candidate.evidence_for)


def _log_likelihood(signature: Signature, seen: Mapping[Observable, Move]) -> float:
    total = 0.0
    for observable, move in seen.items():
        if move is Move.STEADY and observable is signature.defining:
            total += math.log(CONTRARY)
        else:
            total += _weight(move) * math.log(_probability(signature.expected.get(observable), move))
    return total


def _weight(move: Move) -> float:
    return STEADY_WEIGHT if move is Move.STEADY else 1.0


def _probability(expected: frozenset[Move] | None, move: Move) -> float:
    """Return how probable a move is under a fault that expects some; the probabilities of all add up to 1."""
    if expected is None:
        return 1.0 / len(Move)
    late = 0.0 if Move.STEADY in expected else LATE
    if move in expected:
        return (1.0 - CONTRARY - late) / len(expected)
    if move is Move.STEADY:
        return LATE
    return CONTRARY / len([one for one in Move if one is not Move.STEADY and one not in expected])


def _quiet(move: Move) -> float:
    return QUIET if move is Move.STEADY else (1.0 - QUIET) / (len(Move) - 1)


def _candidate(signature: Signature, seen: Mapping[Observable, Move], share: float) -> LikelyCause:
    evidence_for: list[str] = []
    evidence_against: list[str] = []
    unknown: list[str] = []
    for observable, expected in signature.expected.items():
        move = seen.get(observable)
        if move is None:
            if Move.STEADY not in expected:
                unknown.append(observable.value)
        elif move not in expected:
            evidence_against.append(f"{observable.value} {move.value}, expected {_either(expected)}")
        elif move is not Move.STEADY:
            evidence_for.append(f"{observable.value} {move.value}")
    return LikelyCause(
        signature.fault,
        share,
        tuple(evidence_for),
        tuple(evidence_against),
        tuple(unknown),
        signature.check,
    )


def _either(moves: frozenset[Move]) -> str:
    return " or ".join(move.value for move in Move if move in moves)
