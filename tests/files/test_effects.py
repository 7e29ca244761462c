"""What is written in a set and has no effect: each said once, with its place, and truly so.

The oracle is the volts: a key that is said to change nothing is changed, the set is played through
the player and its bytes are decoded, and every output must do the same; with the same key where
it counts, not.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.files.rig import Rig, load_rig
from bridge.files.set import parse_set
from bridge.music.score import compile_score
from bridge.paper.scope_plot import Trace, traces
from bridge.player.offline import perform_rig

PROFILE = """\
profile: dock
outputs:
  gate: {kind: gate, by: note, number: 36}
  high: {kind: gate, by: note-velocity, number: 37}
  more: {kind: gate, by: note, number: 38}
  pulse: {kind: trigger, by: note-velocity, number: 39, pulse_ms: 10}
  voice-pitch: {kind: pitch, by: note-pitch, channel: 2, voice: v, high: 8, reference_note: C1}
  voice-gate: {kind: gate, by: note, channel: 2, voice: v}
  voice-level: {kind: level, by: note-velocity, channel: 2, voice: v}
  pitch: {kind: pitch, by: cc14, number: 1, high: 8, reference_note: C1}
  level: {kind: level, by: cc14, number: 2, high: 5}
"""
CABLES = ", ".join(f"{line.split(':')[0].strip()}: x" for line in PROFILE.splitlines()[2:])


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Rig:
    folder = tmp_path_factory.mktemp("rig")
    (folder / "dock.yaml").write_text(PROFILE)
    (folder / "rig.yaml").write_text(
        f"rig: Quay rack\ninterfaces: {{main: {{profile: dock, cables: {{{CABLES}}}}}}}\n"
    )
    return load_rig(folder / "rig.yaml")


def a_set(lanes: str, more: str = "") -> str:
    body = "".join(f"  {line.strip()}\n" for line in lanes.strip().splitlines())
    return f"set: Low tide\nlanes:\n{body}{more}"


def said(rig: Rig, lanes: str, more: str = "") -> list[str]:
    return [str(problem) for problem in parse_set(a_set(lanes, more), rig=rig).warnings]


def volts(rig: Rig, lanes: str, more: str = "") -> dict[str, Trace]:
    """What every output does for two bars."""
    score = compile_score(parse_set(a_set(lanes, more), rig=rig).spec, rig.ranges)
    return traces(rig.wired, [(s.ns, s.port, s.data) for s in perform_rig(rig, score, 2).sent])


# Keys of a lane: (the lane with {} for the key's value, two values, what is said of the key).
NO_VELOCITY = "main.gate opens and closes and has no velocity"
KEYS = [
    ("a: {{every: 2, level: {}, out: main.gate}}", "0.3", "0.9", f"level changes nothing: {NO_VELOCITY}"),
    ("a: {{every: 2, accents: {}, out: main.gate}}", "X.", ".X", f"accents change nothing: {NO_VELOCITY}"),
    ("a: {{steps: {}, out: main.gate}}", "x.X.", "X.x.", f"the accents in steps change nothing: {NO_VELOCITY}"),
    ("a: {{every: 2, humanise_level: {}, out: main.gate}}", "0.1", "0.9", f"humanise_level changes nothing: {NO_VELOCITY}"),
    ("a: {{every: 4, repeats: 3, repeat_ramp: {}, out: main.gate}}", "0.5", "-0.5", f"repeat_ramp changes nothing: {NO_VELOCITY}"),
    ("a: {{every: 2, accent: {}, out: main.high}}", "0.1", "0.9", "accent changes nothing: no hit of a is accented"),
    ("a: {{every: 2, accents: {}, out: main.high}}", "..", ".", "accents change nothing: none of its steps is accented"),
    ("a: {{every: 4, repeat_curve: {}, out: main.high}}", "0.5", "-0.5", "repeat_curve changes nothing: a has no repeats"),
    ("a: {{every: 4, repeat_ramp: {}, out: main.high}}", "0.5", "-0.5", "repeat_ramp changes nothing: a has no repeats"),
    ("a: {{every: 4, gate: {}, out: main.pulse}}", "0.2", "2", "gate changes nothing: each hit at main.pulse is a pulse of 10 ms"),
    ("a: {{every: 4, gate_ms: {}, out: main.pulse}}", "20", "90", "gate_ms changes nothing: each hit at main.pulse is a pulse of 10 ms"),
    ("a: {{every: 4, gate: {}, gate_ms: 50, out: main.gate}}", "0.2", "2", "gate changes nothing: gate_ms comes first"),
    ("a: {{every: 4, gate: tie, gate_ms: {}, out: main.gate}}", "20", "90", "gate_ms changes nothing: tied gates last until the next hit"),
    ("a: {{steps: x..x, drift_bound: {}, out: main.gate}}", "1", "4", "drift_bound changes nothing: a does not drift"),
    ("a: {{steps: x..x, drift: {}, drift_bound: 0, out: main.gate}}", "0.5", "1", "drift changes nothing: with a drift_bound of 0 no step may change"),
    ("a: {{steps: x..x, freeze: {}, out: main.gate}}", "true", "false", "freeze changes nothing: a does not drift"),
    ("a: {{every: 1, direction: {}, out: main.gate}}", "backward", "shuffle", "direction changes nothing: its pattern has one step"),
    ("a: {{steps: x..x, rotate: {}, out: main.gate}}", "4", "8", "rotate changes nothing: its pattern has 4 steps"),
    ("a: {{every: 1, passes: {{on: {}, of: 2}}, out: main.gate}}", "[1, 2]", "[2, 1]", "passes changes nothing: it sounds on every pass"),
    ("a: {{every: 1, share: {}, out: main.gate}}", "true", "true", "changes nothing: no other lane plays main.gate"),
    ("a: {{levels: [0, 1], quantise: {}, out: main.level}}", "minor", "blues", "quantise changes nothing: the values of a are levels and no notes"),
    ("a: {{levels: [0, 1], octaves: {}, out: main.level}}", "[1, 2]", "[3, 5]", "octaves changes nothing: the values of a are levels and no notes"),
    ("a: {{levels: [0, 1], transpose: {}, out: main.level}}", "5", "12", "transpose changes nothing: the values of a are levels and no notes"),
    ("a: {{notes: [C2, E2], depth: {}, out: main.pitch}}", "0.2", "0.7", "depth changes nothing: main.pitch takes notes, which are never scaled"),
    ("a: {{shape: sine, hz: 2, rate: {}, out: main.level}}", "1/4", "1/2", "rate changes nothing: hz gives the speed"),
    ("a: {{shape: {}, low: 0.4, high: 0.4, out: main.level}}", "sine", "ramp", "never moves: low and high are both 0.4"),
    ("a: {{levels: {}, depth: 0, out: main.level}}", "[0, 1]", "[1, 0.5]", "nothing reaches main.level: depth is 0"),
    ("a: {{every: {}, chance: 0, out: main.gate}}", "2", "3", "never hits: its chance is 0, and nothing raises it"),
    ("a: {{every: {}, density: 0, out: main.gate}}", "2", "3", "never hits: its density is 0, and nothing raises it"),
]  # fmt: skip


@pytest.mark.parametrize(("lane", "one", "other", "says"), KEYS)
def test_a_key_without_effect_is_said_once_and_truly_has_none(
    rig: Rig, lane: str, one: str, other: str, says: str
) -> None:
    (problem,) = said(rig, lane.format(one))
    assert problem.startswith("set.yaml:3:")
    assert problem.endswith(f": {says}")
    # Fixed draws: what differs between the two is the value of the key and nothing else.
    assert volts(rig, lane.format(one)) == volts(rig, lane.format(other))


# The same keys where they count: nothing is said, and the volts differ.
ALIVE = [
    ("a: {{every: 2, level: {}, out: main.high}}", "0.3", "0.9"),
    ("a: {{every: 2, level: {}, out: main.voice-gate}}", "0.3", "0.9"),
    ("a: {{every: 2, level: {}, out: main.gate}}\nb: {{decay: a, out: main.level}}", "0.3", "0.9"),
    ("a: {{every: 2, accents: {}, out: main.gate}}\nb: {{logic: a, out: main.high}}", "X.", ".X"),
    ("a: {{steps: {}}}\nb: {{logic: a, out: main.high}}", "x.X.", "X.x."),
    ("a: {{steps: x.X., accent: {}, out: main.high}}", "0.1", "0.9"),
    ("a: {{every: 4, repeats: 3, repeat_curve: {}, out: main.high}}", "0.5", "-0.5"),
    ("a: {{every: 4, repeats: 3, repeat_ramp: {}, out: main.high}}", "0.5", "-0.5"),
    ("a: {{every: 4, gate: {}, out: main.gate}}", "0.2", "2"),
    ("a: {{every: 4, gate: {}}}\nb: {{logic: a, compare: gates, out: main.gate}}", "0.2", "2"),
    ("a: {{steps: x..x..x.x, direction: {}, out: main.gate}}", "backward", "forward"),
    ("a: {{steps: x..x, rotate: {}, out: main.gate}}", "1", "2"),
    ("a: {{walk: true, walk_step: 0.5, quantise: {}, out: main.pitch}}", "minor", "blues"),
    ("a: {{levels: [0, 1], depth: {}, out: main.level}}", "0.2", "0.7"),
    ("a: {{notes: [C2, E2], transpose: {}, out: main.pitch}}", "2", "5"),
    ("a: {{shape: sine, rate: {}, out: main.level}}", "1/4", "1/2"),
]


@pytest.mark.parametrize(("lane", "one", "other"), ALIVE)
def test_a_key_that_counts_is_not_said(rig: Rig, lane: str, one: str, other: str) -> None:
    assert said(rig, lane.format(one)) == []
    assert volts(rig, lane.format(one)) != volts(rig, lane.format(other))


def test_several_keys_with_one_reason_are_one_warning(rig: Rig) -> None:
    (problem,) = said(rig, "a: {every: 2, accents: X., level: 0.3, out: main.gate}")
    assert problem == (
        f"set.yaml:3:17  lanes.a.accents: accents and level change nothing: {NO_VELOCITY}"
    )


def test_a_velocity_jack_that_a_lane_plays_hears_no_levels(rig: Rig) -> None:
    lanes = "a: {{every: 2, level: {}, out: main.voice-gate}}\nb: {{levels: [0.2, 0.9], out: main.voice-level}}"
    (problem,) = said(rig, lanes.format(0.3))
    assert "level changes nothing: main.voice-gate opens and closes" in problem
    assert volts(rig, lanes.format(0.3)) == volts(rig, lanes.format(0.9))


@pytest.mark.parametrize(
    "source", ["decay: k, decay_ms: 400", "sample: {{value: w, at: k}}"], ids=["decay", "hold"]
)
def test_a_rate_where_there_are_no_steps(rig: Rig, source: str) -> None:
    helpers = "k: {{every: 3, out: main.gate}}\nw: {{walk: true}}\n"
    lanes = f"{helpers}a: {{{{{source}, rate: {{}}, out: main.level}}}}"
    kind = source.partition(":")[0]
    (problem,) = [line for line in said(rig, lanes.format("1/8")) if "lanes.a" in line]
    assert problem.endswith(f"rate changes nothing: a lane of {kind} has no steps of its own")
    assert volts(rig, lanes.format("1/8")) == volts(rig, lanes.format("1/2"))


# --- lanes that go nowhere -------------------------------------------------------------------------


def test_a_lane_that_nothing_uses_is_said_at_its_name(rig: Rig) -> None:
    lanes = "a: {every: 2, out: main.gate}\nb: {every: 3, level: 0.2}\nc: {logic: b}"
    assert said(rig, lanes) == [
        "set.yaml:5:3  lanes.c: goes nowhere: it has no output, moves nothing, and no lane reads it"
    ]


@pytest.mark.parametrize(
    "user",
    [
        "u: {logic: not b and a, out: main.more}",
        "u: {notes: [C2], advance: b, out: main.pitch}",
        "u: {every: 3, reset: b, out: main.more}",
        "u: {shape: sine, retrigger: b, out: main.level}",
        "u: {decay: b, out: main.level}",
        "v: {levels: [0, 1]}\nu: {sample: {value: v, at: b}, out: main.level}",
        "v: {levels: [0, 1], advance: b}\nu: {notes: [C2], transpose_by: v, out: main.pitch}",
        "u: {levels: [0, 1], advance: b, drives: [{lane: a, setting: density, depth: 0.5}]}",
    ],
)
def test_a_helper_that_is_used_is_not(rig: Rig, user: str) -> None:
    lanes = f"a: {{every: 2, out: main.gate}}\nb: {{every: 3}}\n{user}"
    assert [line for line in said(rig, lanes) if "nowhere" in line] == []


# --- the key -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["", "key: {root: A}\n"])
def test_quantising_to_a_key_that_is_not_there(rig: Rig, key: str) -> None:
    (problem,) = said(rig, "a: {walk: true, quantise: key, out: main.pitch}", key)
    assert problem == (
        "set.yaml:3:29  lanes.a.quantise: the set names no scale, so every semitone is in the "
        "key; write key: {root: A, scale: minor}"
    )
    (problem,) = said(rig, "a: {walk: true, chord: [1, 3, 5], out: main.pitch}", key)
    assert "lanes.a.chord: its steps are counted in semitones" in problem


@pytest.mark.parametrize("scale", ["minor", "chromatic", "[0, 7]"])
def test_a_key_that_names_its_scale_is_enough(rig: Rig, scale: str) -> None:
    more = f"key: {{root: A, scale: {scale}}}\n"
    assert said(rig, "a: {walk: true, quantise: key, out: main.pitch}", more) == []
    assert said(rig, "a: {walk: true, chord: [1, 3], out: main.pitch}", more) == []


def test_a_chord_counts_in_a_scale_of_its_own(rig: Rig) -> None:
    assert said(rig, "a: {walk: true, quantise: minor, chord: [1, 3], out: main.pitch}") == []


# --- between the semitones -----------------------------------------------------------------------


def on_semitones(rig: Rig, lanes: str) -> bool:
    """Whether every voltage of the pitch output is a twelfth of a volt (1 V per octave) to within
    a step of its 14 bits (0.49 mV); what stands for less than a millisecond is the first half of
    a value that comes as a pair of controllers."""
    found = volts(rig, lanes)["main.pitch"]
    later = [seconds for seconds, _ in found[1:]] + [found[-1][0] + 1.0]
    lasting = [v for (at, v), until in zip(found, later, strict=True) if until - at > 0.001]
    assert len(lasting) > 2
    return all(abs(v * 12 - round(v * 12)) / 12 < 0.0005 for v in lasting)


@pytest.mark.parametrize(
    ("lanes", "why"),
    [
        ("a: {walk: true, out: main.pitch}", "a walk goes to any voltage"),
        ("a: {shape: sine, out: main.pitch}", "a lane of shape goes to any voltage"),
        ("a: {levels: [0, 0.3, 1], out: main.pitch}", "a lane of levels goes to any voltage"),
        ("k: {every: 3}\nw: {walk: true}\na: {sample: {value: w, at: k}, out: main.pitch}",
         "a walk goes to any voltage"),
        ("t: {levels: [0, 0.3]}\na: {notes: [C2, E2], transpose_by: t, out: main.pitch}",
         "t transposes it by parts of an octave"),
    ],
)  # fmt: skip
def test_microtones_that_nobody_asked_for(rig: Rig, lanes: str, why: str) -> None:
    (problem,) = said(rig, lanes)
    assert f"plays between the semitones of main.pitch: {why}; write quantise: key" in problem
    assert not on_semitones(rig, lanes)


@pytest.mark.parametrize(
    "lanes",
    [
        "a: {walk: true, quantise: major, out: main.pitch}",
        "a: {levels: [0, 0.5, 1], out: main.pitch}",  # 36 semitones from C2 to C5: 0, 18, 36
        "k: {every: 3}\nn: {notes: [C2, E2]}\na: {sample: {value: n, at: k}, out: main.pitch}",
        "t: {levels: [0, 0.25]}\na: {notes: [C2, E2], transpose_by: t, out: main.pitch}",
        "a: {shape: square, out: main.pitch}",
    ],
)
def test_lanes_that_keep_to_the_semitones(rig: Rig, lanes: str) -> None:
    assert said(rig, lanes) == []
    assert on_semitones(rig, lanes)


def test_quantise_off_asks_for_microtones(rig: Rig) -> None:
    assert (
        said(rig, "a: {walk: true, quantise: off, out: main.pitch}".replace("off", '"off"')) == []
    )


# --- drives ----------------------------------------------------------------------------------------

DRIVE = "macros:\n  m: {{start: {}, drives: [{{lane: a, setting: {}, depth: {}}}]}}\n"
IDLE = [
    ("a: {every: 2, out: main.gate}", "level", "0.5", f"level has no effect on a: {NO_VELOCITY}"),
    ("a: {every: 2, out: main.pulse}", "gate", "0.5",
     "gate has no effect on a: each hit at main.pulse is a pulse of 10 ms"),
    ("a: {every: 2, out: main.gate}", "chance", "0.5",
     "chance of a stands at 1 already, the most it can be"),
    ("a: {every: 2, out: main.gate}", "repeats", "-0.5",
     "repeats of a stands at 1 already, the least it can be"),
    ("a: {every: 2, out: main.gate}", "repeats", "0.02",
     "repeats of a goes in whole numbers, and this is less than half of one"),
    ("a: {every: 2, out: main.gate}", "repeat_curve", "1",
     "repeat_curve has no effect on a: a has no repeats"),
]  # fmt: skip


@pytest.mark.parametrize(("lane", "setting", "depth", "says"), IDLE)
def test_a_macro_that_moves_nothing(
    rig: Rig, lane: str, setting: str, depth: str, says: str
) -> None:
    (problem,) = said(rig, lane, DRIVE.format(0, setting, depth))
    assert "macros.m.drives.0.setting: moves nothing: " in problem
    assert problem.endswith(says)
    ends = [volts(rig, lane, DRIVE.format(start, setting, depth)) for start in (0, 1)]
    assert ends[0] == ends[1]


MOVING = [
    ("a: {every: 2, out: main.high}", "level", "-0.5"),
    ("a: {every: 2, chance: 0.2, out: main.gate}", "chance", "0.8"),
    ("a: {every: 2, out: main.gate}", "chance", "-0.8"),
    ("a: {every: 2, out: main.gate}", "repeats", "0.2"),
    ("a: {every: 2, out: main.gate}", "density", "0.5"),
]


@pytest.mark.parametrize(("lane", "setting", "depth"), MOVING)
def test_a_macro_that_moves_something(rig: Rig, lane: str, setting: str, depth: str) -> None:
    assert said(rig, lane, DRIVE.format(0, setting, depth)) == []
    ends = [volts(rig, lane, DRIVE.format(start, setting, depth)) for start in (0, 1)]
    assert ends[0] != ends[1]


def test_what_another_macro_or_a_section_takes_down_can_be_raised(rig: Rig) -> None:
    lane = "a: {every: 2, out: main.gate}"
    up, down = (f"{{lane: a, setting: chance, depth: {d}}}" for d in ("0.5", "-0.5"))
    both = f"macros:\n  m: {{drives: [{up}]}}\n  n: {{drives: [{down}]}}\n"
    assert said(rig, lane, both) == []
    section = "sections:\n  ebb: {lanes: {a: {chance: 0.3}}}\n"
    assert said(rig, lane, f"macros:\n  m: {{drives: [{up}]}}\n{section}") == []


@pytest.mark.parametrize(
    ("macro", "says"),
    [
        ("{start: 0.5}", "macros.m: moves nothing: no drives"),
        ("{drives: [{out: main.level, depth: 0}]}", "drives.0.depth: moves nothing: depth is 0"),
        (
            "{drives: [{out: main.level, from: 2, to: 2}]}",
            "drives.0.to: moves nothing: from and to are both 2 V",
        ),
    ],
)
def test_a_macro_that_could_move_nothing_at_all(rig: Rig, macro: str, says: str) -> None:
    (problem,) = said(rig, "a: {every: 2, out: main.gate}", f"macros:\n  m: {macro}\n")
    assert problem.endswith(says)


def test_lanes_that_drive_are_held_to_the_same(rig: Rig) -> None:
    drive = "drives: [{lane: a, setting: chance, depth: 0.5}]"
    (problem,) = said(rig, f"a: {{every: 2, out: main.gate}}\nb: {{levels: [0, 1], {drive}}}")
    assert "lanes.b.drives.0.setting: moves nothing: chance of a stands at 1" in problem
    # A value below 0 turns the drive round.
    assert said(rig, f"a: {{every: 2, out: main.gate}}\nb: {{levels: [-1, 1], {drive}}}") == []


# --- sections --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("section", "says"),
    [
        ("{}", "sections.ebb: changes nothing: no play, macros, lanes or tempo"),
        (
            "{lanes: {a: {level: 0.2}}}",
            f"sections.ebb.lanes.a.level: changes nothing: {NO_VELOCITY}",
        ),
    ],
)
def test_a_section_that_changes_nothing(rig: Rig, section: str, says: str) -> None:
    more = f"sections:\n  ebb: {section}\n"
    (problem,) = said(rig, "a: {every: 2, out: main.gate}", more)
    assert problem.endswith(says)


def test_a_tempo_of_a_section_while_the_rig_follows_a_clock(rig: Rig, tmp_path: Path) -> None:
    assert rig.path is not None
    folder = rig.path.parent
    (folder / "follows.yaml").write_text(rig.text + "clock: {follow: Recorder}\n")
    more = "sections:\n  ebb: {tempo: 90}\n"
    lane = "a: {every: 2, out: main.gate}"
    (problem,) = said(load_rig(folder / "follows.yaml"), lane, more)
    assert problem.endswith("tempo: changes nothing: the rig follows the tempo of Recorder")
    assert said(rig, lane, more) == []


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ("after_order: again\n", ["after_order: changes nothing: the set has no order"]),
        ("order_starts: with-start\n", ["order_starts: changes nothing: the set has no order"]),
        ("swing_of: 1/8\n", ["swing_of: changes nothing: the set has no swing"]),
        ("swing_of: 1/8\nswing: 60\n", []),
        ("groove: [0, 0]\n", ["groove: changes nothing: every step is on the grid"]),
        ("groove: [0, 5]\n", []),
    ],
)
def test_keys_of_the_whole_set_that_change_nothing(
    rig: Rig, keys: str, expected: list[str]
) -> None:
    text = f'set: s\n{keys}lanes:\n  kick: {{steps: "x...", out: main.gate}}\n'
    found = parse_set(text, rig=rig).warnings
    assert [f"{one.path}: {one.message}" for one in found] == expected


def test_a_pace_of_a_lane_that_another_one_moves_changes_nothing(rig: Rig) -> None:
    text = (
        'set: s\nlanes:\n  kick: {steps: "x...", out: main.gate}\n'
        '  rim: {steps: "x.", advance: kick, pace: 1, out: main.gate, share: true}\n'
    )
    (found,) = parse_set(text, rig=rig).warnings
    assert found.path == "lanes.rim.pace"
    assert "it goes at their pace" in found.message
