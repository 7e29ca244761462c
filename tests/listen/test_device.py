"""Inputs by name, and streams that do what streams do, on an audio library that is a stand-in."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from support.audio_library import Stream, stand_in

from bridge.listen import device
from bridge.listen.device import Ear, find, inputs, open_input
from bridge.listen.wrong import ListenError

DEVICES = [
    ("Bay mixer: in (hw:1,0)", 2, 48000.0),
    ("Bay mixer: talkback (hw:1,1)", 1, 48000.0),
    ("Out only", 0, 48000.0),
    ("Old phone line", 1, 8000.0),
]


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    made = stand_in(DEVICES)
    monkeypatch.setitem(sys.modules, "sounddevice", made)
    monkeypatch.setattr(device, "_open_inputs", set())
    return made


def refused(do: Callable[[], object]) -> tuple[str, str]:
    with pytest.raises(ListenError) as told:
        do()
    return told.value.kind, str(told.value)


def stream_of(ear: Ear) -> Stream:
    stream = ear._stream
    assert isinstance(stream, Stream)
    return stream


@pytest.mark.usefixtures("library")
def test_inputs_are_those_with_channels_to_listen_to() -> None:
    assert [(one.name, one.channels, one.default) for one in inputs()] == [
        ("Bay mixer: in (hw:1,0)", 2, True),
        ("Bay mixer: talkback (hw:1,1)", 1, False),
        ("Old phone line", 1, False),
    ]


@pytest.mark.usefixtures("library")
def test_an_input_is_named_by_a_part_of_its_name_or_is_the_default() -> None:
    known = inputs()
    assert find("mixer: IN", known).number == 0
    assert find("", known).number == 0
    kind, said = refused(lambda: find("mixer", known))
    assert kind == "device"
    assert "several inputs: Bay mixer: in (hw:1,0), Bay mixer: talkback" in said
    assert (
        "there is no audio input harp; audio inputs: Bay mixer"
        in refused(lambda: find("harp", known))[1]
    )
    assert "did you mean Old phone line" in refused(lambda: find("old fone line", known))[1]
    assert "has no audio input; is the interface plugged" in refused(lambda: find("x", []))[1]


@pytest.mark.usefixtures("library")
def test_what_cannot_be_opened_is_said_in_words() -> None:
    assert refused(lambda: open_input("mixer: in", 3)) == (
        "channel",
        "Bay mixer: in (hw:1,0) has 2 channels: there is no channel 3",
    )
    assert refused(lambda: open_input("phone", 2))[1].startswith("Old phone line has one channel")
    assert refused(lambda: open_input("phone"))[0] == "rate"
    assert (
        "cannot be opened (Device unavailable); is another"
        in refused(lambda: open_input("talkback"))[1]
    )


def test_without_the_libraries_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    kind, said = refused(inputs)
    assert (kind, "pip install 'lanebridge[listen]'" in said) == ("library", True)


def test_devices_are_looked_up_anew_while_none_is_open(library: Any) -> None:
    inputs()
    ear = open_input("mixer: in")
    before = library.lookups
    inputs()
    assert library.lookups == before
    ear.close()
    inputs()
    assert library.lookups == before + 1


@pytest.mark.usefixtures("library")
def test_blocks_are_of_the_channel_asked_for_and_number_every_sample() -> None:
    ear = open_input("mixer: in", 2)
    blocks = ear.blocks()
    for k in range(3):
        data = np.stack([np.zeros(64), np.full(64, k)], axis=1).astype(np.float32)
        stream_of(ear).bring(data, 10.0 + k * 64 / 48000, 10.002 + k * 64 / 48000)
        block = next(blocks)
        assert block.first == 64 * k
        assert set(block.samples) == {float(k)}
        assert abs(block.ns - time.monotonic_ns()) < 60e9
    ear.close()
    assert refused(lambda: next(blocks))[0] == "gone"


@pytest.mark.usefixtures("library")
def test_what_nobody_asks_for_is_let_go_after_seconds() -> None:
    ear = open_input("mixer: in")
    for k in range(600):
        stream_of(ear).bring(np.full((480, 1), k, np.float32), 1.0, 1.0)
    block = next(ear.blocks())
    assert block.first == 200 * 480  # six seconds came, four are held
    assert block.samples[0] == 200.0
    ear.close()


@pytest.mark.usefixtures("library")
def test_an_overflow_is_a_gap_in_the_numbers() -> None:
    ear = open_input("mixer: in")
    blocks = ear.blocks()
    for lost in (True, False, True):  # what was lost before the first block is no gap
        stream_of(ear).bring(np.zeros((64, 1), np.float32), 1.0, 1.0, lost)
    firsts = [next(blocks).first for _ in range(3)]
    assert firsts[:2] == [0, 64]
    assert firsts[2] > 128
    ear.close()


@pytest.mark.parametrize("misses", [2, 3])
def test_an_audio_system_that_shows_no_input_at_once_is_asked_again(
    library: Any, monkeypatch: pytest.MonkeyPatch, misses: int
) -> None:
    waits: list[float] = []
    rows = library.query_devices()
    monkeypatch.setattr(time, "sleep", waits.append)
    library.query_devices = lambda: rows if library.lookups > misses else []
    if misses < 3:
        open_input("mixer: in").close()
    else:
        kind, said = refused(lambda: open_input("mixer: in"))
        assert (kind, "this computer has no audio input" in said) == ("device", True)
    assert waits == [0.3, 0.3]


@pytest.mark.usefixtures("library")
def test_an_input_that_falls_silent_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(device, "GONE_S", 0.01)
    ear = open_input("mixer: in")
    assert refused(lambda: next(ear.blocks())) == (
        "gone",
        "Bay mixer: in (hw:1,0) brings no more sound: was it pulled out?",
    )
    stream_of(ear).told["finished_callback"]()
    assert refused(lambda: next(ear.blocks()))[0] == "gone"
    ear.close()


def test_samples_that_come_at_another_rate_than_the_input_says_are_refused(
    library: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 0
    monkeypatch.setattr(time, "monotonic_ns", lambda: now)
    ear = open_input("mixer: in")

    def listen() -> None:
        nonlocal now
        blocks = ear.blocks()
        for k in range(400):
            now = round(k * 441 * 1e9 / 44100)
            stream_of(ear).bring(np.zeros((441, 1), np.float32), 1.0, 1.0)
            next(blocks)

    kind, said = refused(listen)
    assert kind == "rate"
    assert "says 48000 Hz but brings 44100 samples a second" in said
    ear.close()
