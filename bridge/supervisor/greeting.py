"""What people see first: the address, and on the network a picture of it for a tablet's camera."""

from __future__ import annotations

import io

from bridge.player.start import Start


def greeting(address: str, start: Start, token: str | None, encoding: str = "utf-8") -> str:
    """One line with the address; with a `token`, lines with a picture of it below, unless the
    terminal's `encoding` has no block characters."""
    if token is not None:
        address = f"{address.rstrip('/')}/?token={token}"
    line = f"{start.set} on {start.rig}: {address}"
    if token is None:
        return line
    import segno

    picture = io.StringIO()
    segno.make(address, micro=False).terminal(picture, compact=True)
    try:
        picture.getvalue().encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return line
    return f"{line}\n{picture.getvalue().rstrip()}"
