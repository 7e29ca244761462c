"""What people see first: where the page is, and on the network how a device is let in."""

from __future__ import annotations

import io
import os


def greeting(
    address: str,
    what: str,
    token: str | None,
    code: str = "",
    *,
    encoding: str = "utf-8",
    journal: bool = False,
) -> str:
    """`what` is played, and the address; on the network (with a `token`) also a `code` to type and
    a picture to point a tablet's camera at, unless the terminal's `encoding` has no block
    characters. A `journal`, which others read and which is kept, gets none of these."""
    line = f"{what}: {address}"
    if token is None:
        return line
    if journal:
        return f"{line}\nTo let a device in: lanebridge ctl pair"
    address = f"{address.rstrip('/')}/?token={token}"
    lines = [f"{what}: {address}"]
    if code:
        lines.append(f"Or type this code on one device, within ten minutes: {code}")
    import segno

    picture = io.StringIO()
    segno.make(address, micro=False).terminal(picture, compact=True)
    try:
        picture.getvalue().encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return "\n".join(lines)
    return "\n".join([*lines, picture.getvalue().rstrip()])


def is_journal(handle: int) -> bool:
    """Whether what is written to a file handle goes to the journal (systemd.exec(5),
    JOURNAL_STREAM)."""
    try:
        out = os.fstat(handle)
    except OSError:
        return False
    return os.environ.get("JOURNAL_STREAM") == f"{out.st_dev}:{out.st_ino}"
