"""Drums from MIDI files: what becomes of them, and what is refused.

The files are written by mido, so that another program's encoder stands at the beginning.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Sequence
from pathlib import Path

import mido
import pretty_midi
import pytest
import yaml
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from support.bounds import bounded
from support.refusals import lines_of, problems_of

from bridge.cli import main
from bridge.demo import files
from bridge.errors import InputError
from bridge.files.rig import load_rig
from bridge.files.set import parse_set
from bridge.music.model import Steps
from bridge.music.pattern import parse_steps
from bridge.music.render import events_between
from bridge.music.score import compile_score
from bridge.paper import midi_import, smf
from bridge.paper.midi_import import set_text

PPQ = 480  # a sixteenth is 120


def song(
    hits: list[tuple[int, int, int]],
    *,
    tempo: float = 120,
    meter: tuple[int, int] = (4, 4),
    channel: int = 9,
    ppq: int = PPQ,
) -> mido.MidiFile:
    """A file of one track; hits are (tick, note, velocity)."""
    file = mido.MidiFile(type=0, ticks_per_beat=ppq)
    track = mido.MidiTrack(
        [
            mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(tempo)),
            mido.MetaMessage("time_signature", numerator=meter[0], denominator=meter[1]),
        ]
    )
    timed = [(t, mido.Message("note_on", channel=channel, note=n, velocity=v)) for t, n, v in hits]
    timed += [(t + 10, mido.Message("note_off", channel=channel, note=n)) for t, n, _ in hits]
    now = 0
    for tick, message in sorted(timed, key=lambda item: item[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    file.tracks.append(track)
    return file


def saved(file: mido.MidiFile, folder: Path) -> Path:
    path = folder / "beat.mid"
    file.save(path)
    return path


BEAT = [
    *((t, 36, 100) for t in (0, 960)),
    *((t, 38, 100) for t in (480, 1440)),
    *((t, 42, 110 if t % 480 == 0 else 60) for t in range(0, 1920, 240)),
]


def test_a_bar_of_drums_becomes_lanes(tmp_path: Path) -> None:
    text = set_text(saved(song(BEAT, tempo=133.33), tmp_path))
    assert text == (
        "# From beat.mid, bar 1.\n"
        "# Each lane still needs its output: out: interface.output\n"
        'set: "beat"\n'
        "tempo: 133.33\n"
        "lanes:\n"
        '  kick:  {steps: "x... .... x... ....", level: 0.79}\n'
        '  snare: {steps: ".... x... .... x...", level: 0.79}\n'
        '  hat:   {steps: "X.x. X.x. X.x. X.x.", level: 0.47, accent: 0.75}\n'
    )


def test_what_is_imported_plays_the_same_hits_again(tmp_path: Path) -> None:
    spec = parse_set(set_text(saved(song(BEAT), tmp_path))).spec
    events = events_between(compile_score(spec, {}), 0, spec.bar_ticks)
    notes = {"kick": 36, "snare": 38, "hat": 42}
    found = sorted((e.tick // 2, notes[spec.lanes[e.lane].name], e.value) for e in events)
    expected = sorted(BEAT)
    assert [(tick, note) for tick, note, _ in found] == [(t, n) for t, n, _ in expected]
    for (_, _, level), (_, _, velocity) in zip(found, expected, strict=True):
        assert level == pytest.approx(velocity / 127, abs=0.01)


def test_a_file_of_an_independent_writer_becomes_the_same_lanes(tmp_path: Path) -> None:
    """Written by pretty_midi from seconds: nothing of it is ours."""
    written = pretty_midi.PrettyMIDI(initial_tempo=120, resolution=PPQ)
    drums = pretty_midi.Instrument(0, is_drum=True)
    for tick, note, velocity in BEAT:
        start = tick / PPQ / 2
        drums.notes.append(pretty_midi.Note(velocity, note, start, start + 0.05))
    written.instruments.append(drums)
    written.write(str(tmp_path / "beat.mid"))
    theirs = parse_set(set_text(tmp_path / "beat.mid")).spec.lanes
    assert theirs == parse_set(set_text(saved(song(BEAT), tmp_path))).spec.lanes
    assert [lane.name for lane in theirs] == ["kick", "snare", "hat"]


@pytest.mark.parametrize(
    ("ticks", "steps", "rate"),
    [
        (range(0, 1920, 120), "xxxx xxxx xxxx xxxx", None),
        (range(0, 1920, 160), "xxx xxx xxx xxx", "1/8T"),
        (range(0, 1920, 80), "xxxxxx xxxxxx xxxxxx xxxxxx", "1/16T"),
        ([0, 60, 480], "xx...... x....... ........ ........", "1/32"),
        # played by hand: up to a fifth of a step off
        ([5, 470, 975, 1440], "x... x... x... x...", None),
    ],
)
def test_the_grid_is_found(tmp_path: Path, ticks: list[int], steps: str, rate: str | None) -> None:
    text = set_text(saved(song([(t, 36, 100) for t in ticks]), tmp_path))
    assert f'steps: "{steps}"' in text
    assert (f"rate: {rate}" in text) if rate else ("rate:" not in text)
    source = parse_set(text).spec.lanes[0].source
    assert source == Steps(parse_steps(steps))


def test_a_later_bar_in_another_meter(tmp_path: Path) -> None:
    hits = [(t, 36, 90) for t in (0, 720, 1440, 1440 + 240)]  # bars of 6/8 are 1440 long
    path = saved(song(hits, meter=(6, 8)), tmp_path)
    text = set_text(path, bar=2)
    assert "meter: 6/8\n" in text
    assert 'kick: {steps: "x.x. .... ....", level: 0.71}' in text
    assert 'steps: "x... ..x. .... x.x. .... ...."' in set_text(path, bar=1, bars=2)


def test_a_hit_just_before_the_bar_line_belongs_to_the_bar(tmp_path: Path) -> None:
    path = saved(song([(1915, 36, 100), (2400, 36, 100)]), tmp_path)
    assert 'steps: "x... x... .... ...."' in set_text(path, bar=2)


def test_only_channel_10_counts_unless_it_is_empty(tmp_path: Path) -> None:
    file = song([(0, 36, 100)])
    other = song([(0, 50, 100)], channel=0)
    file.type = 1
    file.tracks.append(other.tracks[0])
    assert "tom-high" not in set_text(saved(file, tmp_path))
    assert "tom-high: " in set_text(saved(other, tmp_path))


def test_names_are_unique_and_notes_without_a_name_have_their_number(tmp_path: Path) -> None:
    hits = [(0, note, 100) for note in (35, 36, 38, 40, 90)]
    spec = parse_set(set_text(saved(song(hits), tmp_path))).spec
    assert [lane.name for lane in spec.lanes] == ["kick", "kick-2", "snare", "snare-2", "note-90"]


def test_what_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    assert lines_of(lambda: set_text(path)) == [
        f"{path}  cannot be read: no such file or directory"
    ]
    path.write_bytes(b"RIFF....")
    assert lines_of(lambda: set_text(path)) == [
        f"{path}  is not a standard MIDI file: it does not begin with MThd"
    ]
    path.write_bytes(b"MThd\x00\x00\x00\x06\x00")
    assert lines_of(lambda: set_text(path)) == [
        f"{path}  is not a standard MIDI file: its header is not whole"
    ]
    saved(song([]), tmp_path).rename(path)
    assert lines_of(lambda: set_text(path)) == [f"{path}  has no note in bar 1"]
    assert lines_of(lambda: set_text(path, 3, 2)) == [f"{path}  has no note in bars 3 to 4"]
    # division E728: 25 frames of 40 ticks (RP-001 p. 4)
    path.write_bytes(bytes.fromhex("4D546864 00000006 0000 0001 E728 4D54726B 00000004 00FF2F00"))
    assert lines_of(lambda: set_text(path)) == [f"{path}  counts time in frames and not in beats"]
    path.write_bytes(bytes.fromhex("4D546864 00000006 0002 0001 0060 4D54726B 00000004 00FF2F00"))
    with pytest.raises(InputError, match="format 2"):
        set_text(path)


def test_the_example_files_of_the_standard(reference: Path, tmp_path: Path) -> None:
    import yaml

    facts = {
        e["id"]: e["value"]
        for e in yaml.safe_load((reference / "smf_facts.yaml").read_text())["entries"]
    }
    texts = []
    for name in ("example_file_format_0", "example_file_format_1"):
        path = tmp_path / "example.mid"
        path.write_bytes(bytes.fromhex(facts[name]))
        texts.append(set_text(path))
    assert texts[0] == texts[1]  # the same music in both formats
    # notes 48, 60 at 0, 67 at 96, 76 at 192 (of 96 to the quarter): example_events
    lanes = {lane.name: lane for lane in parse_set(texts[0]).spec.lanes}
    sources = {name: lane.source for name, lane in lanes.items()}
    found = {name: s.marks.index(1) for name, s in sources.items() if isinstance(s, Steps)}
    assert found == {"tom-high": 0, "bongo-high": 0, "note-67": 4, "block-high": 8}


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=120), st.integers(0, 80), st.booleans())
def test_any_bytes_become_a_set_or_are_refused(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes, cut: int, whole: bool
) -> None:
    out = io.BytesIO()
    song(BEAT).save(file=out)
    good = out.getvalue()
    raw = b"MThd" + junk if whole else good[:cut] + junk + good[cut + len(junk) :]
    path = tmp_path_factory.getbasetemp() / "junk.mid"
    path.write_bytes(raw)
    if not problems_of(lambda: set_text(path)):
        parse_set(set_text(path))


# --- files that are no good ----------------------------------------------------------------------


def raw_file(*chunks: tuple[bytes, bytes], tracks: int = 1) -> bytes:
    """A file by hand: kind and content of each chunk, after a header of format 0 (RP-001 p. 3)."""
    head = b"MThd" + struct.pack(">IHHH", 6, 0, tracks, PPQ)
    return head + b"".join(kind + struct.pack(">I", len(data)) + data for kind, data in chunks)


KICK = b"\x00\x99\x24\x64"
END = b"\x00\xff\x2f\x00"
METER = b"\x00\xff\x58\x04\x03\x02\x18\x08"  # 3/4
HOSTILE = {
    "a number without an end": ([b"\xff" * 1_000_000], "a number of more than four bytes"),
    "a length without an end": ([b"\x00\xff\x01" + b"\x80" * 1_000_000], "more than four bytes"),
    "too many events": ([METER * 300_000], "it holds more than 100000 events"),
    "too many notes": ([KICK * 300_000], "it holds more than 100000 events"),
    "too many events in many tracks": ([KICK * 1_000] * 400, "it holds more than 100000 events"),
    "an event longer than its track": ([b"\x00\xff\x01\xff\xff\xff\x7f"], "longer than its track"),
    "an event that is cut off": ([KICK[:3]], "longer than its track"),
    "a track that ends after a time": ([KICK + b"\x00"], "ends in the middle of an event"),
    "data without its kind": ([b"\x00\x24\x64"], "data without the kind of its event"),
    "running status over a system message": (
        [b"\x00\xf0\x01\xf7\x00\x24\x64"],
        "data without the kind of its event",
    ),
    "a message that is not for files": ([b"\x00\xf8"], "0xF8 is no event of a file"),
    "a tempo of no bytes": ([b"\x00\xff\x51\x00" + KICK + END], "cannot be read"),
    "no track": ([], "it has no track"),
}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_file_that_is_no_good_is_refused_with_a_reason(tmp_path: Path, what: str) -> None:
    """Each in bounded time and memory; RP-001 p. 2 for numbers, p. 6 and 7 for events."""
    tracks, said = HOSTILE[what]
    path = tmp_path / "x.mid"
    path.write_bytes(raw_file(*((b"MTrk", track) for track in tracks), tracks=len(tracks)))
    with bounded():
        (line,) = lines_of(lambda: set_text(path))
    assert line.startswith(f"{path}  is not a standard MIDI file: ")
    assert said in line


@given(st.data())
@settings(max_examples=200)
def test_a_damaged_file_is_read_or_refused_in_words(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    file = io.BytesIO()
    song(BEAT).save(file=file)
    raw = bytearray(file.getvalue())
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    raw = raw[: data.draw(st.integers(0, len(raw)))]
    path = tmp_path_factory.getbasetemp() / "damaged.mid"
    path.write_bytes(bytes(raw))
    with bounded():
        lines = lines_of(lambda: parse_set(set_text(path)))
    assert all(line.strip()[-1] not in ":'" and "Error" not in line for line in lines)


def test_what_is_at_the_limit_is_read(tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    path.write_bytes(raw_file((b"MTrk", METER * 99_998 + KICK + END)))
    with bounded():
        assert "meter: 3/4" in set_text(path)


def test_chunks_of_other_kinds_and_a_longer_header_are_passed_over(tmp_path: Path) -> None:
    """RP-001 p. 3 (unknown chunks) and p. 5 (the header's length is honoured)."""
    path = tmp_path / "x.mid"
    plain = raw_file((b"MTrk", KICK + END))
    path.write_bytes(plain)
    wanted = set_text(path)
    path.write_bytes(raw_file((b"XFIH", b"\x80" * 9), (b"MTrk", KICK + END), (b"PIC ", b"z")))
    assert set_text(path) == wanted
    path.write_bytes(plain[:7] + b"\x08" + plain[8:14] + b"zz" + plain[14:])
    assert set_text(path) == wanted


@pytest.mark.parametrize(
    "name", ["a\nlanes: x\n.mid", "a\r\x85\u2028b.mid", "a\x1b[2J\udcff.mid", '"\\.mid']
)
def test_the_name_of_the_file_stays_inside_its_comment(tmp_path: Path, name: str) -> None:
    """YAML breaks lines at line feed, carriage return and, in version 1.1, three more (5.4)."""
    path = saved(song(BEAT), tmp_path).rename(tmp_path / name)
    text = set_text(path)
    assert text.startswith("# From a") or text.startswith('# From "')
    assert text.splitlines()[1].startswith("# Each lane still needs its output")
    assert parse_set(text).spec.lanes[0].name == "kick"


# --- the timing alone ----------------------------------------------------------------------------


def played_file(path: Path, late: Sequence[float], bars: int = 1, meter: int = 4) -> Path:
    """A file with a hat on each sixteenth, each `late` percent of one; 4800 ticks a quarter."""
    file = mido.MidiFile(ticks_per_beat=4800)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("time_signature", numerator=meter, denominator=4))
    at = 0
    for step in range(meter * 4 * bars):
        tick = max(0, round(1200 * (step + late[step % len(late)] / 100)))
        track.append(mido.Message("note_on", channel=9, note=42, velocity=90, time=tick - at))
        at = tick
    file.save(path)
    return path


