"""What is played, in ticks."""

from __future__ import annotations

import pytest
from support.desk import BAR, BEAT, RIG, STEP, gate_lane, score_of, wire
from support.said import carry_out

from bridge.errors import CommandError
from bridge.music.model import Lane, Levels, Note, Notes
from bridge.player.part import Part
from bridge.player.timeline import Item
from bridge.voltage.profile import Address, Output
from bridge.voltage.rig_parts import Timing

KICK = gate_lane("kick", "x...")
TUNE = Lane("tune", Notes((Note(40.0),)), advance="kick", out="main.pitch-1")


def part_of(*lanes: Lane, rig: object = RIG, **timing: float) -> Part:
    return Part(score_of(*lanes, rig=rig), 1, rig, dict.fromkeys(rig, 0), Timing(**timing))  # type: ignore[arg-type,call-overload]


def items(part: Part, goal: int, bpm: float = 120.0) -> list[Item]:
    found: list[Item] = []
    while part.rendered < goal:
        found += part.render(goal, bpm)
    return found


def test_hits_carry_their_lane_and_values_leave_early() -> None:
    found = items(part_of(KICK, TUNE, lead_ms=3.0), BEAT)
    hits = [item for item in found if item.sort == "on"]
    values = [item for item in found if item.sort == "value"]
    assert [(item.tick, item.owner, item.lane, item.early) for item in hits] == [(0, "kick", 0, 0)]
    (value,) = values
    assert (value.owner, value.kind, value.early) == ("tune", "pitch", 3_000_000)


@pytest.mark.parametrize(
    ("rate", "bpm", "width_ms"),
    [("1/16", 120.0, 10.0), ("1/64", 120.0, 10.0), ("1/64", 400.0, 4.6875), ("1/32", 400.0, 9.375)],
)
def test_a_pulse_fits_into_half_a_step(rate: str, bpm: float, width_ms: float) -> None:
    """A 1/64 at 400 BPM lasts 9.375 ms."""
    rig = wire(Output("t", "trigger", Address("note", 10, 36)))
    lane = gate_lane("t", "x", rate=rate)
    lane = Lane("t", lane.source, lane.advance, out="main.t")
    (first, *_) = items(part_of(lane, rig=rig), 10, bpm)
    assert first.width == pytest.approx(width_ms * 1e6, abs=1)


def test_rendering_stops_at_what_changes_by_itself_and_says_who_goes_silent() -> None:
    part = part_of(KICK)
    part.performance.running = True
    carry_out(part.performance, {"do": "mute", "lane": "kick", "muted": True, "when": "beat"}, 1)
    first = list(part.render(2 * BAR, 120.0))
    assert part.rendered == BEAT
    assert [item.sort for item in first] == ["on", "mute"]
    assert first[-1].tick == BEAT
    assert items(part, 2 * BAR) == []


def test_a_swap_waits_for_its_line_and_is_made_there() -> None:
    part = part_of(KICK, Lane("swell", Levels((1.0,)), out="main.level-1"))
    items(part, STEP + 1)
    part.swap(score_of(gate_lane("low", "x.x.", 2)), 9, "beat", True)
    assert part.swap_waits
    found = items(part, BAR)
    assert part.revision == 9
    assert {item.owner for item in found if item.sort == "mute"} == {"kick", "swell"}
    rest = [item for item in found if item.sort == "value" and item.output == "main.level-1"]
    assert rest[-1].value == 0.0
    assert min(item.tick for item in found if item.owner == "low") == BEAT
    with pytest.raises(CommandError):
        part.swap(part.score, 10, "whenever", True)


def test_seeking_is_free_when_already_there() -> None:
    part = part_of(KICK)
    part.seek(5 * BAR)

    def seek(tick: int, goal: int | None = None) -> None:
        pytest.fail("went there again")

    part.renderer.seek = seek  # type: ignore[method-assign]
    part.seek(5 * BAR)
    assert part.rendered == 5 * BAR
