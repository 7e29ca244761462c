"""Finding a port by a part of its name, among names as ALSA and JACK give them."""

from __future__ import annotations

import pytest

from bridge.errors import PortError
from bridge.ports.port import find, plain, unusable

NAMES = [
    "Midi Through:Midi Through Port-0 14:0",
    "Quay Box:Quay Box MIDI 1 20:0",
    "Quay Box:Quay Box MIDI 2 20:1",
    "Harbour:Harbour MIDI 1 24:0",
    "lanebridge:main 128:0",
    "wire:in",
    "wire:in-2",
]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("harbour", "Harbour:Harbour MIDI 1 24:0"),
        ("box midi 2", "Quay Box:Quay Box MIDI 2 20:1"),
        ("  HARBOUR MIDI ", "Harbour:Harbour MIDI 1 24:0"),
        ("wire:in", "wire:in"),
        ("wire:in-", "wire:in-2"),
        ("Harbour:Harbour MIDI 1 99:3", "Harbour:Harbour MIDI 1 24:0"),
    ],
)
def test_a_part_of_the_name_is_enough_and_a_full_name_wins(text: str, name: str) -> None:
    assert find(text, NAMES) == name


def test_several_matches_are_refused_and_listed() -> None:
    with pytest.raises(PortError) as refused:
        find("quay", NAMES)
    assert "Quay Box MIDI 1" in str(refused.value)
    assert "Quay Box MIDI 2" in str(refused.value)
    assert "Harbour" not in str(refused.value)


def test_two_of_one_kind_are_refused_and_no_longer_name_is_asked_for() -> None:
    twins = [*NAMES, "Quay Box:Quay Box MIDI 1 28:0"]
    for text in ("quay box midi 1", "Quay Box:Quay Box MIDI 1 28:0"):
        with pytest.raises(PortError, match="2 MIDI inputs have the same name") as refused:
            find(text, twins, "input")
        assert "'Quay Box:Quay Box MIDI 1 20:0'" in str(refused.value)
        assert "say more" not in str(refused.value)


@pytest.mark.parametrize("text", ["nowhere", "20:0", "through", "lanebridge", "", "   "])
def test_what_is_not_there_is_refused(text: str) -> None:
    """Numbers change from boot to boot; our own ports and Through would be loops."""
    with pytest.raises(PortError):
        find(text, NAMES)


def test_a_missing_port_is_said_with_what_there_is() -> None:
    with pytest.raises(PortError, match="Harbour MIDI 1") as refused:
        find("nowhere", NAMES)
    assert "Through" not in str(refused.value)
    with pytest.raises(PortError, match="there are none"):
        find("nowhere", [])


def test_why_a_port_is_not_used() -> None:
    assert unusable(NAMES[0])
    assert unusable(NAMES[4])
    assert not unusable(NAMES[1])
    assert plain(NAMES[1]) == "Quay Box:Quay Box MIDI 1"
