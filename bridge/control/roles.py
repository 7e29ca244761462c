"""In which role a command is asked for.

Every way in from outside says the role of who asks, once, where it lets them in (`acting`); what is
done for them then runs in that role, in tasks that are begun for it too. What this machine does by
itself (its own controllers, the running order) acts as ``edit``.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextvars import ContextVar
from typing import get_args

from bridge.errors import CommandError
from bridge.protocol.roles import Role

ROLES: tuple[Role, ...] = get_args(Role)
"""From the one that may do least."""
_role: ContextVar[Role] = ContextVar("role", default="edit")


def suffices(role: Role, needed: Role) -> bool:
    """Whether a role includes another."""
    return ROLES.index(role) >= ROLES.index(needed)


@contextlib.contextmanager
def acting(role: Role) -> Iterator[None]:
    """What is asked for inside is asked for in this role."""
    before = _role.set(role)
    try:
        yield
    finally:
        _role.reset(before)


def demand(needed: Role, what: str) -> None:
    """Refuses what needs another role than that of who asks (see `acting`).

    Args:
        needed: the least of the roles that may do it.
        what: what is asked for, as the error calls it: the word of a command, the name of a route.

    Raises:
        CommandError: kind ``role``, who asks may not.
    """
    if not suffices(_role.get(), needed):
        raise CommandError(
            f"this device may {_role.get()}; '{what}' needs one that may {needed}", "role"
        )
