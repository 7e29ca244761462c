"""Commands of the performance: mutes, macros, settings, sections, the running order.

Their inverses put back what the state had just before. One value that moves is simply sent again;
what has more to it (a mute and what it waited for, a section with all that it changed) is put back
as it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from bridge.errors import CommandError
from bridge.protocol.command import Address, Command, Http, Osc, Unconfirmed, row
from bridge.protocol.internal import PutBack
from bridge.protocol.limits import BarLine, Bars, GlideBars, Name, OrderEntry, Share, When

if TYPE_CHECKING:
    from bridge.protocol.state import LaneState, MacroState, PlayerReport

_SECTION_PARTS = ("section", "form", "section_pending", "order", "morph", "tempo", "tempo_glide")
_FREEZES = "Freezes the drift of a pattern, or lets it drift."
_MUTE_ARGS = ("muted", "when", "return_bars")


def macro_target(macro: MacroState) -> float:
    """The value that a macro glides to, or has."""
    return float(macro["glide"][1] if "glide" in macro else macro["value"])


def own_mute(lane: LaneState) -> bool:
    """Whether the lane itself is muted, whatever is held on it."""
    return bool(lane.get("under", lane["muted"]))


def lane_parts(
    state: PlayerReport, lanes: Iterable[str], members: Iterable[str]
) -> dict[str, dict[str, object]]:
    """Some members of some lanes of a state, as `PutBack` takes them.

    Args:
        state: of the performance.
        lanes: their names.
        members: those wanted of each; what a lane's state has not is left out.

    Raises:
        KeyError: the state has no such lane.
    """
    found: dict[str, dict[str, object]] = {}
    for name in lanes:
        lane: dict[str, object] = dict(state["lanes"][name])
        lane["under"] = own_mute(state["lanes"][name])
        found[name] = {member: lane[member] for member in members if member in lane}
    return found


def section_parts(state: PlayerReport) -> dict[str, object]:
    """Everything that a section may change, as a state has it."""
    plain: dict[str, object] = dict(state)
    return {
        "lanes": lane_parts(state, state.get("lanes", {}), ("under", "pending", "hand")),
        "macros": dict(state.get("macros", {})),
        **{name: plain[name] for name in _SECTION_PARTS if name in plain},
    }


@row(
    "mute",
    value=True,
    osc=Osc("/lane/{lane}/mute", _MUTE_ARGS),
    http=Http("PUT", "/api/lanes/{lane}/mute", "muteLane", "Mutes a lane or brings it in."),
)
class Mute(Command):
    """Mutes a lane or brings it in; after `return_bars` it goes back by itself."""

    lane: Name
    muted: bool
    when: When = "now"
    return_bars: Bars | None = None

    def label(self) -> str:
        return f"{self.lane} {'muted' if self.muted else 'on'}"

    def remembered(self) -> object:
        return self.muted if self.when == "now" else None

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        lane = state["lanes"][self.lane]
        was = unconfirmed.get(self.address(), own_mute(lane))
        waits = None if self.address() in unconfirmed else lane["pending"]
        if was == self.muted and not waits and self.return_bars is None:
            return ()
        return (PutBack(parts={"lanes": {self.lane: {"under": was, "pending": waits}}}),)


@row(
    "group",
    value=True,
    osc=Osc("/group/{group}/mute", _MUTE_ARGS),
    http=Http("PUT", "/api/groups/{group}/mute", "muteGroup", "Mutes all lanes of a group."),
)
class MuteGroup(Command):
    """Mutes all lanes of a group or brings them in."""

    group: Name
    muted: bool
    when: When = "now"
    return_bars: Bars | None = None

    def label(self) -> str:
        return f"group {self.group} {'muted' if self.muted else 'on'}"

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        lanes = [name for name, lane in state["lanes"].items() if self.group in lane["groups"]]
        return (PutBack(parts={"lanes": lane_parts(state, lanes, ("under", "pending"))}),)


@row(
    "cancel",
    osc=(
        Osc("/lane/{lane}/cancel"),
        Osc("/section/{section}/cancel"),
        Osc("/order/cancel", fixed=(("order", True),)),
    ),
    http=(
        Http(
            "DELETE",
            "/api/lanes/{lane}/pending",
            "cancelPending",
            "Takes back a mute that waits for its beat or bar.",
        ),
        Http(
            "DELETE",
            "/api/sections/{section}/pending",
            "cancelSection",
            "Takes back a section that waits for its beat or bar.",
        ),
        Http(
            "DELETE",
            "/api/order/pending",
            "cancelOrderNext",
            "Takes back that the running order goes on before its entry is over.",
            fixed=(("order", True),),
        ),
    ),
)
class Cancel(Command):
    """Takes back a mute that waits for its beat or bar, a section that waits, or (with `order`)
    that the running order goes on: its entry ends where it would by itself."""

    lane: Name | None = None
    section: Name | None = None
    order: bool | None = None

    def __post_init__(self) -> None:
        if (self.lane is not None) + (self.section is not None) + bool(self.order) != 1:
            raise CommandError("cancel needs one of 'lane', 'section' and 'order'")

    def address(self) -> Address:
        if self.order:
            return ("order-next",)
        return ("section",) if self.lane is None else ("mute", self.lane)

    def label(self) -> str:
        return f"{self.lane or self.section or 'running order'} stays"

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        if self.order:
            order = state["order"]
            return () if order["tick"] == order["ends"] else (PutBack(parts={"order": order}),)
        if self.lane is not None:
            waits = state["lanes"][self.lane]["pending"]
            if not waits:
                return ()
            return (PutBack(parts={"lanes": {self.lane: {"pending": waits}}}),)
        coming = state.get("section_pending")
        if not coming or coming["section"] != self.section or coming["by"] == "order":
            return ()
        return (PutBack(parts={"section_pending": coming}),)


@row(
    "hold",
    osc=Osc("/lane/{lane}/hold", ("active", "muted")),
    http=Http(
        "PUT", "/api/lanes/{lane}/hold", "holdLane", "Begins, refreshes or ends a momentary mute."
    ),
)
class Hold(Command):
    """A momentary mute (or, with `muted` false, a momentary part). It lasts while it is repeated
    at least every 500 ms."""

    lane: Name
    active: bool
    muted: bool = True


@row(
    "release",
    osc=Osc("/release"),
    http=Http("POST", "/api/release", "release", "Ends everything that the sender holds."),
)
class Release(Command):
    """Ends everything that the sender holds."""


@row(
    "solo",
    value=True,
    osc=Osc("/lane/{lane}/solo", ("on",)),
    http=Http("PUT", "/api/lanes/{lane}/solo", "soloLane", "Solo of a lane."),
)
class Solo(Command):
    """Solo of a lane, among lanes of the same nature: hits alone leave the melodies running."""

    lane: Name
    on: bool

    def label(self) -> str:
        return f"{self.lane} solo {'on' if self.on else 'off'}"

    def remembered(self) -> object:
        return self.on

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        was = unconfirmed.get(self.address(), state["lanes"][self.lane]["solo"])
        return () if was == self.on else (Solo(lane=self.lane, on=was),)


@row(
    "freeze",
    value=True,
    osc=(Osc("/lane/{lane}/freeze", ("on",)), Osc("/lane/{lane}/still", ("on",), older=True)),
    http=(
        Http("PUT", "/api/lanes/{lane}/freeze", "freezeLane", _FREEZES),
        Http("PUT", "/api/lanes/{lane}/still", "stillLane", _FREEZES, older=True),
    ),
    older="still",
)
class Freeze(Command):
    """Stops a lane's pattern from drifting, or lets it drift again."""

    lane: Name
    on: bool

    def label(self) -> str:
        return f"{self.lane} {'frozen' if self.on else 'drifting'}"

    def remembered(self) -> object:
        return self.on

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        was = unconfirmed.get(self.address(), state["lanes"][self.lane]["freeze"])
        return () if was == self.on else (Freeze(lane=self.lane, on=was),)


