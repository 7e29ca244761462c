"""A soundcheck: the right thing at each kind of jack, quietly first, and back to rest."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path

import pytest

from bridge.bench import checklist as soundcheck
from bridge.files.profile import load_profile, shipped
from bridge.voltage.decode import Decoder
from bridge.voltage.encode import Encoder, Message
from bridge.voltage.profile import WiredOutput


def rig_of(profile: str) -> dict[str, WiredOutput]:
    return {
        f"main.{out.name}": WiredOutput(f"main.{out.name}", "main", out, "a cable")
        for out in load_profile(profile, None).outputs
    }


class Listener:
    """Decodes what is sent and keeps every voltage that each output had."""

    def __init__(self, wired: dict[str, WiredOutput]) -> None:
        self.decoder = Decoder(wired)
        self.seen: dict[str, list[float]] = {name: [] for name in wired}
        self.waited = 0.0

    def send(self, data: bytes) -> None:
        for name, volts in self.decoder.feed("main", data):
            self.seen[name].append(volts)

    def send_all(self, messages: Sequence[Message]) -> None:
        for message in messages:
            self.send(message.data)

    def wait(self, ms: float) -> None:
        assert ms > 0
        self.waited += ms


@pytest.mark.parametrize("profile", [Path(p).stem for p in map(str, shipped())])
@pytest.mark.parametrize("loud", [False, True])
def test_every_output_of_every_profile(profile: str, loud: bool) -> None:
    wired = rig_of(profile)
    for name, one in wired.items():
        out = one.output
        listener = Listener(wired)
        encoder = Encoder(wired)
        for message in encoder.setup():
            listener.send(message.data)
        for trace in listener.seen.values():
            trace.clear()
        soundcheck.carry_out(one, encoder, listener.send_all, listener.wait, loud)
        low, high = sorted((out.low, out.high))
        assert all(low - 1e-9 <= v <= high + 1e-9 for v in listener.seen[name])
        assert encoder.open == frozenset()
        assert listener.waited < 15_000
        if out.kind in ("gate", "trigger") and out.address.by != "clock":
            assert listener.decoder.volts[name] == pytest.approx(out.low)
            assert len(listener.seen[name]) >= 4
        elif out.kind == "level":
            step = abs(out.high - out.low) / (2**out.bits - 1)
            if out.voice is None:
                assert listener.decoder.volts[name] == pytest.approx(out.rest, abs=step)
            furthest = max(abs(v - out.rest) for v in listener.seen[name])
            reach = max(abs(out.high - out.rest), abs(out.low - out.rest))
            assert furthest == pytest.approx(reach * (1.0 if loud else 0.25), abs=2 * step)


def test_pitch_climbs_by_octaves() -> None:
    """1 V/oct: common practice, no source; twelve semitones are one volt."""
    wired = rig_of("eight-gates-four-cv")
    listener = Listener(wired)
    one = wired["main.pitch-1"]
    soundcheck.carry_out(one, Encoder(wired), listener.send_all, listener.wait)
    moves = [m for m in soundcheck.plan(one.output) if m.what == "pitch"]
    steps = [b.value - a.value for a, b in itertools.pairwise(moves[:-1])]
    assert steps == [12.0] * 8
    assert moves[-1].value == moves[0].value


def test_an_interruption_leaves_the_output_at_rest() -> None:
    wired = rig_of("eight-gates-four-cv")
    listener = Listener(wired)

    def stop(ms: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        soundcheck.carry_out(wired["main.gate-1"], Encoder(wired), listener.send_all, stop)
    assert listener.seen["main.gate-1"] == [5.0, 0.0]


def test_words_name_the_cable() -> None:
    wired = rig_of("eight-gates-four-cv")
    assert soundcheck.describe(wired["main.gate-1"]) == (
        "main.gate-1 (gate): four pulses at: a cable"
    )
