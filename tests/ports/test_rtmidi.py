"""The real library behind a stand-in, so that plugging and unplugging needs no hardware.

What the stand-in does is what was measured of python-rtmidi 1.5.8: a vanished peer is silent, a
system that is missing raises its own error (an OSError), clock is filtered unless asked for.
"""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import bridge.ports as ports_package
from bridge.errors import PortError
from bridge.ports.rtmidi import RtIn, RtOut, System


class Bench:
    """What is plugged in, and what was done to it."""

    def __init__(self) -> None:
        self.names = ["Quay Box MIDI 1 20:0", "Harbour MIDI 1 24:0"]
        self.systems = {"alsa": False, "jack": True}
        self.clients = 0
        self.sent: list[tuple[str, bytes]] = []
        self.opened: list[str] = []
        self.ignored: dict[str, bool] = {}
        self.callback: Any = None


class FakeMidi:
    def __init__(self, api: str, name: str = "", **_: object) -> None:
        if not BENCH.systems[api]:
            raise FakeError(f"no {api} here")
        BENCH.clients += 1
        self.open_to: str | None = None
        self.takes_callback = False

    def get_ports(self) -> list[str]:
        return list(BENCH.names)

    def open_port(self, index: int, name: str = "") -> None:
        if BENCH.names[index] in BENCH.opened:
            raise FakeError("busy")
        self.open_to = BENCH.names[index]
        BENCH.opened.append(self.open_to)

    def open_virtual_port(self, name: str) -> None:
        self.open_to = name

    def close_port(self) -> None:
        if self.takes_callback:
            BENCH.callback = None  # as found on a JACK server: silent after opening again
        if self.open_to in BENCH.opened:
            BENCH.opened.remove(self.open_to)
        self.open_to = None

    def delete(self) -> None:
        BENCH.clients -= 1

    def send_message(self, data: bytes) -> None:
        if self.open_to is None or (self.open_to not in BENCH.names and ":" in self.open_to):
            return  # silent, as measured
        BENCH.sent.append((self.open_to, bytes(data)))

    def ignore_types(self, **kinds: bool) -> None:
        BENCH.ignored = kinds

    def set_callback(self, callback: Any) -> None:
        BENCH.callback = callback
        self.takes_callback = True


class FakeError(OSError):
    pass


BENCH = Bench()


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    global BENCH
    BENCH = Bench()
    module = ModuleType("rtmidi")
    module.__dict__.update(
        MidiIn=FakeMidi,
        MidiOut=FakeMidi,
        RtMidiError=FakeError,
        API_LINUX_ALSA="alsa",
        API_UNIX_JACK="jack",
        API_RTMIDI_DUMMY="dummy",
        get_api_name=lambda api: api,
        get_compiled_api=lambda: ["alsa", "jack"],
    )
    monkeypatch.setitem(sys.modules, "rtmidi", module)
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(ports_package, "_system", None)
    monkeypatch.setattr("bridge.ports.rtmidi.JackWatch", no_library)
    return BENCH


def no_library(name: str) -> None:
    raise OSError("no JACK library is found")


class Watch:
    """A server's own list of ports, and how it is."""

    outputs = ("wire:in",)
    inputs = ("pulse:clock", "lanebridge:main", "lanebridge-01:main-safety")

    def __init__(self, name: str) -> None:
        if not BENCH.systems["jack"]:
            raise FakeError("no server")

    def state(self) -> str:
        return "alive"

    def names(self, way: str) -> list[str]:
        return list(self.outputs if way == "out" else self.inputs)

    def close(self) -> None:
        pass


