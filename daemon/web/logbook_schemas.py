"""What the log book's routes take and say."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from daemon.logbook import SAMPLE_FIELDS
from daemon.web.schemas import Request, View

Actor = Annotated[str, Field(max_length=64, pattern=r"^[^\x00-\x1f\x7f]*$")]
Note = Annotated[str, Field(max_length=1000, pattern=r"^[^\x00-\x08\x0b-\x1f\x7f]*$")]
Moment = Annotated[float, Field(gt=0, lt=1e11, allow_inf_nan=False)]
Fraction = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


class SampleRequest(Request):
    """A laboratory sample; what was not analysed is left away."""

    taken: Moment | None = None
    """When it was drawn [POSIX s]; default: now."""
    lean_water: Fraction | None = None
    """Water in the lean glycol, kg/kg."""
    rich_water: Fraction | None = None
    """Water in the rich glycol, kg/kg."""
    ph: Annotated[float, Field(ge=0, le=14, allow_inf_nan=False)] | None = None
    """pH of the lean glycol."""
    chlorides: Fraction | None = None
    """Chlorides in the lean glycol, kg/kg."""
    solids: Fraction | None = None
    """Suspended solids, kg/kg."""
    note: Note = ""
    """A remark."""
    actor: Actor = ""
    """Who enters it, on the Unix socket; over TCP it is whoever is logged in."""

    def values(self) -> dict[str, float]:
        """Return what was analysed, by name."""
        found = {name: getattr(self, name) for name in SAMPLE_FIELDS}
        return {name: value for name, value in found.items() if value is not None}


class MaintenanceRequest(Request):
    """A piece of maintenance work."""

    work: Annotated[str, Field(max_length=64)]
    """What was done, for example ``filter change``."""
    done: Moment | None = None
    """When [POSIX s]; default: now."""
    note: Note = ""
    """A remark."""
    actor: Actor = ""
    """Who enters it, on the Unix socket; over TCP it is whoever is logged in."""


class EntryView(View):
    """One entry of the log book."""

    unit: str
    kind: Literal["lab sample", "maintenance"]
    happened: str
    """When the sample was drawn or the work was done, UTC."""
    entered: str
    message: str
    actor: str


class EntryAnswer(View):
    """What was kept."""

    kept: str
    """As the history shows it."""
    effects: list[str] = []
    """What it did to the calculation, or why it did nothing."""
