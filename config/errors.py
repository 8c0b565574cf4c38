"""What is wrong with a configuration, said so that it can be mended without reading any code."""

from __future__ import annotations

from dataclasses import dataclass

from config.toml_lines import KeyPath


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in a configuration file.

    ``path`` is the way to the key, ``line`` is counted from 1 (0 where the file has no such line),
    ``message`` says what is wrong, ``fix`` what to do.
    """

    file: str
    line: int
    path: KeyPath
    message: str
    fix: str

    @property
    def key(self) -> str:
        """The key path as one reads it: ``units[0].pumps[1].stall_rate``."""
        text = ""
        for part in self.path:
            text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
        return text

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        key = f" {self.key}:" if self.path else ""
        end = "" if self.fix.endswith("?") else "."
        return f"{where}:{key} {self.message}. Fix: {self.fix}{end}"


class ConfigError(Exception):
    """A configuration that cannot be used, with every mistake that was found in it."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems
