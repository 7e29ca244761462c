"""What a command is, and what follows from its row in the table.

A command is a frozen dataclass. Its row says everything about it once: the fields with their types,
limits and defaults; the word that names it; the OSC addresses and the HTTP route; what history
calls it; how it is taken back. Bodies, the API's description, OSC's address book, the player's
check and the limits that the page gets are all made from the rows.

Commands are absolute (never "toggle" or "one more"), so that one which arrives twice changes
nothing the second time; `tap` and `nudge` are gestures and the exceptions.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, TypeVar, dataclass_transform

from bridge.errors import CommandError, did_you_mean
from bridge.protocol.bounds import Ge, Le, MaxLen, MinLen
from bridge.protocol.roles import Role

if TYPE_CHECKING:
    from bridge.protocol.state import FieldLimits, PlayerReport

Alternative = tuple[object, tuple[object, ...]]
"""One type that a value may have, and its bounds: ``float | None`` has two."""
By = Literal["player", "service", "connection", "process"]
Address = tuple[str, ...]
"""What a command is about: a later command to the same address replaces an earlier one."""
Unconfirmed = Mapping[Address, Any]
"""Values that were sent to the player and are not confirmed yet, by address."""


@dataclass(frozen=True, slots=True)
class Osc:
    """An OSC address: `{field}` in the template stands for a name, `args` are the fields that the
    arguments fill in order (only fields with a default may be left out), `fixed` are fields that
    the address itself sets. `button`: a first argument tells whether the button goes down (or
    there is none). An address without `args` is a button. `older`: it answers as it did before
    it was called otherwise, and is not offered."""

    template: str
    args: tuple[str, ...] = ()
    fixed: tuple[tuple[str, object], ...] = ()
    button: bool = False
    older: bool = False

    @property
    def is_button(self) -> bool:
        """Whether the release of a button (0) arrives here too, and means nothing."""
        return self.button or not self.args


@dataclass(frozen=True, slots=True)
class Http:
    """An HTTP route: `{field}` in the path stands for a name, `fixed` are fields that the path
    itself sets, the other fields are the members of the JSON body. `name` is the operation's.
    `older`: it answers as it did before it was called otherwise, and is described as deprecated."""

    method: Literal["PUT", "POST", "DELETE"]
    path: str
    name: str
    says: str
    fixed: tuple[tuple[str, object], ...] = ()
    older: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """What the table says of a command beside its fields. `paced`: of several to an address within
    1/60 s only the last is sent. `value`: it says how something shall be, so that of several that
    wait only the last needs to be done. `about`: commands with the same word share their address.
    `by`: who carries it out: the player, the service itself, the page's own connection, or
    (``process``) the player for our own processes only, since no client can send it. `role`: what
    a device must at least be let in as to send it."""

    do: str
    osc: tuple[Osc, ...] = ()
    http: tuple[Http, ...] = ()
    paced: bool = True
    value: bool = False
    about: str = ""
    by: By = "player"
    role: Role = "play"


class Command:
    """Base of all commands. The methods have the answers of a command that leaves no trace; rows
    with more to say override them."""

    __slots__ = ()
    __dataclass_fields__: ClassVar[dict[str, dataclasses.Field[object]]]
    ROW: ClassVar[Row]
    NAMES: ClassVar[tuple[str, ...]] = ("lane", "group", "macro", "setting", "output")

    def address(self) -> Address:
        """What the command is about."""
        names = (getattr(self, name) for name in self.NAMES if hasattr(self, name))
        return (self.ROW.about or self.ROW.do, *names)

    def label(self) -> str:
        """A few words for the history: what was done."""
        return self.ROW.do

    def remembered(self) -> object:
        """The value that counts as the present one until the player confirms it; None: none."""
        return None

    def merges(self) -> bool:
        """Whether quick moves at one address become one step of the history."""
        return False

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        """The commands that take this one back, from the state just before it; () when it cannot
        or need not be taken back."""
        return ()


C = TypeVar("C", bound=Command)
TABLE: dict[str, type[Command]] = {}
"""All commands by their word, in the order in which they are written."""
OLDER: dict[str, str] = {}
"""Words that commands had before: takes and clients that say them are understood."""


@dataclass_transform(frozen_default=True, kw_only_default=True)
def row(
    do: str,
    *,
    osc: tuple[Osc, ...] | Osc = (),
    http: tuple[Http, ...] | Http = (),
    paced: bool = True,
    value: bool = False,
    about: str = "",
    by: By = "player",
    role: Role = "play",
    older: str = "",
) -> Callable[[type[C]], type[C]]:
    """Makes a class the row of a command: a frozen dataclass, entered into `TABLE`. `older` is the
    word that it had before."""

    def enter(cls: type[C]) -> type[C]:
        made = dataclass(frozen=True, slots=True, kw_only=True)(cls)
        osc_all = osc if isinstance(osc, tuple) else (osc,)
        http_all = http if isinstance(http, tuple) else (http,)
        made.ROW = Row(do, osc_all, http_all, paced, value, about, by, role)
        if do in TABLE:
            raise ValueError(f"there are two commands {do!r}")
        TABLE[do] = made
        if older:
            OLDER[older] = do
        return made

    return enter


# --- fields -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a command, as its annotation says it."""

    name: str
    hint: object
    alternatives: tuple[Alternative, ...]
    default: Any
    required: bool


