"""Notices at once that a child has ended."""

from __future__ import annotations

import os
from collections.abc import Iterable

from bridge.supervisor.ahead import Child


class Guards:
    """`sources` are to be waited for together with everything else."""

    def __init__(self) -> None:
        self._fds: dict[int, Child] = {}
        self._plain: list[Child] = []

    @property
    def sources(self) -> list[int]:
        return list(self._fds)

    def add(self, child: Child) -> None:
        """From now on its end is noticed."""
        if hasattr(os, "pidfd_open"):
            self._fds[os.pidfd_open(child.pid)] = child
        else:  # there the signal of its end wakes whoever waits
            self._plain.append(child)

    def ended(self, readable: Iterable[object]) -> list[Child]:
        """The children that have ended; each is told once."""
        ended = []
        for fd in [fd for fd in self._fds if fd in readable]:
            ended.append(self._fds.pop(fd))
            os.close(fd)
        ended += [child for child in self._plain if child.poll() is not None]
        self._plain = [child for child in self._plain if child not in ended]
        return ended

    def close(self) -> None:
        for fd in self._fds:
            os.close(fd)
        self._fds.clear()
