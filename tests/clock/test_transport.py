"""Start, Continue, Stop and Song Position: every cell of the table, and what the standard says.

Page numbers are those of the MIDI 1.0 Detailed Specification 4.2.1, by way of
tests/reference/midi_facts.yaml.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bridge.clock.transport import EVENTS, STATES, TABLE, Action, State, Transport
from bridge.errors import CommandError

Step = tuple[str, int | None]


def at(state: State, position: int = 0, waiting: int | None = None) -> Transport:
    transport = Transport()
    transport.state, transport.position, transport.waiting = state, position, waiting
    return transport


def seen(transport: Transport) -> tuple[str, int, int | None]:
    return transport.state, transport.position, transport.waiting


def says(*actions: Action) -> list[tuple[str, int | None]]:
    return [(action.do, action.clock) for action in actions]


# state, event, value -> state, position, waiting, actions; before each the position is 30
CELLS: list[tuple[State, str, int | None, State, int, int | None, list[tuple[str, int | None]]]] = [
    ("stopped", "start", None, "armed", 0, None, [("locate", 0)]),
    ("stopped", "continue", None, "armed", 30, None, []),
    ("stopped", "stop", None, "stopped", 30, None, []),
    ("stopped", "pulse", 1, "stopped", 30, None, []),
    ("stopped", "position", 10, "stopped", 60, None, [("locate", 60)]),
    ("stopped", "locate", 25, "stopped", 25, None, [("locate", 25)]),
    ("stopped", "loss", None, "stopped", 30, None, []),
    ("stopped", "take", None, "stopped", 30, None, []),
    ("stopped", "mode", 123, "stopped", 30, None, []),
    ("armed", "start", None, "armed", 0, None, [("locate", 0)]),
    ("armed", "continue", None, "armed", 30, None, []),
    ("armed", "stop", None, "stopped", 30, None, []),
    ("armed", "pulse", 1, "running", 31, None, [("play", 30)]),
    ("armed", "position", 4, "armed", 24, None, [("locate", 24)]),
    ("armed", "locate", 25, "armed", 25, None, [("locate", 25)]),
    ("armed", "loss", None, "armed", 30, None, []),
    ("armed", "take", None, "armed", 30, None, []),
    ("armed", "mode", 120, "armed", 30, None, []),
    ("running", "start", None, "running", 30, 0, []),
    ("running", "continue", None, "running", 30, None, []),
    ("running", "stop", None, "stopped", 30, None, [("close", None)]),
    ("running", "pulse", 1, "running", 31, None, []),
    ("running", "position", 10, "running", 30, 60, []),
    ("running", "locate", 25, "running", 30, 25, []),
    ("running", "loss", None, "lost", 30, None, [("freewheel", None)]),
    ("running", "take", None, "running", 30, None, []),
    ("running", "mode", 123, "running", 30, None, []),
    ("lost", "start", None, "lost", 30, 0, []),
    ("lost", "continue", None, "lost", 30, None, []),
    ("lost", "stop", None, "stopped", 30, None, [("close", None)]),
    ("lost", "pulse", 7, "running", 37, None, [("relock", None)]),
    ("lost", "position", 10, "lost", 30, 60, []),
    ("lost", "locate", 25, "lost", 30, 25, []),
    ("lost", "loss", None, "lost", 30, None, []),
    ("lost", "take", None, "running", 30, None, []),
    ("lost", "mode", 120, "lost", 30, None, []),
]


@pytest.mark.parametrize(
    ("state", "event", "value", "after", "position", "waiting", "actions"), CELLS
)
def test_cell(
    state: State,
    event: str,
    value: int | None,
    after: State,
    position: int,
    waiting: int | None,
    actions: list[tuple[str, int | None]],
) -> None:
    transport = at(state, 30)
    assert says(*transport.event(event, value)) == actions
    assert seen(transport) == (after, position, waiting)


def test_every_cell_is_covered() -> None:
    assert {(cell[0], cell[1]) for cell in CELLS} == {(s, e) for s in STATES for e in EVENTS}
    assert set(TABLE) == {(s, e) for s in STATES for e in EVENTS if e not in ("mode", "locate")}


def run(*steps: str | Step) -> tuple[Transport, list[tuple[str, int | None]]]:
    """A transport after these events, and all it said to do."""
    transport = Transport()
    said: list[tuple[str, int | None]] = []
    for step in steps:
        name, value = (step, None) if isinstance(step, str) else step
        said += says(*transport.event(name, value))
    return transport, said


def pulses(count: int) -> list[str]:
    return ["pulse"] * count


@pytest.fixture
def facts(reference: Path) -> dict[str, Any]:
    entries = yaml.safe_load((reference / "midi_facts.yaml").read_text(encoding="utf-8"))["entries"]
    return {entry["id"]: entry["value"] for entry in entries}


class TestTheStandard:
    def test_the_first_clock_after_start_is_the_downbeat(self) -> None:
        """p. 30-31; RFC 6295 B.3."""
        transport, said = run("start", "pulse")
        assert said == [("locate", 0), ("play", 0)]
        assert transport.position == 1

    def test_clocks_before_start_move_nothing(self) -> None:
        """p. 30: clocks may be sent while stopped, so that receivers can lock."""
        assert run(*pulses(100), "start", "pulse")[1] == [("locate", 0), ("play", 0)]

    def test_start_is_position_zero_and_continue(self) -> None:
        """p. 28."""
        one, said = run(("position", 99), "start", "pulse")
        two, said_two = run(("position", 99), ("position", 0), "continue", "pulse")
        assert seen(one) == seen(two)
        assert said == said_two

    def test_song_position_counts_six_clocks(self, facts: dict[str, Any]) -> None:
        """p. 27: SPP 10 is 60 clocks."""
        assert facts["spp_unit"] == 6
        assert run(("position", 10), "continue", "pulse")[1] == [("locate", 60), ("play", 60)]

    def test_three_clocks_after_position_four(self) -> None:
        """p. 28-29: SPP 4, Continue, three clocks gone by: the next plays clock 27."""
        transport, _ = run(("position", 4), "continue", *pulses(3))
        assert transport.position == 27

    def test_the_highest_song_position(self, facts: dict[str, Any]) -> None:
        """RFC 6295 B.3: 16383 x 6 + 5 is the highest clock that can be told."""
        transport, _ = run(("position", 16383), "continue", *pulses(5))
        assert transport.position == facts["spp_max_clocks"]

    def test_stop_keeps_the_position_and_clocks_do_not_move_it(self) -> None:
        """p. 31."""
        _, said = run("start", *pulses(7), "stop", *pulses(50), "continue", "pulse")
        assert said == [("locate", 0), ("play", 0), ("close", None), ("play", 7)]

    def test_a_position_while_stopped_changes_it(self) -> None:
        """p. 31."""
        _, said = run("start", *pulses(7), "stop", ("position", 2), "continue", "pulse")
        assert said[-2:] == [("locate", 12), ("play", 12)]

    def test_stop_while_stopped_and_continue_while_playing_are_ignored(self) -> None:
        """p. 32."""
        once, said = run("start", *pulses(3), "continue", "pulse", "stop")
        again, said_again = run("start", *pulses(4), "stop", "stop", "stop")
        assert seen(once) == seen(again)
        assert said == said_again

    def test_mode_messages_around_stop_and_start_are_harmless(self) -> None:
        """p. 31: All Notes Off may be added to Stop."""
        plain = run("start", *pulses(3), "stop", "continue", "pulse")
        mixed = run(
            ("mode", 123),
            "start",
            ("mode", 120),
            *pulses(3),
            ("mode", 123),
            "stop",
            ("mode", 123),
            "continue",
            ("mode", 120),
            "pulse",
            ("mode", 123),
        )
        assert seen(plain[0]) == seen(mixed[0])
        assert plain[1] == mixed[1]


class TestHosts:
    """What hosts do beyond the standard (trade practice, no source)."""

    def test_a_double_start_is_one_start(self) -> None:
        assert run("start", "start", "pulse")[1][-1] == ("play", 0)

    def test_start_while_running_goes_to_zero_at_the_next_clock(self) -> None:
        transport, said = run("start", *pulses(30), "start")
        assert said[-1] == ("play", 0)  # nothing is cut short
        assert says(*transport.event("pulse")) == [("jump", 0)]
        assert says(*transport.event("pulse")) == []
        assert transport.position == 2

    def test_a_loop_lands_on_the_next_clock(self) -> None:
        transport, _ = run("start", *pulses(96), ("position", 8))
        assert says(*transport.event("pulse")) == [("jump", 48)]
        assert transport.position == 49

    def test_the_last_of_two_positions_counts(self) -> None:
        transport, _ = run("start", *pulses(96), ("position", 8), ("position", 4))
        assert says(*transport.event("pulse")) == [("jump", 24)]

    def test_a_position_that_waits_is_kept_by_stop(self) -> None:
        transport, _ = run("start", *pulses(5), ("position", 8), "stop")
        assert seen(transport) == ("stopped", 48, None)

    def test_a_clock_that_came_twice_does_not_bring_the_jump(self) -> None:
        transport, _ = run("start", *pulses(5), ("position", 8))
        assert transport.event("pulse", 0) == ()
        assert says(*transport.event("pulse", 1)) == [("jump", 48)]

    def test_a_lost_clock_counts(self) -> None:
        transport, _ = run("start", *pulses(5), ("pulse", 2))
        assert transport.position == 7

    def test_a_count_taken_back_never_goes_below_zero(self) -> None:
        transport, _ = run("start", *pulses(3), ("pulse", -9))
        assert transport.position == 0

    def test_start_while_lost_waits_for_the_clock_and_the_song_goes_on(self) -> None:
        transport, said = run("start", *pulses(5), "loss", "start")
        assert transport.state == "lost"
        assert said[-1] == ("freewheel", None)
        assert says(*transport.event("pulse", 40)) == [("relock", None), ("jump", 0)]

    def test_the_song_goes_on_where_a_clock_would_have_brought_it(self) -> None:
        transport, _ = run("start", *pulses(5), "loss", ("pulse", 48))
        assert transport.position == 53


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize(
    ("event", "value"),
    [
        ("begin", None),
        ("", None),
        ("position", None),
        ("position", -1),
        ("position", 16384),
        ("position", True),
        ("locate", -1),
        ("locate", None),
        ("pulse", True),
        ("pulse", 1.0),
    ],
)
def test_an_illegal_event_is_refused_and_changes_nothing(
    state: State, event: str, value: Any
) -> None:
    transport = at(state, 30, waiting=6)
    before = seen(transport)
    with pytest.raises(CommandError):
        transport.event(event, value)
    assert seen(transport) == before


events = st.one_of(
    st.sampled_from(["start", "continue", "stop", "loss", "take"]).map(lambda name: (name, None)),
    st.tuples(st.just("pulse"), st.sampled_from([None, 1, 1, 2, 0, -2])),
    st.tuples(st.just("position"), st.integers(0, 16383)),
    st.tuples(st.just("locate"), st.integers(0, 100_000)),
    st.tuples(st.just("mode"), st.sampled_from([120, 123])),
)


@given(st.lists(events, max_size=60))
def test_gates_are_closed_whenever_playing_ends_and_play_begins_only_at_a_pulse(
    steps: list[Step],
) -> None:
    transport = Transport()
    for name, value in steps:
        playing = transport.state in ("running", "lost")
        said = [action.do for action in transport.event(name, value)]
        still = transport.state in ("running", "lost")
        assert ("close" in said) == (playing and not still)
        assert ("play" in said) == (not playing and still)
        assert "play" not in said or name == "pulse"
        assert "jump" not in said or (name == "pulse" and playing)
        assert transport.position >= 0
