"""Two devices of one kind, told apart by the USB socket that each is plugged into.

The tree of devices is made up as the kernel has it (Documentation/ABI, sysfs-bus-usb: a device is
``BUS-PORT[.PORT...]``, its interfaces ``...:CONFIG.INTERFACE``). Which client number belongs to which
card stands in the kernel's sound/core/seq/seq_clientmgr.c; no device was there to try it with.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import PortError
from bridge.ports.port import bare, find, plain
from bridge.ports.usb import named, socket_of, split

PLACES = {
    0: "../../devices/pci0000:00/0000:00:1f.3/sound/card0",
    1: "../../devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1.2/1-1.2:1.0/sound/card1",
    2: "../../devices/pci0000:00/0000:00:14.0/usb1/1-10/1-10:1.0/sound/card2",
    3: "../../devices/platform/soc/fe9c0000.xhci/usb3/3-1/3-1.4/3-1.4.2/3-1.4.2:1.1/sound/card3",
}


@pytest.fixture
def cards(tmp_path: Path) -> Path:
    for number, place in PLACES.items():
        (tmp_path / f"card{number}").symlink_to(place)
    return tmp_path


def test_the_socket_of_a_card_is_read_from_its_place(cards: Path) -> None:
    assert [socket_of(n, cards) for n in range(5)] == ["", "1-1.2", "1-10", "3-1.4.2", ""]


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("Quay Box:Quay Box MIDI 1 20:0", "Quay Box:Quay Box MIDI 1 20:0, usb 1-1.2"),
        ("Quay Box:Quay Box MIDI 2 23:1", "Quay Box:Quay Box MIDI 2 23:1, usb 1-1.2"),
        ("Quay Box:Quay Box MIDI 1 24:0", "Quay Box:Quay Box MIDI 1 24:0, usb 1-10"),
        ("Onboard:Onboard MIDI 16:0", "Onboard:Onboard MIDI 16:0"),
        ("Midi Through:Midi Through Port-0 14:0", "Midi Through:Midi Through Port-0 14:0"),
        ("Other program:out 128:0", "Other program:out 128:0"),
        ("wire:in", "wire:in"),
    ],
)
def test_ports_of_a_usb_device_are_shown_with_their_socket(
    cards: Path, name: str, shown: str
) -> None:
    assert named(name, cards) == shown


TWINS = ["Quay Box:Quay Box MIDI 1 20:0, usb 1-1", "Quay Box:Quay Box MIDI 1 28:0, usb 1-10"]


def test_twins_are_told_apart_by_the_socket_that_is_written_behind() -> None:
    for number, socket in enumerate(("1-1", "1-10")):
        assert find(f"Quay Box MIDI 1, usb {socket}", TWINS) == TWINS[number]
        assert find(f"quay box, USB {socket}", reversed(TWINS)) == TWINS[number]
    with pytest.raises(PortError, match="no MIDI output has") as refused:
        find("Quay Box MIDI 1, usb 1-1.3", TWINS)
    assert "usb 1-10" in str(refused.value), "what is there is said"


def test_twins_without_a_socket_are_refused_with_what_to_write() -> None:
    with pytest.raises(PortError, match="2 MIDI inputs have the same name") as refused:
        find("Quay Box MIDI 1", TWINS, "input")
    assert "'Quay Box:Quay Box MIDI 1, usb 1-1'" in str(refused.value)
    assert find("Quay Box MIDI 1", TWINS[:1]) == TWINS[0], "one alone needs no socket"


def test_the_socket_stays_when_the_numbers_change() -> None:
    assert plain(TWINS[1]) == "Quay Box:Quay Box MIDI 1, usb 1-10"
    assert bare(TWINS[1]) == "Quay Box:Quay Box MIDI 1"
    assert split("Quay Box MIDI 1") == ("Quay Box MIDI 1", "")
    assert find(plain(TWINS[1]), ["Quay Box:Quay Box MIDI 1 36:0, usb 1-10", TWINS[0]]).endswith(
        "10"
    )
