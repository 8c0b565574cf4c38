"""What every configuration model has in common: frozen, strict, unknown keys refused."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, StringConstraints


class StrictModel(BaseModel):
    """Base of all configuration models.

    A mistyped key is an error, not a default; a value is never coerced from another type; a loaded
    configuration cannot change under the parts that were built from it.
    """

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        use_attribute_docstrings=True,
        str_strip_whitespace=True,
        allow_inf_nan=False,
    )


Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9_-]{0,62}$")]
"""A name that is safe in topics, file names and metrics: lower case, digits, ``-`` and ``_``."""
