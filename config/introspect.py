"""Which keys the models know at a place in the site file: for "did you mean" and for the documentation."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Tag

from config.site import Site


def known_keys(location: tuple[str | int, ...]) -> list[str]:
    """Return the keys that are allowed in the table at a location as pydantic's errors give it.

    The location includes the tags of unions (``("controllers", 0, "modbus-tcp")``); a location that leads to
    no model gives an empty list.
    """
    annotation: Any = Site
    for part in location:
        annotation = _step(annotation, part)
    models = [item for item in _alternatives(annotation) if _is_model(item)]
    return sorted({key for model in models for key in model.model_fields})


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _alternatives(annotation: Any, tag: str | None = None) -> Iterator[Any]:
    """Yield what an annotation stands for, unwrapping unions and optionals; with a tag, only its member."""
    origin = typing.get_origin(annotation)
    if origin is Annotated:
        inner, *metadata = typing.get_args(annotation)
        tags = [item.tag for item in metadata if isinstance(item, Tag)]
        if tag is None or not tags or tag in tags:
            yield from _alternatives(inner, None if tags else tag)
    elif origin in {typing.Union, types.UnionType}:
        for member in typing.get_args(annotation):
            yield from _alternatives(member, tag)
    elif annotation is not type(None) and (
        tag is None or not _is_model(annotation) or tag in _literals(annotation)
    ):
        yield annotation


def _literals(model: type[BaseModel]) -> set[str]:
    """Return the tags a model answers to: the values of its literal fields."""
    found: set[str] = set()
    for field in model.model_fields.values():
        if typing.get_origin(field.annotation) is Literal:
            found.update(str(value) for value in typing.get_args(field.annotation))
    return found


def _step(annotation: Any, part: str | int) -> Any:
    """Go one element of a location down: a field, an item, a dictionary's value, or a union's tag."""
    alternatives = list(_alternatives(annotation))
    for item in alternatives:
        origin = typing.get_origin(item)
        if isinstance(part, int) and origin is tuple:
            return typing.get_args(item)[0]
        if isinstance(part, str) and origin is dict:
            return typing.get_args(item)[1]
        if _is_model(item) and part in item.model_fields:
            field = item.model_fields[str(part)]
            return field.annotation if not field.metadata else Annotated[field.annotation, *field.metadata]
    tagged = list(_alternatives(annotation, str(part)))
    return tagged[0] if len(tagged) == 1 else annotation
