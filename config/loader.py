"""From a site file to a ``Site``: all mistakes at once, each with file, line, key and fix."""

from __future__ import annotations

import datetime
import difflib
import hashlib
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from config.alarm_set import alarm_problems
from config.consistency import inconsistencies
from config.errors import ConfigError, Problem
from config.former_keys import what_became_of
from config.introspect import known_keys
from config.quantities import Quantity
from config.site import Site
from config.table_merge import Origins, merge_table
from config.toml_lines import KeyPath
from config.units import BASES, DEFAULT_BASE, UnitContext, UnitError, parse_quantity

PRESSURE_KEY: KeyPath = ("site", "barometric_pressure")


def load_site(path: Path, tables: Sequence[Path] = ()) -> Site:
    """Read a site file with the signal tables that it names.

    Parameters
    ----------
    path : pathlib.Path
        The site file.
    tables : sequence of pathlib.Path
        Signal tables that are taken as if the site file named them too.

    Raises
    ------
    ConfigError
        A file cannot be read, is no TOML or CSV, or says something that cannot be used; holds every mistake.
    """
    return load_with_texts(path, tables).site


@dataclass(frozen=True, slots=True)
class LoadedSite:
    """A site and the text of every file that it was read from, by path, the site file first."""

    site: Site
    texts: Mapping[str, str] = field(default_factory=dict)


def load_with_texts(path: Path, tables: Sequence[Path] = ()) -> LoadedSite:
    """Read a site file as ``load_site`` does, and return the texts too."""
    texts = {str(path): _read_text(path)}
    site = parse_site(texts[str(path)], str(path), folder=path.parent, tables=tables, texts=texts)
    return LoadedSite(site, texts)


