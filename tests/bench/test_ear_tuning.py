"""Tuning by ear, from the notes that are asked for to the check, on voices that are computed.

The way: the encoder's bytes go to the synthetic interface and oscillator of `support.rack`, which
share no code with the package; its sound comes back through a feed. Pitches of notes: equal
temperament, A4 = 440 Hz (ISO 16:1975), from tests/reference/tuning.csv.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.feed import Feed
from support.rack import Hiss, Hum, Rack, Tone, Voice, Wide

from bridge.bench.ear_tuning import EarTuning, Sound, carry_out
from bridge.bench.tuning_session import TuningSession
from bridge.errors import InputError
from bridge.files.rig import parse_rig
from bridge.files.tuning import ladder
from bridge.listen.wrong import ListenError
from bridge.voltage.calibration import Correction
from bridge.voltage.encode import Encoder

RATE = 48000.0
RIG = """\
rig: Quay rack
interfaces:
  main: {profile: eight-gates-four-cv, port: simulated}
"""
NAME = "main.pitch-1"
REFERENCE = Path(__file__).parent.parent / "reference" / "tuning.csv"


def note_table() -> dict[int, float]:
    with REFERENCE.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["id"].startswith("note_")]
    return {int(row["note"]): float(row["value"]) for row in rows}


class Bench:
    """A rack on the bench: `tuning` holds what has been found, also after something went wrong."""

    def __init__(self, tone: Tone, others: Sequence[Voice] = (), every: int = 6) -> None:
        rig = parse_rig(RIG)
        self.tone = tone
        self.rack = Rack({16: tone}, others=others)
        self.feed = Feed(self.rack.render, RATE, 2400)
        wired = rig.wired[NAME]
        self.encoder = Encoder(rig.wired)
        self.tuning = EarTuning(
            TuningSession(wired, ladder(wired.output, every)), "bay in", RATE, made="2026-01-31"
        )
        self.sounded: list[Sound] = []

    def sound(self, step: Sound) -> int:
        self.sounded.append(step)
        self.encoder.correct(NAME, step.correction)
        for message in self.encoder.pitch(NAME, step.note):
            self.rack.message(message.data)
        return self.feed.now_ns

    def run(self) -> EarTuning:
        carry_out(self.tuning, self.feed, self.sound)
        return self.tuning

    def truth(self, correction: Correction, low: int = 27, high: int = 116) -> dict[int, float]:
        """Cents by which notes of the range are off when the correction plays, by what the
        oscillator is made of and not by what was heard."""
        encoder = Encoder(self.encoder.outputs, {NAME: correction})
        off = {}
        for note, hertz in note_table().items():
            if not low <= note <= high:
                continue
            for message in encoder.pitch(NAME, note):
                self.rack.message(message.data)
            cents = 1200.0 * np.log2(self.tone.hertz() / hertz)
            off[note] = float(cents - 1200.0 * round(cents / 1200.0))
        return off


def worst(off: dict[int, float]) -> float:
    assert len(off) > 10
    return max(abs(cents) for cents in off.values())


def stopped(bench: Bench) -> ListenError:
    with pytest.raises(ListenError) as told:
        bench.run()
    return told.value


BENT: dict[str, Any] = {"gain": 1.006, "offset": 0.021, "bow": 0.004}


@pytest.mark.parametrize("wave", ["saw", "sine"])
def test_a_voice_that_is_bent_ends_within_a_cent(wave: str) -> None:
    bench = Bench(Tone(RATE, wave, **BENT))
    before = bench.truth(Correction())
    tuning = bench.run()
    assert tuning.result is not None
    after = bench.truth(tuning.result.correction)
    assert worst(before) > 20.0
    assert worst(after) <= 1.0
    # What the check heard is what is true of the notes that it played.
    assert tuning.worst is not None
    assert tuning.worst <= 1.0
    assert len(tuning.checked) == 8
    assert tuning.said == []
    assert bench.feed.now_ns < 30e9


def test_with_noise_hum_and_a_second_voice_that_bleeds_it_ends_within_two_cents() -> None:
    bleed = Tone(RATE, "saw", 0.3 * 10 ** (-30 / 20), zero_hz=147.7)
    others = (bleed, Hum(RATE, level=0.003), Hiss(0.3 * 10 ** (-50 / 20)))
    bench = Bench(Tone(RATE, "sine", **BENT), others)
    tuning = bench.run()
    assert tuning.result is not None
    assert worst(bench.truth(tuning.result.correction)) <= 2.0
    assert tuning.worst is not None
    assert tuning.worst <= 2.0


def test_the_check_plays_other_notes_with_the_correction() -> None:
    bench = Bench(Tone(RATE, "saw", **BENT), every=12)
    tuning = bench.run()
    assert tuning.result is not None
    measured = {step.note for step in bench.sounded if step.correction is None}
    checked = {step.note for step in bench.sounded if step.correction is not None}
    assert not measured & checked
    assert {one.note for one in tuning.checked} == checked
    truth = {}
    for note in checked:
        for message in Encoder(bench.encoder.outputs, {NAME: tuning.result.correction}).pitch(
            NAME, note
        ):
            bench.rack.message(message.data)
        truth[note] = 1200.0 * np.log2(bench.tone.hertz() / (440.0 * 2 ** ((note - 69) / 12)))
    for one in tuning.checked:
        assert one.cents == pytest.approx(truth[one.note], abs=0.05)


def test_an_oscillator_in_another_octave_is_tuned_where_it_is() -> None:
    bench = Bench(Tone(RATE, "saw", zero_hz=4 * 32.7031956626, **BENT))
    tuning = bench.run()
    assert tuning.result is not None
    assert tuning.octaves == 2
    assert worst(bench.truth(tuning.result.correction, high=96)) <= 1.0
    assert "too low or too high to be measured: " in tuning.said[0]


def test_a_portamento_is_waited_for() -> None:
    bench = Bench(Tone(RATE, "saw", glide_s=0.15, **BENT), every=12)
    tuning = bench.run()
    assert tuning.result is not None
    assert worst(bench.truth(tuning.result.correction)) <= 1.5
    assert [step.anew for step in bench.sounded] == [True] * len(bench.sounded)


def test_a_drift_is_said_in_cents_a_minute() -> None:
    tuning = Bench(Tone(RATE, "saw", drift=6.0), every=12).run()
    assert tuning.drift == pytest.approx(6.0, abs=0.3)
    assert "drifts by +6.0 cents a minute: let it warm up" in tuning.said[0]


def test_the_ends_of_a_range_are_left_out_and_said() -> None:
    class Short(Tone):
        def hertz_of(self, volts: Wide) -> Wide:
            return super().hertz_of(np.clip(volts, 1.0, 6.0))

    tuning = Bench(Short(RATE, "saw", **BENT)).run()
    said = [line for line in tuning.said if "range of the voice ends" in line]
    assert said == [
        "the range of the voice ends: below C2 and above C7 its pitch stays the same; "
        "those notes were left out"
    ]
    assert set(tuning.session.readings) == set(range(36, 97, 6))
    assert tuning.worst is not None
    assert tuning.worst < 1.0


@pytest.mark.parametrize(
    ("tone", "kind", "said"),
    [
        (Tone(RATE, level=0.0), "muted", "bay in brings digital silence"),
        (Tone(RATE, level=0.0001), "silence", "nothing is heard on bay in"),
        (Tone(RATE, level=1.5), "clipping", "bay in clips: turn its gain"),
        (
            Tone(RATE, law="hz/v"),
            "standard",
            "tracks about 55 Hz/V, but the profile of this output says 1 V/oct",
        ),
        (Tone(RATE, volts_per_octave=1.2), "standard", "tracks about 1.2 V/oct, but"),
        (Tone(RATE, glide_s=9.0), "unsettled", "the pitch never settles"),
        (Tone(RATE, gain=0.0, offset=2.0), "follow", "the pitch stays at 130.8 Hz from F#4 to C5"),
    ],
    ids=lambda value: value if isinstance(value, str) and " " not in value else "",
)
def test_what_cannot_be_tuned_is_said(tone: Tone, kind: str, said: str) -> None:
    error = stopped(Bench(tone))
    assert error.kind == kind
    assert said in str(error)


def test_noise_hum_and_two_voices_are_said() -> None:
    silent = Tone(RATE, level=0.0)
    noise = stopped(Bench(silent, [Hiss(0.1)]))
    assert (noise.kind, "no one pitch" in str(noise)) == ("pitch", True)
    mains = stopped(Bench(Tone(RATE, level=0.0), [Hum(RATE, level=0.1), Hiss(0.001)]))
    assert (mains.kind, "only hum of the mains (50 Hz)" in str(mains)) == ("hum", True)
    two = stopped(Bench(Tone(RATE, "saw"), [Tone(RATE, "sine", 0.2, zero_hz=307.0)]))
    assert two.kind == "second"
    assert "one of 306.0 Hz and one of 524.0 Hz" in str(two)


def test_what_was_measured_stays_when_the_input_is_pulled_out() -> None:
    bench = Bench(Tone(RATE, "saw", **BENT), every=12)
    plain = bench.feed.render

    def render(n: int) -> Any:
        if bench.feed.now_ns > 3e9:
            raise ListenError("gone", "bay in brings no more sound: was it pulled out?")
        return plain(n)

    bench.feed.render = render
    assert stopped(bench).kind == "gone"
    assert 2 < len(bench.tuning.session.readings) < 9
    assert bench.tuning.result is None


def test_readings_that_make_no_tuning_are_refused_in_the_words_of_the_fit() -> None:
    bench = Bench(Tone(RATE, "saw", gain=0.5))
    bench.tuning.session.notes[:] = [60, 66]
    with pytest.raises(InputError, match=r"changes 0\.5 V for each volt asked for"):
        bench.run()


def test_when_the_cable_comes_out_it_does_not_go_on_for_long() -> None:
    bench = Bench(Tone(RATE, "saw", **BENT), [Hiss(0.0001)])
    plain = bench.feed.render

    def render(n: int) -> Any:
        if bench.feed.now_ns > 3e9:
            bench.tone.gate = 0.0
        return plain(n)

    bench.feed.render = render
    assert stopped(bench).kind == "silence"
    assert bench.feed.now_ns < 9e9
    assert bench.tuning.session.readings
