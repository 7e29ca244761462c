"""Takes that begin in the middle of a song, jump, or lose their player: played again, and gone on
from, as exactly as one that begins with its song."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.states import process_about
from support.taped import Evening, dense_moves

from bridge.files.set import parse_set
from bridge.files.take import Take, TakeError
from bridge.music.score import compile_score
from bridge.paper.take_again import compare, standing_at
from bridge.paper.take_chart import chart_of
from bridge.player import stands
from bridge.player.dispatch import load
from bridge.player.messages import Swap
from bridge.player.report import Report
from bridge.supervisor import recorder

BAR = 3840  # 4/4: four quarters of 960 ticks

WANDERING = """\
set: Slack water
tempo: 128
key: {root: D, scale: dorian}
seed: 5
lanes:
  kick:  {euclid: {hits: 4, steps: 16}, out: main.gate-1}
  rim:   {euclid: {hits: 5, steps: 13}, drift: 0.3, chance: 0.8, out: main.gate-2}
  spray: {logic: "nth(rim, 3) or delay(kick, 1/8T)", out: main.gate-3}
  line:  {notes: [D2, F2, A2, C3, E3], advance: rim, direction: random-walk, out: main.pitch-1}
  swell: {shape: random-smooth, hz: 0.37, slew_ms: 60, out: main.level-1}
  fall:  {decay: spray, out: main.level-2}
macros:
  brightness: {start: 0.3, drives: [{out: main.level-1, depth: 0.4}, {lane: rim, setting: chance, depth: -0.4}]}
sections:
  ebb: {play: [kick, rim, line, swell]}
  flood: {play: all, macros: {brightness: 0.9}, lanes: {rim: {hits: 7}}}