_FIELDS: dict[str, Mapping[str, Field]] = {}


def fields_of(command: type[Command]) -> Mapping[str, Field]:
    """The fields of a command by name, in order."""
    do = command.ROW.do
    if do not in _FIELDS:
        hints = typing.get_type_hints(command, include_extras=True)
        _FIELDS[do] = {
            one.name: Field(
                one.name,
                hints[one.name],
                tuple(alternatives_of(hints[one.name])),
                None if one.default is dataclasses.MISSING else one.default,
                one.default is dataclasses.MISSING,
            )
            for one in dataclasses.fields(command)
        }
    return _FIELDS[do]


def alternatives_of(hint: object) -> Iterator[Alternative]:
    """The alternatives of a type, each with its bounds."""
    if typing.get_origin(hint) is Annotated:
        inner, *bounds = typing.get_args(hint)
        for part, more in alternatives_of(inner):
            yield part, (*more, *bounds)
    elif typing.get_origin(hint) in (types.UnionType, typing.Union):
        for option in typing.get_args(hint):
            yield from alternatives_of(option)
    else:
        yield hint, ()


def limits_of(field: Field) -> tuple[float, float] | None:
    """The lowest and highest number of a field, or None where it has no limits."""
    for part, bounds in field.alternatives:
        if part in (int, float):
            low = [bound.ge for bound in bounds if isinstance(bound, Ge)]
            high = [bound.le for bound in bounds if isinstance(bound, Le)]
            return (low[0], high[0]) if low and high else None
    return None


def fits(value: object, alternatives: Iterable[Alternative]) -> bool:
    """Whether a value is of one of the types, bounds included. A whole number fits where a number
    is wanted and 17.0 where a whole one is (JSON has one kind of number), a boolean never does;
    NaN and infinities fit nowhere.

    Args:
        value: anything that JSON or OSC may bring.
        alternatives: those of a field; one is enough.
    """
    return any(_fits_part(value, part, bounds) for part, bounds in alternatives)


def _fits_part(value: object, part: object, bounds: tuple[object, ...]) -> bool:
    if part is None or part is type(None):
        return value is None
    if part is Any:
        return True
    if typing.get_origin(part) is Literal:
        return isinstance(value, str) and value in typing.get_args(part)
    if part in (int, float):
        return _fits_number(value, part, bounds)
    if part is str and isinstance(value, str):
        return all(
            (not isinstance(bound, MinLen) or len(value) >= bound.min_length)
            and (not isinstance(bound, MaxLen) or len(value) <= bound.max_length)
            for bound in bounds
        )
    kind = typing.get_origin(part) or part
    return isinstance(kind, type) and isinstance(value, kind)


def _fits_number(value: object, part: object, bounds: tuple[object, ...]) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    if not math.isfinite(value) or (part is int and value != int(value)):
        return False
    return all(
        (not isinstance(bound, Ge) or value >= bound.ge)
        and (not isinstance(bound, Le) or value <= bound.le)
        for bound in bounds
    )


