"""Runs a module that ends with its parent: ``python -m bridge.supervisor.child MODULE ARGS``.

It ends by SIGKILL, stopped or wedged as it may be: what it holds besides the network is on the disk
already, and a port that it kept would be taken from the next start.
"""

from __future__ import annotations

import os
import runpy
import signal
import sys
from collections.abc import MutableMapping
from typing import cast

from bridge.player.realtime import PARENT, die_with_parent

if __name__ == "__main__":
    parent = os.environ.pop(PARENT, "")
    if not die_with_parent(signal.SIGKILL, int(parent) if parent.isdecimal() else 0):
        sys.exit(1)
    # Nothing of ours speaks TLS. Without it asyncio and aiohttp load none, nor every certificate of
    # the system (measured: 2.7 MB and 60 ms at each start). None is how Python says "not here".
    modules = cast("MutableMapping[str, object]", sys.modules)
    modules["ssl"] = None
    del sys.argv[0]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
