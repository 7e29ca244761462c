"""Processes that are begun before anything else is read: the player, and who reads the files.

They take longer to load than the supervisor itself. Begun first, they load beside it on another
core, and wait for what they are given. They end by themselves when nothing comes: their standard
input is closed then. Nothing heavy may be imported here.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

from bridge.supervisor.unneeded import leave_out_openssl_digests
from bridge.supervisor.voice import hold_standard_handles

Child = subprocess.Popen[bytes]


class Ahead(NamedTuple):
    """A player, and a process that reads files (`bridge.supervisor.loading`); both still wait."""

    player: Child
    reader: Child


def start_player() -> Child:
    """Starts a player process that waits on its standard input for its start."""
    return subprocess.Popen(
        [sys.executable, "-m", "bridge.player.process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )


def start_reader() -> Child:
    """Starts a process that waits on its standard input for what it shall load."""
    return subprocess.Popen(
        [sys.executable, "-m", "bridge.supervisor.loading"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )


@contextmanager
def begun_ahead() -> Iterator[Ahead]:
    """Both, for `bridge.supervisor.supervise.run`; one that was not made use of has ended after
    it."""
    hold_standard_handles()  # or its pipes would take their places
    ahead = Ahead(start_player(), start_reader())
    leave_out_openssl_digests()  # of this process: the supervisor is loaded next
    try:
        yield ahead
    finally:
        for child in ahead:
            if child.stdin is not None and not child.stdin.closed:
                child.kill()
                child.communicate()
