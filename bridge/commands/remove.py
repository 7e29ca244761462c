"""``remove-service``: the other way of ``install-service``."""

from __future__ import annotations

from bridge.commands.install import remove as command

__all__ = ["command"]
