"""From readings to what sounds: `tune`, then a set through the player, measured at the decoder.

The interface is synthetic: what the decoder says its converter gives, then offset, gain error and
bow of an analog stage. Target: 2.4 cents (2 mV) where resolution allows, else half a step.
1 V/oct is 83.33 mV a semitone; the Hz/V law doubles the volts at each octave.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner

from bridge import cli
from bridge.files.rig import Rig, load_rig
from bridge.files.set import load_set
from bridge.files.tuning import ladder
from bridge.music.score import compile_score
from bridge.player.offline import perform_rig
from bridge.voltage.decode import Decoder
from bridge.voltage.encode import Encoder
from bridge.voltage.profile import note_of_volts, step_cents, volts_of_note

CASES = [
    # profile, output, gate, offset V, gain, bow V
    ("eight-gates-four-cv", "pitch-1", "gate-1", 0.021, 0.9935, 0.006),
    ("eight-gates-four-cv", "pitch-2", "gate-2", -0.034, 1.011, -0.004),
    ("four-voices", "pitch-3", "gate-3", 0.015, 0.996, 0.005),
    ("one-voice-bend", "pitch", "gate", -0.02, 1.006, 0.004),
    ("hz-per-volt-voice", "pitch", "gate", 0.002, 0.992, 0.0006),
]
RATE = 60.0  # BPM: a note a second


def stage(volts: float, offset: float, gain: float, bow: float) -> float:
    share = volts / 8.0
    return offset + gain * volts + bow * 4.0 * share * (1.0 - share)


def played(rig: Rig, set_file: Path, output: str, count: int) -> list[float]:
    """The decoder's volts of `output` in the middle of each of `count` notes, a second each."""
    score = compile_score(load_set(set_file, rig).spec, rig.ranges)
    night = perform_rig(rig, score, count // 4 + 1)
    decoder = Decoder(rig.wired)
    sent = sorted(night.sent, key=lambda item: item.ns)
    found, at = [], 0
    for note in range(count):
        while at < len(sent) and sent[at].ns < (note + 0.3) * 1e9:
            decoder.feed(sent[at].port, sent[at].data)
            at += 1
        found.append(decoder.volts[output])
    return found


@pytest.mark.parametrize(("profile", "jack", "gate", "offset", "gain", "bow"), CASES)
def test_tuned_notes_are_true_at_the_output(
    tmp_path: Path, profile: str, jack: str, gate: str, offset: float, gain: float, bow: float
) -> None:
    rig_file, set_file, name = tmp_path / "rig.yaml", tmp_path / "set.yaml", f"main.{jack}"
    rig_file.write_text(f"rig: R\ninterfaces:\n  main: {{profile: {profile}, port: simulated}}\n")
    rig = load_rig(rig_file)
    out = rig.wired[name].output
    noise = Random(5)
    lines = []
    for note in ladder(out, 6):
        encoder, decoder = Encoder(rig.wired), Decoder(rig.wired)
        for message in [
            *encoder.setup(),
            *encoder.pitch(name, note),
            *encoder.gate_on(f"main.{gate}"),
        ]:
            decoder.feed(message.port, message.data)
        volts = stage(decoder.volts[name], offset, gain, bow) + noise.gauss(0, 0.0002)
        lines.append(f"{note} {volts:.5f} V")
    (tmp_path / "readings.txt").write_text("\n".join(lines) + "\n")
    low, high = (stage(volts, offset, gain, bow) for volts in sorted((out.low, out.high)))
    reach = [
        note
        for note in range(24, 110)
        if max(low, 0.9 if out.law == "hz/v" else low) < volts_of_note(out, note) < high
    ]
    notes = ", ".join(str(note) for note in reach)
    set_file.write_text(
        f"set: S\ntempo: {RATE:g}\nlanes:\n  g: {{every: 1, rate: 1/4, out: main.{gate}}}\n"
        f"  p: {{notes: [{notes}], advance: g, out: {name}}}\n"
    )

    def worst() -> float:
        volts = played(load_rig(rig_file), set_file, name, len(reach))
        return max(
            abs(100 * (note_of_volts(out, stage(v, offset, gain, bow)) - note))
            - max(0.0, step_cents(out, v) / 2 - 2.4)
            for v, note in zip(volts, reach, strict=True)
        )

    assert worst() > 5.0, "there is something to tune"
    run = CliRunner().invoke(
        cli.main,
        ["tune", str(rig_file), name, "--readings", str(tmp_path / "readings.txt"), "--yes"],
    )
    assert run.exit_code == 0, run.output
    assert worst() <= 2.4