"""
"""What it plays at a bar depends on all that came before: walks, drift, counts, a free phase."""


def recorded(evening: Evening) -> Take:
    evening.stop()
    take = evening.take()
    evening.recorder.end(evening.now / 1e9)
    return take


def begun_in_the_middle(folder: Path, seed: int) -> Take:
    """Some bars under hands, a jump, a stop; what is recorded then begins at some bar."""
    dice = random.Random(seed)
    evening = Evening(folder, late_ms=1, seed=seed, text=WANDERING if seed % 2 else None)
    evening.do("start")
    dense(evening, 3 + 4 * dice.random(), seed)
    evening.stop()
    evening.do("position", tick=dice.randrange(1, 12) * BAR)
    evening.run(700)
    evening.do("macro", macro="brightness", value=0.7)
    evening.do("continue")
    dense(evening, 4, seed + 1)
    return recorded(evening)


def dense(evening: Evening, seconds: float, seed: int) -> None:
    lane = evening.score.lanes[1].name
    assert lane == "rim"
    dense_moves(evening, seconds, 0.3, seed)


def without_places(take: Take) -> Take:
    """As takes were before they told where everything stood."""
    return replace(take, marks=[mark for mark in take.marks if mark["is"] != "stands"])


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Take:
    return begun_in_the_middle(tmp_path_factory.mktemp("takes"), 1)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_take_begun_at_any_bar_is_played_again_tick_for_tick(tmp_path: Path, seed: int) -> None:
    take = begun_in_the_middle(tmp_path, seed)
    assert take.head["begin"]["tick"] > 0
    found = compare(take)
    assert found.same, found
    assert found.messages > 100


def test_the_place_is_what_makes_it_so(begun: Take) -> None:
    """The check can fail: without it the same take is another stream."""
    assert not compare(without_places(begun)).same


def stood(folder: Path, take: Take, bar: int) -> list[tuple[Any, ...]]:
    """What another player, of another set, plays for two bars from where a take stood."""
    standing = standing_at(take, bar)
    assert standing.exact
    other = Evening(folder, text=WANDERING.replace("seed: 5", "seed: 6"))
    other.do("start")
    other.run(900)
    other.stop()
    score = compile_score(parse_set(standing.text, rig=other.rig).spec, other.rig.ranges)
    load(other.player, Swap(score, 7, place=standing.place), other.now)
    other.do("continue")
    other.bars(2)
    return rows_of(recorded(other), standing.place.tick)


def rows_of(take: Take, tick: int) -> list[tuple[Any, ...]]:
    """Hits and values of two bars, but for those at the very first tick, which are said again, and
    the last moments, which a stop cuts."""
    rows = [(row[0], *row[2:]) for row in take.events if tick < row[0] < tick + 2 * BAR - 200]
    return sorted(set(rows), key=repr)


def test_going_on_from_a_take_that_begins_in_the_middle(tmp_path: Path) -> None:
    evening = Evening(tmp_path / "one", text=WANDERING)
    evening.do("start")
    dense(evening, 5, 3)
    evening.stop()
    evening.do("continue")
    evening.do("macro", macro="brightness", value=0.61)
    evening.bars(4.2)
    take = recorded(evening)
    tick = standing_at(take, 2).place.tick
    assert stood(tmp_path / "two", take, 2) == rows_of(take, tick) != []


def test_going_on_from_any_side_of_a_jump(tmp_path: Path) -> None:
    """The bars of a take go on over a jump; each stretch is what was played in it."""
    evening = Evening(tmp_path / "one", text=WANDERING)
    evening.do("start")
    evening.bars(3)
    evening.do("position", tick=9 * BAR)
    evening.bars(4)
    evening.do("position", tick=2 * BAR)
    evening.bars(4)
    take = recorded(evening)
    assert compare(take).same
    assert abs((take.foot or {})["bars"] - chart_of(take).bars) <= 1, "the list and the picture"
    jumps = [mark["tick"] for mark in take.marks if mark["is"] == "jump"]
    assert jumps == [9 * BAR, 2 * BAR]
    assert 9 * BAR <= standing_at(take, 5).place.tick < 11 * BAR
    back = standing_at(take, 9)
    assert 2 * BAR <= back.place.tick < 4 * BAR
    later = replace(take, events=take.events[-len(take.events) // 3 :])
    assert stood(tmp_path / "two", take, 9) == rows_of(later, back.place.tick) != []
    with pytest.raises(TakeError, match="not recorded"):
        standing_at(without_places(take), 9)


def test_old_takes_are_read_and_what_is_not_exact_is_said(begun: Take) -> None:
    take = without_places(begun)
    standing = standing_at(take, 2)
    assert not standing.exact
    assert standing.place.tick > take.head["begin"]["tick"]


@pytest.mark.parametrize(
    "change",
    [
        {"format": 2},
        {"position": -(10**9)},
        {"grid": 10**15},
        {"nodes": []},
        {"nodes": [[0, ["dict", ["cursor", ["list"]]]]]},
        {"nodes": [[0, ["ratio", 1, 0]]]},
        {"nodes": [[0, ["list"] * 50]]},
        {"mixer": ["line", 1, 2, 3]},
        {"waiting": ["Unknown", 1]},
        {"form": 99},
        {"hand": None},
        {"going": 7},
    ],
)
def test_a_place_that_cannot_be_is_not_gone_to(begun: Take, change: dict[str, Any]) -> None:
    """A take may come from a stranger: what it says of a place is checked, not believed."""
    take = begun
    marks = json.loads(json.dumps(take.marks))
    for mark in marks:
        if mark["is"] == "stands":
            mark["place"].update(change)
    assert not standing_at(replace(take, marks=marks), 2).exact


def test_going_on_from_a_take_that_goes_on_in_another_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another set came meanwhile, and hands moved: the second file says how everything stood."""
    monkeypatch.setattr(recorder, "FILE_BYTES", 12_000)
    monkeypatch.setattr(stands, "EVERY_BARS", 1)
    evening = Evening(tmp_path / "one", text=WANDERING)
    evening.do("start")
    dense(evening, 2, 3)
    evening.swap(WANDERING.replace("hits: 5, steps: 13", "hits: 4, steps: 11"), "beat")
    while len(evening.takes.rows()) < 2:
        evening.bars(0.5)
        evening.written()
    monkeypatch.setattr(recorder, "FILE_BYTES", 1 << 30)  # there is no third one
    evening.do("macro", macro="brightness", value=0.77)
    evening.bars(4)
    take = recorded(evening)
    begin = take.head["begin"]
    assert begin["continues"] == evening.takes.rows()[1].id
    assert "steps: 11" in take.head["text"]
    first = standing_at(take, 1)
    assert first.exact
    assert 0 <= first.place.tick - begin["rendered"] < BAR / 16
    later = standing_at(take, 3)
    assert later.place.state["macros"]["brightness"]["value"] == 0.77
    assert stood(tmp_path / "two", take, 3) == rows_of(take, later.place.tick) != []
    with pytest.raises(TakeError, match="join it to that one"):
        compare(take)