@row(
    "macro",
    value=True,
    osc=Osc("/macro/{macro}", ("value",)),
    http=Http("PUT", "/api/macros/{macro}", "moveMacro", "Moves a macro."),
)
class MoveMacro(Command):
    """Moves a macro to a value."""

    macro: Name
    value: Share

    def label(self) -> str:
        return f"{self.macro} {self.value:.2f}"

    def remembered(self) -> object:
        return self.value

    def merges(self) -> bool:
        return True

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        macro = state["macros"][self.macro]
        if "glide" in macro and self.address() not in unconfirmed:
            return (PutBack(parts={"macros": {self.macro: macro}}),)
        was = unconfirmed.get(self.address(), macro_target(macro))
        return () if was == self.value else (replace(self, value=was),)


@row(
    "setting",
    value=True,
    osc=(
        Osc("/lane/{lane}/{setting}", ("value",)),
        Osc("/lane/{lane}/{setting}/written", fixed=(("value", None),)),
    ),
    http=Http(
        "PUT",
        "/api/lanes/{lane}/settings/{setting}",
        "setLaneSetting",
        "Gives a numeric setting of a lane a new value; null drops the manual value.",
    ),
)
class MoveSetting(Command):
    """Moves a numeric setting of a lane by hand. None drops the manual value: the section or the
    set says the value again. Its limits are those of the setting (see `bridge.music.model`)."""

    lane: Name
    setting: Name
    value: float | None

    def label(self) -> str:
        if self.value is None:
            return f"{self.lane} {self.setting} as written"
        return f"{self.lane} {self.setting} {self.value:g}"

    def remembered(self) -> object:
        return self.value  # None, a dropped manual value, is not remembered

    def merges(self) -> bool:
        return True

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        lane, morph = state["lanes"][self.lane], state.get("morph")
        was = unconfirmed.get(self.address(), lane["hand"].get(self.setting))
        if was == self.value:
            return ()
        if morph:  # the hand has taken the setting out of it
            hand = {name: value for name, value in lane["hand"].items() if name != self.setting}
            hand |= {} if was is None else {self.setting: was}
            return (PutBack(parts={"lanes": {self.lane: {"hand": hand}}, "morph": morph}),)
        return (replace(self, value=was),)


