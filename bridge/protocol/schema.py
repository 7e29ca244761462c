"""JSON Schema (2020-12) of commands, for the description of the HTTP interface."""

from __future__ import annotations

import typing
from collections.abc import Collection, Mapping
from typing import Any, Literal

from annotated_types import Ge, Le, MaxLen, MinLen

from bridge.protocol.command import Alternative, Command, Field, fields_of
from bridge.protocol.limits import Unit

_TYPES: Mapping[Any, str] = {
    bool: "boolean",
    int: "integer",
    float: "number",
    str: "string",
    type(None): "null",
}


def object_schema(command: type[Command], without: Collection[str] = ()) -> dict[str, Any]:
    """The schema of a command's fields as one object; `without` leaves out those that the path
    says."""
    fields = {name: f for name, f in fields_of(command).items() if name not in without}
    schema: dict[str, Any] = {
        "type": "object",
        "title": command.__name__,
        "properties": {name: field_schema(field) for name, field in fields.items()},
        "additionalProperties": False,
    }
    required = [name for name, field in fields.items() if field.required]
    return {**schema, "required": required} if required else schema


def field_schema(field: Field) -> dict[str, Any]:
    """The schema of one field, with its default and its unit."""
    options = [_part(alternative) for alternative in field.alternatives]
    schema: dict[str, Any] = options[0] if len(options) == 1 else {"anyOf": options}
    units = [b.text for _, bounds in field.alternatives for b in bounds if isinstance(b, Unit)]
    if units:
        schema["description"] = units[0]
    if not field.required:
        schema["default"] = field.default
    return schema


def _part(alternative: Alternative) -> dict[str, Any]:
    part, bounds = alternative
    origin: Any = typing.get_origin(part)
    if origin is Literal:
        return {"type": "string", "enum": list(typing.get_args(part))}
    schema: dict[str, Any] = {"type": _TYPES.get(part, "object")}
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
