"""The demo and the sets for single ideas: accepted, playable, and saying what they claim."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner
from support.said import carry_out

import bridge
from bridge.cli import main
from bridge.demo import files, ideas, names
from bridge.errors import BridgeError
from bridge.files.rig import Rig, load_rig
from bridge.files.set import load_set, parse_set
from bridge.music.event import Event
from bridge.music.performance import Performance
from bridge.music.render import Renderer, events_between
from bridge.music.scale import note_name
from bridge.music.score import Score, compile_score
from bridge.paper import midi_import, smf
from bridge.supervisor import supervise

DEMO = Path(bridge.__file__).parent / "demo"
IDEAS = [files(name)[1] for name in names()]
BAR = 3840


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(DEMO / "rig.yaml")


def score_of(rig: Rig, path: Path) -> Score:
    return compile_score(load_set(path, rig).spec, rig.ranges)


def by_lane(score: Score, events: list[Event]) -> dict[str, list[Event]]:
    found: dict[str, list[Event]] = {lane.name: [] for lane in score.lanes}
    for event in events:
        if event.lane >= 0:
            found[score.lanes[event.lane].name].append(event)
    return found


def grid_steps(events: list[Event]) -> list[int]:
    return [event.grid // 240 for event in events]


def test_the_demo_is_a_whole_set(rig: Rig) -> None:
    score = score_of(rig, DEMO / "set.yaml")
    spec = score.spec
    assert len(spec.lanes) >= 8
    assert sum(lane.kind == "logic" for lane in spec.lanes) >= 2
    assert any(lane.kind == "notes" and isinstance(lane.advance, str) for lane in spec.lanes)
    assert any(lane.kind == "levels" and not isinstance(lane.advance, str) for lane in spec.lanes)
    assert len(spec.macros) == 4
    assert len(spec.sections) == 3
    lanes = by_lane(score, events_between(score, 0, 4 * BAR))
    assert all(lanes[lane.name] for lane in spec.lanes), "a lane of the demo is silent"


@pytest.mark.parametrize("path", IDEAS, ids=lambda p: p.stem)
def test_an_idea_plays(rig: Rig, path: Path) -> None:
    assert path.read_text(encoding="utf-8").startswith("# "), "an idea says what it shows"
    score = score_of(load_rig(files(path.stem)[0]), path)
    whole = events_between(score, 0, 16 * BAR)
    cut = [
        e
        for a in range(0, 16 * BAR, 1700)
        for e in events_between(score, a, min(a + 1700, 16 * BAR))
    ]
    assert cut == whole
    lanes = by_lane(score, whole)
    silent = [
        lane.name for lane in score.lanes if lane.out and not lane.muted and not lanes[lane.name]
    ]
    # An output shared by several lanes is one stream of volts, under the first lane's name.
    shared = Counter(lane.out for lane in score.lanes if lane.out)
    meant = {"near"} if path.stem == "taps" else set()  # its source starts muted
    outs = {lane.name: lane.out or "" for lane in score.lanes}
    assert meant == {name for name in silent if shared[outs[name]] == 1}


@pytest.mark.parametrize("name", [None, *names()])
def test_check_has_nothing_to_warn_of(name: str | None) -> None:
    rig_file, set_file = files(name)
    result = CliRunner().invoke(main, ["check", str(rig_file), str(set_file)])
    assert result.exit_code == 0
    assert "good" in result.stdout
    assert "(warning)" not in result.output


def test_the_fill_comes_in_every_fourth_pass(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/euclid.yaml")
    hat = by_lane(score, events_between(score, 0, 8 * BAR))["hat"]
    bars = [[s % 16 for s in grid_steps(hat) if s // 16 == bar] for bar in range(8)]
    assert bars[3] == bars[7]
    assert bars[3][-4:] == [12, 13, 14, 15]
    assert all(bar == bars[0] != bars[3] for i, bar in enumerate(bars) if i not in (3, 7))


def test_derived_voices_follow(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/derived.yaml")
    lanes = by_lane(score, events_between(score, 0, BAR))
    kick, rim = grid_steps(lanes["kick"]), grid_steps(lanes["rim"])
    assert grid_steps(lanes["only"]) == sorted(set(rim) - set(kick))
    assert grid_steps(lanes["third"]) == rim[2::3]
    assert grid_steps(lanes["after"]) == [step + 3 for step in kick if step + 3 < 16]


def test_taps_before_and_after_a_mute(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/taps.yaml")
    lanes = by_lane(score, events_between(score, 0, 2 * BAR))
    assert lanes["rim"] == []
    assert lanes["near"] == []
    assert lanes["far"]


def test_nothing_lines_up_for_five_bars(rig: Rig) -> None:
    """Seven hits a bar under five notes: they meet again after lcm(7, 5) hits, five bars."""
    score = score_of(rig, DEMO / "ideas/loose.yaml")
    notes = by_lane(score, events_between(score, 0, 20 * BAR))["bassline"]
    bars = [[(e.grid % BAR, e.value) for e in notes if e.grid // BAR == bar] for bar in range(20)]
    assert bars[5:10] == bars[10:15]
    assert all(bars[6 + i] != bars[5] for i in range(4))


def test_the_running_order_is_as_long_as_it_says(rig: Rig) -> None:
    spec = load_set(DEMO / "ideas/sections.yaml", rig).spec
    assert sum(leg.bars * leg.times for leg in spec.order) == 40


def played(score: Score, bars: int, *commands: dict[str, object]) -> dict[str, list[Event]]:
    """What sounds when `commands` are given at the very start."""
    performance = Performance(score)
    player = Renderer(score, performance)
    for command in commands:
        carry_out(performance, command, 0)
    return by_lane(score, player.advance(bars * BAR))


def per_bar(events: list[Event], bars: int) -> list[int]:
    return [sum(event.tick // BAR == bar for event in events) for bar in range(bars)]


def test_a_morph_thickens_little_by_little_and_nothing_jumps(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/morph.yaml")
    recall: dict[str, object] = {"do": "section", "section": "spring", "when": "bar"}
    lanes = played(score, 12, {**recall, "morph_bars": 8})
    at_once = played(score, 12, recall)
    hats = per_bar(lanes["hat"], 12)
    assert hats == sorted(hats)
    assert hats[0] < hats[4] < hats[9] == hats[11] == per_bar(at_once["hat"], 12)[11]
    volts = [e.value for e in score_events(score, 12, recall | {"morph_bars": 8}) if e.lane < 0]
    assert volts[-1] - volts[0] > 3
    assert max(abs(b - a) for a, b in pairwise(volts)) < 0.1


def score_events(score: Score, bars: int, command: dict[str, object]) -> list[Event]:
    performance = Performance(score)
    player = Renderer(score, performance)
    carry_out(performance, command, 0)
    return player.advance(bars * BAR)


def test_the_drums_drop_out_as_a_group_and_come_back_on_the_bar(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/drop.yaml")
    drop: dict[str, object] = {
        "do": "group",
        "group": "drums",
        "muted": True,
        "when": "now",
        "return_bars": 4,
    }
    lanes = played(score, 6, drop)
    for name in ("kick", "clap", "hat"):
        assert [count > 0 for count in per_bar(lanes[name], 6)] == [False] * 4 + [True] * 2
    assert all(per_bar(lanes["bass"], 6))
    lanes = played(score, 5, {"do": "section", "section": "hush", "when": "now"})
    counts = per_bar(lanes["roll"], 4)
    assert counts == sorted(counts)
    assert counts[0] < 4 < 12 < counts[3]


def test_controls_reach_everything_they_may(rig: Rig) -> None:
    own = load_rig(files("controllers")[0])
    document = load_set(files("controllers")[1], own)
    controls = own.controllers["desk"].bindings
    for target in ("macro", "mute", "section", "transport"):
        assert any(getattr(control, target) for control in controls)
    names = {macro.name for macro in document.spec.macros}
    assert {control.macro for control in controls if control.macro} == names
    assert document.warnings == ()


def test_chord_tones_above_and_roots_below(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/chords.yaml")
    lanes = by_lane(score, events_between(score, 0, 8 * BAR))
    assert {round(e.value) % 12 for e in lanes["wander"]} == {9, 0, 4}  # A, C, E
    roots = [next(e for e in lanes["bassline"] if e.grid // BAR == bar) for bar in range(4)]
    assert [note_name(e.value)[:-1] for e in roots] == ["A", "F", "C", "G"]
    assert {round(e.value) % 12 for e in lanes["bassline"]} <= {9, 11, 0, 2, 4, 5, 7}


def test_a_bar_from_a_midi_file_comes_out_and_goes_in_again(rig: Rig, tmp_path: Path) -> None:
    spec = load_set(DEMO / "ideas/imported.yaml", rig).spec
    file = tmp_path / "driftwood.mid"
    file.write_bytes(smf.render(spec, rig, 1))
    again = parse_set(midi_import.set_text(file, 1, 1)).spec
    assert again.tempo == spec.tempo
    patterns = [lane.source for lane in again.lanes]
    for name in ("kick", "rim", "hat"):
        (written,) = [lane for lane in spec.lanes if lane.name == name]
        assert written.source in patterns


# --- playing an idea -----------------------------------------------------------------------------


def test_ideas_are_listed_with_what_to_listen_for() -> None:
    result = CliRunner().invoke(main, ["demo", "--ideas"])
    assert result.exit_code == 0
    lines = dict(line.split(maxsplit=1) for line in result.stdout.splitlines())
    assert list(lines) == names()
    assert lines == ideas()
    assert all(len(says) > 20 for says in lines.values())


@pytest.mark.parametrize("name", names())
def test_an_idea_is_played_like_the_demo(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    called: list[tuple[Path, Path, bool]] = []

    def run(rig: Path, set: Path, *, start: bool, **more: object) -> int:
        called.append((rig, set, start))
        return 0

    monkeypatch.setattr(supervise, "run", run)
    assert CliRunner().invoke(main, ["demo", "--idea", name]).exit_code == 0
    ((rig, set, start),) = called
    assert start
    assert set.stem == name
    assert load_set(set, load_rig(rig)).warnings == ()


def test_an_idea_that_is_not_there_is_said_with_the_nearest() -> None:
    result = CliRunner().invoke(main, ["demo", "--idea", "meldoy"])
    assert result.exit_code == 1
    assert "did you mean melody?" in result.stderr
    with pytest.raises(BridgeError, match="there are: against, "):
        files("zzz")
