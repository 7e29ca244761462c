from __future__ import annotations

from bridge.clock.source import ECHO_MOST
from bridge.player.incoming import KEPT_MOST, Incoming

MS = 1_000_000


def test_only_the_chosen_source_is_followed_and_others_are_counted() -> None:
    incoming = Incoming()
    assert incoming.take("pulse", 0, b"\xf8", "pulse") == (True, "")
    assert incoming.take("other", 1, b"\xf8", "pulse") == (False, "")
    assert incoming.take("other", 2, b"\xfa", "pulse") == (False, "")
    assert incoming.take("pulse", 3, b"", "pulse") == (False, "")
    assert incoming.others == {"other": 1}


def test_channel_messages_are_kept_for_the_surface_and_bounded() -> None:
    incoming = Incoming()
    for number in range(KEPT_MOST + 10):
        incoming.take("knobs", number, bytes((0xB0, 7, number % 128)), "pulse")
    assert len(incoming.rows) == KEPT_MOST
    last = KEPT_MOST + 9
    assert incoming.rows[-1] == [last, "knobs", bytes((0xB0, 7, last % 128)).hex()]


def test_an_echo_is_cut_off_once_and_said_once() -> None:
    incoming = Incoming()
    warnings = [
        incoming.take("loop", number * MS, b"\x90\x40\x40", "pulse")[1]
        for number in range(2 * ECHO_MOST)
    ]
    assert [text for text in warnings if text] != []
    assert len([text for text in warnings if text]) == 1
    assert incoming.cut == {"loop"}
    assert len(incoming.rows) == ECHO_MOST


def test_the_fastest_clock_is_no_echo() -> None:
    """400 bpm is 160 clocks a second."""
    incoming = Incoming()
    for number in range(2000):
        assert incoming.take("pulse", number * 6_250_000, b"\xf8", "pulse") == (True, "")
    assert not incoming.cut


def test_a_flood_of_other_messages_loses_no_clock() -> None:
    """5000 foreign controllers a second between the clocks."""
    incoming = Incoming()
    clocks = 0
    for number in range(10_000):
        data = b"\xf8" if number % 104 == 0 else bytes((0xB0, number % 120, number % 128))
        clocks += incoming.take("pulse", number * 200_000, data, "pulse")[0]
    assert clocks == 97
    assert not incoming.cut
