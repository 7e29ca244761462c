"""``python -m bridge.player``: a player by itself, its start on standard input."""

from __future__ import annotations

import sys

from bridge.late import SELDOM, load_late

if __name__ == "__main__":
    load_late(*SELDOM)
    from bridge.player import process, realtime

    realtime.call_itself("player")  # as one that was forked
    sys.exit(process.main())
