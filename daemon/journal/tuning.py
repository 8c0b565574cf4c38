"""Times and bounds of the journal's writer, and the figures by which its health is seen."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WriterTuning:
    """Times and bounds of the writer.

    Parameters
    ----------
    sample_delay : float
        How long a batch without alarms or events waits for company before it is committed [s]; saves
        writing to flash. Alarms and events never wait.
    answer_limit : float
        A commit that takes longer counts as a failing disk [s]: alarms are then told without it.
    retry_delay : float
        Pause between two attempts on a failing disk [s].
    batch_limit : int
        Most outcomes in one transaction.
    max_samples, max_records : int
        Bounds of the backlog, in outcomes.
    subscriber_queue : int
        Items that wait for a slow live subscriber before the oldest is dropped.
    """

    sample_delay: float = 1.0
    answer_limit: float = 2.0
    retry_delay: float = 1.0
    batch_limit: int = 2000
    max_samples: int = 10_000
    max_records: int = 50_000
    subscriber_queue: int = 1000


@dataclass(slots=True)
class WriterFigures:
    """How the journal is doing; counts since start.

    ``failing`` says in words what is wrong with the disk and is empty when nothing is.
    """

    failing: str = ""
    commits: int = 0
    failed_commits: int = 0
    outcomes: int = 0
    dropped_samples: int = 0
    dropped_records: int = 0
    last_commit: float = 0.0
