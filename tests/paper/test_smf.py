"""Standard MIDI files, held against RP-001 (tests/reference), read back by independent readers."""

from __future__ import annotations

import csv
import io
import struct
from pathlib import Path

import mido
import pretty_midi
import pytest
import yaml

from bridge.files.rig import load_rig, parse_rig
from bridge.files.set import load_set, parse_set
from bridge.paper import csv_rows, smf

DEMO = Path(__file__).parents[2] / "bridge" / "demo"


@pytest.fixture(scope="module")
def facts() -> dict[str, object]:
    path = Path(__file__).parents[1] / "reference" / "smf_facts.yaml"
    return {entry["id"]: entry["value"] for entry in yaml.safe_load(path.read_text())["entries"]}


def vlq_rows() -> list[dict[str, str]]:
    path = Path(__file__).parents[1] / "reference" / "smf_vlq.csv"
    return list(csv.DictReader(path.read_text().splitlines()))


def chunks(raw: bytes) -> list[tuple[bytes, bytes]]:
    """Chunks as RP-001 p. 3 describes them: four letters, length of the data, data."""
    found, at = [], 0
    while at < len(raw):
        kind, length = struct.unpack(">4sI", raw[at : at + 8])
        found.append((kind, raw[at + 8 : at + 8 + length]))
        at += 8 + length
    assert at == len(raw)
    return found


HEAD = smf.Head("Low tide", (4, 4), "Am", ((0, 120.0),))
SENT = {
    "main": [
        (0, bytes([0x99, 36, 100])),
        (120, bytes([0x89, 36, 64])),
        (480, bytes([0xB0, 16, 3])),
        (480, bytes([0xB0, 48, 5])),
        (480, b"\xf8"),
        (960, bytes([0x99, 38, 127])),
        (1080, bytes([0x89, 38, 64])),
    ],
    "drums": [(240, bytes([0x90, 60, 1])), (241, bytes([0x80, 60, 64]))],
}


def test_header_and_tracks(facts: dict[str, object]) -> None:
    found = chunks(smf.write(HEAD, SENT, 3840))
    assert [kind for kind, _ in found] == [b"MThd", b"MTrk", b"MTrk", b"MTrk"]
    assert len(found[0][1]) == 6
    assert struct.unpack(">HHH", found[0][1]) == (1, 3, 960)  # format 1, one track more than ports
    end = bytes.fromhex(str(facts["end_of_track"]))
    assert all(data.endswith(end) for kind, data in found if kind == b"MTrk")


def test_the_first_track_says_tempo_meter_key_and_name(facts: dict[str, object]) -> None:
    track = chunks(smf.write(HEAD, SENT, 3840))[1][1]
    assert bytes.fromhex(str(facts["set_tempo_120"])) in track
    assert bytes.fromhex(str(facts["time_signature_4_4"])) in track
    assert bytes.fromhex("FF 59 02 00 01") in track  # A minor: no sharps, minor (RP-001 p. 10)
    assert b"\xff\x03\x08Low tide" in track


def test_six_eight_has_the_click_of_the_example(facts: dict[str, object]) -> None:
    head = smf.Head("S", (6, 8))
    track = chunks(smf.write(head, {}, 0))[1][1]
    assert bytes.fromhex(str(facts["time_signature_6_8"])) in track


@pytest.mark.parametrize("row", vlq_rows(), ids=lambda row: row["id"])
def test_delta_times_are_written_as_published(row: dict[str, str]) -> None:
    ticks = int(row["number"])
    track = chunks(smf.write(smf.Head("S"), {"p": [(ticks, bytes([0x90, 60, 100]))]}, 0))[2][1]
    name = b"\x00\xff\x03\x01p"
    assert track.startswith(name)
    assert track[len(name) :].startswith(bytes.fromhex(row["value"]) + bytes([0x90, 60, 100]))


def test_an_independent_reader_finds_the_notes_at_their_times() -> None:
    raw = smf.write(smf.Head("S", tempos=((0, 120.0),)), SENT, 3840)
    song = pretty_midi.PrettyMIDI(io.BytesIO(raw))
    assert song.resolution == 960
    drums = next(i for i in song.instruments if i.is_drum)
    # 960 ticks at 120 BPM are half a second
    assert [(n.pitch, n.velocity, n.start, n.end) for n in drums.notes] == [
        (36, 100, 0.0, 0.0625),
        (38, 127, 0.5, 0.5625),
    ]
    times, tempi = song.get_tempo_changes()
    assert (list(times), list(tempi)) == ([0.0], [120.0])
    assert [(s.numerator, s.denominator) for s in song.time_signature_changes] == [(4, 4)]


