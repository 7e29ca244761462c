"""How much commands say: `-q` and `-v`, the same for all of them."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.supervisor.voice import Level

COMMON = ("quiet", "verbose")
"""The names of both."""
_META = "bridge.commands.talk"
OURS = "bridge"
"""The logger that everything of ours logs to."""


def talking(command: click.Command) -> click.Command:
    """Gives a command the two options, once."""
    if not any(param.name in COMMON for param in command.params):
        command.params += [
            click.Option(
                ["-q", "--quiet"],
                is_flag=True,
                expose_value=False,
                callback=_quiet,
                help="Say only what was asked for and what is wrong.",
            ),
            click.Option(
                ["-v", "--verbose"],
                is_flag=True,
                expose_value=False,
                callback=_verbose,
                help="Say also what is read and opened, and where an error comes from.",
            ),
        ]
    return command


def least() -> Level:
    """The least important lines that are wanted."""
    context = click.get_current_context(silent=True)
    found: Level = "info" if context is None else context.meta.get(_META, "info")
    return found


def note(text: str, *, err: bool = False) -> None:
    """Says what was done, or what could be done next; nothing with `-q`. What was asked for is
    printed by `click.echo`.

    Args:
        text: one line or several.
        err: to standard error, where standard output is piped on.
    """
    if least() in ("debug", "info"):
        click.echo(text, err=err)


def _quiet(context: click.Context, _: click.Parameter, on: bool) -> None:
    if on:
        context.meta[_META] = "warning"


def _verbose(context: click.Context, _: click.Parameter, on: bool) -> None:
    if not on or context.meta.get(_META) == "debug":
        return
    from bridge import ports

    context.meta[_META] = "debug"
    log, handler = logging.getLogger(OURS), _Said()
    before, ports.said = log.level, logging.getLogger(ports.__name__).debug
    log.setLevel(logging.DEBUG)
    log.addHandler(handler)

    def end() -> None:
        log.removeHandler(handler)
        log.setLevel(before)
        ports.said = None

    context.find_root().call_on_close(end)


class _Said(logging.Handler):
    """The log on standard error, wherever that goes when a line comes."""

    def emit(self, record: logging.LogRecord) -> None:
        click.echo(self.format(record), err=True)
