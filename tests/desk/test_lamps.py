"""What is shown on a controller, for each thing that a control can be for."""

from __future__ import annotations

from typing import Any

import pytest

from bridge.desk.lamps import messages, shown
from bridge.files.rig import Binding, Controller

LANE = {"muted": False, "pending": None}
STATE: dict[str, Any] = {
    "macros": {"brightness": {"value": 0.5}},
    "lanes": {
        "kick": LANE,
        "rim": LANE | {"muted": True},
        "bass": LANE | {"pending": {"muted": True, "tick": 3840}},
    },
    "section": "flood",
    "section_pending": {"section": "shallow", "tick": 3840},
    "transport": {"state": "running"},
}

# Bn controller value, 9n note velocity (velocity 0 is note-off): MIDI 1.0, table of messages.
TABLE: list[tuple[Binding, list[str]]] = [
    (Binding("cc", 21, 1, macro="brightness"), ["b01540"]),
    (Binding("cc", 21, 16, macro="brightness"), ["bf1540"]),
    (Binding("cc", 1, 1, macro="brightness", pair=True), ["b00140", "b02100"]),
    (Binding("note", 36, 10, mute="kick"), ["99247f"]),
    (Binding("note", 36, 10, mute="rim"), ["992400"]),
    (Binding("note", 36, 10, mute="bass"), ["992440"]),
    (Binding("cc", 36, 1, mute="rim"), ["b02400"]),
    (Binding("note", 1, 1, section="flood"), ["90017f"]),
    (Binding("note", 1, 1, section="shallow"), ["900140"]),
    (Binding("note", 1, 1, section="ebb"), ["900100"]),
    (Binding("note", 1, 1, transport="start"), ["90017f"]),
    (Binding("note", 1, 1, transport="stop"), ["900100"]),
    (Binding("note", 1, 1, transport="mute-all"), ["900100"]),
    (Binding("note", 1, 1, transport="order-next"), ["900100"]),
    (Binding("note", 1, 1, transport="tap"), []),
    (Binding("cc", 21, 1, macro="flotsam"), []),
    (Binding("note", 1, 1, mute="hat"), []),
]


@pytest.mark.parametrize(("binding", "wanted"), TABLE)
def test_what_a_control_shows(binding: Binding, wanted: list[str]) -> None:
    assert [data.hex() for data in messages(binding, STATE)] == wanted


def test_lamps_of_a_song_that_stands() -> None:
    state = STATE | {"transport": {"state": "stopped"}, "lanes": {"rim": LANE | {"muted": True}}}
    lit = {
        word: messages(Binding("note", 1, 1, transport=word), state)[0][2] > 0
        for word in ("start", "stop", "continue", "mute-all")
    }
    assert lit == {"start": False, "stop": True, "continue": False, "mute-all": True}


def test_the_lamp_of_an_order_that_waits_for_its_player() -> None:
    waiting = {"running": True, "entry": 0, "next": 1, "tick": None}
    for order, lit in (
        (waiting, True),
        (waiting | {"tick": 3840}, False),
        ({"running": False, "entry": None, "next": None, "tick": None}, False),
    ):
        button = Binding("note", 1, 1, transport="order-next")
        assert (messages(button, STATE | {"order": order})[0][2] > 0) is lit


def test_only_controls_that_ask_for_it_and_no_motor_under_a_hand() -> None:
    desk = Controller(
        "desk",
        "Knobs",
        (
            Binding("cc", 20, 1, macro="brightness", feedback=True),
            Binding("cc", 21, 1, macro="brightness"),
            Binding("note", 36, 1, mute="kick", feedback=True),
        ),
    )
    free = shown([desk], STATE, frozenset())
    assert free == {
        ("Knobs", b"\xb0\x14"): bytes.fromhex("b01440"),
        ("Knobs", b"\x90\x24"): bytes.fromhex("90247f"),
    }
    held = shown([desk], STATE, frozenset({("desk", "brightness")}))
    assert list(held) == [("Knobs", b"\x90\x24")]
