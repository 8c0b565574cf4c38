"""One campaign: what is mutated, which tests judge it, which survivors are explained."""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

Key = tuple[str, str, str]
"""Function, text of the line, mutation: what names a mutant within its module."""


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Module(_Model):
    """A module to mutate and the tests that are likeliest to notice."""

    name: str
    tests: tuple[str, ...]

    @property
    def short(self) -> str:
        """The last part of its name."""
        return self.name.rpartition(".")[2]

    @property
    def path(self) -> Path:
        """Where its source stands, from the directory that the campaign runs in."""
        return Path(*self.name.split(".")).with_suffix(".py")


class Campaign(_Model):
    """The whole of ``campaign.toml``."""

    floor: float = Field(gt=0, le=1)
    """Share of the mutants that tests must kill, in each module and in all together."""
    survivors: str
    """The file of explained survivors, beside this one."""
    tests: tuple[str, ...]
    """What runs after a module's own tests, for mutants still alive."""
    warm: tuple[str, ...] = ()
    """What is imported once and for all; nothing that imports a module to mutate."""
    module: tuple[Module, ...]


class Survivor(_Model):
    """A mutant that no test notices, and why that is right."""

    module: str
    function: str
    line: str
    mutation: str
    kind: Literal["equivalent", "harmless"]
    """``equivalent``: nothing that can happen tells it apart; ``harmless``: no one relies on what changes."""
    reason: str = Field(min_length=20)

    @property
    def key(self) -> Key:
        """What names it within its module."""
        return (self.function, self.line, self.mutation)


_SURVIVORS = TypeAdapter(tuple[Survivor, ...])


def load(path: Path) -> tuple[Campaign, tuple[Survivor, ...]]:
    """Read a campaign and its survivors; a survivor of no module of the campaign is an error."""
    campaign = Campaign.model_validate(tomllib.loads(path.read_text()))
    listed = tomllib.loads((path.parent / campaign.survivors).read_text())
    survivors = _SURVIVORS.validate_python(listed.get("survivor", ()))
    names = {module.name for module in campaign.module}
    for survivor in survivors:
        if survivor.module not in names:
            raise ValueError(
                f"{campaign.survivors} explains a mutant of {survivor.module}, which is not mutated"
            )
    return campaign, survivors


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was found in one module: mutants by key, and how many of the killed did not end by themselves."""

    module: str
    killed: frozenset[Key]
    survived: frozenset[Key]
    endless: int


def complaints(verdict: Verdict, survivors: tuple[Survivor, ...]) -> list[str]:
    """Return what is wrong between the survivors found and those explained; empty when all agrees."""
    explained = [survivor.key for survivor in survivors if survivor.module == verdict.module]
    found = [f"survived: {_words(verdict.module, key)}" for key in sorted(verdict.survived - set(explained))]
    for key, count in Counter(explained).items():
        if count > 1:
            found.append(f"explained twice: {_words(verdict.module, key)}")
        if key in verdict.killed:
            found.append(f"explained, but a test kills it; remove the entry: {_words(verdict.module, key)}")
        elif key not in verdict.survived:
            found.append(f"explained, but there is no such mutant: {_words(verdict.module, key)}")
    return found


def _words(module: str, key: Key) -> str:
    function, line, mutation = key
    return f"{module} {function}\n    in   {line}\n    make {mutation}"
