"""Names before and after a change of the set."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

SAME: Mapping[str, str] = MappingProxyType({})
"""Nothing has got another name."""


def after(name: str, renamed: Mapping[str, str]) -> str | None:
    """What something is called after a change; None when another has taken its name (and so it is
    there no longer).

    Args:
        name: what it was called before.
        renamed: new names by old ones, of things of its sort; those not in it keep theirs.
    """
    new = renamed.get(name)
    if new is None and name not in renamed.values():
        return name
    return new
