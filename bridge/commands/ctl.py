"""`lanebridge ctl`: plays on a running service from the shell.

There is a command for each row of the table that can be sent over HTTP; required fields are
arguments, the others are options.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import time
import typing
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import quote, urlsplit

import click
from click.shell_completion import CompletionItem

from bridge.errors import BridgeError, CommandError
from bridge.protocol.ports import ADDRESS
from bridge.protocol.roles import Role

if TYPE_CHECKING:  # the client and the table take longer to load than any help to be printed
    from bridge.client import Client
    from bridge.protocol.command import Command, Field

LOCAL = ("127.0.0.1", "localhost", "::1")
COMPLETE_S = 1.0  # a shell that completes does not wait longer for the names
WORDS = {"on": True, "true": True, "off": False, "false": False, "null": None}


@dataclass(frozen=True, slots=True)
class Target:
    """Where the service is, and its token."""

    address: str
    token: str | None

    def client(self, **more: Any) -> Client:
        from bridge.client import Client

        return Client(self.address, token=self.token, **more)


def target_of(address: str | None) -> Target:
    """The service to talk to. The token comes from the environment, since other users can read a
    command line; that of this machine's own service stands in the state folder, and is shown to
    nobody else."""
    from bridge.files.token import read_token
    from bridge.supervisor.folders import state_folder

    address = address or os.environ.get("LANEBRIDGE_ADDRESS") or ADDRESS
    if "://" not in address:
        address = f"http://{address}"
    token = os.environ.get("LANEBRIDGE_TOKEN")
    if token is None and urlsplit(address).hostname in LOCAL:
        token = read_token(state_folder())
    return Target(address, token)


if TYPE_CHECKING:  # newer releases of the library name the type of the value
    ParamType = click.ParamType[object]
else:
    ParamType = click.ParamType


class FieldType(ParamType):
    """A value of a field, as it is typed: ``on`` and ``off`` for true and false."""

    def __init__(self, field: Field) -> None:
        self.field = field
        self.name = field.name

    def convert(
        self, value: object, param: click.Parameter | None, context: click.Context | None
    ) -> object:
        from bridge.protocol.command import fits, plain

        if not isinstance(value, str):
            return value
        for candidate in _readings(value):
            if fits(candidate, self.field.alternatives):
                return plain(candidate, self.field)
        self.fail(f"must be {_expected(self.field)}, not {value!r}", param, context)

    def shell_complete(
        self, context: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        words = [*_words(self.field), *_names(context, self.field.name)]
        return [CompletionItem(word) for word in words if word.startswith(incomplete)]


def _readings(text: str) -> list[object]:
    """What a text can mean, the most special first."""
    found: list[object] = [WORDS[text]] if text in WORDS else []
    for number in (int, float):
        try:
            found.append(number(text))
        except ValueError:
            continue
    return [*found, text]


def _expected(field: Field) -> str:
    from bridge.protocol.command import expected

    return expected(field).replace("true or false", "on or off")


def _words(field: Field) -> list[str]:
    words: list[str] = []
    for part, _ in field.alternatives:
        origin: object = typing.get_origin(part)
        if origin is Literal:
            words += typing.get_args(part)
        elif part is bool:
            words += ["on", "off"]
    return words


def _names(context: click.Context, kind: str) -> list[str]:
    """Names that there are in the running service; none when it cannot be asked at once."""
    try:
        with target_of(_address(context)).client(timeout_s=COMPLETE_S) as client:
            state: Any = client.state()
    except (BridgeError, OSError, RuntimeError):
        return []
    lanes = state.get("lanes", {})
    known: dict[str, Any] = {
        "lane": lanes,
        "to": lanes,
        "macro": state.get("macros", {}),
        "section": state.get("sections", []),
        "group": sorted({group for lane in lanes.values() for group in lane["groups"]}),
        "setting": sorted({name for lane in lanes.values() for name in lane["settings"]}),
    }
    return list(known.get(kind, ()))


def _address(context: click.Context) -> str | None:
    parent: click.Context | None = context
    while parent is not None:
        if "address" in parent.params:
            address: str | None = parent.params["address"]
            return address
        parent = parent.parent
    return None


class Rows(click.Group):
    """The commands that are written here, and one for each row of the table, made when somebody
    asks for them."""

    made = False

    def make(self) -> None:
        """Adds the commands of the table, once."""
        if not self.made:
            self.made = True
            _add_rows()

    def list_commands(self, context: click.Context) -> list[str]:
        self.make()
        return super().list_commands(context)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        self.make()
        return super().get_command(context, name)


@click.group(
    cls=Rows,
    help=(
        "Plays on a running service from the shell.\n\nWith --lan the token is taken from "
        "LANEBRIDGE_TOKEN, or on the same machine from the state folder."
    ),
)
@click.option(
    "--address",
    metavar="URL",
    help=f"Where the service is; LANEBRIDGE_ADDRESS says so too.  [default: {ADDRESS}]",
)
@click.pass_context
def command(context: click.Context, address: str | None) -> None:
    context.obj = target_of(address)


@command.group("transport", help="Starts, stops, goes on, or moves to a tick.")
def transport() -> None:
    pass


@command.command(
    "state", help="Prints the state as JSON, or a MEMBER of it, such as: lanes kick muted."
)
@click.argument("member", nargs=-1)
@click.pass_obj
def state_command(target: Target, member: tuple[str, ...]) -> None:
    with target.client() as client:
        value: object = client.state()
    for name in member:
        if not isinstance(value, dict) or name not in value:
            raise CommandError(f"the state has no {' '.join(member)}", "unknown")
        value = value[name]
    click.echo(json.dumps(value, indent=2, ensure_ascii=False))


@command.command(
    "watch",
    help=("Prints the state, or a MEMBER of it, as one line of JSON now and whenever it changes."),
)
@click.argument("member", nargs=-1)
@click.option("--count", type=click.IntRange(1), help="End after so many lines.")
@click.pass_obj
def watch_command(target: Target, member: tuple[str, ...], count: int | None) -> None:
    last, lines = None, 0
    with target.client() as client:
        for value in client.watch():
            found: object = value
            for name in member:
                found = found.get(name) if isinstance(found, dict) else None
            line = json.dumps(found, ensure_ascii=False)
            if line == last:
                continue
            last, lines = line, lines + 1
            click.echo(line)
            if lines == count:
                return


@command.command(
    "pair",
    help=(
        "Makes a code that lets one device in, within ten minutes: to be typed where the page asks "
        "for it, or as a picture for its camera."
    ),
)
@click.option(
    "--role",
    type=click.Choice(typing.get_args(Role)),
    default="play",
    show_default=True,
    help="What the device may do; to edit includes to play, to play includes to watch.",
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE.svg",
    help="Writes the picture to a file, to print or to show.",
)
@click.pass_obj
def pair_command(target: Target, role: str, picture: Path | None) -> None:
    import segno

    from bridge.client.requests import Request
    from bridge.commands.outfile import check_out, write_out

    if picture is not None:
        check_out(picture, (".svg",), (), "--picture")

    with target.client() as client:
        made = client.send(Request("POST", "/api/pairing", {"role": role}))
    click.echo(f"{made['code']} at {made['address'].partition('?')[0]}")
    drawn = segno.make(made["address"], micro=False)
    if picture is not None:
        buffer = io.BytesIO()
        drawn.save(buffer, kind="svg", scale=8, light="white")
        write_out(picture, buffer.getvalue())
        return
    with contextlib.suppress(UnicodeEncodeError):  # a terminal without block characters
        drawn.terminal(compact=True)


@command.command("devices", help="Lists the devices that are let in, the last used first.")
@click.pass_obj
def devices_command(target: Target) -> None:
    from bridge.client.requests import Request
    from bridge.commands import grid

    with target.client() as client:
        rows = client.send(Request("GET", "/api/devices"))["devices"]
    shown = []
    for row in rows:
        used = time.strftime("%Y-%m-%d %H:%M", time.localtime(row["used"]))
        shown.append((row["id"], row["role"], used, row["host"], row["name"]))
    grid.show(("device", "role", "last used", "host", "name"), shown)


@command.command("shut-out", help="Shuts a DEVICE out; `devices` lists them.")
@click.argument("device")
@click.pass_obj
def shut_out_command(target: Target, device: str) -> None:
    from bridge.client.requests import Request

    with target.client() as client:
        client.send(Request("DELETE", f"/api/devices/{quote(device, safe='')}"))


def _carry_out(row: type[Command]) -> Callable[..., None]:
    """What a shell command does: the values that were given make one of `row`."""

    from bridge.protocol.command import fields_of

    @click.pass_obj
    def run(target: Target, /, **values: object) -> None:
        fields = fields_of(row)
        said = {n: v for n, v in values.items() if v is not None or fields[n].required}
        with target.client() as client:
            answer = client.do(row(**said))
        more = {name: value for name, value in answer.items() if name != "done"}
        if more:
            click.echo(json.dumps(more, ensure_ascii=False))

    return run


def _parameters(row: type[Command]) -> list[click.Parameter]:
    """Required fields as arguments, the others as options. A last switch is on unless told."""
    from bridge.protocol.command import fields_of

    fields = list(fields_of(row).values())
    required = [field for field in fields if field.required]
    found: list[click.Parameter] = []
    for field in required:
        switch = field is required[-1] and field.hint is bool
        kind = FieldType(field)
        if switch:
            found.append(click.Argument([field.name], type=kind, required=False, default=True))
        else:
            found.append(click.Argument([field.name], type=kind))
    for field in fields:
        if not field.required:
            option = f"--{field.name.replace('_', '-')}"
            found.append(
                click.Option([option], type=FieldType(field), help=_expected(field), metavar="")
            )
    return found


def _add_rows() -> None:
    from bridge.protocol.command import fields_of
    from bridge.protocol.table import client_commands

    for row in client_commands():
        if not row.ROW.http or row.ROW.by not in ("player", "service"):
            continue
        group = transport if "/transport/" in row.ROW.http[0].path else command
        takes = "; ".join(
            f"{field.name.upper()}: {_expected(field)}"
            for field in fields_of(row).values()
            if field.required and field.name not in row.NAMES
        )
        group.add_command(
            click.Command(
                row.ROW.do,
                callback=_carry_out(row),
                params=_parameters(row),
                help="\n\n".join(filter(None, (row.ROW.http[0].says, takes and f"{takes}."))),
                # A number below 0 is no option.
                context_settings={"ignore_unknown_options": True},
            )
        )
