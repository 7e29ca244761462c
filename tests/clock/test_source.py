"""One clock leads, the others are counted, a loop is cut."""

from __future__ import annotations

import pytest

from bridge.clock.source import ECHO_MOST, EchoGuard, Sources
from bridge.errors import CommandError

CLOCK = b"\xf8"
MS = 1_000_000


def test_two_clocks_at_once_only_the_chosen_one_counts() -> None:
    """The same host often sends its clock on two ports."""
    sources = Sources("desk")
    heard = []
    for i in range(48):
        heard.append(sources.hear("desk", i * 20 * MS, CLOCK))
        heard.append(sources.hear("lamp", i * 20 * MS + MS, CLOCK))
    assert heard == ["ours", "other"] * 48
    assert sources.others == {"lamp": 48}


@pytest.mark.parametrize("data", [b"\xfa", b"\xfb", b"\xfc", b"\xf2\x08\x00"])
def test_transport_of_another_source_is_not_ours(data: bytes) -> None:
    sources = Sources("desk")
    assert sources.hear("lamp", 0, data) == "other"
    assert sources.hear("desk", 0, data) == "ours"
    assert sources.others == {}


@pytest.mark.parametrize("data", [b"\x90\x3c\x40", b"\xb0\x7b\x00", b"\xfe", b""])
def test_what_is_no_clock_is_left_to_others(data: bytes) -> None:
    assert Sources("desk").hear("desk", 0, data) == "not-clock"


def test_while_we_lead_every_clock_is_another_one() -> None:
    sources = Sources()
    assert sources.hear("desk", 0, CLOCK) == "other"


def test_a_port_of_our_own_is_never_followed() -> None:
    sources = Sources("desk", own=["main"])
    with pytest.raises(CommandError, match="our own output"):
        sources.choose("main")
    assert sources.choice == "desk"
    assert sources.hear("main", 0, CLOCK) == "other"


def test_the_fastest_clock_is_no_echo() -> None:
    """400 bpm: 160 clocks a second (24 to the quarter)."""
    sources = Sources("desk")
    gap = 60_000_000_000 // (400 * 24)
    assert {sources.hear("desk", i * gap, CLOCK) for i in range(2000)} == {"ours"}


def test_a_loop_is_cut_and_said_once() -> None:
    sources = Sources("desk")
    heard = [sources.hear("lamp", i * MS, b"\x90\x3c\x40") for i in range(ECHO_MOST + 50)]
    assert heard.count("now-cut") == 1
    assert heard.index("now-cut") == ECHO_MOST
    assert heard[-1] == "cut"
    assert sources.cut == {"lamp"}
    assert sources.hear("desk", 10**9, CLOCK) == "ours"


def test_a_cut_input_is_heard_again_when_it_is_chosen() -> None:
    sources = Sources("desk")
    for i in range(300):
        sources.hear("lamp", i * MS, CLOCK)
    assert sources.hear("lamp", 10**9, CLOCK) == "cut"
    sources.choose("lamp")
    assert sources.hear("lamp", 2 * 10**9, CLOCK) == "ours"
    assert sources.others == {}


def test_many_different_messages_are_no_loop_and_take_bounded_room() -> None:
    """Thousands of foreign controller messages a second are not an echo."""
    guard = EchoGuard()
    said = {guard.repeats(i * 200_000, bytes((0xB0, i % 120, i % 128))) for i in range(20_000)}
    assert said == {False}
    assert len(guard._seen) <= 64


def test_the_same_message_slowly_is_no_loop() -> None:
    guard = EchoGuard()
    assert not any(guard.repeats(i * 5_010_000, b"\xf8") for i in range(2000))


def test_a_little_more_than_200_a_second_is_one() -> None:
    guard = EchoGuard()
    said = [guard.repeats(i * 4_990_000, b"\xf8") for i in range(300)]
    assert said == [False] * 200 + [True] * 100