def parse_site(
    text: str,
    file: str,
    *,
    folder: Path | None = None,
    tables: Sequence[Path] = (),
    texts: dict[str, str] | None = None,
) -> Site:
    """Read the text of a site file, as ``load_site`` does.

    ``file`` is only for messages; the tables that the text names are relative to ``folder``, and their texts
    are put into ``texts`` by path.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([_syntax_problem(file, text, error)]) from None
    origins = Origins(file, text)
    problems = _merge_tables(data, origins, folder or Path(), tables, {} if texts is None else texts)
    context, found = _unit_context(data, origins)
    problems += found
    try:
        site = Site.model_validate_json(json.dumps(data, default=_date_text), context=context)
    except ValidationError as error:
        said = {PRESSURE_KEY} if found else set()
        wrong = [_problem(origins, data, detail) for detail in error.errors() if not _is_echo(detail)]
        raise ConfigError(problems + [problem for problem in wrong if problem.path not in said]) from None
    problems += [origins.problem(one.path, one.message, one.fix) for one in inconsistencies(site)]
    if not problems:  # what alarms say of a unit makes sense only once the unit itself does
        problems += [origins.problem(one.path, str(one), one.fix) for one in alarm_problems(site)]
    if problems:
        raise ConfigError(problems)
    return site


def _read_text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise ConfigError([Problem(str(path), 0, (), "no such file", "check the path")]) from None
    except IsADirectoryError:
        raise ConfigError([Problem(str(path), 0, (), "is a folder", "name a file in it")]) from None
    except PermissionError:
        fix = "let the daemon's user read it"
        raise ConfigError([Problem(str(path), 0, (), "may not be read", fix)]) from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise ConfigError([Problem(str(path), line, (), "is not UTF-8 text", "save it as UTF-8")]) from None


def _merge_tables(
    data: dict[str, Any], origins: Origins, folder: Path, more: Sequence[Path], texts: dict[str, str]
) -> list[Problem]:
    """Join the tables that the site file names, then those of the caller; the same one only once."""
    named = data.get("signal_tables", [])
    if not isinstance(named, list) or not all(isinstance(name, str) for name in named):
        named = []  # the model says what is wrong with it
    problems: list[Problem] = []
    seen: set[Path] = set()
    for index, name in enumerate(named):
        path = folder / name
        if path.resolve() in seen:
            message, fix = f'"{name}" is named twice', "leave one away"
            problems.append(origins.problem(("signal_tables", index), message, fix))
            continue
        seen.add(path.resolve())
        try:
            texts[str(path)] = _read_text(path)
            problems += merge_table(data, origins, texts[str(path)], str(path))
        except ConfigError as error:
            problems += [
                one
                if one.line
                else origins.problem(("signal_tables", index), f"{one.file}: {one.message}", one.fix)
                for one in error.problems
            ]
    for path in more:
        if path.resolve() not in seen:
            seen.add(path.resolve())
            texts[str(path)] = _read_text(path)
            problems += merge_table(data, origins, texts[str(path)], str(path))
    return problems


def unit_context(site: Site) -> UnitContext:
    """Return what the unit strings of a loaded site depend on."""
    return UnitContext(site.site.barometric_pressure, site.site.gas_base)


def configuration_hash(site: Site) -> str:
    """Return a short fingerprint of everything the configuration says, the same for the same meaning.

    Signals count, not the tables that they came from.
    """
    return hashlib.sha256(site.model_dump_json(exclude={"signal_tables"}).encode()).hexdigest()[:16]


def _date_text(value: object) -> str:
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    raise TypeError(f"TOML gave a {type(value).__name__}")


def _syntax_problem(file: str, text: str, error: tomllib.TOMLDecodeError) -> Problem:
    message = str(error)
    where = re.search(r"\(at line (\d+), column (\d+)\)", message)
    line = int(where.group(1)) if where else text.count("\n") + 1
    what = re.sub(r"\s*\(at .*\)$", "", message)
    return Problem(
        file, line, (), f"is not valid TOML: {what[:1].lower()}{what[1:]}", "correct the syntax there"
    )


def barometric_pressure(elevation: float) -> float:
    """Mean barometric pressure at a height, International Standard Atmosphere (ISO 2533:1975), troposphere.

    Parameters
    ----------
    elevation : float
        Height above sea level [m], -1000 to 11000.

    Returns
    -------
    float
        Pressure [Pa].
    """
    return float(101325.0 * (1.0 - 0.0065 * elevation / 288.15) ** 5.255879)


def _unit_context(data: dict[str, Any], origins: Origins) -> tuple[UnitContext, list[Problem]]:
    """Find barometric pressure and gas base first: other unit strings depend on them.

    Where only the elevation is given, the pressure is filled in, so that the model always has one.
    """
    site = data.get("site")
    if not isinstance(site, dict):
        return UnitContext(), []
    pressure = 101325.0
    has_elevation, has_pressure = "elevation" in site, "barometric_pressure" in site
    if has_elevation == has_pressure:
        path: KeyPath = PRESSURE_KEY if has_pressure else PRESSURE_KEY[:1]
        message = (
            "both elevation and barometric_pressure are given" if has_pressure else "no barometric pressure"
        )
        fix = 'give one of elevation = "1520 m" and barometric_pressure = "84.3 kPa"'
        return UnitContext(), [origins.problem(path, message, fix)]
    key = "elevation" if has_elevation else "barometric_pressure"
    try:
        if has_elevation:
            pressure = barometric_pressure(parse_quantity(str(site[key]), Quantity.LENGTH))
            site["barometric_pressure"] = f"{pressure!r} Pa"
        else:
            pressure = parse_quantity(str(site[key]), Quantity.PRESSURE)
    except (UnitError, TypeError):
        return UnitContext(), []  # the model says what is wrong with the text itself
    if not 5e4 < pressure < 1.1e5:
        path = ("site", key)
        message = f"gives a barometric pressure of {pressure / 1000:.1f} kPa"
        return UnitContext(), [origins.problem(path, message, "it lies between 50 and 110 kPa")]
    base = site.get("gas_base", DEFAULT_BASE)
    return UnitContext(pressure, base if base in BASES else DEFAULT_BASE), []


def _is_echo(detail: Any) -> bool:
    """Whether pydantic calls a list too short only because it dropped items with mistakes of their own."""
    return detail["type"] == "too_short" and bool(detail["input"])


def _problem(origins: Origins, data: dict[str, Any], detail: Any) -> Problem:
    path = _toml_path(detail["loc"], data)
    kind, context = detail["type"], detail.get("ctx", {})
    key = str(path[-1]) if path else ""
    if kind == "missing":
        message, fix = "is missing", f"add {key} = ... there"
    elif kind == "extra_forbidden":
        known = known_keys(detail["loc"][:-1])
        near = difflib.get_close_matches(key, known, n=1)
        message = "is not a known key"
        fix = f"did you mean {near[0]}?" if near else f"known keys here: {', '.join(known)}"
        if key in Site.model_fields:
            fix = "it belongs at the top of the file, above the first [table]"
        if (former := what_became_of(path)) is not None:
            message, fix = "was a key of an earlier version", former
    elif kind == "literal_error" and path == ("schema_version",):
        message = f"has the value {detail['input']!r}, this tegwatch knows {context['expected']}"
        fix = "install the tegwatch that the file was written for, or write it anew by tegwatch init"
    elif kind in {"literal_error", "enum"}:
        message, fix = f"has the value {detail['input']!r}", f"use one of {context['expected']}"
    elif kind == "union_tag_invalid":
        path = (*path, "protocol" if path and path[0] == "controllers" else "kind")
        message, fix = f"has the value {context['tag']!r}", f"use one of {context['expected_tags']}"
    elif kind == "union_tag_not_found":
        path = (*path, "protocol" if path and path[0] == "controllers" else "kind")
        message, fix = "is missing", f"add {path[-1]} = ... there"
    elif kind == "value_error":
        text = str(context["error"])
        message, _, fix = text.partition("; ")
        fix = fix or "correct the value"
    elif kind == "string_pattern_mismatch":
        message = f"has the value {detail['input']!r}"
        fix = "use lower-case letters, digits, - and _, starting with a letter or digit"
    else:
        message = (
            f"has the value {detail['input']!r}" if not isinstance(detail["input"], dict) else "is no fit"
        )
        text = (
            str(detail["msg"])
            .removeprefix("Input ")
            .replace("Tuple", "list")
            .replace(" after validation", "")
        )
        fix = f"it {text}" if text.startswith("should") else text[:1].lower() + text[1:]
    return origins.problem(path, message, fix)


def _toml_path(location: tuple[str | int, ...], data: Any) -> KeyPath:
    """Turn pydantic's location into the path in the file: without the tags of unions."""
    path: list[str | int] = []
    node = data
    for position, part in enumerate(location):
        last = position == len(location) - 1
        if part in node if isinstance(node, dict) else isinstance(node, list) and isinstance(part, int):
            node = node[part]
        elif not last or not isinstance(node, dict):
            continue
        path.append(part)
    return tuple(path)
