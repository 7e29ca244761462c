"""What a reader refuses, as values to assert on."""

from __future__ import annotations

from collections.abc import Callable

from bridge.errors import InputError, Problem


def problems_of(call: Callable[[], object]) -> tuple[Problem, ...]:
    """The problems with which `call` is refused; () when it is not. Other errors pass through."""
    try:
        call()
    except InputError as error:
        if not error.problems:
            raise AssertionError("refused without a reason") from error
        return error.problems
    return ()


def lines_of(call: Callable[[], object]) -> list[str]:
    """The same as printed lines."""
    return [str(problem) for problem in problems_of(call)]
