"""The demo and the sets for single ideas: accepted, playable, and saying what they claim."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner

import bridge
from bridge.cli import main
from bridge.demo import files, ideas, names
from bridge.engine import supervise
from bridge.errors import BridgeError
from bridge.files.rig import Rig, load_rig
from bridge.files.set import load_set
from bridge.music.event import Event
from bridge.music.score import Score, compile_score

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
    lanes = by_lane(score, score.between(0, 4 * BAR))
    assert all(lanes[lane.name] for lane in spec.lanes), "a lane of the demo is silent"


@pytest.mark.parametrize("path", IDEAS, ids=lambda p: p.stem)
def test_an_idea_plays(rig: Rig, path: Path) -> None:
    assert path.read_text(encoding="utf-8").startswith("# "), "an idea says what it shows"
    score = score_of(rig, path)
    whole = score.between(0, 16 * BAR)
    cut = [e for a in range(0, 16 * BAR, 1700) for e in score.between(a, min(a + 1700, 16 * BAR))]
    assert cut == whole
    lanes = by_lane(score, whole)
    silent = [
        lane.name for lane in score.lanes if lane.out and not lane.muted and not lanes[lane.name]
    ]
    # An output shared by several lanes is one stream of volts, under the first lane's name.
    shared = Counter(lane.out for lane in score.lanes if lane.out)
    meant = {"near"} if path.stem == "taps" else set()  # its source starts muted
    assert meant == {n for n in silent if shared[score.spec.lanes[score.positions[n]].out] == 1}


def test_the_fill_comes_in_every_fourth_pass(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/euclid.yaml")
    hat = by_lane(score, score.between(0, 8 * BAR))["hat"]
    bars = [[s % 16 for s in grid_steps(hat) if s // 16 == bar] for bar in range(8)]
    assert bars[3] == bars[7]
    assert bars[3][-4:] == [12, 13, 14, 15]
    assert all(bar == bars[0] != bars[3] for i, bar in enumerate(bars) if i not in (3, 7))


def test_derived_voices_follow(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/derived.yaml")
    lanes = by_lane(score, score.between(0, BAR))
    kick, rim = grid_steps(lanes["kick"]), grid_steps(lanes["rim"])
    assert grid_steps(lanes["only"]) == sorted(set(rim) - set(kick))
    assert grid_steps(lanes["third"]) == rim[2::3]
    assert grid_steps(lanes["after"]) == [step + 3 for step in kick if step + 3 < 16]


def test_taps_before_and_after_a_mute(rig: Rig) -> None:
    score = score_of(rig, DEMO / "ideas/taps.yaml")
    lanes = by_lane(score, score.between(0, 2 * BAR))
    assert lanes["rim"] == []
    assert lanes["near"] == []
    assert lanes["far"]


def test_nothing_lines_up_for_five_bars(rig: Rig) -> None:
    """Seven hits a bar under five notes: they meet again after lcm(7, 5) hits, five bars."""
    score = score_of(rig, DEMO / "ideas/loose.yaml")
    notes = by_lane(score, score.between(0, 20 * BAR))["bassline"]
    bars = [[(e.grid % BAR, e.value) for e in notes if e.grid // BAR == bar] for bar in range(20)]
    assert bars[5:10] == bars[10:15]
    assert all(bars[6 + i] != bars[5] for i in range(4))


def test_the_running_order_is_as_long_as_it_says(rig: Rig) -> None:
    spec = load_set(DEMO / "ideas/sections.yaml", rig).spec
    assert sum(leg.bars * leg.times for leg in spec.order) == 40


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