def test_a_third_file_knows_the_set_that_came_in_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second begins in the middle of nothing: it is not told how everything stands."""
    monkeypatch.setattr(recorder, "FILE_BYTES", 8_000)
    evening = Evening(tmp_path, text=WANDERING)
    evening.do("start")
    evening.swap(WANDERING.replace("hits: 5, steps: 13", "hits: 4, steps: 11"), "beat")
    while len(evening.takes.rows()) < 2:
        evening.bars(0.5)
        evening.written()
    assert "steps: 13" in evening.take().head["text"]
    while "steps: 11" not in evening.take().head["text"]:
        assert len(evening.takes.rows()) < 12
        evening.do("position", tick=16 * BAR)  # how everything stands is told after a jump
        evening.bars(0.5)
        evening.written()
    evening.stop()


# --- another clock, another player ----------------------------------------------------------------


def follow(evening: Evening, count: int, bpm: float, first: bytes = b"") -> None:
    """So many clocks of a host (MIDI 1.0: 24 to the quarter note), each on its time; `first` comes
    before them."""
    if first:
        evening.player.midi_in("host", evening.now, first, evening.now)
    for _ in range(count):
        evening.player.midi_in("host", evening.now, b"\xf8", evening.now)
        evening.run(60_000 / bpm / 24)


def test_going_on_from_a_take_that_followed_another_clock(tmp_path: Path) -> None:
    """A host goes from 120 to 138 in the minute; what is in milliseconds goes by that."""
    evening = Evening(tmp_path / "one", text=WANDERING)
    evening.do("follow", source="host")
    follow(evening, 48, 120)
    follow(evening, 96 * 2, 120, b"\xfa")
    evening.do("macro", macro="brightness", value=0.8)
    follow(evening, 96 * 4, 138)
    evening.player.midi_in("host", evening.now, b"\xfc", evening.now)
    evening.run(200)
    evening.hand_on(whole=True)
    take = evening.take()
    assert take.head["begin"]["source"] == "host"
    standing = standing_at(take, 5)
    assert standing.place.state["tempo"] == pytest.approx(138, abs=1.5)
    assert stood(tmp_path / "two", take, 5) == rows_of(take, standing.place.tick) != []
    with pytest.raises(TakeError, match="followed another clock"):
        compare(take)


def test_a_take_whose_player_was_started_again(tmp_path: Path) -> None:
    """The supervisor starts another player in the middle of it; both halves are played again, and
    the second is gone on from."""
    evening = Evening(tmp_path / "one", text=WANDERING)
    evening.do("start")
    dense(evening, 4, 8)
    evening.hand_on()
    report = Report(evening.player, process_about()).full(evening.now)
    memory = evening.player.part.renderer.memory
    evening.begin_again()
    evening.player.resume(report, lambda: evening.now, memory)
    evening.bars(4)
    take = recorded(evening)
    assert [mark["is"] for mark in take.marks].count("begin") == 1
    found = compare(take)
    assert found.same, found
    begin = next(mark for mark in take.marks if mark["is"] == "begin")
    bar = int(begin["tick"]) // BAR + 2
    tick = standing_at(take, bar).place.tick
    assert tick == (bar - 1) * BAR
    assert stood(tmp_path / "two", take, bar) == rows_of(take, tick) != []
