"""The offset to a host's click, from what an audio system and a MIDI port really bring, to what the
rack then plays.

The host (`support.hosts`) sends clocks out of its audio callback and clicks on each beat; the input
is a sound card whose crystal is off, whose callbacks come late, and which loses blocks. Both are
written from how such things work and know nothing of what is tested. The player then follows the
same host with the offset that was found, and its voice is held against the click.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from support import hosts
from support.audio_library import Stream, stand_in
from support.desk import BEGIN, MS, Desk, gate_lane, score_of
from support.states import process_about

from bridge.bench.click import Grid, PlayedGrid, hear_clicks
from bridge.listen import device
from bridge.listen.audio import Block, Listener
from bridge.player.report import Report
from bridge.voltage.rig_parts import ClockSettings

BPM, BEATS = 120.0, 32
VOICE_MS = 2.5  # from a message to its sound
INPUT_MS = 4.0  # by which the card's account of its own times is wrong, for click and voice alike
SECONDS = 7.0


@dataclass
class Host:
    """A computer that leads: Start, clocks in blocks of `block` ns (0: each at its time), and a
    click `click_ms` after each beat."""

    click_ms: float
    block: float = 0.0
    seed: int = 1
    stalls: tuple[hosts.Stall, ...] = ()
    begin: int = BEGIN + 1000 * MS

    def __post_init__(self) -> None:
        clock = 60e9 / BPM / 24 * (1 - 20e-6)  # its crystal is off, too
        self.clocks = [self.begin + n * clock for n in range(24 * BEATS)]
        stamps = hosts.host(self.clocks, self.block, self.seed, self.stalls)
        self.midi = [(self.begin - 5 * MS, b"\xfa"), *((at, b"\xf8") for at in stamps)]
        self.clicks = [at + self.click_ms * MS for at in self.clocks[::24]]


@dataclass
class Card:
    """A sound card that hears a host's clicks: 48 kHz by a crystal that is 30 millionths fast, in
    blocks of 256, each handed over up to 3 ms late. It says how old a block is, or, where it tells
    nothing of lateness, that each is as old as its length."""

    host: Host
    tells: bool = True
    lost: tuple[int, ...] = ()
    now: list[int] = field(default_factory=lambda: [BEGIN])
    name = "Bay mixer"
    rate = 48000.0

    def open(self) -> Listener:
        self._ear = device.open_input(self.name)
        self._brought = self._bring()
        return self

    def close(self) -> None:
        self._ear.close()

    def blocks(self) -> Iterator[Block]:
        return self._brought

    def _bring(self) -> Iterator[Block]:
        heard = self._ear.blocks()
        stream = self._ear._stream
        assert isinstance(stream, Stream)
        chance = np.random.default_rng(self.host.seed)
        period = 1e9 / (48000.0 * (1 + 30e-6))
        click = 0.4 * np.sin(2 * np.pi * 2000.0 * np.arange(288) / 48000.0 + 1.2)
        line = chance.normal(0.0, 3e-4, 256 * 3400)
        for at in self.host.clicks[:-1]:
            place = round((at - BEGIN) / period)
            line[place : place + 288] += click
        for number, samples in enumerate(np.split(line.astype(np.float32), len(line) // 256)):
            late_ns = min(chance.exponential(0.3e6), 3e6)
            if number in self.lost:
                continue
            self.now[0] = round(BEGIN + 256 * (number + 1) * period + late_ns)
            age_ns = 256 * period + (late_ns if self.tells else 0.0) - INPUT_MS * MS
            lost = number - 1 in self.lost
            stream.bring(samples[:, None], 100.0 - age_ns / 1e9, 100.0, lost)
            yield next(heard)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Monotonic time, as the input sees it."""
    now = [BEGIN]
    monkeypatch.setitem(sys.modules, "sounddevice", stand_in([("Bay mixer", 1, 48000.0)]))
    monkeypatch.setattr(device, "_open_inputs", set())
    monkeypatch.setattr(device, "time", SimpleNamespace(monotonic_ns=lambda: now[0]))
    assert time.monotonic_ns() != now[0]
    return now


def played(host: Host, offset_ms: float, note: PlayedGrid | None = None) -> list[float]:
    """Ms by which each quarter of a rack that follows the host sounds after the host's click, once
    it has settled; `note` is told of the song twice a second."""
    lane = gate_lane("kick", "x...x...x...x...")
    desk = Desk(score_of(lane), clock=ClockSettings("pulse", offset_ms))
    told = BEGIN
    report = Report(desk.player, process_about())
    for at, data in host.midi:
        desk.run((at - desk.now) / MS)
        desk.midi(data)
        if note is not None and at > told:
            told += 500 * MS
            note.note(report.full(desk.now))
    begun = [BEGIN + (desk.zero - BEGIN) + opening.on * MS for opening in desk.openings(1)]
    sounds = [at + VOICE_MS * MS for at in begun]
    settled = [at for at in sounds if host.begin + 6_000 * MS < at < host.clicks[-1] + 100 * MS]
    return [min(((at - click) / MS for click in host.clicks), key=abs) for at in settled]


CASES: dict[str, tuple[Host, dict[str, Any], float]] = {
    "each clock at its time": (Host(20.0), {}, 0.15),
    "blocks of 256": (Host(20.0, hosts.block_ns(256, 48000)), {}, 0.3),
    "blocks of 1024, clicks before the clock": (
        Host(-9.0, hosts.block_ns(1024, 48000), 2),
        {},
        0.3,
    ),
    "a card that tells nothing of lateness": (Host(20.0, seed=3), {"tells": False}, 0.3),
    "samples lost": (Host(20.0, seed=4), {"lost": (400, 401, 402)}, 0.15),
    "a host that stalls": (
        Host(20.0, hosts.block_ns(512, 48000), 5, ((BEGIN + 4_200 * MS, 60.0 * MS),)),
        {},
        0.3,
    ),
}
"""Host, card, and within how many ms of the click the rack then sounds: an offset has steps of 0.1
ms, and a clock that comes in blocks is known less well."""


@pytest.mark.parametrize("name", CASES)
def test_the_offset_that_is_found_puts_the_rack_on_the_click(name: str, clock: list[int]) -> None:
    host, told, within_ms = CASES[name]
    clicks = heard(host, clock, **told)
    grid = Grid("pulse", BEGIN)
    grid.take(host.midi, clicks)
    offset = grid.offset_ms(VOICE_MS + INPUT_MS)
    assert offset == pytest.approx(host.click_ms - VOICE_MS, abs=within_ms)
    off = played(host, offset)
    assert len(off) >= 12
    assert max(map(abs, off)) <= within_ms


def test_the_song_that_the_player_plays_gives_the_same_offset(clock: list[int]) -> None:
    """Whatever offset it plays with meanwhile: the state tells of the host's grid."""
    host, told, within_ms = CASES["blocks of 256"]
    clicks = heard(host, clock, **told)
    grid = PlayedGrid()
    played(host, -7.0, grid)
    offset = grid.offset_ms(clicks, VOICE_MS + INPUT_MS)
    assert offset == pytest.approx(host.click_ms - VOICE_MS, abs=within_ms)


def heard(host: Host, clock: list[int], **told: Any) -> list[float]:
    """The clicks as a card brings them."""
    ear = Card(host, now=clock, **told).open()
    try:
        return hear_clicks(ear, SECONDS, BEGIN)
    finally:
        ear.close()
