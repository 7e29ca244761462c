"""How we are, judged from what the state already says: one list for programs that watch, for the
doctor and for people. Each finding says what to do."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal, NamedTuple

from bridge.protocol.state import PlayerReport, State

if TYPE_CHECKING:
    from bridge.supervisor.health import Health

Level = Literal["ok", "warning", "failing"]

LATE_US = 3000.0
"""Half of what listeners notice in an even pulse (see `bridge.player.lateness`)."""


class Finding(NamedTuple):
    """`what` was looked at, and how it is; `do`: what helps, "" where all is well."""

    what: str
    level: Level
    says: str
    do: str = ""


def findings(state: State, present: bool, health: Health | None) -> list[Finding]:
    """Everything there is to say, in the order in which it matters.

    Args:
        state: the whole state.
        present: whether the player is there; when it is not, nothing else is said.
        health: what the supervisor says; None: nothing, so only what the state knows is told.
    """
    if not present:
        return [Finding("player", "failing", "is away", "it is being started again; wait")]
    return [
        Finding("player", "ok", "is there"),
        *_ports(state),
        *_clock(state),
        *_timing(state),
        *_supervised(health),
        *_disk(state, health),
    ]


def worst(found: list[Finding]) -> Level:
    """The level of the whole."""
    levels = {finding.level for finding in found}
    if "failing" in levels:
        return "failing"
    return "warning" if "warning" in levels else "ok"


def _ports(state: PlayerReport) -> Iterator[Finding]:
    for name, port in state.get("ports", {}).items():
        if port["open"]:
            yield Finding(f"port {name}", "ok", f"{port['port']} is open")
        else:
            yield Finding(
                f"port {name}",
                "warning",
                f"{port['port']} is not there",
                "look at its cable and power; `lanebridge ports` lists what there is",
            )
    for name, there in state.get("inputs", {}).items():
        if not there:
            yield Finding(f"input {name}", "warning", "is not there", "look at its cable")


def _clock(state: PlayerReport) -> Iterator[Finding]:
    clock = state.get("clock")
    if clock is None:
        return
    if clock["state"] in ("internal", "locked"):
        yield Finding("clock", "ok", f"{clock['source']}: {clock['state']}")
    else:
        yield Finding(
            "clock",
            "warning",
            f"{clock['source']}: {clock['state']}",
            "start the clock that is followed, or touch Internal clock on the page",
        )
    if clock.get("two"):
        yield Finding("clock", "warning", "two clocks come in", "take one away")


def _timing(state: PlayerReport) -> Iterator[Finding]:
    late = state.get("lateness", {})
    p99 = late.get("p99_us", 0.0)
    left_out = late.get("left_out_ms", 0)
    if p99 > LATE_US or left_out:
        says = f"1 % of the messages leave more than {p99 / 1000:.1f} ms late"
        says += f", {left_out} ms were left out" if left_out else ""
        yield Finding("timing", "warning", says, "end other programs; see systemd/README.md")
    else:
        yield Finding("timing", "ok", f"99 % of the messages leave within {p99 / 1000:.1f} ms")
    if not state.get("player", {}).get("realtime", True):
        yield Finding(
            "priority",
            "warning",
            "the player has no real-time priority",
            "allow it: systemd/README.md says how",
        )


def _supervised(health: Health | None) -> Iterator[Finding]:
    if health is None:
        return
    if health.recent_deaths:
        yield Finding(
            "restarts",
            "warning",
            f"the player ended {health.recent_deaths} times within a minute",
            "the log says of what; an earlier set may help",
        )
    if (count := health.lines_left_out) > 0:
        says = f"{count} lines could not be written"
        yield Finding("log", "warning", says, "look at the disk that it goes to")


def _disk(state: State, health: Health | None) -> Iterator[Finding]:
    notes = [str(note) for note in state.get("document", {}).get("notes", ())]
    if health is not None and health.unkept:
        notes.append(health.unkept)
    for note in notes:
        yield Finding("disk", "warning", note, "make room, or look whether the disk is read-only")
    if not notes:
        kept = "" if health is None else f": {health.kept_bytes / 1e6:.1f} MB in the last hour"
        yield Finding("disk", "ok", f"the performance is saved for a power cut{kept}")
