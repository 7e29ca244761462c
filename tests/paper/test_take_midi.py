"""A take as a standard MIDI file, read back by two independent readers and held against what the
ports got."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import mido
import pretty_midi
import pytest
from support.taped import Evening, dense_moves

from bridge.clock.tempo import Anchor
from bridge.files.take import Take, TakeError
from bridge.paper import csv_rows, take_midi
from bridge.paper.course import as_written

Got = tuple[int, bytes]


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Evening]:
    """Sixteen bars of the demo with MIDI clock going out, a tempo that changes, mutes, sections."""
    made = Evening(tmp_path_factory.mktemp("state"), send_clock=True)
    made.do("start")
    made.bars(3.3)
    made.do("mute", lane="kick", muted=True, when="bar")
    made.do("tempo", bpm=117.0)
    made.bars(4)
    made.do("section", section="flood", when="bar")
    made.bars(4)
    made.do("tempo", bpm=140.5)
    made.do("mute", lane="kick", muted=False)
    made.bars(4.2)
    made.stop()
    made.written()
    yield made
    made.recorder.end(made.now / 1e9)


@pytest.fixture(scope="module")
def take(evening: Evening) -> Take:
    return evening.take()


@pytest.fixture(scope="module")
def raw(take: Take) -> bytes:
    return take_midi.midi_file(take)


def tick_of(ns: int, lines: list[tuple[int, int, float]]) -> float:
    """Where a time falls, by the tempos that hands asked for: (tick, ns, bpm) each. By the
    definition of BPM alone: 960 ticks are a quarter note, 60 / bpm seconds long."""
    tick, at, bpm = next(line for line in reversed(lines) if line[1] <= ns or line is lines[0])
    return tick + (ns - at) * bpm * 960 / 60e9


def test_mido_reads_every_message_where_the_wire_had_it(
    evening: Evening, take: Take, raw: bytes
) -> None:
    """Positions and count of all messages but the clock's, which the tempo map says."""
    file = mido.MidiFile(file=io.BytesIO(raw))
    assert (file.type, file.ticks_per_beat) == (1, 960)
    read: list[Got] = []
    for track in file.tracks:
        now = 0
        for message in track:
            now += message.time
            if not message.is_meta:
                read.append((now, bytes(message.bytes())))
    lines = [(round(m["tick"]), m["ns"], m["bpm"]) for m in take.marks if m["is"] == "line"]
    assert [bpm for _, _, bpm in lines] == [126.0, 117.0, 140.5]
    wire = [
        (max(0, round(tick_of(ns, lines))), data)
        for ns, _, data in evening.received()
        if data[0] < 0xF0
    ]
    assert any(data == b"\xf8" for _, _, data in evening.received())
    assert len(read) == len(wire) > 4000
    assert Counter(read) == Counter(wire)


def test_pretty_midi_hears_every_hit_when_the_wire_had_it(evening: Evening, raw: bytes) -> None:
    """In seconds, by its own tempo map. The tempo stands in the file in whole microseconds a
    quarter note (RP-001, p. 9), which is off by at most half of one."""
    file = pretty_midi.PrettyMIDI(io.BytesIO(raw))
    heard = sorted((n.start, n.pitch) for i in file.instruments for n in i.notes)
    wire = evening.received()
    zero = evening.take().head["begin"]["at"]
    struck = sorted(((ns - zero) / 1e9, data[1]) for ns, _, data in wire if data[0] == 0x99)
    assert len(heard) == len(struck) > 300
    quarters = struck[-1][0] * 2.5
    for (start, pitch), (second, note) in zip(sorted(heard), struck, strict=True):
        # half a tick at 117 is 0.27 ms
        assert abs(start - max(second, 0)) < 0.0003 + quarters * 0.5e-6
        assert pitch == note or any(abs(s - start) < 0.001 and n == pitch for s, n in struck)


def test_one_named_track_a_lane_in_the_order_of_the_set(evening: Evening, raw: bytes) -> None:
    file = mido.MidiFile(file=io.BytesIO(raw))
    names = [track.name for track in file.tracks]
    lanes = [lane.name for lane in evening.score.spec.lanes if lane.out is not None]
    assert names[0] == "Low tide"
    assert [name for name in names[1:] if name in lanes] == lanes
    kick = next(track for track in file.tracks if track.name == "kick")
    assert {m.note for m in kick if m.type.startswith("note")} == {36}
    for track in file.tracks:
        sounding: set[tuple[int, int]] = set()
        for message in track:
            if message.type == "note_on":
                sounding.add((message.channel, message.note))
            elif message.type == "note_off":
                sounding.discard((message.channel, message.note))
        assert not sounding, f"{track.name} leaves a note on"


