"""The patch card: the first page of the sheet, to be read at arm's length while patching.

Only what is used stands on it, each cable with a box to tick and what the rig file notes about it.
Pictures of the rig file are put into the page itself, so that it stands alone.
"""

from __future__ import annotations

from base64 import b64encode
from datetime import date
from html import escape
from pathlib import Path

from bridge.files.read import read_bytes
from bridge.files.rig import Rig
from bridge.files.rig_effects import CLOCKED, drivers
from bridge.music.model import SetSpec
from bridge.paper.drawings import cable_words

MOST_PICTURE_BYTES = 4 << 20
# What such files begin with: PNG (ISO/IEC 15948, 5.2), JPEG (ITU-T T.81, B.1.1.3: SOI, a marker).
_PICTURES = {b"\x89PNG\r\n\x1a\n": "png", b"\xff\xd8\xff": "jpeg"}


def patch_card(rig: Rig, spec: SetSpec, made: date) -> str:
    """One page of what to patch: every output that is driven or cabled, interface by interface."""
    driven = drivers(rig, spec)
    parts = [f"<h1>{escape(spec.name)}</h1><p>{escape(rig.name)}, {made.isoformat()}</p>"]
    for interface in rig.interfaces.values():
        rows = [
            _row(rig, name, ", ".join(driven[name]))
            for name, wired in rig.wired.items()
            if wired.port == interface.name
            and (wired.cable or (driven[name] and wired.output.kind not in CLOCKED))
        ]
        if rows:
            parts.append(
                f"<section class='interface'><h2>{escape(interface.name)}: "
                f"{escape(interface.profile.name)}</h2><ol>{''.join(rows)}</ol></section>"
            )
    return f"<div class='card'>{''.join(parts)}</div>"


def _row(rig: Rig, name: str, driver: str) -> str:
    words = cable_words(rig, name)
    cable = rig.cables.get(name)
    end = escape(words) if words else "<i class='line'></i>"
    notes = f"<small>{escape(cable.notes)}</small>" if cable and cable.notes else ""
    played = f"<small>{escape(driver or 'nothing drives it')}</small>"
    return (
        f"<li><span class='tick'></span><span><b>{escape(name)}</b>{played}</span>"
        f"<span>{end}{notes}</span></li>"
    )


def photos(rig: Rig) -> str:
    """The pictures that the rig file names, and room for one of the whole rack."""
    found = "".join(_figure(rig, name) for name, cable in rig.cables.items() if cable.photo)
    pictures = f"<div class='pictures'>{found}</div>" if found else ""
    room = "<div class='photo'>a photo of the patched rig goes here</div>"
    return f"<h2>Photos</h2>{pictures}{room}"


def _figure(rig: Rig, name: str) -> str:
    cable = rig.cables[name]
    caption = f"{name}, {cable.to}: {cable.photo}"
    data = _picture(rig.path, cable.photo)
    if isinstance(data, str):
        return f"<figure><p class='mark'>{escape(caption)}: {data}</p></figure>"
    kind, octets = data
    source = f"data:image/{kind};base64,{b64encode(octets).decode()}"
    return (
        f"<figure><img alt='{escape(caption)}' src='{source}'>"
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )


def _picture(rig: Path | None, name: str) -> tuple[str, bytes] | str:
    """A picture beside the rig file: its kind and its bytes, or why there is none."""
    if rig is None:
        return "not looked for, as the rig is no file"
    folder = rig.parent.resolve()
    path = (folder / name).resolve()
    if not path.is_relative_to(folder):
        return "not beside the rig file"
    try:
        octets = read_bytes(path, MOST_PICTURE_BYTES)
    except FileNotFoundError:
        return "not there"
    except OSError as error:
        return escape(error.strerror or "cannot be read")
    for start, kind in _PICTURES.items():
        if octets.startswith(start):
            return kind, octets
    return "neither PNG nor JPEG"


def css_text(words: str) -> str:
    """Words as a string of CSS (CSS Syntax Level 3, 4.3.5 and 4.3.7): nothing in it ends the string
    or the style element."""
    safe = "".join(one if one.isalnum() or one in " ,.-" else f"\\{ord(one):x} " for one in words)
    return f'"{safe}"'
