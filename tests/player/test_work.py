"""What a set costs is known before it is played, and too much is refused by name.

The sets that are refused are many times over the limit and those that are accepted far below it,
so that no test depends on how fast a computer is.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from support.desk import RIG, gate_lane, score_of

from bridge.errors import InputError
from bridge.files.rig import load_rig
from bridge.files.set import load_set, parse_set
from bridge.music.model import Drive, Every, Lane, Logic, Macro, Section
from bridge.music.score import Score, compile_score
from bridge.music.ticks import parse_rate
from bridge.paper import plan
from bridge.player import work

DEMO = Path(work.__file__).parent.parent / "demo"
DENSE = "".join(f"  h{n}: {{every: 1, rate: 1/64, repeats: 16}}\n" for n in range(120))


def set_text(lanes: str) -> str:
    return f"set: Low tide\ntempo: 126\nlanes:\n{lanes}"


def weigh(text: str) -> None:
    rig = load_rig(DEMO / "rig.yaml")
    work.check(
        compile_score(parse_set(text, "set.yaml", rig).spec, rig.ranges), rig.wired, "set.yaml"
    )


def test_dense_helpers_are_refused_with_the_lanes_that_cost_most() -> None:
    with pytest.raises(InputError) as refused:
        weigh(set_text("  kick: {every: 4, out: main.gate-1}\n" + DENSE))
    (problem,) = refused.value.problems
    assert problem.file == "set.yaml"
    assert "h" in problem.message.split("cost most: ")[1]
    assert "kick" not in problem.message
    assert "and 118 more" in problem.message


@pytest.mark.parametrize(
    "lanes",
    [
        DENSE,
        "".join(f"  h{n}: {{every: 1, rate: 1/256}}\n" for n in range(120)),
        "  a: {every: 1, rate: 1/256, repeats: 16}\n"
        + "".join(f"  d{n}: {{logic: a, rate: 1/256, repeats: 16}}\n" for n in range(60)),
    ],
    ids=["repeats", "rate", "derived"],
)
def test_hostile_sets_are_refused(lanes: str) -> None:
    with pytest.raises(InputError, match="cost most"):
        weigh(set_text(lanes))


SETS = sorted(p for p in DEMO.rglob("*.yaml") if not p.name.endswith("rig.yaml"))


@pytest.mark.parametrize("path", SETS, ids=[path.stem for path in SETS])
def test_the_sets_that_come_along_are_far_below_the_limit(path: Path) -> None:
    own = path.with_suffix(".rig.yaml")
    rig = load_rig(own if own.exists() else DEMO / "rig.yaml")
    score = compile_score(load_set(path, rig).spec, rig.ranges)
    assert not work.measure(score, rig.wired).too_much


def ticking() -> Callable[[], int]:
    """Time of the processor that goes on by a microsecond whenever it is read."""
    count = iter(range(0, 10**15, 1000))
    return lambda: next(count)


def helper(name: str, **more: object) -> Lane:
    return Lane(name, Every(1), parse_rate("1/16"), **more)  # type: ignore[arg-type]


def test_what_macros_and_sections_may_make_of_it_counts() -> None:
    """16 sixteenths a bar, two bars of two seconds at 120: 8 hits a second for each repeat."""
    plain = work.measure(score_of(helper("a")), RIG, ticking())
    assert plain.hits == pytest.approx(8, rel=0.1)
    driven = Macro("more", 0.0, drives=(Drive(lane="a", setting="repeats", depth=1.0),))
    for score in (
        score_of(helper("a"), macros=[driven]),
        score_of(helper("a"), sections=(Section("flood", None, {}, {"a": {"repeats": 16.0}}),)),
    ):
        assert work.measure(score, RIG, ticking()).hits == pytest.approx(16 * 8, rel=0.1)
    fast = score_of(helper("a"), sections=(Section("flood", None, {}, {}, 240.0),))
    assert work.measure(fast, RIG, ticking()).hits == pytest.approx(16, rel=0.1)


def test_the_share_of_lanes_is_sorted_and_below_that_of_the_set() -> None:
    score = score_of(gate_lane("slow", "x", rate="1/1"), gate_lane("quick", "x", 2, rate="1/64"))
    found = work.measure(score, RIG, ticking())
    assert [name for name, _ in found.lanes] == ["quick", "slow"]
    assert found.share > sum(share for _, share in found.lanes) > 0


def test_check_refuses_what_play_would(tmp_path: Path) -> None:
    (tmp_path / "set.yaml").write_text(set_text(DENSE), encoding="utf-8")
    with pytest.raises(InputError, match="cost most"):
        list(plan.checked(DEMO / "rig.yaml", tmp_path / "set.yaml"))


def test_check_names_the_ports_that_are_absent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from bridge.ports import PortInfo

    (tmp_path / "rig.yaml").write_text(
        "rig: Quay rack\ninterfaces:\n"
        "  main: {profile: eight-gates-four-cv, port: Recorder}\n"
        "  side: {profile: eight-gates-four-cv, port: Here}\n"
        "  none: {profile: eight-gates-four-cv, port: simulated}\n"
        "clock: {follow: Other computer}\n"
    )
    there = [PortInfo("Here 1", "out"), PortInfo("Recorder", "in")]
    monkeypatch.setattr(plan, "list_ports", lambda: there)
    lines = [line for line in plan.checked(tmp_path / "rig.yaml", None) if "waits for it" in line]
    assert len(lines) == 2
    assert lines[0].startswith("interface main: no MIDI output has 'Recorder'")
    assert lines[1].startswith("clock: no MIDI input has 'Other computer'")


@pytest.mark.parametrize(
    ("score", "light"),
    [
        (score_of(helper("a"), gate_lane("b", "x.x.")), True),
        (score_of(*(helper(f"h{n}") for n in range(400))), False),
        (score_of(helper("a"), Lane("t", Every(4), parse_rate("1/16"), tie=True)), False),
        (score_of(helper("a"), Lane("d", Logic("not a", compare="gates"))), False),
        (score_of(helper("a"), Lane("d", Logic(" xor ".join(["a"] * 400)))), False),
        (
            score_of(
                *(helper(f"h{n}") for n in range(30)),
                sections=(
                    Section("flood", None, {}, {f"h{n}": {"repeats": 16.0} for n in range(30)}),
                ),
            ),
            False,
        ),
    ],
    ids=["two", "many", "tie", "gates", "long", "section"],
)
def test_only_what_is_next_to_no_work_is_taken_for_light(score: Score, light: bool) -> None:
    assert work.is_light(score) is light
    if light:
        assert not work.measure(score, RIG).too_much
