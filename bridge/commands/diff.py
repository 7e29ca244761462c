"""`lanebridge diff`: what differs between two versions of a file, in words."""

from __future__ import annotations

from bridge.commands.history import diff as command

__all__ = ["command"]
