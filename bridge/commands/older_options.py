"""Options that were called otherwise: the older spelling is read, and a note says what to write."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click
from click.core import ParameterSource

F = TypeVar("F", bound=Callable[..., object])


def renamed_option(now: str, before: str, name: str, **attributes: Any) -> Callable[[F], F]:
    """An option as `click.option` makes it, that is also read by an older spelling.

    Args:
        now: how it is written, such as ``--from-bar``.
        before: the older spelling; no help shows it.
        name: the parameter of the function that gets the value.
        attributes: all else that `click.option` takes; `callback` is taken already.
    """
    key = f"{__name__}.{before}"

    def remember(context: click.Context, _: click.Parameter, given: object) -> None:
        if given not in (None, False):
            context.meta[key] = given
            click.echo(f"{before} is an older spelling; write {now}", err=True)

    def choose(context: click.Context, option: click.Parameter, given: object) -> object:
        source = context.get_parameter_source(name)
        if key in context.meta and source is not ParameterSource.COMMANDLINE:
            return option.type_cast_value(context, context.meta[key])
        return given

    flag = bool(attributes.get("is_flag"))
    older = click.option(
        before,
        f"older_{name}",
        is_flag=flag,
        type=None if flag else str,  # checked as the value of the option that it means
        hidden=True,
        expose_value=False,
        is_eager=True,
        callback=remember,
    )
    option = click.option(now, name, callback=choose, **attributes)
    return lambda command: option(older(command))
