"""The state of what is evaluated tick by tick, and how it is handed on.

Every node, and every function of logic with a memory, keeps what it remembers in a dataclass.
Whoever takes its place gets a copy: the state before it stays as it was, to be taken up again.
"""

from __future__ import annotations

from copy import copy
from dataclasses import fields, is_dataclass
from typing import TypeVar, cast

S = TypeVar("S")


def copied(state: S) -> S:
    """A copy of a state that shares nothing which changes.

    Args:
        state: a dataclass of numbers, tuples, frozen values, lists and dicts of these, and states
            below it; or one of these itself.

    Returns:
        The same, with every state, list and dict in it copied. Tuples and frozen values are shared.
    """
    if isinstance(state, list):
        return cast(S, [copied(item) if isinstance(item, list) else item for item in state])
    if isinstance(state, dict):
        return cast(S, dict(state))
    if not is_dataclass(state) or isinstance(state, type):
        return state
    new = copy(state)
    for field in fields(state):
        value = getattr(state, field.name)
        if isinstance(value, list | dict) or is_dataclass(value):
            setattr(new, field.name, copied(value))
    return cast(S, new)
