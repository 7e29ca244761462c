"""`lanebridge man`: the manual page, made of the help that every command has.

The macros are those of man(7); what begins a line with a dot or an apostrophe is a macro there, and
a backslash begins an escape.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import click

from bridge import __version__
from bridge.commands.talk import COMMON as TALKING
from bridge.errors import Exit

COMMON = (*TALKING, "help")

ENVIRONMENT = {
    "LANEBRIDGE_ADDRESS": "Where the service is that `ctl` talks to, unless --address says so.",
    "LANEBRIDGE_TOKEN": "The token for a service that was started with --lan.",
    "XDG_STATE_HOME": "Where the state folder `lanebridge` stands; ~/.local/state unless set.",
    "XDG_RUNTIME_DIR": "Where sockets are put while it runs; /tmp unless set.",
    "JACK_DEFAULT_SERVER": "The JACK server that is used, where there are several.",
    "NO_COLOR": "Set to anything, tables in a terminal have no colours and no bold type.",
}


@click.command("man", help="Shows the manual page of all commands, or writes it to FILE.")
@click.option("--out", type=click.Path(path_type=Path), help="FILE.1; - prints its source.")
@click.pass_context
def command(context: click.Context, out: Path | None) -> None:
    from bridge.commands.outfile import check_out, write_out, written

    text = page(context.find_root().command)
    if out is not None:
        check_out(out, (".1",), (), prints=True)
        write_out(out, text)
        written(out, "the manual page; `man -l` shows it")
        return
    reader = shutil.which("man") if sys.stdout.isatty() else None
    if reader is None:
        click.echo(text, nl=False)
        return
    subprocess.run([reader, "-l", "-"], input=text, text=True, check=False)


def page(root: click.Command, name: str = "lanebridge") -> str:
    """The whole page in man(7)'s macros: every command and option below `root`."""
    with click.Context(root, info_name=name) as context:
        lines = [
            f'.TH {name.upper()} 1 "" "lanebridge {__version__}" "User Commands"',
            ".SH NAME",
            f"{name} \\- {_plain((root.help or '').rstrip('.'))}",
            ".SH SYNOPSIS",
            f"\\fB{name}\\fR {_plain(' '.join(root.collect_usage_pieces(context)))}",
            ".SH OPTIONS",
            *_options(context),
            ".SH COMMANDS",
            *_commands(context),
            ".SH ENVIRONMENT",
            *_pairs(ENVIRONMENT.items()),
            ".SH EXIT STATUS",
            *_pairs((str(int(code)), f"{code.says[0].upper()}{code.says[1:]}.") for code in Exit),
            ".SH SEE ALSO",
            "The manual of the files, on the page at /manual; lanebridge COMMAND \\-\\-help.",
        ]
    return "\n".join(lines) + "\n"


def _commands(context: click.Context) -> Iterator[str]:
    """A part for each command below the one of `context`, and for those below it."""
    group = context.command
    assert isinstance(group, click.Group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if command is None or command.hidden:
            continue
        with click.Context(command, info_name=name, parent=context) as inner:
            yield f".SS {_plain(f'{inner.command_path} {_usage(inner)}')}"
            for paragraph in (command.help or "").split("\n\n"):
                yield ".PP"
                yield _plain(" ".join(paragraph.split()))
            yield from _options(inner)
            if isinstance(command, click.Group):
                yield from _commands(inner)


def _usage(context: click.Context) -> str:
    return " ".join(context.command.collect_usage_pieces(context))


def _options(context: click.Context) -> Iterator[str]:
    """Those of one command; those that all commands have stand at the head of the page alone."""
    common = COMMON if context.parent is not None else ()
    params = (one for one in context.command.get_params(context) if one.name not in common)
    records = (param.get_help_record(context) for param in params)
    yield from _pairs(record for record in records if record is not None and record[1])


def _pairs(rows: Iterable[tuple[str, str]]) -> Iterator[str]:
    for term, says in rows:
        yield ".TP"
        yield f"\\fB{_plain(term)}\\fR"
        yield _plain(" ".join(says.split())) or "\\&"


def _plain(text: str) -> str:
    """Text that is nothing but text for the formatter, each hyphen as it is typed."""
    safe = text.replace("\\", "\\e").replace("-", "\\-").replace("`", "")
    return f"\\&{safe}" if safe[:1] in (".", "'") else safe
