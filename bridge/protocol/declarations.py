"""The page's types, made from those of the state and of the commands.

``python -m bridge.protocol.declarations`` prints them; a test holds that the page's file is what is
printed, and the compiler checks the page against it.
"""

from __future__ import annotations

import inspect
import typing
from collections.abc import Iterator, Mapping
from typing import Any, Literal, NotRequired, Required

from bridge.protocol import state
from bridge.protocol.command import Command, alternatives_of, fields_of
from bridge.protocol.schema import is_required
from bridge.protocol.table import client_commands

HEAD = "// Made by `python -m bridge.protocol.declarations`; do not edit."
_SIMPLE: Mapping[object, str] = {
    bool: "boolean",
    int: "number",
    float: "number",
    str: "string",
    type(None): "null",
    None: "null",
    Any: "unknown",
}


def typescript(hint: object) -> str:
    """The TypeScript type of a Python type; only those that the protocol uses are known."""
    found = [_part(part) for part, _ in alternatives_of(hint)]
    return " | ".join(dict.fromkeys(found))


def _part(part: Any) -> str:
    origin, args = typing.get_origin(part), typing.get_args(part)
    if origin in (NotRequired, Required):
        return typescript(args[0])
    if origin is Literal:
        return " | ".join(f'"{word}"' for word in args)
    if origin is list:
        inner = typescript(args[0])
        return f"({inner})[]" if "|" in inner else f"{inner}[]"
    if origin is dict:
        return f"Record<string, {typescript(args[1])}>"
    if typing.is_typeddict(part):
        return str(part.__name__)
    return _SIMPLE[part]


def interfaces() -> Iterator[str]:
    """One interface for each type of the state, in the order in which they are written."""
    for name, found in vars(state).items():
        if not typing.is_typeddict(found) or found.__module__ != state.__name__:
            continue
        hints = typing.get_type_hints(found, include_extras=True)
        rows = [
            f"  {member}{'' if is_required(found, hint) else '?'}: {typescript(hint)};"
            for member, hint in hints.items()
        ]
        yield "\n".join([*_comment(found), f"export interface {name} {{", *rows, "}"])


def _comment(found: object) -> list[str]:
    text = " ".join((inspect.getdoc(found) or "").split())
    return [f"/** {text} */"] if text and "dict(" not in text else []


def _command(command: type[Command]) -> str:
    rows = [f'do: "{command.ROW.do}"']
    for name, field in fields_of(command).items():
        rows.append(f"{name}{'' if field.required else '?'}: {typescript(field.hint)}")
    return f"  | {{ {'; '.join(rows)} }}"


def declarations() -> str:
    """The whole file."""
    rows = sorted(client_commands(), key=lambda command: command.ROW.do)
    commands = "\n".join(["export type Command =", *map(_command, rows)]) + ";"
    return "\n\n".join([HEAD, *interfaces(), commands]) + "\n"


if __name__ == "__main__":
    print(declarations(), end="")
