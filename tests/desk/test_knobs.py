"""What messages of a controller mean, and when a knob has hold of a value."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.desk.knobs import ECHO_S, Pair, Pickup, Touched, read

# Status bytes: MIDI 1.0, table of channel messages (8n note off, 9n note on, Bn control change).


@pytest.mark.parametrize(
    ("data", "touched"),
    [
        ("b0147f", Touched("pads", "cc", 1, 20, 127)),
        ("bf0000", Touched("pads", "cc", 16, 0, 0)),
        ("912440", Touched("pads", "note", 2, 36, 64)),
        ("912400", Touched("pads", "note", 2, 36, 0)),  # a note-on of velocity 0 is a note-off
        ("812440", Touched("pads", "note", 2, 36, 0)),
        ("b07b00", None),  # all notes off: a mode message, no control
        ("e00040", None),
        ("c005", None),
    ],
)
def test_messages_become_touches(data: str, touched: Touched | None) -> None:
    assert read("pads", bytes.fromhex(data)) == touched


@given(st.binary(max_size=4))
def test_any_message_is_taken(data: bytes) -> None:
    touched = read("pads", data)
    assert touched is None or 1 <= touched.channel <= 16


@pytest.mark.parametrize(
    ("kind", "value", "pressed"),
    [("cc", 63, False), ("cc", 64, True), ("note", 0, False), ("note", 1, True)],
)
def test_what_counts_as_pressed(kind: str, value: int, pressed: bool) -> None:
    """Switches: 0 to 63 off, 64 to 127 on (MIDI 1.0 Detailed Specification 4.2.1, table III)."""
    assert Touched("pads", kind, 1, 20, value).pressed is pressed


# One row per message: where the state says the macro is (None: as before), where the knob then
# goes, and whether the macro follows.
Row = tuple[float | None, float, bool]
TURNS: list[tuple[str, list[Row]]] = [
    (
        "from below, it waits until it has passed",
        [(0.5, 0.0, False), (None, 0.3, False), (None, 0.6, True), (None, 0.9, True)],
    ),
    ("from above", [(0.5, 1.0, False), (None, 0.7, False), (None, 0.4, True)]),
    ("it need not be hit exactly", [(0.505, 0.5, True)]),
    ("the first place says nothing of where it came from", [(0.5, 0.9, False), (None, 0.8, False)]),
    (
        "its own echo, however late, does not make it let go",
        [
            (0.5, 0.5, True),
            (None, 0.6, True),
            (None, 0.7, True),
            (0.6, 0.8, True),
            (0.7, 0.9, True),
            (0.9, 1.0, True),
        ],
    ),
    (
        "another hand makes it let go, and it waits anew",
        [(0.5, 0.5, True), (0.2, 0.6, False), (None, 0.4, False), (None, 0.1, True)],
    ),
    (
        "a section that brings the macro to where the knob is gives it back",
        [(0.5, 0.5, True), (0.2, 0.6, False), (0.6, 0.65, True)],
    ),
    ("the ends can be met", [(1.0, 0.9, False), (None, 1.0, True)]),
    ("before the macro is known it moves nothing", [(None, 0.5, False), (0.5, 0.5, True)]),
]


@pytest.mark.parametrize(("rows"), [rows for _, rows in TURNS], ids=[name for name, _ in TURNS])
def test_a_knob_takes_hold_when_it_meets_or_passes_the_value(rows: list[Row]) -> None:
    pickup = Pickup()
    for number, (stands, value, moves) in enumerate(rows):
        if stands is not None:
            pickup.stands(stands, number * 0.01)
        assert pickup.move(value, number * 0.01) is moves, number
        assert pickup.waiting is not moves
        assert pickup.value == value


def test_an_old_echo_is_no_excuse() -> None:
    pickup = Pickup()
    pickup.stands(0.5, 0.0)
    assert pickup.move(0.5, 0.0)
    assert pickup.move(0.6, 0.1)
    pickup.stands(0.6, 0.2)
    pickup.stands(0.5, 0.2 + 2 * ECHO_S)  # somebody undid it, long after
    assert pickup.waiting
    assert pickup.goal == 0.5


def test_without_pickup_it_always_has_hold() -> None:
    pickup = Pickup(wait=False)
    pickup.stands(0.9, 0.0)
    assert pickup.move(0.1, 0.0)
    pickup.stands(0.5, 0.1)
    pickup.let_go()
    assert pickup.move(0.9, 0.2)


def test_a_refused_knob_lets_go() -> None:
    pickup = Pickup()
    pickup.stands(0.5, 0.0)
    assert pickup.move(0.5, 0.0)
    assert pickup.move(0.7, 0.1)
    pickup.let_go()
    assert not pickup.move(0.8, 0.2)


@given(st.lists(st.integers(0, 127), min_size=2), st.integers(0, 127))
def test_a_knob_that_goes_through_its_whole_way_always_takes_hold(
    steps: list[int], start: int
) -> None:
    pickup = Pickup()
    pickup.stands(start / 127, 0.0)
    pickup.move(0.0, 0.0)
    assert pickup.move(1.0, 0.1)
    for step in steps:
        assert pickup.move(step / 127, 0.2)


def test_both_halves_make_fourteen_bits() -> None:
    """MSB, then LSB; 16384 steps: MIDI 1.0 Detailed Specification 4.2.1, p. 12."""
    pair = Pair()
    assert pair.coarse(0x40) == pytest.approx(0x2000 / 16383)
    assert pair.fine(0x01) == pytest.approx(0x2001 / 16383)
    assert pair.fine(0x7F) == pytest.approx(0x207F / 16383)
    assert pair.coarse(0x41) == pytest.approx(0x2080 / 16383)  # the fine half is 0 again
    pair.coarse(127)
    assert pair.fine(127) == 1.0
    assert (pair.coarse(0), pair.coarse(127)) == (0.0, 1.0)  # without a fine half: both ends
