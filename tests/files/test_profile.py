"""Profiles: what is read, what is refused and where; every shipped one held to the same rules."""

from __future__ import annotations

import random
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.files.profile import (
    json_schema,
    lint,
    load_profile,
    parse_profile,
    profile_text,
    shipped,
    shipped_dir,
    write_profile,
)
from bridge.voltage.decode import Decoder
from bridge.voltage.encode import Encoder, Message
from bridge.voltage.profile import (
    Address,
    Output,
    Profile,
    WiredOutput,
    note_of_volts,
    step_volts,
    volts_of_note,
)

SHIPPED = shipped()


def said(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        parse_profile(text, "p.yaml")
    return [str(problem) for problem in caught.value.problems]


def of(*lines: str) -> str:
    return "profile: p\noutputs:\n" + "".join(f"  {line}\n" for line in lines)


def wired(profile: Profile) -> dict[str, WiredOutput]:
    return {out.name: WiredOutput(out.name, "port", out) for out in profile.outputs}


# --- the shipped ones --------------------------------------------------------------------------


def test_at_least_eight_are_shipped() -> None:
    assert len(SHIPPED) >= 8
    assert {"eight-gates-four-cv", "four-voices", "drum-triggers-eight"} <= set(SHIPPED)


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_profile_is_good(name: str) -> None:
    profile = load_profile(name)
    assert lint(profile) == []
    assert profile.description
    text = (shipped_dir() / f"{name}.yaml").read_text()
    jsonschema.validate(yaml.safe_load(text), json_schema())
    # Quirks are explained where they stand.
    assert sum(line.strip().startswith("#") for line in text.splitlines()) >= 3


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_profile_survives_writing(name: str) -> None:
    profile = load_profile(name)
    assert parse_profile(profile_text(profile)) == profile


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_profile_starts_and_ends_at_rest(name: str) -> None:
    profile = load_profile(name)
    outputs = wired(profile)
    encoder, decoder = Encoder(outputs), Decoder(outputs)
    feed(decoder, encoder.setup())
    for out in profile.outputs:
        feed(decoder, encoder.level(out.name, out.high))
        feed(decoder, encoder.gate_on(out.name))
    feed(decoder, encoder.panic())
    for out in profile.outputs:
        kept = out.address.by in ("note-pitch", "note-velocity") and not out.gates
        if not kept and out.address.by != "clock":  # a voice keeps its pitch when its gate closes
            assert decoder.volts[out.name] == pytest.approx(
                out.rest, abs=step_volts(out) / 2 + 1e-9
            )


def feed(decoder: Decoder, messages: list[Message]) -> None:
    for message in messages:
        decoder.feed(message.port, message.data)


@pytest.mark.parametrize("name", SHIPPED)
@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_what_is_asked_for_comes_out(name: str, seed: int) -> None:
    """Events to bytes by the encoder, bytes to volts by the decoder: at most half a step off."""
    profile, chance = load_profile(name), random.Random(seed)
    outputs = wired(profile)
    encoder, decoder = Encoder(outputs), Decoder(outputs)
    feed(decoder, encoder.setup())
    wanted: dict[str, float] = {}
    levels: dict[str, float] = {}
    used = usable(profile, chance)
    for out in used:
        share = chance.choice((0.0, 1.0, chance.random()))  # the ends matter most
        if out.gates:
            levels[out.name] = share
        elif out.kind == "pitch":
            low, high = playable(out)
            note = low + share * (high - low)
            feed(decoder, encoder.pitch(out.name, note))
            wanted[out.name] = volts_of_note(out, note)
        else:
            wanted[out.name] = out.low + share * (out.high - out.low)
            feed(decoder, encoder.level(out.name, wanted[out.name]))
    for gate, level in levels.items():
        feed(decoder, encoder.gate_on(gate, level))
    for out in used:
        if out.name in wanted:
            volts = wanted[out.name]
            if out.address.by == "note-velocity":  # velocity 0 does not exist
                volts = max(volts, out.low + (out.high - out.low) / 127)
            bound = step_volts(out, volts) / 2 + 1e-9
            assert abs(decoder.volts[out.name] - volts) <= bound, out
        elif out.address.by == "note-velocity":
            height = out.low + (out.high - out.low) * max(levels[out.name], 1 / 127)
            assert abs(decoder.volts[out.name] - height) <= step_volts(out) / 2 + 1e-9
        elif out.address.by not in ("clock", "program"):
            assert decoder.volts[out.name] == out.high
    for gate in levels:
        feed(decoder, encoder.gate_off(gate))
        assert decoder.volts[gate] == profile.output(gate).low


def usable(profile: Profile, chance: random.Random) -> list[Output]:
    """Outputs in some order, without those that exclude an earlier one, and without the pitches
    and velocities whose gate is not there: they move only with a note."""
    used: list[Output] = []
    for out in chance.sample(profile.outputs, len(profile.outputs)):
        if not any(out.name in o.excludes or o.name in out.excludes for o in used):
            used.append(out)
    gates = {out.voice for out in used if out.gates}
    return [out for out in used if out.voice is None or out.voice in gates]


def playable(out: Output) -> tuple[float, float]:
    low, high = sorted((out.low, out.high))
    lowest = max(0.0, note_of_volts(out, low))
    return lowest, min(127.0, note_of_volts(out, high))


def test_an_unknown_profile_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(InputError, match="did you mean four-voices"):
        load_profile("four-voice")
    with pytest.raises(InputError, match="no profile is called"):
        load_profile("zzz")


# --- reading -----------------------------------------------------------------------------------


def test_defaults_and_note_names() -> None:
    profile = parse_profile(
        of(
            "a: {kind: pitch, by: cc14, number: 3, low: -3, high: -1, reference_note: C#2, "
            "reference_volts: -2}",
            "b: {kind: gate, by: note, number: C2}",
        )
    )
    a, b = profile.outputs
    assert (a.rest, a.reference_note, a.address.channel) == (-1.0, 37.0, 1)
    assert (b.rest, b.address.number, b.high) == (0.0, 36, 5.0)


def test_every_mistake_is_said_at_once_with_its_place() -> None:
    text = (
        "profile: p\n"
        "link: wifi\n"
        "outputs:\n"
        "  gate-1: {kind: gat, by: note, number: 36}\n"
        "  gate-2: {kind: gate, by: note, numbr: 37, channel: 17}\n"
        "  Gate 3: {kind: gate, by: note, number: H2}\n"
    )
    problems = said(text)
    assert problems == [
        "p.yaml:2:7  link: must be din or usb, not wifi",
        "p.yaml:4:18  outputs.gate-1.kind: must be gate, trigger, pitch, level, clock, reset or "
        "run, not gat",
        "p.yaml:5:34  outputs.gate-2.numbr: is not a key of an output; did you mean number?",
        "p.yaml:5:54  outputs.gate-2.channel: must be from 1 to 16, not 17",
        "p.yaml:6:3  outputs.Gate 3: Gate 3 is not a name: a name is lower-case letters, digits "
        "and hyphens, begins with a letter, at most 32; write gate-3",
        "p.yaml:6:42  outputs.Gate 3.number: 'H2' is not a note: letter A to G, # or b, and "
        "octave, as in C#4",
    ]


def test_meaning_is_checked_even_where_something_cannot_be_read() -> None:
    problems = said(
        of(
            "a: {kind: gat, by: note, number: 1}",
            "b: {kind: gate, by: note, number: 2, excludes: [a], rest: 5}",
        )
    )
    assert len(problems) == 2
    assert problems[0].startswith("p.yaml:3:13  outputs.a.kind: must be gate,")
    assert problems[1].endswith("outputs.b.rest: a gate rests closed, at 0 V")


def test_words_that_are_not_text_to_every_reader_are_refused() -> None:
    (problem,) = said("profile: off\noutputs:\n  a: {kind: gate, by: note, number: 1}\n")
    assert problem.startswith("p.yaml:1:10  profile: off without quotes is false")


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        # kinds and addresses
        (["a: {kind: pitch, by: pressure}"], "a pitch output cannot be driven by pressure"),
        (["a: {kind: gate, by: note-pitch}"], "a gate output cannot be driven by note-pitch"),
        (["a: {kind: level, by: cc}"], "is missing: cc needs a number 0..119"),
        (["a: {kind: level, by: cc, number: 120}"], "must be 0..119 for cc"),
        (["a: {kind: level, by: cc14, number: 32}"], "must be 0..31 for cc14"),
        (["a: {kind: level, by: nrpn, number: 16383}"], "must be 0..16382 for nrpn"),
        (["a: {kind: gate, by: note, number: 128}"], "must be 0..127 for note"),
        (["a: {kind: level, by: bend, number: 1}"], "bend has no number"),
        (["a: {kind: level, by: program, number: 1}"], "the program is the level"),
        (["a: {kind: level, by: note-velocity, number: 1}"], "follows any note of its voice"),
        # volts
        (["a: {kind: level, by: cc, number: 1, low: 5, high: 5}"], "are the same voltage"),
        (["a: {kind: level, by: cc, number: 1, rest: 6}"], "6 V is outside 0..5 V"),
        (["a: {kind: gate, by: note, number: 1, rest: 5}"], "a gate rests closed, at 0 V"),
        (["a: {kind: gate, by: note, number: 1, inverted: true}"], "idles at the higher voltage"),
        (["a: {kind: gate, by: note, number: 1, low: 5, high: 0}"], "say inverted: true"),
        (["a: {kind: level, by: cc, number: 1, inverted: true}"], "only gates can be inverted"),
        # pitch
        (["a: {kind: pitch, by: cc14, number: 1, law: hz/v}"], "by Hz/V, 0 V is 0 Hz"),
        (
            ["a: {kind: pitch, by: cc14, number: 1, law: hz/v, reference_volts: 1, low: -1}"],
            "by Hz/V there is no such pitch",
        ),
        (["a: {kind: pitch, by: cc14, number: 1, reference_volts: 7}"], "lies outside 0..5 V"),
        (["a: {kind: pitch, by: note-pitch, bend_semitones: 0.2}"], "less than half a semitone"),
        (
            ["a: {kind: pitch, by: note-pitch, bend_semitones: 0, set_bend_range: true}"],
            "there is no bend range to set",
        ),
        (["a: {kind: level, by: cc, number: 1, set_bend_range: true}"], "has a bend range"),
        # pulses
        (["a: {kind: gate, by: note, number: 1, pulse_ms: 5}"], "a gate has no fixed width"),
        (["a: {kind: trigger, by: program, number: 1}"], "say how wide the pulse is"),
        (["a: {kind: clock, by: clock, ppqn: 5}"], "must divide 24"),
        (["a: {kind: clock, by: clock, pulse_ms: 10}"], "do not fit into 24 pulses per quarter"),
        # voices
        (["a: {kind: level, by: note-velocity}"], "it follows the notes of a voice"),
        (
            [
                "a: {kind: pitch, by: note-pitch, voice: v}",
                "b: {kind: gate, by: note, channel: 2, voice: v}",
            ],
            "voice v is on channel 1, where a is",
        ),
        (
            ["a: {kind: gate, by: note, voice: v}", "b: {kind: gate, by: note, voice: v}"],
            "voice v has its gate already: a",
        ),
        (["a: {kind: gate, by: note, number: 3, voice: v}"], "a voice plays any note"),
        (["a: {kind: level, by: cc, number: 3, voice: v}"], "driven by cc is not part of a note"),
        # sharing
        (["a: {kind: gate, by: note, number: 1, excludes: [b]}"], "there is no output b"),
        (["a: {kind: gate, by: note, number: 1, excludes: [a]}"], "cannot exclude itself"),
        (
            ["a: {kind: gate, by: note, number: 1}", "b: {kind: gate, by: note, number: 1}"],
            "a is moved by the same message: note 1 on channel 1",
        ),
        (
            ["a: {kind: level, by: cc14, number: 1}", "b: {kind: level, by: cc, number: 33}"],
            "a is moved by the same message: controller 33 on channel 1",
        ),
        (
            ["a: {kind: pitch, by: note-pitch}", "b: {kind: level, by: bend}"],
            "a is moved by the same message: bend on channel 1",
        ),
        (
            ["a: {kind: level, by: nrpn, number: 1}", "b: {kind: level, by: cc, number: 6}"],
            "controller 6 sets parameters on channel 1",
        ),
        (
            ["a: {kind: pitch, by: note-pitch, voice: v}", "b: {kind: gate, by: note, number: 36}"],
            "a is moved by the same message: note 36 on channel 1",
        ),
    ],
)
def test_what_makes_no_sense_is_refused(lines: list[str], message: str) -> None:
    problems = said(of(*lines))
    assert len(problems) == 1, problems
    assert message in problems[0]
    assert problems[0].startswith(f"p.yaml:{2 + len(lines)}:"), problems


