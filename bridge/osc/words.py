"""OSC addresses and arguments, made from the table of commands.

Numbers may be int, float or a boolean tag. A number beyond a field's limits is clamped where the
field is continuous and refused where it counts something. What is not given keeps its default. A
button sends 1 when it goes down and 0 when it comes up: the 0 means nothing.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from bridge.errors import CommandError
from bridge.music.model import SETTINGS
from bridge.protocol.command import Command, Field, Osc, fields_of, fits, limits_of, plain
from bridge.protocol.osc_book import CONNECTION, Entry, of_command
from bridge.protocol.state import PlayerReport
from bridge.protocol.table import client_commands


class ArgumentError(ValueError):
    """The arguments do not fit the address."""


Template = tuple[tuple[str, ...], type[Command], Osc]


def _templates() -> list[Template]:
    """All templates, those with the fewest names first: words win over names."""
    rows = [
        (tuple(osc.template.split("/")[1:]), command, osc)
        for command in client_commands()
        for osc in command.ROW.osc
    ]
    return sorted(rows, key=lambda row: sum(part.startswith("{") for part in row[0]))


TEMPLATES = _templates()


# --- from a message to a command ----------------------------------------------------------------


def command_of(address: str, args: Sequence[object]) -> Command | None:
    """The command of one message to one of our addresses (not a pattern); None for the release of
    a button.

    Raises:
        ArgumentError: the arguments do not fit, or there is no such address.
    """
    parts = tuple(address.split("/")[1:])
    for template, command, osc in TEMPLATES:
        names = _match(template, parts)
        if names is not None:
            return _build(command, osc, names, args)
    raise ArgumentError(f"nothing is done at {address}")


_ENTRIES = {
    tuple(entry.address.split("/")[1:]): entry
    for entry in (*CONNECTION, *(e for _, command, _ in TEMPLATES for e in of_command(command)))
}


def entry_of(address: str) -> Entry | None:
    """What the address book says of one of our addresses; None when it is none, or an older one
    that still answers."""
    parts = tuple(address.split("/")[1:])
    if parts in _ENTRIES:
        return _ENTRIES[parts]
    for template, _, _ in TEMPLATES:
        if _match(template, parts) is not None:
            return _ENTRIES.get(template)
    return None


def _match(template: tuple[str, ...], parts: tuple[str, ...]) -> dict[str, str] | None:
    if len(template) != len(parts):
        return None
    names: dict[str, str] = {}
    for word, part in zip(template, parts, strict=True):
        if word.startswith("{"):
            names[word[1:-1]] = part
        elif word != part:
            return None
    return names


def _build(
    command: type[Command], osc: Osc, names: Mapping[str, str], args: Sequence[object]
) -> Command | None:
    fields = fields_of(command)
    if osc.is_button:
        if args and not _flag(args[0]):
            return None
        args = args[1:]
    if len(args) > len(osc.args):
        raise ArgumentError(f"{len(args)} arguments where at most {len(osc.args)} are expected")
    values: dict[str, object] = {**names, **dict(osc.fixed)}
    for name, value in zip(osc.args, args, strict=False):
        values[name] = _value(value, fields[name], values)
    missing = [n for n in osc.args if n not in values and fields[n].required]
    if missing:
        raise ArgumentError(f"{missing[0]} is missing")
    try:
        return command(**values)
    except CommandError as error:
        raise ArgumentError(str(error)) from None


def _value(value: object, field: Field, values: Mapping[str, object]) -> object:
    """An argument as the field has it."""
    kinds = [part for part, _ in field.alternatives]
    if field.name == "value" and "setting" in values:
        return _setting(value, str(values["setting"]))
    if bool in kinds:
        return _flag(value)
    if float in kinds:
        low, high = limits_of(field) or (-math.inf, math.inf)
        return min(max(number(value), low), high)
    if isinstance(value, bool | int | float) and int in kinds:
        value = number(value)
    if not fits(value, field.alternatives):
        raise ArgumentError(f"{field.name} cannot be {value!r}")
    return plain(value, field)


def _setting(value: object, name: str) -> float | None:
    setting = SETTINGS.get(name)
    if setting is None:
        raise ArgumentError(f"a lane has no {name}")
    if value is None:
        return None
    moved = min(max(number(value), setting.low), setting.high)
    return float(round(moved)) if setting.whole else moved


def number(value: object) -> float:
    """A finite number out of an OSC argument (int, float, true, false)."""
    if isinstance(value, bool | int | float) and math.isfinite(value):
        return float(value)
    raise ArgumentError(f"{value!r} is not a finite number")


def _flag(value: object) -> bool:
    return number(value) != 0


def port_of(args: Sequence[object]) -> int:
    """The one argument of ``/subscribe``: a port, or -1 for what cannot be one."""
    if len(args) != 1:
        raise ArgumentError(f"{len(args)} arguments where 1 is expected")
    port = number(args[0])
    return int(port) if port == int(port) else -1


def question_of(args: Sequence[object]) -> tuple[str | None, int | None]:
    """The arguments of ``/addresses``: a pattern and a port, each None when it is not given."""
    if len(args) > 2:
        raise ArgumentError(f"{len(args)} arguments where at most 2 are expected")
    pattern = args[0] if args else None
    if pattern is not None and not isinstance(pattern, str):
        raise ArgumentError("the pattern must be a text")
    return pattern or None, port_of(args[1:]) if len(args) > 1 else None


def last_wins(address: str) -> bool:
    """Whether a message to an address (or a pattern) says how something shall be, so that of
    several that wait only the last needs to be done. Buttons and gestures are not of this kind:
    the release of a button would replace its press."""
    parts = tuple(address.split("/")[1:])
    for template, command, osc in TEMPLATES:
        if _match(template, parts) is not None:
            return command.ROW.value and not osc.is_button
    return False


# --- the address book ---------------------------------------------------------------------------


def addresses(state: PlayerReport, outputs: Iterable[str] = ()) -> list[str]:
    """Every address that the state (and the rig's `outputs`) has something for."""
    found = [entry.address for entry in CONNECTION]
    for template, _, _ in TEMPLATES:
        found += ["/" + "/".join(parts) for parts in _expansions(template, state, outputs)]
    return found


def _expansions(
    template: tuple[str, ...], state: PlayerReport, outputs: Iterable[str]
) -> Iterator[tuple[str, ...]]:
    lanes = state.get("lanes", {})
    if "{lane}" in template:
        for lane, entry in lanes.items():
            names = {
                "{lane}": [lane],
                "{setting}": [s.name for s in SETTINGS.values() if entry["kind"] in s.kinds],
            }
            yield from itertools.product(*(names.get(part, [part]) for part in template))
        return
    rest: dict[str, Iterable[str]] = {
        "{group}": sorted({group for lane in lanes.values() for group in lane["groups"]}),
        "{macro}": state.get("macros", {}),
        "{section}": state.get("sections", ()),
        "{output}": outputs,
    }
    yield from itertools.product(*(rest.get(part, [part]) for part in template))
