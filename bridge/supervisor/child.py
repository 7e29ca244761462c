"""Runs a module that ends with its parent: ``python -m bridge.supervisor.child MODULE ARGS``.

It ends by SIGKILL, stopped or wedged as it may be: what it holds besides the network is on the disk
already, and a port that it kept would be taken from the next start.
"""

from __future__ import annotations

import os
import signal
import sys

from bridge.late import SELDOM, load_late


def main() -> None:
    """Leave out what the module does not need, then run it."""
    import runpy

    from bridge.player.realtime import PARENT, die_with_parent
    from bridge.supervisor import unneeded
    from bridge.supervisor.heap import keep_small

    parent = os.environ.pop(PARENT, "")
    if not die_with_parent(signal.SIGKILL, int(parent) if parent.isdecimal() else 0):
        sys.exit(1)
    keep_small()
    load_late(*unneeded.SELDOM)
    unneeded.leave_out_tls()
    unneeded.leave_out_openssl_digests()
    unneeded.leave_out_plugins()
    unneeded.leave_out_time_zones()
    unneeded.leave_out_entities()
    unneeded.leave_out_types_of_the_system()
    unneeded.leave_out_http_client()
    del sys.argv[0]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    load_late(*SELDOM)
    main()
