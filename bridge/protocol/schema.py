"""JSON Schema (2020-12) of commands and of the state, for the description of the HTTP interface."""

from __future__ import annotations

import typing
from collections.abc import Collection, Mapping
from typing import Any, Literal, NotRequired, cast

from bridge.protocol.bounds import Ge, Le, MaxLen, MinLen
from bridge.protocol.command import Alternative, Command, Field, alternatives_of, fields_of
from bridge.protocol.limits import Unit

_TYPES: Mapping[object, str] = {
    bool: "boolean",
    int: "integer",
    float: "number",
    str: "string",
    type(None): "null",
}


def object_schema(command: type[Command], without: Collection[str] = ()) -> dict[str, object]:
    """The schema of a command's fields as one object, which takes no others.

    Args:
        command: its title is the name of the class.
        without: fields that stand elsewhere, in the path, and are left out.
    """
    fields = {name: f for name, f in fields_of(command).items() if name not in without}
    schema: dict[str, object] = {
        "type": "object",
        "title": command.__name__,
        "properties": {name: field_schema(field) for name, field in fields.items()},
        "additionalProperties": False,
    }
    required = [name for name, field in fields.items() if field.required]
    return {**schema, "required": required} if required else schema


def field_schema(field: Field) -> dict[str, object]:
    """The schema of one field, with its default and its unit."""
    options = [_part(alternative) for alternative in field.alternatives]
    schema: dict[str, object] = options[0] if len(options) == 1 else {"anyOf": options}
    units = [b.text for _, bounds in field.alternatives for b in bounds if isinstance(b, Unit)]
    if units:
        schema["description"] = units[0]
    if not field.required:
        schema["default"] = field.default
    return schema


def _part(alternative: Alternative) -> dict[str, object]:
    part, bounds = alternative
    origin = typing.get_origin(part)
    if origin is Literal:
        return {"type": "string", "enum": list(typing.get_args(part))}
    schema: dict[str, object] = {"type": _TYPES.get(part, "object")}
    for bound in bounds:
        match bound:
            case Ge(ge=low):
                schema["minimum"] = low
            case Le(le=high):
                schema["maximum"] = high
            case MinLen(min_length=least):
                schema["minLength"] = least
            case MaxLen(max_length=most):
                schema["maxLength"] = most
    return schema


def state_schemas(answer: type, reference: str) -> dict[str, dict[str, Any]]:
    """The schema of a type of the state and of all types in it, by name.

    Args:
        answer: the type, a `TypedDict`.
        reference: the ``$ref`` to a name, with ``{model}`` in its place.
    """
    found: dict[str, dict[str, Any]] = {}

    def add(owner: type) -> None:
        if owner.__name__ in found:
            return
        schema = found[owner.__name__] = {
            "type": "object",
            "title": owner.__name__,
            "additionalProperties": False,
        }
        hints = typing.get_type_hints(owner, include_extras=True)
        schema["properties"] = {name: of(hint) for name, hint in hints.items()}
        required = [name for name, hint in hints.items() if is_required(owner, hint)]
        if required:
            schema["required"] = required

    def of(hint: object) -> dict[str, object]:
        options = [of_part(part) for part, _ in alternatives_of(hint)]
        return options[0] if len(options) == 1 else {"anyOf": options}

    def of_part(part: object) -> dict[str, object]:
        origin, inner = typing.get_origin(part), typing.get_args(part)
        if origin is NotRequired:
            return of(inner[0])
        if origin is list:
            return {"type": "array", "items": of(inner[0])}
        if origin is dict:
            return {"type": "object", "additionalProperties": of(inner[1])}
        if typing.is_typeddict(part):
            model = cast(type, part)
            add(model)
            return {"$ref": reference.format(model=model.__name__)}
        return _part((part, ()))

    add(answer)
    return found


def is_required(owner: Any, hint: object) -> bool:
    """Whether a member of a type of the state is always there."""
    return bool(owner.__total__) and typing.get_origin(hint) is not NotRequired
