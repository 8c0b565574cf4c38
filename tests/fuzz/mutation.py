"""Random changes to valid input; and a run of any length by command.

    python -m tests.fuzz.mutation 3600            every target in turn, for an hour
    python -m tests.fuzz.mutation 600 "site file" one of them

It ends with the input that broke a decoder, as a Python literal: put it into a test.
"""

from __future__ import annotations

import random
import sys
import time

from tests.fuzz.targets import TARGETS, Target

_SPLICES = (
    b"",
    b"\x00",
    b"\xff" * 4,
    b"9" * 40,
    b"-",
    b"1e999",
    b'"',
    b"[[",
    b"\r\n",
    "é\u2028".encode(),
    b",",
    b"{",
)


def mutated(seed: bytes, chance: random.Random) -> bytes:
    """Return a seed with a few bytes changed, cut, doubled or put in."""
    data = bytearray(seed)
    for _ in range(chance.randint(1, 6)):
        at = chance.randint(0, len(data))
        match chance.randrange(5):
            case 0 if at < len(data):
                data[at] = chance.randrange(256)
            case 1:
                data[at:at] = chance.choice(_SPLICES)
            case 2:
                del data[at : at + chance.randint(1, 20)]
            case 3:
                data[at:at] = data[at : at + chance.randint(1, 40)]
            case _:
                del data[at:]
    return bytes(data[:20_000])


def run(target: Target, seconds: float, seed: int) -> int:
    """Feed a target until the time is up; return how many inputs it took."""
    chance = random.Random(seed)
    end, count = time.monotonic() + seconds, 0
    while time.monotonic() < end:
        data = mutated(chance.choice(target.seeds), chance)
        try:
            target.run(data)
        except BaseException:
            print(f"broken by {data!r}", file=sys.stderr)
            raise
        count += 1
    return count


def main() -> None:
    """Run from the command line."""
    seconds, only = float(sys.argv[1]), sys.argv[2:]
    chosen = {name: target for name, target in TARGETS.items() if not only or name in only}
    for name, target in chosen.items():
        seed = random.SystemRandom().randrange(2**32)
        print(f"{name}: {run(target, seconds / len(chosen), seed)} inputs, seed {seed}", flush=True)


if __name__ == "__main__":
    main()