def test_outputs_that_exclude_each_other_may_share_an_address() -> None:
    profile = parse_profile(
        of(
            "a: {kind: gate, by: note, number: 1}",
            "b: {kind: trigger, by: note, number: 1, pulse_ms: 5, excludes: [a]}",
        )
    )
    assert profile.output("b").excludes == ("a",)


def test_a_profile_beside_the_rig_wins(tmp_path: Path) -> None:
    text = of("a: {kind: gate, by: note, number: 1}").replace("profile: p", "profile: four-voices")
    (tmp_path / "four-voices.yaml").write_text(text)
    assert [out.name for out in load_profile("four-voices", tmp_path).outputs] == ["a"]
    assert len(load_profile("four-voices").outputs) == 8


def test_the_name_inside_is_the_name_of_the_file(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text(of("a: {kind: gate, by: note, number: 1}"))
    with pytest.raises(InputError, match=r"calls itself p, but the file is called mine\.yaml"):
        load_profile("mine", tmp_path)


def test_a_new_profile_is_written_once(tmp_path: Path) -> None:
    profile = parse_profile(
        of(
            "a: {kind: gate, by: note, number: 1}",
            'b: {kind: level, by: cc, number: 3, low: -2.5, description: "no: really"}',
        )
    )
    path = write_profile(profile, tmp_path)
    assert path == tmp_path / "p.yaml"
    assert load_profile("p", tmp_path) == profile
    with pytest.raises(InputError, match="is there already"):
        write_profile(profile, tmp_path)


def test_a_bad_profile_is_not_written(tmp_path: Path) -> None:
    bad = Profile("p", "", (Output("a", "level", Address("cc", 1, 200)),))
    with pytest.raises(InputError, match="must be 0"):
        write_profile(bad, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_the_schema_says_what_the_reader_does() -> None:
    """An editor that knows the schema refuses what the reader refuses (JSON Schema 2020-12)."""
    validator = jsonschema.Draft202012Validator(json_schema())
    jsonschema.Draft202012Validator.check_schema(json_schema())
    good = {"profile": "p", "outputs": {"a": {"kind": "gate", "by": "note", "number": "C2"}}}
    assert validator.is_valid(good)
    for change in (
        {"kind": "gat"},
        {"channel": 17},
        {"channel": 1.5},
        {"high": 16},
        {"nubmer": 3},
        {"number": "H2"},
        {"inverted": 1},
        {"voice": "No"},
    ):
        bad = {"profile": "p", "outputs": {"a": {"kind": "gate", "by": "note"} | change}}
        assert not validator.is_valid(bad), change
    assert not validator.is_valid({"profile": "p", "outputs": {}})
