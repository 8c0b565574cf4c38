"""Mutation testing of the alarm core: how much of it could break without any test noticing.

    python -m tests.mutation                          every module; minutes of processor time
    python -m tests.mutation suppression first_out    these modules
    python -m tests.mutation --workers 2

Every mutant (``mutants.py``) is one small change of one module. The alarm tests run against it; if none
fails, it has survived. The run fails for a survivor that ``survivors.toml`` does not explain, for an
explanation that no longer fits, and where fewer mutants are killed than the campaign's floor. Explained
survivors count as survivors. Own code, because the general tools start a process for each mutant, leave
tables and constants of a module alone, or have no place for an explanation that is checked; a fork costs
what its tests cost.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.mutation.campaign import Campaign, Module, Survivor, Verdict, complaints, load
from tests.mutation.executor import CampaignError, Job, Outcome, baseline, run, warm_up
from tests.mutation.mutants import Mutant, mutants

Tried = tuple[Mutant, Outcome]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line; return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation")
    parser.add_argument("modules", nargs="*", help="last parts of module names; all if none is named")
    parser.add_argument("--workers", type=int, default=1, help="how many mutants at a time")
    parser.add_argument("--campaign", type=Path, default=Path(__file__).with_name("campaign.toml"))
    options = parser.parse_args(arguments)

    campaign, survivors = load(options.campaign)
    chosen = [it for it in campaign.module if not options.modules or it.short in options.modules]
    if unknown := set(options.modules) - {module.short for module in chosen}:
        parser.error(f"the campaign has no module {', '.join(sorted(unknown))}")
    warm_up(campaign.warm)
    try:
        verdicts = [_judge(module, campaign, options.workers) for module in chosen]
    except CampaignError as error:
        print(error, file=sys.stderr)
        return 2
    return _report(verdicts, campaign, survivors)


def _judge(module: Module, campaign: Campaign, workers: int) -> Verdict:
    source = module.path.read_text(encoding="utf-8")
    others = tuple(test for test in campaign.tests if test not in module.tests)
    batches = (module.tests, others) if others else (module.tests,)
    begin = time.monotonic()
    seconds = 3.0 + 5.0 * baseline(Job("unchanged", module.name, module.path, source, batches))

    def jobs() -> Iterator[Job[Mutant]]:
        for mutant in mutants(source):
            yield Job(mutant, module.name, module.path, mutant.apply(source), batches)

    tried = list(run(jobs(), workers, seconds))
    verdict = Verdict(
        module.name,
        killed=frozenset(mutant.key for mutant, outcome in tried if outcome is not Outcome.PASSED),
        survived=frozenset(mutant.key for mutant, outcome in tried if outcome is Outcome.PASSED),
        endless=sum(outcome is Outcome.ENDLESS for _, outcome in tried),
    )
    print(f"{module.name}: {len(tried)} mutants in {time.monotonic() - begin:.0f} s", flush=True)
    return verdict


def _report(verdicts: Sequence[Verdict], campaign: Campaign, survivors: tuple[Survivor, ...]) -> int:
    wrong = [line for verdict in verdicts for line in complaints(verdict, survivors)]
    print(f"\n{'module':36} mutants  killed  (endless)  survived  (explained)   score")
    sums = [0, 0, 0, 0]
    for verdict in verdicts:
        explained = sum(it.module == verdict.module and it.key in verdict.survived for it in survivors)
        row = [len(verdict.killed), verdict.endless, len(verdict.survived), explained]
        sums = [total + count for total, count in zip(sums, row, strict=True)]
        wrong += _row(verdict.module, row, campaign.floor)
    wrong += _row("together", sums, campaign.floor)
    print("".join(f"\n{line}" for line in wrong))
    return 1 if wrong else 0


def _row(name: str, counts: Sequence[int], floor: float) -> list[str]:
    """Print one row; return a complaint where it is below the floor."""
    killed, endless, survived, explained = counts
    score = killed / (killed + survived)
    print(f"{name:36} {killed + survived:7} {killed:7} {endless:11} {survived:9} {explained:13} {score:7.1%}")
    return [f"{name}: {score:.1%} killed, the floor is {floor:.0%}"] if score < floor else []


if __name__ == "__main__":
    sys.exit(main())