def test_a_jack_server_is_asked_for_its_ports_by_a_client_that_it_never_runs(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a dead process of ours has left there is told from what we hold ourselves."""
    monkeypatch.setattr("bridge.ports.rtmidi.JackWatch", Watch)
    system = System()
    assert (system.api, bench.clients) == ("jack", 0)
    assert (system.outputs(), system.inputs()) == (["wire:in"], list(Watch.inputs))
    assert system.left_behind({"main"})
    assert not system.left_behind({"clock", "other"}), "that clock is somebody else's"
    monkeypatch.setattr(Watch, "inputs", Watch.inputs[::2])
    assert not system.left_behind({"main"})
    system.close()
    bench.systems["jack"] = False
    with pytest.raises(PortError, match="no MIDI system"):
        System()


def test_without_a_jack_library_of_its_own_nothing_is_known_of_the_dead(bench: Bench) -> None:
    assert not ports_package.left_behind({"main"})
    ports_package.warm()
    assert not ports_package.left_behind({"main"})


def test_without_a_sequencer_jack_is_used(bench: Bench) -> None:
    assert System().api == "jack"


def test_without_any_system_it_is_said(bench: Bench) -> None:
    bench.systems = {"alsa": False, "jack": False}
    with pytest.raises(PortError, match="no MIDI system"):
        System()
    assert ports_package.list_ports() == []
    with pytest.raises(PortError):
        ports_package.open_output("harbour")


def test_without_the_library_it_is_said(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    with pytest.raises(PortError, match="python-rtmidi"):
        System()


def test_ten_thousand_listings_make_no_more_clients(bench: Bench) -> None:
    ports_package.warm()
    ports_package.list_ports()
    before = bench.clients
    for _ in range(10_000):
        ports_package.list_ports()
    assert bench.clients == before <= 2


def test_listing_says_what_is_not_to_be_used(bench: Bench) -> None:
    bench.names += ["Midi Through Port-0 14:0", "lanebridge:main 128:0"]
    found = {(info.name, info.way): info.usable for info in ports_package.list_ports()}
    assert found["Harbour MIDI 1 24:0", "out"]
    assert not found["Midi Through Port-0 14:0", "out"]
    assert not found["lanebridge:main 128:0", "in"]
    assert len(found) == 8


def test_sending_goes_to_the_port_that_was_named(bench: Bench) -> None:
    port = ports_package.open_output("harbour", "main")
    port.send(b"\x90\x24\x40")
    assert bench.sent == [("Harbour MIDI 1 24:0", b"\x90\x24\x40")]
    assert port.name == "Harbour MIDI 1 24:0"
    port.close()
    port.close()
    port.send(b"\xf8")
    assert len(bench.sent) == 1
    assert not port.alive()
    assert not port.reopen()


def test_a_port_that_vanishes_is_seen_and_opened_again_under_a_new_number(bench: Bench) -> None:
    port = RtOut(System(), "harbour", "main")
    bench.names.remove("Harbour MIDI 1 24:0")
    assert not port.alive()
    assert not port.reopen()
    port.send(b"\xf8")
    bench.names.append("Harbour MIDI 1 32:0")
    assert port.alive()
    assert port.reopen()
    port.send(b"\x90\x24\x40")
    assert bench.sent[-1] == ("Harbour MIDI 1 32:0", b"\x90\x24\x40")


@pytest.fixture
def twins(bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Two devices of one kind in two USB sockets, as an ALSA sequencer lists them."""
    for card, socket in ((1, "1-1.2"), (3, "1-1.3")):
        place = f"../../devices/usb1/1-1/{socket}/{socket}:1.0/sound/card{card}"
        (tmp_path / f"card{card}").symlink_to(place)
    monkeypatch.setattr("bridge.ports.usb.CARDS", tmp_path)
    monkeypatch.setattr("bridge.ports.rtmidi.ALSA_SEQUENCER", tmp_path)
    bench.systems["alsa"] = True
    bench.names = ["Quay Box MIDI 1 20:0", "Quay Box MIDI 1 28:0"]
    return bench


def test_two_of_one_kind_are_told_apart_by_their_socket(twins: Bench) -> None:
    with pytest.raises(PortError, match="write its USB socket behind the name"):
        ports_package.open_output("Quay Box")
    port = ports_package.open_output("Quay Box, usb 1-1.3")
    assert port.name == "Quay Box MIDI 1 28:0, usb 1-1.3"
    port.send(b"\x99\x24\x40")
    assert twins.sent == [("Quay Box MIDI 1 28:0", b"\x99\x24\x40")]
    twins.names = ["Quay Box MIDI 1 20:0"]
    assert not port.alive(), "the other one is no stand-in"
    assert not port.reopen()


def test_one_of_a_kind_is_found_again_in_another_socket(twins: Bench) -> None:
    twins.names = ["Quay Box MIDI 1 20:0"]
    port = ports_package.open_output("Quay Box")
    twins.names = ["Quay Box MIDI 1 28:0"]
    assert not port.alive()
    assert port.reopen()
    assert port.name == "Quay Box MIDI 1 28:0, usb 1-1.3"
    twins.names = ["Quay Box MIDI 1 20:0", "Quay Box MIDI 1 28:0"]
    assert port.alive(), "a second one of its kind changes nothing"


def test_hundred_unpluggings_leak_nothing(bench: Bench) -> None:
    port = RtOut(System(), "harbour", "main")
    clients = bench.clients
    for number in range(100):
        bench.names = ["Quay Box MIDI 1 20:0"]
        assert not port.alive()
        bench.names.append(f"Harbour MIDI 1 {number}:0")
        assert port.reopen()
    assert bench.clients == clients
    assert bench.opened == ["Harbour MIDI 1 99:0"]


def test_a_port_in_use_is_said_and_leaves_nothing_behind(bench: Bench) -> None:
    system = System()
    RtOut(system, "harbour", "main")
    clients = bench.clients
    with pytest.raises(PortError, match="cannot be opened"):
        RtOut(system, "harbour", "main")
    with pytest.raises(PortError, match="nowhere"):
        RtOut(system, "nowhere", "main")
    assert bench.clients == clients


def test_a_port_of_our_own_is_always_there(bench: Bench) -> None:
    port = ports_package.open_output("virtual:drums", "main")
    assert port.name == "drums"
    assert port.alive()
    assert port.reopen()


def test_clock_comes_in_stamped_and_sysex_and_sensing_stay_out(bench: Bench) -> None:
    got: list[tuple[int, bytes]] = []
    port = RtIn(System(), "harbour", "clock", lambda stamp, data: got.append((stamp, data)))
    assert bench.ignored == {"sysex": True, "timing": False, "active_sense": True}
    bench.callback(([0xF8], 0.02), None)
    assert got[0][1] == b"\xf8"
    assert got[0][0] > 0
    port.close()


def test_an_input_hears_again_when_it_is_back(bench: Bench) -> None:
    heard: list[bytes] = []
    port = ports_package.open_input("harbour", lambda ns, data: heard.append(data))
    bench.callback(([0x90, 36, 127], 0.0))
    names, bench.names = bench.names, []
    assert not port.alive()
    assert not port.reopen()
    bench.names = names
    assert port.reopen()
    bench.callback(([0x90, 37, 127], 0.0))
    assert heard == [bytes((0x90, 36, 127)), bytes((0x90, 37, 127))]
