"""A soundcheck by ear, on racks whose faults are known: what is said, and how it ends."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from support.drums import Drum, drum
from support.earshot import Earshot
from support.rack import Tone

from bridge.bench.checklist import FULL, QUIET
from bridge.bench.hearing import Hearing
from bridge.bench.listened import HINT, ListenedCheck, all_good, opener, summary, to_keep, voice
from bridge.files.rig import Rig, load_rig, parse_rig
from bridge.files.set import load_set
from bridge.files.sounds import Known, load_sounds, save_sounds, sounds_path
from bridge.listen.wrong import ListenError
from bridge.music.model import SetSpec

RIG = """\
rig: Quay rack
interfaces:
  main:
    profile: eight-heights-four-cv
    cables:
      gate-1: kick voice, trigger input
      gate-2: rim voice
      gate-3: shaker voice
      gate-4: bass voice, envelope
      pitch-1: bass voice, 1 V/oct input
      level-1: rim voice, tone
"""
SET = """\
set: Low tide
tempo: 120
lanes:
  bass: {euclid: {hits: 7, steps: 16}, out: main.gate-4}
  bassline: {notes: [A1, C2], advance: bass, out: main.pitch-1}
"""
TODAY = datetime(2026, 5, 4, 21, 30)
GATES = ["main.gate-1", "main.gate-2", "main.gate-3"]
VOICES = {
    "main.gate-1": drum("kick", 1),
    "main.gate-2": drum("rim", 1),
    "main.gate-3": drum("shaker", 1),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rig")
    (folder / "rig.yaml").write_text(RIG)
    (folder / "set.yaml").write_text(SET)
    return folder


@pytest.fixture(scope="module")
def rig(folder: Path) -> Rig:
    return load_rig(folder / "rig.yaml")


@pytest.fixture(scope="module")
def spec(folder: Path, rig: Rig) -> SetSpec:
    return load_set(folder / "set.yaml", rig).spec


def check(
    rig: Rig, world: Earshot, spec: SetSpec | None = None, known: dict[str, Known] | None = None
) -> ListenedCheck:
    return ListenedCheck(rig, spec, Hearing(world.ear, world), known or {})


def said(one: ListenedCheck, names: list[str]) -> list[str]:
    return [heard.says for heard in one.run(names)]


@pytest.fixture(scope="module")
def good(rig: Rig) -> dict[str, Known]:
    """The sounds of a good night."""
    one = check(rig, Earshot(VOICES, seed=3))
    assert len(said(one, GATES)) == 3
    assert all_good(one)
    return to_keep(one, TODAY)


def test_each_gate_is_heard_after_its_latency_and_as_loud_as_it_is(rig: Rig) -> None:
    voices = {
        name: drum(kind, 4) for name, kind in zip(GATES, ("snare", "click", "hat"), strict=True)
    }
    one = check(rig, Earshot(voices))
    lines = said(one, GATES)
    for line, name in zip(lines, GATES, strict=True):
        wanted = f"{name}, {voice(rig.wired[name])}: heard after {voices[name].latency_ms:.1f} ms"
        # The last digit may round the other way.
        assert line.split(" after ")[0] == wanted.split(" after ")[0]
        assert one.struck[name].late_ms == pytest.approx(voices[name].latency_ms, abs=0.5)
    assert summary(one)[0].startswith("Every output that can be heard is heard; nothing to compare")


def test_dead_and_swapped_cables_are_said_in_words(rig: Rig, good: dict[str, Known]) -> None:
    swapped = {
        "main.gate-1": VOICES["main.gate-2"],
        "main.gate-2": VOICES["main.gate-1"],
        "main.gate-3": None,
    }
    one = check(rig, Earshot(swapped, seed=9), known=good)
    lines = said(one, GATES)
    assert lines[2] == "main.gate-3, shaker voice: nothing heard"
    assert summary(one) == [
        "To look at:",
        "  main.gate-1, kick voice: sounds like rim voice (main.gate-2) did on 2026-05-04, and that "
        "one like this: cables swapped?",
        "  main.gate-2, rim voice: sounds like kick voice (main.gate-1) did on 2026-05-04, and that "
        "one like this: cables swapped?",
        "  main.gate-3, shaker voice: nothing heard",
        HINT,
    ]
    assert not all_good(one)


def test_a_voice_that_nobody_knows_and_two_that_are_one(rig: Rig, good: dict[str, Known]) -> None:
    one = check(rig, Earshot({"main.gate-1": drum("bell", 5)}), known=good)
    said(one, ["main.gate-1"])
    assert "sounds like no voice of the last good soundcheck (2026-05-04)" in summary(one)[1]
    twin = Drum("tom", 120.0, 300.0, 0.3)
    both = check(rig, Earshot({"main.gate-1": twin, "main.gate-2": twin}))
    said(both, GATES[:2])
    assert summary(both)[1] == (
        "  main.gate-1, kick voice: sounds the same as rim voice (main.gate-2): do both cables go "
        "to one voice?"
    )


def test_it_is_quiet_first_and_louder_only_for_what_was_not_heard(rig: Rig) -> None:
    world = Earshot({"main.gate-1": VOICES["main.gate-1"], "main.gate-3": None})
    said(check(rig, world), ["main.gate-1", "main.gate-3"])
    levels = {name: [m[2] for m in world.moves if m[:2] == (name, "open")] for name in GATES}
    assert set(levels["main.gate-1"]) == {QUIET}
    assert levels["main.gate-3"] == [QUIET] * 3 + [FULL] * 3


def test_a_pitch_is_heard_through_the_gate_that_the_set_gives_it(rig: Rig, spec: SetSpec) -> None:
    assert opener(rig.wired["main.pitch-1"], rig, spec) == "main.gate-4"
    assert opener(rig.wired["main.pitch-1"], rig, None) is None
    follows = Earshot({}, {"main.pitch-1": (Tone(), "main.gate-4")})
    one = check(rig, follows, spec)
    line = said(one, ["main.pitch-1"])[0]
    assert line.startswith("main.pitch-1, bass voice: follows an octave by ")
    assert ("main.gate-4", "open", QUIET) in follows.moves


@pytest.mark.parametrize(
    ("tone", "words"),
    [
        (Tone(gain=0.0, offset=3.0), "the pitch does not follow"),
        (Tone(volts_per_octave=1.5), "an octave moves it by 800 cents; another standard"),
        (Tone(level=0.0), "no pitch heard"),
    ],
)
def test_a_pitch_that_does_not_follow(rig: Rig, spec: SetSpec, tone: Tone, words: str) -> None:
    one = check(rig, Earshot({}, {"main.pitch-1": (tone, "main.gate-4")}), spec)
    assert words in said(one, ["main.pitch-1"])[0]
    assert not all_good(one)


def test_a_level_is_named_with_the_voice_that_it_changes(rig: Rig) -> None:
    bright = drum("bell", 1)

    def brighter(world: Earshot, output: str, volts: float) -> None:
        world.drums["main.gate-2"] = VOICES["main.gate-2"] if volts < 1.0 else bright

    world = Earshot(VOICES, on_level=brighter)
    lines = said(check(rig, world), [*GATES, "main.level-1"])
    assert lines[-1] == "main.level-1, rim voice: changes rim voice (main.gate-2)"
    assert world.moves[-1] == ("main.level-1", "rest", 0.0)


def test_a_level_that_does_nothing_and_one_that_sounds_by_itself(rig: Rig) -> None:
    lines = said(check(rig, Earshot(VOICES)), [*GATES, "main.level-1"])
    assert lines[-1] == "main.level-1, rim voice: nothing that is heard changes with it"
    lines = said(check(rig, Earshot(VOICES)), ["main.level-1"])
    assert "no voice was heard by which it could be told" in lines[0]
    tone = Tone(level=0.0)

    def swells(world: Earshot, output: str, volts: float) -> None:
        tone.level = 0.05 * volts

    world = Earshot(VOICES, {"drone": (tone, None)}, on_level=swells)
    tone.volts = 2.0
    lines = said(check(rig, world), [*GATES, "main.level-1"])
    assert lines[-1] == "main.level-1, rim voice: something sounds by itself with it"


def test_an_input_that_goes_away_leaves_what_was_measured_and_everything_at_rest(rig: Rig) -> None:
    world = Earshot(VOICES)
    world.dead_after_s = 5.0
    one = check(rig, world)
    with pytest.raises(ListenError) as error:
        said(one, GATES)
    assert error.value.kind == "gone"
    assert 1 <= len(one.heard) < 3
    assert world.moves[-1][1] == "rest"
    assert summary(one, error.value)[0].startswith("ended early: ears brings no more sound")
    assert summary(one, error.value)[-1] == (
        "What was measured so far is shown above; none of it is kept."
    )
    assert not all_good(one)


@pytest.mark.parametrize(
    ("noise_db", "hum_db", "kind"), [(-50.0, -90.0, "silence"), (-75.0, -40.0, "hum")]
)
def test_when_nothing_at_all_is_heard_the_input_is_looked_at(
    rig: Rig, noise_db: float, hum_db: float, kind: str
) -> None:
    world = Earshot(dict.fromkeys(GATES), noise_db=noise_db, hum_db=hum_db)
    with pytest.raises(ListenError) as error:
        said(check(rig, world), GATES[:1])
    assert error.value.kind == kind


def test_clocks_are_not_listened_to(tmp_path: Path) -> None:
    sync = parse_rig("rig: R\ninterfaces: {s: {profile: clock-and-reset}}\n")
    names = [name for name, wired in sync.wired.items() if wired.output.kind == "clock"]
    one = check(sync, Earshot({}))
    assert all("not listened to" in line for line in said(one, names[:1]))


def test_the_good_ones_are_kept_beside_the_rig_and_dated(
    folder: Path, good: dict[str, Known]
) -> None:
    path = save_sounds(folder / "rig.yaml", good, TODAY)
    assert path == sounds_path(folder / "rig.yaml")
    back = load_sounds(folder / "rig.yaml")
    assert list(back) == GATES
    for name in GATES:
        assert back[name].made == "2026-05-04T21:30:00"
        assert back[name].late_ms == pytest.approx(good[name].late_ms, abs=0.05)
        assert back[name].sound.bands == pytest.approx(good[name].sound.bands, abs=0.05)
    changed = dict(good) | {"main.gate-1": good["main.gate-2"]}
    save_sounds(folder / "rig.yaml", changed, TODAY)
    assert len(list((folder / "backups").glob("rig.sounds.*.yaml"))) == 1