def test_tempo_and_markers_stand_on_their_bars(raw: bytes) -> None:
    """The mute was asked for in bar 4, for the next bar line; the section in bar 8."""
    file = mido.MidiFile(file=io.BytesIO(raw))
    now, tempos, marks = 0, [], []
    for message in file.tracks[0]:
        now += message.time
        if message.type == "set_tempo":
            tempos.append((now, message.tempo))
        elif message.type == "marker":
            marks.append((now / 3840 + 1, message.text))
    assert [tempo for _, tempo in tempos] == [round(60e6 / bpm) for bpm in (126, 117, 140.5)]
    assert (5.0, "kick out") in marks
    assert (9.0, "section flood") in marks
    bar, _ = next(mark for mark in marks if mark[1] == "kick in")
    assert bar == 9.0, "flood plays all"


def test_the_table_of_a_take_without_moves_is_that_of_render(tmp_path: Path) -> None:
    evening = Evening(tmp_path)
    evening.do("start")
    evening.bars(4.05)
    evening.stop()
    found = take_midi.table(evening.take())
    spec = evening.score.spec
    rendered = csv_rows.text(spec, evening.rig, 4, course=as_written(spec)).splitlines()
    ours = [row for row in found.splitlines() if row[0].isalpha() or int(row.split(",")[0]) < 15360]
    # Of several values of one output at a tick only the last leaves.
    missing = [row for row in rendered if row not in ours and ",level," not in row]
    assert missing == []
    more = [row for row in ours if row not in rendered]
    assert all(row.startswith("0,") and ",level," in row for row in more), more


def test_what_hands_did_is_a_table_too(evening: Evening, take: Take) -> None:
    rows = list(csv.DictReader(io.StringIO(take_midi.moves(take))))
    assert [row["what"] for row in rows] == [
        "start", "mute", "tempo", "section", "tempo", "mute",
    ]  # fmt: skip
    assert (rows[1]["bar"], rows[1]["who"]) == ("4", "page ana")
    assert "lane=kick" in rows[1]["details"]


def test_a_take_that_begins_in_the_middle_begins_on_its_bar(tmp_path: Path) -> None:
    evening = Evening(tmp_path)
    evening.do("position", tick=10 * 3840 + 960)
    evening.do("continue")
    evening.bars(1)
    evening.stop()
    file = mido.MidiFile(file=io.BytesIO(take_midi.midi_file(evening.take())))
    firsts = []
    for track in file.tracks[1:]:
        ons = [m for m in track if m.type == "note_on"]
        if ons:
            firsts.append(sum(m.time for m in track[: track.index(ons[0]) + 1]))
    assert min(firsts) == 960


def test_a_jump_is_none_in_the_file(tmp_path: Path) -> None:
    """The song goes back to its begin; the file goes on."""
    evening = Evening(tmp_path)
    evening.do("start")
    evening.bars(2)
    evening.do("position", tick=0)
    evening.bars(2)
    evening.stop()
    take = evening.take()
    assert [mark["is"] for mark in take.marks].count("jump") == 1
    file = mido.MidiFile(file=io.BytesIO(take_midi.midi_file(take)))
    kick = next(track for track in file.tracks if track.name == "kick")
    now, ons = 0, []
    for message in kick:
        now += message.time
        if message.type == "note_on":
            ons.append(now)
    wire = [ns for ns, _, data in evening.received() if data[:2] == bytes((0x99, 36))]
    line = Anchor(0, take.head["begin"]["at"], 126.0)
    assert ons == [round(line.tick_at(ns)) for ns in wire]


def test_dense_moves_leave_a_readable_file(tmp_path: Path) -> None:
    evening = Evening(tmp_path, late_ms=3)
    evening.do("start")
    dense_moves(evening, 8, 0.2)
    evening.swap(evening.text.replace("hits: 7, steps: 16", "hits: 6, steps: 16"), "bar")
    evening.run(4000)
    evening.stop()
    take = evening.take()
    file = mido.MidiFile(file=io.BytesIO(take_midi.midi_file(take)))
    count = sum(not m.is_meta for track in file.tracks for m in track)
    assert count == len(take.ticks)


def test_a_take_whose_set_cannot_be_read_says_so(take: Take) -> None:
    broken = Take({**take.head, "text": "set: [", "begin": take.head["begin"]})
    with pytest.raises(TakeError, match="rig or set of this take"):
        take_midi.midi_file(broken)