@row(
    "section",
    osc=Osc("/section/{section}", ("when", "morph_bars", "mutes_at"), button=True),
    http=Http("POST", "/api/sections/{section}", "recallSection", "Recalls a section."),
)
class RecallSection(Command):
    """Recalls a section. Values glide over `morph_bars`; mutes switch at `mutes_at` of that way
    (0.5 unless told)."""

    section: Name
    when: When = "bar"
    morph_bars: GlideBars = 0
    mutes_at: Share | None = None

    def address(self) -> Address:
        return ("section",)

    def label(self) -> str:
        return f"section {self.section}"

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        return (PutBack(parts=section_parts(state)),)


@row(
    "order",
    osc=Osc("/order", ("run", "entry")),
    http=Http("PUT", "/api/order", "runOrder", "Starts or stops the running order."),
)
class RunOrder(Command):
    """Runs the order from its first entry or from `entry` (counted from 0), or stops it. Running it
    when it runs and no `entry` is given changes nothing."""

    run: bool
    entry: OrderEntry | None = None

    def label(self) -> str:
        return f"running order {'on' if self.run else 'off'}"

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        if self.entry is None and self.run == state["order"]["running"]:
            return ()
        return (PutBack(parts=section_parts(state)),)


@row(
    "order-next",
    osc=Osc("/order/next", ("when",), button=True),
    http=Http("POST", "/api/order/next", "nextOfOrder", "Goes on in the running order."),
)
class NextOfOrder(Command):
    """Goes on to the next entry of the running order, on the next bar line or on a grid of that
    many bars: from an entry that waits for it, or from one whose bars are not over. After the last
    entry the order ends, or begins anew where the set says so."""

    when: BarLine = "bar"

    def label(self) -> str:
        return "running order goes on"

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        return (PutBack(parts=section_parts(state)),)


@row(
    "mute-all",
    osc=(Osc("/mute-all"), Osc("/all-out", older=True)),
    http=(
        Http("POST", "/api/mute-all", "muteAll", "Mutes every lane, now."),
        Http("POST", "/api/all-out", "allOut", "Mutes every lane, now.", older=True),
    ),
    older="all-out",
)
class MuteAll(Command):
    """Mutes every lane, now; nothing that waits brings one back."""

    def label(self) -> str:
        return "all muted"

    def inverse(self, state: PlayerReport, unconfirmed: Unconfirmed) -> tuple[Command, ...]:
        plain: dict[str, object] = dict(state)
        parts = {name: plain[name] for name in plain if name in ("section_pending", "order")}
        parts["lanes"] = lane_parts(state, state["lanes"], ("under", "pending"))
        return (PutBack(parts=parts),)


@row(
    "reset",
    osc=Osc("/lane/{lane}/reset"),
    http=Http("POST", "/api/lanes/{lane}/reset", "resetLane", "Sends a lane to its first step."),
)
class ResetLane(Command):
    """Sends a lane to its first step."""

    lane: Name