def test_a_groove_is_how_late_each_sixteenth_was_played(tmp_path: Path) -> None:
    late = [0, 12, -5, 20, 3.5, 10, 0, -20, 0, 1, 2, 4, 8, 16, 32, 49]
    path = played_file(tmp_path / "hat.mid", late, bars=3)
    assert yaml.safe_load(midi_import.groove_text(path, 1, 3))["groove"] == late


def test_of_several_hits_the_middle_counts_and_what_was_not_played_is_as_in_other_beats(
    tmp_path: Path,
) -> None:
    file = mido.MidiFile(ticks_per_beat=4800)
    track = mido.MidiTrack()
    file.tracks.append(track)
    hits = [0, 120, 1200 + 600 // 5, 4800, 4800 + 240]  # 0 and 10 %; 10 %; 0 and 20 %
    for at, before in zip(hits, [0, *hits], strict=False):
        track.append(mido.Message("note_on", channel=9, note=42, velocity=90, time=at - before))
    file.save(tmp_path / "few.mid")
    found = yaml.safe_load(midi_import.groove_text(tmp_path / "few.mid"))["groove"]
    assert found[:6] == [5, 10, 0, 0, 10, 10]
    assert found[8] == 5  # the middle of 0, 0, 10 and 20, where no downbeat was played
    assert len(found) == 16


def test_a_set_with_a_groove_gives_it_back(tmp_path: Path) -> None:
    """To a file and out of it again: what is left is the rounding to ticks, a 240th of a step."""
    groove = [0, 12, -5, 20, 3, 10, 0, -20, 0, 1, 2, 4, 8, 16, 32, 49]
    rig = load_rig(files(None)[0])
    text = f'set: s\ngroove: {groove}\nlanes:\n  hat: {{steps: "x", out: main.gate-1}}\n'
    file = tmp_path / "again.mid"
    file.write_bytes(smf.render(parse_set(text, rig=rig).spec, rig, 4))
    found = yaml.safe_load(midi_import.groove_text(file, 2, 2))["groove"]
    assert found == pytest.approx(groove, abs=100 / 240)


def test_the_command_prints_the_line(tmp_path: Path) -> None:
    path = played_file(tmp_path / "hat.mid", [0, 25], meter=3)
    result = CliRunner().invoke(main, ["import", str(path), "--groove"])
    assert result.exit_code == 0
    assert result.stdout == f"groove: [{', '.join(['0, 25'] * 6)}]\n"
    wrong = CliRunner().invoke(main, ["import", str(path), "--bars", "5"])
    assert wrong.exit_code == 2
    assert "4 bars at most" in wrong.stderr
