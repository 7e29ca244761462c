"""What is printed when all is ready: where the page is, and how a device is let in."""

from __future__ import annotations

import contextlib
import os
import sys

from bridge.player.start import Start


def greet(address: str, start: Start, token: str | None, code: str = "") -> None:
    """The address, and on the network a picture of it to point a tablet's camera at, and a code to
    type. A journal, which others read and which is kept, gets none of these."""
    if token is None or is_journal():
        print(f"{start.set} on {start.rig}: {address}", flush=True)
        if token is not None:
            print("To let a device in: lanebridge ctl pair", flush=True)
        return
    address = f"{address.rstrip('/')}/?token={token}"
    print(f"{start.set} on {start.rig}: {address}", flush=True)
    if code:
        print(f"Or type this code on one device, within ten minutes: {code}", flush=True)
    import segno

    with contextlib.suppress(UnicodeEncodeError):  # a terminal without block characters
        segno.make(address, micro=False).terminal(compact=True)
        sys.stdout.flush()


def is_journal() -> bool:
    """Whether what is printed goes to the journal (systemd.exec(5), JOURNAL_STREAM)."""
    try:
        out = os.fstat(sys.stdout.fileno())
    except (OSError, ValueError):
        return False
    return os.environ.get("JOURNAL_STREAM") == f"{out.st_dev}:{out.st_ino}"
