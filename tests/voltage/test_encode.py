"""Bytes of the encoder against the MIDI 1.0 tables and against mido's encoder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import mido
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bridge.voltage.encode import OFF, ON, VALUE, Encoder, Message, value_bytes
from bridge.voltage.profile import Address, Output, WiredOutput, volts_of_note


def wired(*outputs: Output, port: str = "main") -> dict[str, WiredOutput]:
    return {f"{port}.{out.name}": WiredOutput(f"{port}.{out.name}", port, out) for out in outputs}


def hexes(messages: list[Message]) -> list[str]:
    return [message.data.hex(" ").upper() for message in messages]


def orders(messages: list[Message]) -> list[int]:
    return [message.order for message in messages]


GATE = Output("gate", "gate", Address("note", 10, 36))
PITCH = Output("pitch", "pitch", Address("note-pitch", 1), high=8, reference_note=24, voice="v")
VOICE_GATE = Output("gate", "gate", Address("note", 1), voice="v")
VELOCITY = Output("velocity", "level", Address("note-velocity", 1), voice="v")


def voice(**changes: object) -> Encoder:
    values = {f: getattr(PITCH, f) for f in PITCH.__slots__} | changes
    return Encoder(wired(Output(**values), VOICE_GATE))


@pytest.fixture
def vector(reference: Path) -> Callable[[str], bytes]:
    """Byte sequences printed in, or composed from, the MIDI 1.0 Detailed Specification 4.2.1."""
    rows = yaml.safe_load((reference / "midi_vectors.yaml").read_text())["entries"]
    table = {row["id"]: bytes.fromhex(row["value"]) for row in rows}
    return table.__getitem__


# --- gates -------------------------------------------------------------------------------------


def test_a_gate_opens_and_closes_with_explicit_messages() -> None:
    encoder = Encoder(wired(GATE))
    on = encoder.gate_on("main.gate", 1.0)
    assert (hexes(on), orders(on)) == (["99 24 7F"], [ON])
    assert encoder.open == {"main.gate"}
    off = encoder.gate_off("main.gate")
    # 8n with release velocity 64, not 9n with velocity 0 (MIDI 1.0, p. 10: both mean the same).
    assert (hexes(off), orders(off)) == (["89 24 40"], [OFF])
    assert encoder.open == frozenset()
    assert encoder.gate_off("main.gate") == []


def test_an_open_gate_is_closed_before_it_opens_again() -> None:
    encoder = Encoder(wired(GATE))
    encoder.gate_on("main.gate", 0.5)
    assert hexes(encoder.gate_on("main.gate", 0.5)) == ["89 24 40", "99 24 40"]


@pytest.mark.parametrize(
    ("level", "velocity"), [(0.0, 1), (0.004, 1), (0.5, 64), (1.0, 127), (7.0, 127), (-1.0, 1)]
)
def test_velocity_is_never_zero(level: float, velocity: int) -> None:
    """Velocity 0 would be a note-off (MIDI 1.0, p. 10)."""
    assert Encoder(wired(GATE)).gate_on("main.gate", level)[0].data[2] == velocity


def test_a_level_that_is_not_a_number_is_the_softest_hit() -> None:
    assert Encoder(wired(GATE)).gate_on("main.gate", float("nan"))[0].data[2] == 1


def test_an_inverted_gate_sends_the_same_bytes() -> None:
    """Off is the safe state: whatever the polarity at the jack, what is sent stays the same."""
    inverted = Output("gate", "gate", GATE.address, low=5, high=0, rest=5, inverted=True)
    plain = Encoder(wired(GATE))
    assert Encoder(wired(inverted)).gate_on("main.gate") == plain.gate_on("main.gate")
    assert hexes(Encoder(wired(inverted)).setup()) == ["89 24 40"]


def test_gates_on_controllers_and_programs() -> None:
    encoder = Encoder(
        wired(
            Output("run", "run", Address("cc", 3, 80)),
            Output("hit", "trigger", Address("program", 3, 5), pulse_ms=10),
            Output("clock", "clock", Address("clock")),
        )
    )
    assert hexes(encoder.gate_on("main.run")) == ["B2 50 7F"]
    assert hexes(encoder.gate_off("main.run")) == ["B2 50 00"]
    assert hexes(encoder.gate_on("main.hit")) == ["C2 05"]
    assert encoder.open == frozenset()  # it closes by itself
    assert hexes(encoder.gate_on("main.hit")) == ["C2 05"]
    assert encoder.gate_off("main.hit") == []
    assert encoder.gate_on("main.clock") == []
    assert encoder.open == frozenset()


def test_unknown_outputs_are_key_errors() -> None:
    with pytest.raises(KeyError):
        Encoder(wired(GATE)).gate_on("main.nowhere")


# --- values ------------------------------------------------------------------------------------


def test_a_wide_controller_sends_msb_then_lsb(vector: Callable[[str], bytes]) -> None:
    out = Output("x", "level", Address("cc14", 1, 7), low=0, high=16383)
    data = value_bytes(out, 8192)
    # MIDI 1.0, p. 12: MSB first, because a new MSB sets the LSB to 0.
    assert data == [vector("cc_14bit")[:3], b"\xb0" + vector("cc_14bit")[3:]]


def test_a_parameter_sends_its_number_then_the_value(vector: Callable[[str], bytes]) -> None:
    out = Output("x", "level", Address("nrpn", 1, 1 * 128 + 2))
    printed = vector("nrpn_select")  # with running status: B0 63 01 62 02 06 40 26 00
    whole = b"".join(b"\xb0" + printed[i : i + 2] for i in range(1, len(printed), 2))
    assert b"".join(value_bytes(out, 8192)) == whole


@pytest.mark.parametrize(
    ("code", "entry"), [(0, "bend_min"), (8192, "bend_centre"), (16383, "bend_max")]
)
def test_bend_is_lsb_first(vector: Callable[[str], bytes], code: int, entry: str) -> None:
    assert value_bytes(Output("x", "level", Address("bend", 1)), code) == [vector(entry)]


@given(st.integers(1, 16), st.integers(0, 127), st.integers(0, 16383))
def test_values_as_mido_encodes_them(channel: int, number: int, code: int) -> None:
    def cc(control: int, value: int) -> bytes:
        message = mido.Message("control_change", channel=channel - 1, control=control, value=value)
        return bytes(message.bytes())

    def of(by: str, code: int, number: int | None = None) -> list[bytes]:
        return value_bytes(Output("x", "level", Address(by, channel, number)), code)  # type: ignore[arg-type]

    small, wide = code & 127, number & 31
    assert of("cc", small, number) == [cc(number, small)]
    assert of("cc14", code, wide) == [cc(wide, code >> 7), cc(wide + 32, small)]
    assert of("nrpn", code, number * 100) == [
        cc(99, number * 100 >> 7),
        cc(98, number * 100 & 127),
        cc(6, code >> 7),
        cc(38, small),
    ]
    bend = mido.Message("pitchwheel", channel=channel - 1, pitch=code - 8192)
    assert of("bend", code) == [bytes(bend.bytes())]
    pressure = mido.Message("aftertouch", channel=channel - 1, value=small)
    assert of("pressure", small) == [bytes(pressure.bytes())]
    program = mido.Message("program_change", channel=channel - 1, program=small)
    assert of("program", small) == [bytes(program.bytes())]


def test_an_unchanged_value_is_sent_once() -> None:
    encoder = Encoder(wired(Output("x", "level", Address("cc", 1, 20), high=5)))
    assert hexes(encoder.level("main.x", 2.5)) == ["B0 14 40"]
    assert encoder.level("main.x", 2.51) == []  # the same code
    assert hexes(encoder.level("main.x", 2.6)) == ["B0 14 42"]


@pytest.mark.parametrize(
    ("volts", "code"), [(-3, 0), (0, 0), (5, 127), (8, 127), (float("inf"), 127), (float("nan"), 0)]
)
def test_volts_are_clamped_to_the_profile(volts: float, code: int) -> None:
    encoder = Encoder(wired(Output("x", "level", Address("cc", 1, 20), high=5)))
    assert encoder.level("main.x", volts)[0].data[2] == code


def test_pitch_on_a_wide_controller_follows_the_law() -> None:
    out = Output("x", "pitch", Address("cc14", 1, 16), high=8, reference_note=24)
    encoder = Encoder(wired(out))
    encoder.pitch("main.x", 24)
    msb, lsb = encoder.pitch("main.x", 36)
    code = msb.data[2] * 128 + lsb.data[2]
    assert abs(code / 16383 * 8 - 1.0) <= 8 / 16383 / 2  # an octave up is one volt up
    assert [message.order for message in (msb, lsb)] == [VALUE, VALUE]


# --- mono voices -------------------------------------------------------------------------------


def test_a_voice_keeps_its_pitch_until_the_next_gate() -> None:
    encoder = voice()
    assert encoder.pitch("main.pitch", 40) == []
    assert hexes(encoder.gate_on("main.gate", 1.0)) == ["90 28 7F"]
    assert hexes(encoder.gate_off("main.gate")) == ["80 28 40"]
    assert encoder.pitch("main.pitch", 43.5) == []
    messages = encoder.gate_on("main.gate", 1.0)
    # 43.5 rounds to 44; half a semitone down of 2 is -2048: 8192 - 2048 = 6144 = 30H 00H
    assert hexes(messages) == ["E0 00 30", "90 2C 7F"]
    assert orders(messages) == [VALUE, ON]


def test_a_near_pitch_under_an_open_gate_is_bent() -> None:
    encoder = voice()
    encoder.pitch("main.pitch", 40)
    encoder.gate_on("main.gate")
    assert hexes(encoder.pitch("main.pitch", 41)) == ["E0 00 60"]
    assert encoder.pitch("main.pitch", 41) == []
    assert hexes(encoder.pitch("main.pitch", 41.9)) == ["E0 66 7C"]  # 1.9 of 2 semitones


def test_a_pitch_just_beyond_the_bend_range_is_a_new_note() -> None:
    encoder = voice()
    encoder.pitch("main.pitch", 40)
    encoder.gate_on("main.gate")
    assert hexes(encoder.pitch("main.pitch", 42.25)) == ["E0 00 48", "90 2A 7F", "80 28 40"]


def test_notes_end_at_127_however_wide_the_output() -> None:
    encoder = voice(high=15.0, bend_semitones=0.0)
    encoder.level("main.pitch", 15.0)
    assert hexes(encoder.gate_on("main.gate", 1.0)) == ["90 7F 7F"]


def test_a_far_pitch_under_an_open_gate_is_a_new_note_before_the_old_one_ends() -> None:
    encoder = voice()
    encoder.pitch("main.pitch", 40)
    encoder.gate_on("main.gate")
    messages = encoder.pitch("main.pitch", 52)
    assert hexes(messages) == ["90 34 7F", "80 28 40"]
    assert orders(messages) == [ON, ON]  # sorting by order must not move the off to the front
    assert encoder.open == {"main.gate"}
    assert hexes(encoder.gate_off("main.gate")) == ["80 34 40"]


def test_the_pitch_of_a_voice_stays_within_its_volts() -> None:
    encoder = voice(high=2.0)
    encoder.pitch("main.pitch", 100)
    assert hexes(encoder.gate_on("main.gate", 1.0)) == ["90 30 7F"]  # 24 + 2 octaves = 48


def test_a_voice_without_bend_plays_whole_semitones() -> None:
    encoder = voice(bend_semitones=0.0)
    encoder.pitch("main.pitch", 43.4)
    assert hexes(encoder.gate_on("main.gate", 1.0)) == ["90 2B 7F"]


def test_a_voice_without_a_gate_holds_a_note() -> None:
    lone = Output("pitch", "pitch", Address("note-pitch", 2), high=8, reference_note=24)
    encoder = Encoder(wired(lone))
    assert hexes(encoder.pitch("main.pitch", 40))[0].startswith("91 28")
    assert hexes(encoder.pitch("main.pitch", 52))[1] == "81 28 40"
    assert hexes(encoder.rest()) == ["81 34 40"]


def test_a_lane_on_the_velocity_jack_sets_the_next_note() -> None:
    encoder = Encoder(wired(PITCH, VOICE_GATE, VELOCITY))
    assert encoder.gate_on("main.gate", 0.5)[-1].data[2] == 64
    assert encoder.level("main.velocity", 5.0) == []
    encoder.gate_off("main.gate")
    assert encoder.gate_on("main.gate", 0.5)[-1].data[2] == 127


# --- all of them -------------------------------------------------------------------------------


def test_setup_sets_the_bend_range_by_rpn_0(vector: Callable[[str], bytes]) -> None:
    messages = voice(set_bend_range=True).setup()
    printed = vector("rpn0_two_semitones")  # B0 65 00 64 00 06 02 26 00 65 7F 64 7F
    whole = [(b"\xb0" + printed[i : i + 2]).hex(" ").upper() for i in range(1, len(printed), 2)]
    assert hexes(messages) == ["B0 7B 00", *whole, "E0 00 40"]


def test_setup_closes_gates_and_goes_to_rest() -> None:
    outs = (GATE, Output("x", "level", Address("cc", 1, 20), low=-5, high=5, rest=0))
    messages = Encoder(wired(*outs)).setup()
    assert hexes(messages) == ["89 24 40", "B0 14 40"]
    assert orders(messages) == [OFF, VALUE]


def test_setup_forgets_what_an_interface_has_forgotten() -> None:
    encoder = Encoder(wired(GATE, Output("x", "level", Address("cc", 1, 20), high=5)))
    encoder.gate_on("main.gate")
    encoder.level("main.x", 5)
    first = encoder.setup()
    assert hexes(first) == ["89 24 40", "B0 14 00"]
    assert encoder.open == frozenset()
    assert encoder.setup() == first  # at rest already, and said all the same


def test_rest_closes_only_what_is_open_and_moves_only_what_is_away() -> None:
    encoder = Encoder(wired(GATE, Output("x", "level", Address("cc", 1, 20), high=5)))
    encoder.setup()
    assert encoder.rest() == []
    encoder.gate_on("main.gate")
    encoder.level("main.x", 5)
    assert hexes(encoder.rest()) == ["89 24 40", "B0 14 00"]


def test_panic_sends_offs_before_the_mode_messages(vector: Callable[[str], bytes]) -> None:
    """All Notes Off may be added to note-offs but not used instead (MIDI 1.0, pp. 25, 31)."""
    encoder = voice()
    encoder.pitch("main.pitch", 40.25)
    encoder.gate_on("main.gate")
    messages = encoder.panic()
    data = [message.data for message in messages]
    assert data[0] == bytes((0x80, 40, 0x40))
    assert data[1:] == [vector("all_notes_off"), vector("all_sound_off"), vector("bend_centre")]
    assert orders(messages) == sorted(orders(messages))
    assert encoder.open == frozenset()


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["on", "off", "pitch", "level"]),
            st.sampled_from(["gate", "pitch", "x", "g2"]),
            st.floats(-20, 140) | st.just(float("nan")),
        ),
        max_size=40,
    )
)
def test_every_note_on_gets_its_note_off(calls: list[tuple[str, str, float]]) -> None:
    x = Output("x", "level", Address("cc14", 2, 20), low=-5, high=5)
    g2 = Output("g2", "trigger", Address("note-velocity", 10, 40), pulse_ms=10)
    encoder = Encoder(wired(PITCH, VOICE_GATE, x, g2))
    sounding: set[tuple[int, int]] = set()
    messages: list[Message] = []
    for what, name, value in calls:
        name = f"main.{name}"
        if what == "on":
            messages += encoder.gate_on(name, value)
        elif what == "off":
            messages += encoder.gate_off(name)
        elif what == "pitch":
            messages += encoder.pitch(name, value)
        else:
            messages += encoder.level(name, value)
    for message in [*messages, *encoder.rest()]:
        status, *data = message.data
        mido.Message.from_bytes(list(message.data))  # whole and within range
        note = (status & 15, data[0])
        if status & 0xF0 == 0x90:
            assert data[1] > 0
            assert note not in sounding
            sounding.add(note)
        elif status & 0xF0 == 0x80:
            assert note in sounding
            sounding.discard(note)
    assert sounding == set()


def test_the_law_of_one_volt_per_octave(reference: Path) -> None:
    """83.33 mV a semitone (1000 / 12), 0.8333 mV a cent: cv_facts."""
    rows = yaml.safe_load((reference / "cv_facts.yaml").read_text())["entries"]
    facts = {row["id"]: row["value"] for row in rows}
    step = 1000 * (volts_of_note(PITCH, 61) - volts_of_note(PITCH, 60))
    assert step == pytest.approx(facts["semitone"], abs=1e-6)
    assert step / 100 == pytest.approx(facts["cent"], abs=1e-6)
    fifth = 1000 * (volts_of_note(PITCH, 67) - volts_of_note(PITCH, 60))
    assert fifth == pytest.approx(facts["perfect_fifth_12tet"], abs=1e-6)
