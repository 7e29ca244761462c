"""Rig files: what they become, and every mistake with its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.refusals import lines_of, problems_of

from bridge.errors import InputError
from bridge.files.rig import Binding, load_rig, parse_rig
from bridge.music.model import OutputRange
from bridge.player.start import port_specs

RIG = """\
rig: Quay rack
interfaces:
  main:
    profile: eight-gates-four-cv
    port: simulated
    cables:
      gate-1: kick voice, trigger input
  drums: {profile: drum-triggers-eight, port: Second, link: din}
clock:
  follow: internal
  offset_ms: -1.5
  send_to: [main]
timing: {lead_ms: 3}
controllers:
  desk:
    port: Knobs
    controls:
      - {cc: 20, macro: brightness}
      - {note: 36, channel: 10, mute: kick, feedback: true}
      - {note: 37, transport: start, pickup: false}
"""


def test_a_rig_becomes_wired_outputs() -> None:
    rig = parse_rig(RIG)
    assert rig.name == "Quay rack"
    assert list(rig.interfaces) == ["main", "drums"]
    assert rig.interfaces["drums"].link == "din"
    assert rig.interfaces["drums"].port == "Second"
    assert len(rig.wired) == len(rig.ranges) == 20
    kick = rig.wired["main.gate-1"]
    assert (kick.port, kick.output.name, kick.cable) == (
        "main",
        "gate-1",
        "kick voice, trigger input",
    )
    assert rig.wired["main.gate-2"].cable == ""
    assert rig.ranges["main.level-1"] == OutputRange("main.level-1", "level", 0.0, 5.0, 0.0)
    assert rig.clock.offset_ms == -1.5
    assert rig.clock.send_to == ("main",)
    assert (rig.timing.lead_ms, rig.timing.retrigger_gap_ms) == (3.0, 5.0)
    assert rig.controllers["desk"].bindings == (
        Binding("cc", 20, 1, macro="brightness"),
        Binding("note", 36, 10, mute="kick", feedback=True),
        Binding("note", 37, 1, transport="start", pickup=False),
    )


def test_a_rig_is_frozen() -> None:
    rig = parse_rig(RIG)
    with pytest.raises(AttributeError):
        rig.name = "other"  # type: ignore[misc]


def test_a_trigger_without_a_width_of_its_own_takes_that_of_the_rig(tmp_path: Path) -> None:
    (tmp_path / "tiny.yaml").write_text(
        "profile: tiny\noutputs:\n"
        "  a: {kind: trigger, by: note, number: 36}\n"
        "  b: {kind: trigger, by: note, number: 37, pulse_ms: 4}\n"
        "  c: {kind: gate, by: note, number: 38}\n"
    )
    text = "rig: R\ninterfaces: {x: {profile: tiny}}\ntiming: {trigger_ms: 8}\n"
    ranges = parse_rig(text, beside=tmp_path).ranges
    assert [ranges[f"x.{name}"].pulse_ms for name in "abc"] == [8.0, 4.0, 0.0]


HEAD = "rig: R\ninterfaces:\n  main: {profile: eight-gates-four-cv}\n"
MISTAKES = [
    (
        "interfaces: {}\n",
        ["rig.yaml:1:1  rig: is missing", "rig.yaml:1:13  interfaces: needs at least 1, not 0"],
    ),
    (
        "rig: off\ninterfaces: {main: {profile: eight-gates-four-cv}}\n",
        ['rig.yaml:1:6  rig: off without quotes is false to some YAML readers; write "off"'],
    ),
    (
        "rig: R\ninterfaces: {Main: {profile: eight-gates-four-cv}}\n",
        [
            "rig.yaml:2:14  interfaces.Main: Main is not a name: a name is lower-case letters, digits "
            "and hyphens, begins with a letter, at most 32; write main"
        ],
    ),
    (
        "rig: R\ninterfaces: {main: {profile: eight-gate-four-cv}}\n",
        [
            "rig.yaml:2:30  interfaces.main.profile: no profile is called eight-gate-four-cv; "
            "did you mean eight-gates-four-cv?"
        ],
    ),
    (
        "rig: R\ninterfaces: {main: {profil: eight-gates-four-cv}}\n",
        [
            "rig.yaml:2:20  interfaces.main.profile: is missing",
            "rig.yaml:2:21  interfaces.main.profil: is not a key of an interface; "
            "did you mean profile?",
        ],
    ),
    (
        HEAD[:-2] + ", cables: {gate-9: lamp}}\n",
        [
            "rig.yaml:3:49  interfaces.main.cables.gate-9: eight-gates-four-cv has no output gate-9; "
            "did you mean gate-8?"
        ],
    ),
    (
        HEAD[:-2] + ", link: serial}\n",
        ["rig.yaml:3:46  interfaces.main.link: must be din or usb, not serial"],
    ),
    (
        HEAD + "clock: {offset_ms: 250, send_to: [mian], follow: 3}\n",
        [
            "rig.yaml:4:20  clock.offset_ms: must be from -100 to 100 ms, not 250",
            "rig.yaml:4:35  clock.send_to.0: there is no interface mian; did you mean main?",
            "rig.yaml:4:50  clock.follow: must be text, not 3; put it in quotes",
        ],
    ),
    (
        HEAD + "clock: {send_to: [main, main]}\n",
        ["rig.yaml:4:25  clock.send_to.1: main is named twice"],
    ),
    (
        HEAD + "timing: {lead_ms: 1:30, trigger_ms: true}\n",
        [
            "rig.yaml:4:19  timing.lead_ms: must be a number from 0 to 10 ms, not 1:30 "
            "(a number in base 60 to some YAML readers)",
            "rig.yaml:4:37  timing.trigger_ms: must be a number from 2 to 50 ms, not true",
        ],
    ),
    (
        HEAD + "clok: {follow: internal}\n",
        ["rig.yaml:4:1  clok: is not a key of a rig; did you mean clock?"],
    ),
    (
        HEAD + "controllers: {d: {port: K, controls: [{cc: 1, note: 2, macro: m}, {cc: 1}, "
        "{cc: 120, mute: k}]}}\n",
        [
            "rig.yaml:4:39  controllers.d.controls.0: needs one of cc and note",
            "rig.yaml:4:67  controllers.d.controls.1: needs one of macro, mute, section and transport",
            "rig.yaml:4:81  controllers.d.controls.2.cc: must be from 0 to 119, not 120",
        ],
    ),
    (
        HEAD + "controllers: {d: {port: K, controls: [{cc: 32, macro: m, pair: true}, "
        "{note: 1, macro: m, pair: true}, {cc: 2, macro: m, latch: true}, "
        "{cc: 3, macro: m, pair: true}, {cc: 35, macro: n}]}}\n",
        [
            "rig.yaml:4:64  controllers.d.controls.0.pair: is for a macro moved by a cc from 0 to 31",
            "rig.yaml:4:97  controllers.d.controls.1.pair: is for a macro moved by a cc from 0 to 31",
            "rig.yaml:4:129  controllers.d.controls.2.latch: is for buttons that mute",
            "rig.yaml:4:167  controllers.d.controls.4: cc 35 on channel 1 is taken by control 3",
        ],
    ),
    (
        HEAD + "controllers:\n  d:\n    port: K\n    controls:\n"
        "      - {cc: 1, macro: m, encoder: offset, pair: true}\n"
        "      - {cc: 2, macro: m, encoder: sign-bit, pickup: false}\n"
        "      - {note: 3, macro: m, encoder: offset}\n"
        "      - {cc: 4, mute: kick, encoder: offset}\n"
        "      - {cc: 5, macro: m, steps: 400}\n"
        "      - {cc: 6, macro: m, encoder: offsets}\n"
        "      - {cc: 7, macro: m, encoder: offset, steps: 0}\n",
        [
            "rig.yaml:8:50  controllers.d.controls.0.pair: is for knobs with a position; an encoder "
            "becomes finer by more `steps`",
            "rig.yaml:9:54  controllers.d.controls.1.pickup: is for knobs with a position; an encoder "
            "never jumps",
            "rig.yaml:10:38  controllers.d.controls.2.encoder: is for a macro moved by a cc",
            "rig.yaml:11:38  controllers.d.controls.3.encoder: is for a macro moved by a cc",
            "rig.yaml:12:34  controllers.d.controls.4.steps: is for encoders; name how it codes them "
            "with `encoder`",
            "rig.yaml:13:36  controllers.d.controls.5.encoder: must be twos-complement, offset or "
            "sign-bit, not offsets",
            "rig.yaml:14:51  controllers.d.controls.6.steps: must be from 1 to 16383, not 0",
        ],
    ),
    (
        HEAD + "controllers: {d: {port: K, controls: [{cc: 1, macro: m}, {cc: 1, macro: n}]}}\n",
        ["rig.yaml:4:58  controllers.d.controls.1: cc 1 on channel 1 is taken by control 0"],
    ),
]


@pytest.mark.parametrize(("text", "said"), MISTAKES)
def test_each_mistake_has_its_message_and_place(text: str, said: list[str]) -> None:
    assert lines_of(lambda: parse_rig(text)) == said


def test_a_bad_profile_beside_the_rig_is_said_with_its_own_place(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text("profile: mine\noutputs:\n  a: {kind: gat, by: note}\n")
    path = tmp_path / "rig.yaml"
    path.write_text("rig: R\ninterfaces: {x: {profile: mine}}\n")
    with pytest.raises(InputError) as error:
        load_rig(path)
    problem = error.value.problems[0]
    assert problem.file.endswith("mine.yaml")
    assert (problem.line, problem.column) == (3, 13)


def test_lateness_of_the_rig_goes_before_that_of_the_profile() -> None:
    """The player sends earlier by what stands here; the profile's figure holds where the rig says
    nothing of its interface."""
    text = (
        "rig: R\ninterfaces:\n"
        "  a: {profile: eight-gates-four-cv}\n"
        "  b: {profile: eight-gates-four-cv, latency_ms: 2.5, cables: {gate-1: kick voice, "
        "gate-2: {to: rim voice, latency_ms: 4}}}\n"
    )
    rig = parse_rig(text)
    assert rig.interfaces["a"].latency_ms == rig.interfaces["a"].profile.latency_ms
    assert rig.interfaces["b"].latency_ms == 2.5
    assert rig.interfaces["b"].voice_ms == {"b.gate-2": 4.0}
    assert rig.cables["b.gate-2"].latency_ms == 4.0
    specs = port_specs(rig.interfaces)
    assert (specs["b"].latency_ms, specs["b"].voice_ms) == (2.5, {"b.gate-2": 4.0})
    wrong = text.replace("latency_ms: 4", "latency_ms: 51").replace("2.5", "-1")
    assert lines_of(lambda: parse_rig(wrong)) == [
        "rig.yaml:4:49  interfaces.b.latency_ms: must be from 0 to 100 ms, not -1",
        "rig.yaml:4:118  interfaces.b.cables.gate-2.latency_ms: must be from 0 to 50 ms, not 51",
    ]


def test_load_gives_path_and_text(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG)
    rig = load_rig(path)
    assert rig.path == path
    assert rig.text == RIG


@settings(max_examples=150, deadline=None)
@given(st.text("rig: R\ninterfaces:{}[]main,profile: four-cv&*!#'\"0129.-", max_size=120))
def test_any_text_is_a_rig_or_refused(text: str) -> None:
    for problem in problems_of(lambda: parse_rig(text)):
        assert problem.file == "rig.yaml"
