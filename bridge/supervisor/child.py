"""Runs a module that ends with its parent: ``python -m bridge.supervisor.child MODULE ARGS``."""

from __future__ import annotations

import runpy
import sys

from bridge.player.realtime import die_with_parent

if __name__ == "__main__":
    die_with_parent()
    del sys.argv[0]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
