"""``python -m bridge.player``: a player that was not forked. Its start comes on standard input."""

from __future__ import annotations

import sys

from bridge.late import SELDOM, load_late

if __name__ == "__main__":
    load_late(*SELDOM)
    from bridge.player import process, realtime

    realtime.call_itself("player")  # a forked player has this name, too
    sys.exit(process.main())