def test_the_order_sent_is_kept_and_the_clock_is_left_out() -> None:
    song = mido.MidiFile(file=io.BytesIO(smf.write(HEAD, SENT, 3840)))
    assert [track.name for track in song.tracks] == ["Low tide", "main", "drums"]
    sent = [message.bytes() for message in song.tracks[1] if not message.is_meta]
    assert sent == [list(data) for _, data in SENT["main"] if data != b"\xf8"]
    for track in song.tracks:
        assert sum(message.time for message in track) == 3840


def test_what_comes_after_the_end_moves_the_end() -> None:
    song = mido.MidiFile(file=io.BytesIO(smf.write(HEAD, {"p": SENT["main"]}, 100)))
    assert sum(message.time for message in song.tracks[1]) == 1080


def test_tempo_changes_and_markers_stand_in_order() -> None:
    head = smf.Head("S", tempos=((0, 100.0), (1920, 133.33)), markers=((960, "flood"),))
    track = mido.MidiFile(file=io.BytesIO(smf.write(head, {}, 3840))).tracks[0]
    now, found = 0, []
    for message in track:
        now += message.time
        if message.type in ("set_tempo", "marker"):
            found.append((now, message.type))
    assert found == [(0, "set_tempo"), (960, "marker"), (1920, "set_tempo")]


@pytest.mark.parametrize(
    ("bpm", "us"), [(120, 500_000), (133.33, 450_011), (20, 3_000_000), (400, 150_000)]
)
def test_tempo_in_microseconds(bpm: float, us: int) -> None:
    assert smf.tempo_us(bpm) == us  # 60 000 000 / BPM, RP-001 p. 9


@pytest.mark.parametrize(
    ("key", "name"),
    [
        ("{root: A, scale: minor}", "Am"),
        ("{root: F#, scale: major}", "F#"),
        ("{root: Bb, scale: aeolian}", "Bbm"),
        ("{root: G#, scale: major}", ""),
        ("{root: D, scale: dorian}", ""),
        ("{root: C, scale: [0, 7]}", ""),
    ],
)
def test_only_keys_that_a_signature_can_say(key: str, name: str) -> None:
    spec = parse_set(f"set: S\nkey: {key}\nlanes: {{a: {{every: 1}}}}\n").spec
    assert smf.key_name(spec) == name


def test_without_a_key_there_is_no_signature() -> None:
    assert smf.key_name(parse_set("set: S\nlanes: {a: {every: 1}}\n").spec) == ""


def test_names_in_other_letters_do_not_break_the_file() -> None:
    raw = smf.write(smf.Head("Grüße 潮"), {}, 0)
    assert mido.MidiFile(file=io.BytesIO(raw)).tracks[0].name == "Grüße ?"


def test_a_rendered_set_has_the_hits_of_the_table_on_their_ticks() -> None:
    rig = load_rig(DEMO / "rig.yaml")
    spec = load_set(DEMO / "set.yaml", rig).spec
    table = csv.DictReader(csv_rows.text(spec, rig, 4).splitlines())
    gates = {f"main.gate-{n + 1}": 36 + n for n in range(8)}  # notes 36 to 43: the profile
    expected = sorted(
        (int(row["tick"]), gates[row["output"]]) for row in table if row["kind"] == "hit"
    )
    raw = smf.render(spec, rig, 4)

    now, found = 0, []
    for message in mido.MidiFile(file=io.BytesIO(raw)).tracks[1]:
        now += message.time
        if message.type == "note_on":
            found.append((now, message.note))
    assert sorted(found) == expected

    song = pretty_midi.PrettyMIDI(io.BytesIO(raw))
    drums = next(i for i in song.instruments if i.is_drum)
    heard = sorted((round(note.start * spec.tempo * 16), note.pitch) for note in drums.notes)
    assert heard == expected  # 960 ticks a quarter: ticks = seconds * BPM / 60 * 960
    assert all(note.end > note.start for note in drums.notes)
    assert len(drums.notes) == len(expected), "a gate stays open"


def test_pitch_leads_its_gate_in_the_file() -> None:
    rig = parse_rig("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")
    text = (
        "set: S\ntempo: 120\nlanes:\n  g: {every: 4, out: main.gate-1}\n"
        "  p: {notes: [C2, C3], advance: g, out: main.pitch-1}\n"
    )
    raw = smf.render(parse_set(text, rig=rig).spec, rig, 1)
    now, moves = 0, []
    for message in mido.MidiFile(file=io.BytesIO(raw)).tracks[1]:
        now += message.time
        if message.type == "control_change" and message.control == 16 and now:
            moves.append(now)
    # 2 ms at 120 BPM are 3.84 ticks before each quarter
    assert moves == [960 - 4, 1920 - 4, 2880 - 4]
