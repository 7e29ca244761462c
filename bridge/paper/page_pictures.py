"""Pictures of the control page for the manual: taken of the real page by the tests, kept as files.

`tests/support/page_pictures.py` takes them, and a test there compares what they show with the page
as it is. Each stands in the manual as data, so that a saved copy is whole.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from html import escape
from pathlib import Path
from types import MappingProxyType

FOLDER = Path(__file__).parent / "page_pictures"
ENDING = ".webp"
PREFIX = "page-"
WORDS: Mapping[str, str] = MappingProxyType(
    {
        "page-play": "The Play view: switches at the heads of the traces, the chart past its pen, "
        "and below it what a touch does, sections, macros and the transport.",
        "page-heads": "Switches: a lane that is on, one that was muted by a program, one that is "
        "muted from the next bar on. What will not sound is drawn as an outline.",
        "page-steps": "A lane of steps on the Set view: a touch makes a hit, an accent or a rest; "
        "the foot below a hit opens what it has of its own.",
        "page-logic": "Logic from chips: lanes, operators, and functions with an example each.",
        "page-outputs": "The Rig view: each output with its cable, what drives it, and its volts.",
    }
)
"""What each picture shows, by its name in the manual."""


def page_picture(name: str) -> str:
    """A picture as an ``img`` with its words. KeyError when there is none of this name."""
    words = WORDS[name]
    data = base64.b64encode((FOLDER / f"{name}{ENDING}").read_bytes()).decode()
    return (
        f"<figcaption>{escape(words)}</figcaption>"
        f'<img class="page" alt="{escape(words)}" src="data:image/webp;base64,{data}">'
    )
