"""Volts of the simulated interface, from bytes that mido wrote or that stand in the standard."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest
import yaml

from bridge.voltage.decode import Decoder
from bridge.voltage.profile import Address, Output, WiredOutput


def wired(*outputs: Output, port: str = "p") -> dict[str, WiredOutput]:
    return {out.name: WiredOutput(out.name, port, out) for out in outputs}


def data(kind: str, **values: int) -> bytes:
    return bytes(mido.Message(kind, **values).bytes())


GATE = Output("gate", "gate", Address("note", 10, 36), high=5)
PITCH = Output("pitch", "pitch", Address("note-pitch", 1), high=8, reference_note=24, voice="v")
VOICE_GATE = Output("vgate", "gate", Address("note", 1), high=5, voice="v")
VELOCITY = Output("velocity", "level", Address("note-velocity", 1), high=5, voice="v")


def test_outputs_start_at_rest() -> None:
    inverted = Output("s", "gate", Address("note", 1, 1), low=5, high=0, rest=5, inverted=True)
    assert dict(Decoder(wired(GATE, inverted)).volts) == {"gate": 0.0, "s": 5.0}


def test_a_gate_follows_its_note_only() -> None:
    decoder = Decoder(wired(GATE))
    assert decoder.feed("p", data("note_on", channel=9, note=37)) == []
    assert decoder.feed("p", data("note_on", channel=8, note=36)) == []
    assert decoder.feed("other", data("note_on", channel=9, note=36)) == []
    assert decoder.feed("p", data("note_on", channel=9, note=36, velocity=1)) == [("gate", 5.0)]
    assert decoder.feed("p", data("note_on", channel=9, note=36, velocity=0)) == [("gate", 0.0)]


def test_an_inverted_gate_is_pulled_down_while_open() -> None:
    out = Output("s", "gate", Address("note", 1, 1), low=5, high=0, rest=5, inverted=True)
    decoder = Decoder(wired(out))
    assert decoder.feed("p", data("note_on", note=1)) == [("s", 0.0)]
    assert decoder.feed("p", data("note_off", note=1)) == [("s", 5.0)]


def test_velocity_is_the_height_of_a_trigger() -> None:
    out = Output("t", "trigger", Address("note-velocity", 1, 40), high=8, pulse_ms=10)
    decoder = Decoder(wired(out))
    ((name, volts),) = decoder.feed("p", data("note_on", note=40, velocity=64))
    assert name == "t"
    assert volts == pytest.approx(8 * 64 / 127)
    assert decoder.feed("p", data("note_off", note=40)) == [("t", 0.0)]


def test_the_last_note_held_has_the_pitch_of_a_voice() -> None:
    """Common practice, no source."""
    decoder = Decoder(wired(PITCH, VOICE_GATE, VELOCITY))
    decoder.feed("p", data("note_on", note=36, velocity=127))
    assert dict(decoder.volts) == {"pitch": 1.0, "vgate": 5.0, "velocity": 5.0}
    decoder.feed("p", data("note_on", note=48, velocity=127))
    decoder.feed("p", data("note_off", note=36))
    assert dict(decoder.volts) == {"pitch": 2.0, "vgate": 5.0, "velocity": 5.0}
    decoder.feed("p", data("note_off", note=48))
    assert dict(decoder.volts) == {"pitch": 2.0, "vgate": 0.0, "velocity": 5.0}


def test_a_released_note_gives_the_pitch_back_to_the_one_still_held() -> None:
    decoder = Decoder(wired(PITCH, VOICE_GATE))
    decoder.feed("p", data("note_on", note=36) + data("note_on", note=48))
    decoder.feed("p", data("note_on", note=60) + data("note_off", note=60))
    assert dict(decoder.volts) == {"pitch": 2.0, "vgate": 5.0}
    decoder.feed("p", data("note_off", note=48))
    assert dict(decoder.volts) == {"pitch": 1.0, "vgate": 5.0}


def test_bend_moves_by_its_range() -> None:
    """Full bend up is 8191/8192 of the range, full bend down all of it (cv_facts)."""
    decoder = Decoder(wired(PITCH, VOICE_GATE))
    decoder.feed("p", data("note_on", note=36))
    decoder.feed("p", data("pitchwheel", pitch=-8192))
    assert decoder.volts["pitch"] == pytest.approx(1 - 2 / 12)
    decoder.feed("p", data("pitchwheel", pitch=8191))
    assert decoder.volts["pitch"] == pytest.approx(1 + 2 / 12 * 8191 / 8192)


def test_rpn_0_sets_the_bend_range_in_semitones_and_cents() -> None:
    """MIDI 1.0, p. 18: data entry MSB is semitones, LSB is cents."""
    out = Output(
        "pitch",
        "pitch",
        Address("note-pitch", 1),
        high=8,
        reference_note=24,
        bend_semitones=12.5,
        set_bend_range=True,
    )
    decoder = Decoder(wired(out))
    decoder.feed("p", data("note_on", note=48) + data("pitchwheel", pitch=-8192))
    assert decoder.volts["pitch"] == pytest.approx(2 - 2 / 12)  # the usual 2 semitones until told
    decoder.feed("p", bytes.fromhex("B0 65 00 64 00 06 0C 26 32 65 7F 64 7F"))
    assert decoder.volts["pitch"] == pytest.approx(2 - 12.5 / 12)
    decoder.feed("p", bytes.fromhex("B0 06 01"))  # after the null parameter nothing is set
    assert decoder.volts["pitch"] == pytest.approx(2 - 12.5 / 12)


def test_half_a_parameter_number_of_each_sort_is_none() -> None:
    out = Output(
        "pitch", "pitch", Address("note-pitch", 1), high=8, reference_note=24, set_bend_range=True
    )
    decoder = Decoder(wired(out))
    decoder.feed("p", data("note_on", note=48) + data("pitchwheel", pitch=-8192))
    assert decoder.feed("p", bytes.fromhex("B0 63 00 62 00 65 00 06 0C")) == []


def test_a_fixed_bend_range_does_not_listen_to_rpn_0() -> None:
    decoder = Decoder(wired(PITCH))
    decoder.feed("p", data("note_on", note=48) + data("pitchwheel", pitch=-8192))
    assert decoder.feed("p", bytes.fromhex("B0 65 00 64 00 06 0C 26 32")) == []


def test_a_new_msb_clears_its_lsb() -> None:
    """MIDI 1.0, p. 12."""
    out = Output("x", "level", Address("cc14", 1, 7), low=0, high=16383)
    decoder = Decoder(wired(out))
    decoder.feed("p", bytes.fromhex("B0 07 01 27 05"))
    assert decoder.volts["x"] == pytest.approx(128 + 5)
    decoder.feed("p", bytes.fromhex("B0 07 02"))
    assert decoder.volts["x"] == pytest.approx(256)
    decoder.feed("p", bytes.fromhex("B0 27 01"))
    assert decoder.volts["x"] == pytest.approx(257)


def test_a_parameter_is_found_by_its_number() -> None:
    out = Output("x", "level", Address("nrpn", 1, 130), low=0, high=16383)
    decoder = Decoder(wired(out))
    decoder.feed("p", bytes.fromhex("B0 63 01 62 02 06 40 26 00"))  # MIDI 1.0, p. 17
    assert decoder.volts["x"] == pytest.approx(8192)
    decoder.feed("p", bytes.fromhex("B0 26 05 26 07"))  # finer steps within the same MSB
    assert decoder.volts["x"] == pytest.approx(8192 + 7)
    assert decoder.feed("p", bytes.fromhex("B0 63 01 62 03 06 00 26 00")) == []
    # A registered parameter of the same number is another one.
    assert decoder.feed("p", bytes.fromhex("B0 65 01 64 02 06 00 26 00")) == []


def test_pressure_program_and_bend_as_plain_values() -> None:
    decoder = Decoder(
        wired(
            Output("a", "level", Address("pressure", 1), high=5),
            Output("b", "level", Address("program", 2), high=5),
            Output("c", "level", Address("bend", 3), low=-5, high=5),
            Output("d", "trigger", Address("program", 4, 9), high=5, pulse_ms=10),
        )
    )
    assert decoder.feed("p", data("aftertouch", value=127)) == [("a", 5.0)]
    assert decoder.feed("p", data("program_change", channel=1, program=127)) == [("b", 5.0)]
    assert decoder.feed("p", data("pitchwheel", channel=2, pitch=-8192)) == [("c", -5.0)]
    assert decoder.feed("p", data("program_change", channel=3, program=8)) == []
    assert decoder.feed("p", data("program_change", channel=3, program=9)) == [("d", 5), ("d", 0)]


def test_a_gate_on_a_controller_is_a_switch(reference: Path) -> None:
    """MIDI 1.0, p. 12: 0-63 off, 64-127 on."""
    rows = yaml.safe_load((reference / "midi_facts.yaml").read_text())["entries"]
    (fact,) = [row["value"] for row in rows if row["id"] == "cc_switch_threshold"]
    assert fact == "0-63 off, 64-127 on"
    decoder = Decoder(wired(Output("g", "gate", Address("cc", 1, 80), high=5)))
    for value in range(128):
        decoder.feed("p", data("control_change", control=80, value=value))
        assert decoder.volts["g"] == (5.0 if value >= 64 else 0.0)


def test_notes_off_and_sound_off_close_the_notes_of_their_channel() -> None:
    for control in (120, 123):
        decoder = Decoder(wired(GATE, PITCH, VOICE_GATE))
        decoder.feed("p", data("note_on", note=36) + data("note_on", channel=9, note=36))
        decoder.feed("p", data("control_change", control=control))
        assert (decoder.volts["vgate"], decoder.volts["gate"]) == (0.0, 5.0)


def test_the_converter_rounds_to_its_bits() -> None:
    out = Output("x", "level", Address("cc14", 1, 7), high=5, bits=2)
    decoder = Decoder(wired(out))
    seen = set()
    for code in range(0, 16384, 128):
        decoder.feed("p", bytes((0xB0, 7, code >> 7, 39, code & 127)))
        seen.add(round(decoder.volts["x"], 6))
    assert seen == {0.0, round(5 / 3, 6), round(10 / 3, 6), 5.0}


def test_volts_stay_within_the_range() -> None:
    decoder = Decoder(wired(PITCH))
    decoder.feed("p", data("note_on", note=127))
    assert decoder.volts["pitch"] == 8.0
    decoder.feed("p", data("note_on", note=0))
    assert decoder.volts["pitch"] == 0.0


def test_real_time_bytes_make_pulses_between_other_bytes() -> None:
    decoder = Decoder(
        wired(
            GATE,
            Output("clk", "clock", Address("clock"), high=5, ppqn=4),
            Output("rst", "reset", Address("clock"), high=5),
            Output("run", "run", Address("clock"), high=5),
        )
    )
    assert decoder.feed("p", b"\xfa") == [("rst", 5), ("rst", 0), ("run", 5)]
    pulses = [decoder.feed("p", b"\xf8") for _ in range(24)]
    assert [i for i, found in enumerate(pulses) if found] == [0, 6, 12, 18]
    assert decoder.feed("p", bytes.fromhex("99 24 F8 7F")) == [("clk", 5), ("clk", 0), ("gate", 5)]
    assert decoder.feed("p", b"\xfc") == [("run", 0)]
    assert decoder.feed("p", b"\xff") == [("gate", 0.0)]  # system reset: back to rest
