"""Commands that the service carries out itself: changes of the set's text by one gesture, and the
history. The player gets what comes of them."""

from __future__ import annotations

from typing import Literal

from bridge.protocol.command import Command, Http, Osc, row
from bridge.protocol.limits import Bars, KeptName, Name, Seed, Share, SwapMoment, TakeBar, TakeWord

What = Literal["pattern", "settings"]
_SETTINGS = (("what", "settings"),)


@row(
    "copy",
    by="service",
    role="edit",
    osc=Osc("/lane/{lane}/copy", ("to", "when")),
    http=Http(
        "POST",
        "/api/lanes/{lane}/copy",
        "copyLane",
        "Gives another lane this one's pattern and settings; makes it when it is new.",
    ),
)
class CopyLane(Command):
    """Gives the lane `to` the pattern and settings of a lane. `to` may be a new name: a lane
    without an output then. `what` left out: both."""

    lane: Name
    to: Name
    what: What | None = None
    when: SwapMoment = "beat"

    def label(self) -> str:
        return f"{self.lane} copied to {self.to}"


@row(
    "clear",
    by="service",
    role="edit",
    osc=(Osc("/lane/{lane}/clear"), Osc("/lane/{lane}/clear/settings", fixed=_SETTINGS)),
    http=Http(
        "POST",
        "/api/lanes/{lane}/clear",
        "clearLane",
        "Rests in place of the pattern, or the settings as they are unless told.",
    ),
)
class ClearLane(Command):
    """Rests in place of a lane's pattern, or all its settings as they are unless told."""

    lane: Name
    what: What = "pattern"
    when: SwapMoment = "beat"

    def label(self) -> str:
        return f"{self.lane} {'settings ' if self.what == 'settings' else ''}cleared"


@row(
    "randomise",
    by="service",
    role="edit",
    osc=(
        Osc("/lane/{lane}/randomise", ("amount", "seed")),
        Osc("/lane/{lane}/randomise/settings", ("amount", "seed"), fixed=_SETTINGS),
    ),
    http=Http(
        "POST",
        "/api/lanes/{lane}/randomise",
        "randomiseLane",
        "Moves pattern or settings by chance, within musical bounds.",
    ),
)
class RandomiseLane(Command):
    """Moves a lane's pattern, or its settings, as far as `amount` says; 0 changes nothing. The same
    `seed` does the same to the same lane; without one, one is drawn and told."""

    lane: Name
    amount: Share
    seed: Seed | None = None
    what: What = "pattern"
    when: SwapMoment = "beat"

    def label(self) -> str:
        return f"{self.lane} {'settings ' if self.what == 'settings' else ''}randomised"


@row(
    "keep",
    by="service",
    role="edit",
    osc=(
        Osc("/keep", ("bars", "name")),
        Osc("/keep/set", ("bars", "name"), fixed=(("into", "set"),)),
    ),
    http=Http(
        "POST",
        "/api/keep",
        "keepBars",
        "Keeps the last whole bars that were performed, as a section of the set or as another set.",
    ),
)
class KeepBars(Command):
    """Keeps what was performed in the last `bars` whole bars: as one section of the set, with what
    stood longest in them, or as another set beside it, whose running order goes through them.
    Without a `name` one is found."""

    bars: Bars
    name: KeptName = ""
    into: Literal["section", "set"] = "section"

    def label(self) -> str:
        return f"the last {self.bars} bars kept"


@row(
    "continue-take",
    by="service",
    role="edit",
    osc=Osc("/take/continue", ("take", "bar", "start")),
    http=Http(
        "POST",
        "/api/takes/{take}/continue",
        "continueTake",
        "Puts the player where a take stood at the beginning of a bar; what plays is stopped.",
    ),
)
class ContinueTake(Command):
    """Loads the set of a take, everything that was set, and the place of every pattern, as they
    were when it came to a bar. What plays is stopped first; `start` goes on from there at once."""

    take: TakeWord
    bar: TakeBar
    start: bool = False

    def label(self) -> str:
        return f"on from bar {self.bar} of a take"


@row(
    "undo",
    by="service",
    osc=Osc("/undo"),
    http=Http("POST", "/api/undo", "undo", "Takes back the last thing done by hand."),
)
class Undo(Command):
    """Takes back the last thing done by hand."""


@row(
    "redo",
    by="service",
    osc=Osc("/redo"),
    http=Http("POST", "/api/redo", "redo", "Repeats what was undone."),
)
class Redo(Command):
    """Repeats what was undone."""