# --- objects on the wire ------------------------------------------------------------------------


def encode(command: Command) -> dict[str, object]:
    """The plain object of a command: its word as ``do``, and its fields except optional ones that
    are None."""
    found: dict[str, object] = {"do": command.ROW.do}
    for name, field in fields_of(type(command)).items():
        value = getattr(command, name)
        if field.required or value is not None:
            found[name] = value
    return found


ENVELOPE = frozenset({"do", "seq", "client"})
"""Members of an object that are not fields: who sent it, and the number of its answer."""


def decode(given: object) -> Command:
    """The command of a plain object.

    Raises:
        CommandError: an unknown word (kind ``unknown``), a member that the command does not have,
            one that is missing, or a value that does not fit (kind ``value``).
    """
    if not isinstance(given, Mapping):
        raise CommandError("a command is an object with a 'do'")
    do = given.get("do")
    command = TABLE.get(OLDER.get(do, do)) if isinstance(do, str) else None
    if command is None:
        near = did_you_mean(do, TABLE) if isinstance(do, str) else ""
        raise CommandError(f"there is no command {do!r}{near}", "unknown")
    wrong = wrong_fields(command, given)
    if wrong:
        raise CommandError("; ".join(wrong.values()), "value", wrong)
    fields = fields_of(command)
    values = {name: plain(given[name], field) for name, field in fields.items() if name in given}
    return command(**values)


def wrong_fields(command: type[Command], given: Mapping[str, object]) -> dict[str, str]:
    """What is wrong with the members of a plain object.

    Args:
        command: the command that it shall become.
        given: its members; those of the `ENVELOPE` are passed over.

    Returns:
        A sentence by name of the member: unknown ones, missing ones, and those whose value does not
        fit; empty when it is good.
    """
    fields, do = fields_of(command), command.ROW.do
    unknown = [name for name in given if name not in fields and name not in ENVELOPE]
    wrong = {name: f"{do} has no {name!r}{did_you_mean(str(name), fields)}" for name in unknown}
    for name, field in fields.items():
        if name not in given:
            if field.required:
                wrong[name] = f"{do} needs {name}: {expected(field)}"
        elif not fits(given[name], field.alternatives):
            wrong[name] = f"{name} must be {expected(field)}, not {_short(given[name])}"
    return wrong


def plain(value: object, field: Field) -> object:
    """17.0 as 17 where a whole number is wanted, 1 as 1.0 where a number is.

    Args:
        value: one that `fits`; what is no number comes back as it is.
        field: its types say which is wanted.
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return value
    kinds = [part for part, _ in field.alternatives]
    return int(value) if int in kinds else float(value) if float in kinds else value


def expected(field: Field) -> str:
    """What a field takes, in words: ``now, beat, bar or a whole number from 1 to 64``."""
    words: list[str] = []
    for part, bounds in field.alternatives:
        if typing.get_origin(part) is Literal:
            words += typing.get_args(part)
        elif part is bool:
            words.append("true or false")
        elif part in (int, float):
            limits = limits_of(field)
            span = f" from {limits[0]:.10g} to {limits[1]:.10g}" if limits else ""
            words.append(f"a {'whole ' if part is int else ''}number{span}")
        elif part is str:
            most = next((bound.max_length for bound in bounds if isinstance(bound, MaxLen)), None)
            words.append(f"a text of at most {most} characters" if most else "a text")
        elif part is type(None) or part is None:
            words.append("null")
        else:
            words.append("an object")
    return " or ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def described_limits() -> dict[str, dict[str, FieldLimits]]:
    """The limits and defaults of every client's command, for surfaces that draw controls:
    word, then field, then ``low``, ``high``, ``default`` (those that there are)."""
    found: dict[str, dict[str, FieldLimits]] = {}
    for do, command in TABLE.items():
        if command.ROW.by == "process":
            continue
        rows: dict[str, FieldLimits] = {}
        for name, field in fields_of(command).items():
            limits = limits_of(field)
            entry: FieldLimits = {} if limits is None else {"low": limits[0], "high": limits[1]}
            if not field.required:
                entry["default"] = field.default
            rows[name] = entry
        found[do] = rows
    return found
