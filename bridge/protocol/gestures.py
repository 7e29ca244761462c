"""Gestures: one touch that changes what many lanes do, and how it ends.

A fill lasts while it is held, a drop ends by itself on a bar line, a pace lasts until the next
section or until it is given back.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from bridge.errors import CommandError
from bridge.protocol.command import Command, Http, Osc, Unconfirmed, row
from bridge.protocol.internal import PutBack
from bridge.protocol.limits import Bars, Name, Pace
from bridge.protocol.performing import Hold, lane_parts

if TYPE_CHECKING:
    from bridge.protocol.state import PlayerReport


@row(
    "fill",
    osc=(
        Osc("/fill", ("active",)),
        Osc("/lane/{lane}/fill", ("active",)),
        Osc("/group/{group}/fill", ("active",)),
    ),
    http=(
        Http("PUT", "/api/lanes/{lane}/fill", "fillLane", "Begins, refreshes or ends a fill."),
        Http("PUT", "/api/groups/{group}/fill", "fillGroup", "The same for the lanes of a group."),
        Http("PUT", "/api/fill", "fillAll", "The same for all lanes of hits."),
    ),
)
class Fill(Command):
    """Fills: while it is held, a lane of hits, those of a group, or all of them play as many of
    their rests as their `fill_share` says. It lasts while it is repeated at least every 500 ms."""

    active: bool
    lane: Name | None = None
    group: Name | None = None

    def __post_init__(self) -> None:
        if self.lane is not None and self.group is not None:
            raise CommandError("fill takes a 'lane' or a 'group', and not both")


def let_go(held: Hold | Fill) -> Hold | Fill:
    """The command that ends a hold, the same for all that began it."""
    if isinstance(held, Hold):
        return Hold(lane=held.lane, active=False)
    return replace(held, active=False)


def holders(state: PlayerReport) -> set[str]:
    """The clients that hold something."""
    lanes = state.get("lanes", {}).values()
    return {one for lane in lanes for one in lane.get("holds", {})} | {
        str(client) for client, _ in state.get("fills", ())
    }


@row(
    "drop",
    osc=(Osc("/lane/{lane}/drop", ("return_bars",)), Osc("/group/{group}/drop", ("return_bars",))),
    http=(
        Http(
            "POST",
            "/api/lanes/{lane}/drop",
            "dropToLane",
            "Leaves one lane of hits to be heard; the others come back on a bar line.",
        ),
        Http(
            "POST",
            "/api/groups/{group}/drop",
            "dropToGroup",
            "Leaves the lanes of a group to be heard; the others come back on a bar line.",
        ),
    ),
)
class Drop(Command):
    """Drops all lanes of hits but one, or but those of a group, now; all come back on the bar line
    that is `return_bars` later, or on the next one after that. It is a solo that ends by itself:
    derived lanes go on following what is not heard, and melodies go on."""

    lane: Name | None = None
    group: Name | None = None
    return_bars: Bars = 4

    def __post_init__(self) -> None:
        if (self.lane is None) == (self.group is None):
            raise CommandError("drop needs a 'lane' or a 'group', and not both")

    def label(self) -> str:
        return f"drop to {self.lane or self.group}"

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        solos = lane_parts(state, state["lanes"], ("solo",))
        return (PutBack(parts={"lanes": solos, "solo_until": state["solo_until"]}),)


@row(
    "pace",
    osc=(Osc("/pace", ("pace",)), Osc("/group/{group}/pace", ("pace",))),
    http=(
        Http("PUT", "/api/groups/{group}/pace", "setGroupPace", "Half or double time of a group."),
        Http("PUT", "/api/pace", "setPace", "Half time or double time of the whole set."),
    ),
)
class SetPace(Command):
    """Half time (-1) or double time (1) for all lanes with a pattern that go by a rate, or for
    those of a group; 0 gives each lane back what is written. It holds from the next bar line on,
    until a section is recalled. One lane has it as its setting `pace`."""

    pace: Pace
    group: Name | None = None

    def label(self) -> str:
        what = "" if self.group is None else f"group {self.group} "
        return what + ("in half time", "at its own pace", "in double time")[self.pace + 1]

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        return (PutBack(parts={"lanes": lane_parts(state, state["lanes"], ("hand",))}),)
