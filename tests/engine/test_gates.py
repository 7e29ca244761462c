"""Properties that hold whatever is played and whatever a hand does."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.desk import BAR, Desk, score_of

from bridge.errors import CommandError
from bridge.music.model import Lane, Levels, Logic, Macro, Note, Notes, Section, Steps
from bridge.music.ticks import parse_rate
from bridge.protocol.table import decode
from bridge.voltage.rig_parts import ClockSettings, Timing

NAMES = ("a", "b", "c", "d")
RATES = [parse_rate(text) for text in ("1/16", "1/8", "1/32", "1/8T", "3:4", "1/4")]


@st.composite
def scores(draw: st.DrawFn) -> Any:
    lanes: list[Lane] = []
    for number, name in enumerate(NAMES[: draw(st.integers(1, 4))]):
        gate = draw(st.integers(1, 3))
        marks = draw(st.lists(st.integers(0, 2), min_size=1, max_size=12))
        chosen = draw(
            st.fixed_dictionaries(
                {},
                optional={
                    "gate": st.floats(0.01, 16),
                    "gate_ms": st.floats(1, 900),
                    "chance": st.floats(0, 1),
                    "repeats": st.integers(1, 16).map(float),
                    "shift_ms": st.floats(-100, 100),
                    "shift": st.floats(-0.5, 0.5),
                    "humanise_ms": st.floats(0, 30),
                    "swing": st.floats(20, 80),
                    "level": st.floats(0, 1),
                },
            )
        )
        lanes.append(
            Lane(
                name,
                Steps(tuple(marks)),
                draw(st.sampled_from(RATES)),
                out=f"main.gate-{gate}",
                share=True,
                settings=chosen,
                muted=draw(st.booleans()) and number > 0,
                tie=draw(st.booleans()),
            )
        )
    first = lanes[0].name
    lanes.append(Lane("derived", Logic(f"not {first}"), out="main.gate-4"))
    lanes.append(Lane("tune", Notes((Note(40), Note(52.5))), advance=first, out="main.pitch-1"))
    lanes.append(Lane("swell", Levels((0.0, 1.0)), out="main.level-1", settings={"slew_ms": 90}))
    sections = (Section("dry", ()), Section("wet", tuple(lane.name for lane in lanes), tempo=200.0))
    return score_of(
        *lanes, macros=[Macro("m", 0.5)], sections=sections, tempo=draw(st.floats(20, 400))
    )


def command(do: str, **fields: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({"do": st.just(do), **fields})


LANE = st.sampled_from((*NAMES, "derived"))
WHEN = st.sampled_from(["now", "beat", "bar", 2])
COMMANDS = st.one_of(
    command("mute", lane=LANE, muted=st.booleans(), when=WHEN),
    command("solo", lane=LANE, on=st.booleans()),
    command("hold", lane=LANE, muted=st.booleans(), client=st.just("x"), active=st.booleans()),
    command("macro", macro=st.just("m"), value=st.floats(0, 1)),
    command("section", section=st.sampled_from(["dry", "wet"]), when=WHEN),
    command("start"),
    command("stop"),
    command("continue"),
    command("mute-all"),
    command("position", tick=st.integers(0, 3 * BAR)),
    command("tempo", bpm=st.floats(20, 400)),
    command("nudge", ms=st.floats(-60, 60)),
    command("offset", ms=st.floats(-100, 100)),
    command("internal-clock"),
    command("follow", source=st.sampled_from(["internal", "pulse"])),
    command("setting", lane=LANE, setting=st.just("level"), value=st.floats(0, 1)),
    command("try", output=st.just("main.gate-1"), action=st.just("gate"), value=st.floats(0, 1)),
    command("reset", lane=LANE),
    command("midi", data=st.sampled_from([b"\xf8", b"\xfa", b"\xfb", b"\xfc", b"\xf2\x04\x00"])),
    command("swap", when=st.sampled_from(["step", "beat", "bar"])),
)
MOVES = st.lists(st.tuples(st.floats(0.0, 400.0), COMMANDS), max_size=8)


def night(desk: Desk, moves: list[tuple[float, dict[str, Any]]], other: Any) -> None:
    for wait, move in moves:
        desk.run(wait)
        if move["do"] == "midi":
            desk.midi(move["data"])
        elif move["do"] == "swap":
            desk.player.swap(other, 2, move["when"])
        else:
            try:
                desk.player.command(decode(move), desk.now)
            except CommandError:
                continue
    desk.run(600)


def wire_is_sound(desk: Desk, gap_ms: float) -> None:
    """Every note-on has its own note-off, and an opened gate was closed before."""
    sounding: dict[tuple[int, int], float] = {}
    for ms, data in desk.sent():
        if data[0] & 0xF0 == 0x90:
            assert data[2] > 0
            key = (data[0] & 0x0F, data[1])
            assert key not in sounding, f"{key} opened twice, at {sounding[key]} and {ms}"
            sounding[key] = ms
        elif data[0] & 0xF0 == 0x80:
            sounding.pop((data[0] & 0x0F, data[1]), None)
    assert not sounding, f"left open: {sounding}"


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(score=scores(), other=scores(), moves=MOVES, gap=st.floats(1, 20), lead=st.floats(0, 10))
@pytest.mark.slow
def test_every_gate_that_opens_closes(
    score: Any, other: Any, moves: list[tuple[float, dict[str, Any]]], gap: float, lead: float
) -> None:
    desk = Desk(
        score,
        timing=Timing(lead_ms=lead, retrigger_gap_ms=gap),
        clock=ClockSettings(send_to=("main",)),
    )
    desk.start()
    night(desk, moves, other)
    desk.player.finish()
    wire_is_sound(desk, gap)
    assert not desk.player.outputs.open
    assert not [text for text in desk.player.warnings if "failed" in text]


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(score=scores(), cuts=st.lists(st.floats(0.01, 40.0), min_size=1, max_size=8))
@pytest.mark.slow
def test_calling_more_often_than_asked_changes_nothing(score: Any, cuts: list[float]) -> None:
    """The player may be called at any time (MIDI, commands): what is sent stays the same."""
    plain, restless = Desk(score), Desk(score)
    plain.start()
    restless.start()
    plain.run(1200)
    number = 0
    while restless.now < plain.now:
        restless.run(min(cuts[number % len(cuts)], (plain.now - restless.now) / 1e6))
        number += 1
    gates = [row for row in plain.sent() if row[1][0] & 0xF0 in (0x80, 0x90)]
    assert gates == [row for row in restless.sent() if row[1][0] & 0xF0 in (0x80, 0x90)]


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(score=scores(), gap=st.floats(1, 20))
@pytest.mark.slow
def test_no_gate_outlasts_its_length(score: Any, gap: float) -> None:
    """Left alone, each opening ends with the last of the hits until then on its output (lanes that
    share one keep it open for each other), or before."""
    desk = Desk(score, timing=Timing(retrigger_gap_ms=gap))
    outs = {lane.name: lane.out for lane in score.lanes}
    hits: dict[str | None, list[tuple[float, float]]] = {}
    ms_per_tick = 60_000 / (score.spec.tempo * 960)

    def notice(item: Any, due: int) -> None:
        if item.kind == "hit":
            at = (due - desk.zero) / 1e6
            hits.setdefault(outs[item.owner], []).append((at, at + item.length * ms_per_tick))

    desk.player.sender.notice = notice
    desk.start()
    desk.run(1500)
    now = (desk.now - desk.zero) / 1e6
    for gate in range(1, 5):
        for opening in desk.openings(gate):
            made = [hit for hit in hits[f"main.gate-{gate}"] if hit[0] <= opening.on + 1e-6]
            assert abs(made[-1][0] - opening.on) < 1e-3
            end = now if opening.off is None else opening.off
            assert end <= max(until for _, until in made) + 1e-3
