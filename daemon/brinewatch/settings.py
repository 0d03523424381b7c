"""The base of every settings class, and how its refusals are told to a person.

Strict: unknown keys are refused, nothing is coerced, nothing changes after reading.
"""

from __future__ import annotations

import difflib
import tomllib
import typing
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from brinewatch.errors import Fault


class Settings(BaseModel):
    """Settings of one part. A number in quotes is a fault, not a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, defer_build=True)


def toml_text(path: Path) -> str:
    """A TOML file as it stands: read as text, a lone carriage return, which TOML knows not, would pass for the end
    of a line. OSError or UnicodeDecodeError when it cannot be read."""
    return path.read_bytes().decode("utf-8")


def table_of(text: str) -> dict[str, Any]:
    """A TOML text as a table. ValueError, saying why, when it is none."""
    try:
        table = tomllib.loads(text)
    except RecursionError:
        raise ValueError("lists or tables stand too deep in each other") from None
    if (place := _nul_in(table)) is not None:
        raise ValueError(f"{key_path(place)} holds a NUL character, which no name, path or text may have")
    return table


def _nul_in(value: object) -> list[object] | None:
    """The place of the first text or key with a NUL: the system's calls refuse one with an error of their own."""
    if isinstance(value, str):
        return [] if "\0" in value else None
    pairs: Iterable[tuple[Any, Any]] = ()
    if isinstance(value, dict):
        pairs = value.items()
    elif isinstance(value, list):
        pairs = enumerate(value)
    for key, one in pairs:
        if isinstance(key, str) and "\0" in key:
            return [key.replace("\0", "\\0")]
        if (place := _nul_in(one)) is not None:
            return [key, *place]
    return None


def key_path(parts: Sequence[object]) -> str:
    """A place in a TOML file as people write it: bus.rs485.probe[2].address (counted from 1)."""
    text = ""
    for part in parts:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def faults_of(error: ValidationError, file: str, under: Sequence[object] = (), model: Any = None) -> list[Fault]:
    """Each refusal of a settings class as a Fault.

    under: the place of the refused table in its file; model: the refused class, to name the keys it knows.
    """
    found = []
    for one in error.errors(include_url=False):
        # a discriminated union puts its tag in the place; the person never wrote it there as a key
        loc = [part for part in one["loc"] if not (isinstance(part, str) and part in _tags(model))]
        place = key_path([*under, *loc])
        expected = _expected(one["type"], one["msg"], one.get("ctx", {}))
        value: object = one.get("input")
        if one["type"] == "extra_forbidden":
            known = sorted(_keys(model, [part for part in loc[:-1] if isinstance(part, str)]))
            expected = "no such key"
            near = difflib.get_close_matches(str(loc[-1]), known, n=1)
            if near:
                expected += f"; did you mean {near[0]}?"
            elif known:
                expected += f"; known here: {', '.join(known)}"
        elif one["type"] == "missing":
            value = None
            expected = "this key, which is missing"
        elif isinstance(value, (dict, list)) and len(str(value)) > 60:
            value = "(a table)" if isinstance(value, dict) else "(a list)"
        found.append(Fault(file, place, value, expected))
    return found


def _expected(kind: str, message: str, context: dict[str, Any]) -> str:
    match kind:
        case "float_type" | "float_parsing":
            return "a number"
        case "int_type" | "int_from_float" | "int_parsing":
            return "a whole number"
        case "string_type":
            return "text in quotes"
        case "bool_type":
            return "true or false"
        case "list_type" | "tuple_type":
            return "a list"
        case "dict_type" | "model_type" | "model_attributes_type":
            return "a table"
        case "literal_error":
            return f"one of {context.get('expected', message)}"
        case "union_tag_invalid":
            return f"kind to be one of {context.get('expected_tags', message)}"
        case "union_tag_not_found":
            return "a key `kind`, which says what sort this is"
        case "value_error" | "assertion_error":
            return str(context.get("error", message))
    return message[0].lower() + message[1:].replace("Input should be ", "") if message else kind


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in typing.get_args(annotation):
        yield from _models(part)


def _keys(model: Any, path: Sequence[str]) -> set[str]:
    """The keys a table at `path` below `model` may have, over all the shapes it may take."""
    shapes = list(_models(model))
    for part in path:
        shapes = [
            inner
            for shape in shapes
            for key, field in shape.model_fields.items()
            if part == (field.alias or key)
            for inner in _models(field.annotation)
        ]
    return {field.alias or key for shape in shapes for key, field in shape.model_fields.items()}


def _tags(model: Any) -> set[str]:
    tags: set[str] = set()
    for shape in _models(model):
        kind = shape.model_fields.get("kind")
        if kind is not None:
            tags.update(str(value) for value in typing.get_args(kind.annotation))
    return tags
