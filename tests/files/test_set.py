"""Set files: what they become, and every mistake with its message and place, all at once."""

from __future__ import annotations

from fractions import Fraction
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.refusals import lines_of, problems_of

from bridge.errors import InputError
from bridge.files.rig import Rig, load_rig, parse_rig
from bridge.files.set import load_set, parse_set
from bridge.music import model as m
from bridge.music.score import compile_score

DEMO = Path(__file__).parents[2] / "bridge" / "demo"


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")


def lane(text: str) -> m.Lane:
    """The lane `a` of a set that also has hits `kick`, `rim` and values `line`."""
    others = "  kick: {every: 4}\n  rim: {every: 2}\n  line: {notes: [A1]}\n"
    spec = parse_set(f"set: S\nkey: {{root: D, scale: dorian}}\nlanes:\n{others}  a: {text}\n").spec
    return spec.lanes[3]


# --- what is read ------------------------------------------------------------------------------


def test_the_set_of_the_design_is_read(rig: Rig) -> None:
    text = (
        "set: Low tide\ntempo: 126\nswing: 54\nkey: {root: A, scale: minor}\nseed: 7\n"
        "lanes:\n"
        "  kick:    {euclid: {hits: 4, steps: 16}, out: main.gate-1}\n"
        "  rim:     {euclid: {hits: 5, steps: 16, rotate: 2}, out: main.gate-2}\n"
        '  shaker:  {steps: "x.x. x.xx x.x. xx.x", out: main.gate-3}\n'
        '  spray:   {logic: "(rim xor shaker) and not kick", out: main.gate-4}\n'
        "  bass:    {euclid: {hits: 7, steps: 16}, out: main.gate-5}\n"
        "  bassline: {notes: [A1, A1, C2, E2, G1], advance: bass, out: main.pitch-1}\n"
        "  swell:   {levels: [0, 0.25, 1, 0.5, 0.75], advance: 1/8, slew_ms: 40, "
        "out: main.level-1}\n"
        "macros:\n"
        "  shaker-level: {start: 0.8, drives: [{out: main.level-2, from: 0, to: 5}]}\n"
        "  brightness:   {start: 0.3, drives: [{out: main.level-1, depth: -0.5}, "
        "{lane: rim, setting: chance, depth: 0.4}]}\n"
        "sections:\n"
        "  shallow: {play: [kick, shaker], macros: {brightness: 0.2}}\n"
        "  flood:   {play: all, macros: {brightness: 0.8}}\n"
    )
    document = parse_set(text, rig=rig)
    spec = document.spec
    # The text of the design as it stood: its macro raises a chance that is 1 already, and `advance`
    # is what a rate was called as well.
    assert [str(p) for p in document.warnings if p.file == "set.yaml"] == [
        "set.yaml:13:46  lanes.swell.advance: is an older spelling; write rate: 1/8",
        "set.yaml:16:94  macros.brightness.drives.1.setting: moves nothing: chance of rim stands "
        "at 1 already, the most it can be",
    ]
    assert (spec.name, spec.tempo, spec.swing, spec.seed) == ("Low tide", 126, 54, 7)
    assert (spec.root, spec.scale, spec.key_name) == (9, (0, 2, 3, 5, 7, 8, 10), "A minor")
    assert spec.meter == (4, 4)
    assert [one.name for one in spec.lanes] == [
        "kick",
        "rim",
        "shaker",
        "spray",
        "bass",
        "bassline",
        "swell",
    ]
    assert spec.lanes[1] == m.Lane(
        "rim", m.Euclid(), out="main.gate-2", settings={"hits": 5.0, "rotate": 2.0}
    )
    assert spec.lanes[3].source == m.Logic("(rim xor shaker) and not kick")
    assert spec.lanes[5].source == m.Notes(tuple(m.Note(float(n)) for n in (33, 33, 36, 40, 31)))
    assert spec.lanes[5].advance == "bass"
    assert spec.lanes[6].advance == Fraction(480)
    assert spec.lanes[6].settings == {"slew_ms": 40.0}
    assert spec.macros == (
        m.Macro("shaker-level", 0.8, drives=(m.Drive("main.level-2", start=0, end=5),)),
        m.Macro(
            "brightness",
            0.3,
            drives=(m.Drive("main.level-1", depth=-0.5), m.Drive(None, "rim", "chance", 0.4)),
        ),
    )
    assert spec.sections[0] == m.Section("shallow", ("kick", "shaker"), {"brightness": 0.2})
    assert spec.sections[1].play == tuple(one.name for one in spec.lanes)


def test_the_demo_is_good() -> None:
    document = load_set(DEMO / "set.yaml", load_rig(DEMO / "rig.yaml"))
    kinds = [one.kind for one in document.spec.lanes]
    assert len(kinds) >= 8
    assert kinds.count("logic") >= 2
    assert "notes" in kinds
    assert "shape" in kinds
    assert len(document.spec.macros) >= 4
    assert len(document.spec.sections) >= 3
    assert document.warnings == ()
    assert document.text == (DEMO / "set.yaml").read_text()


@pytest.mark.parametrize(
    ("text", "source"),
    [
        ("{euclid: {hits: 3, steps: 8}}", m.Euclid()),
        ("{euclid: {hits: 3, steps: 8, fill: {hits: 2, length: 4}}}", m.Euclid(m.Fill(2, 4, 4))),
        ('{steps: "x.X. ."}', m.Steps((1, 0, 2, 0, 0))),
        ("{steps: x..x}", m.Steps((1, 0, 0, 1))),
        ("{every: 3}", m.Every(3)),
        ("{logic: kick or rim, compare: gates}", m.Logic("kick or rim", "gates")),
        (
            '{notes: [A1, 60.5, ~, ., "-", {note: E2, glide: true}, Bb3]}',
            m.Notes(
                (
                    m.Note(33.0),
                    m.Note(60.5),
                    m.Note(None),
                    m.Note(None),
                    m.Note(None, tie=True),
                    m.Note(40.0, glide=True),
                    m.Note(58.0),
                )
            ),
        ),
        ("{levels: [0, -0.5, ., 1]}", m.Levels((0.0, -0.5, None, 1.0))),
        ("{shape: random-smooth, retrigger: kick}", m.Shape("random-smooth", "kick")),
        ("{decay: kick}", m.Decay("kick")),
        ("{sample: {value: line, at: rim}}", m.Sample("line", "rim")),
        ("{walk: true}", m.Walk()),
    ],
)
def test_each_source(text: str, source: m.Source) -> None:
    assert lane(text).source == source


@pytest.mark.parametrize(
    ("text", "field", "value"),
    [
        ("{every: 1}", "advance", Fraction(240)),
        ("{every: 1, rate: 1/8T}", "advance", Fraction(320)),
        ("{every: 1, rate: 1/8.}", "advance", Fraction(720)),
        ("{every: 1, rate: 3/32}", "advance", Fraction(360)),
        ("{every: 1, rate: 3:4}", "advance", Fraction(1280)),
        ("{every: 1, advance: 1/4}", "advance", Fraction(960)),
        ("{notes: [A1], advance: kick}", "advance", "kick"),
        ("{every: 1, reset: 4}", "reset", 4),
        ("{every: 1, reset: kick}", "reset", "kick"),
        ("{every: 1, muted: true}", "muted", True),
        ("{every: 1, share: true}", "share", True),
        ('{every: 1, accents: "X.x."}', "accents", (2, 0, 1, 0)),
        ("{every: 1, passes: {on: [3, 1], of: 4}}", "passes", m.Passes((1, 3), 4)),
        ("{every: 1, gate: tie}", "tie", True),
        ("{every: 1, gate: 0.25}", "settings", {"gate": 0.25}),
        ("{every: 1, spacing: slowing}", "settings", {"repeat_curve": -0.5}),
        ("{every: 1, spacing: 0.3}", "settings", {"repeat_curve": 0.3}),
        ("{every: 1, freeze: true}", "freeze", True),
        ("{every: 1, groups: [drums, top]}", "groups", ("drums", "top")),
        ("{steps: x, direction: back-and-forth}", "direction", "back-and-forth"),
        ("{logic: kick, reads: before-mute}", "reads", "before-mute"),
        ("{every: 1, advance: kick}", "feel", "cause"),
        ("{every: 1, advance: kick, feel: grid}", "feel", "grid"),
        ("{logic: kick, feel: grid}", "feel", "grid"),
        ("{decay: kick, feel: grid}", "feel", "grid"),
        ("{shape: ramp, retrigger: kick, feel: grid}", "feel", "grid"),
        ("{shape: ramp, reset: kick, feel: grid}", "feel", "grid"),
        ("{notes: [A1], quantise: key}", "quantise", m.Quantise(2, (0, 2, 3, 5, 7, 9, 10))),
        ("{notes: [A1], quantise: off}", "quantise", None),
        ("{notes: [A1], quantise: major}", "quantise", m.Quantise(2, (0, 2, 4, 5, 7, 9, 11))),
        ("{notes: [A1], quantise: [0, 7]}", "quantise", m.Quantise(2, (0, 7))),
        ("{notes: [A1], chord: [1, 3, 5]}", "chord", (1, 3, 5)),
        ("{notes: [A1], octaves: [1, 3]}", "octaves", (1, 3)),
        ("{notes: [A1], transpose_by: line}", "transpose_by", "line"),
        (
            "{walk: true, drives: [{lane: rim, setting: chance, depth: -1}]}",
            "drives",
            (m.Drive(None, "rim", "chance", -1.0),),
        ),
        # 50 is the start of swing, but said of a lane it keeps it straight in a set that swings
        ("{every: 1, swing: 50, level: 0.8}", "settings", {"swing": 50.0}),
        ("{steps: x, rotate: 3}", "settings", {"rotate": 3.0}),
    ],
)
def test_each_key_of_a_lane(text: str, field: str, value: object) -> None:
    assert getattr(lane(text), field) == value


@pytest.mark.parametrize("setting", m.SETTINGS.values(), ids=lambda s: s.name)
def test_each_setting_can_be_written_and_is_held_to_its_range(setting: m.Setting) -> None:
    kind = setting.kinds[0]
    source = {
        "euclid": "euclid: {hits: 4, steps: 16%s}",
        "notes": "notes: [A1]",
        "decay": "decay: kick",
        "arpeggio": "arpeggio: line",
        "shape": "shape: sine",
        "walk": "walk: true",
    }[kind]
    inside = setting.name in ("hits", "steps", "rotate") and kind == "euclid"
    if inside and setting.name == "hits":
        source = "euclid: {steps: 64%s}"
    elif inside and setting.name == "steps":
        source = "euclid: {hits: 0%s}"

    def text(value: float) -> str:
        pair = f", {setting.name}: {value:g}"
        body = source % pair if inside else source.replace("%s", "") + pair
        return "{" + body + "}"

    for good in (setting.low, setting.high):
        if setting.name == "low" or (setting.name == "high" and good == -1):
            continue  # together they are checked elsewhere
        settings_of = lane(text(good)).settings
        assert settings_of.get(setting.name, setting.start) == good
    for bad in (setting.low - 1, setting.high + 1):
        found = problems_of(partial(lane, text(bad)))
        assert len(found) == 1
        assert "must be" in found[0].message
        assert found[0].keys[-1] == setting.name


def test_sections_order_and_meter() -> None:
    spec = parse_set(
        "set: S\nmeter: 7/8\nlanes: {kick: {euclid: {hits: 3, steps: 7}}}\n"
        "sections: {one: {lanes: {kick: {hits: 5}}, tempo: 90}, two: {}}\n"
        "order: [{section: one, bars: 8}, {section: two, bars: 4, times: 2}]\n"
    ).spec
    assert spec.meter == (7, 8)
    assert spec.bar_ticks == 7 * 480
    assert spec.sections == (
        m.Section("one", lanes={"kick": {"hits": 5.0}}, tempo=90.0),
        m.Section("two"),
    )
    assert spec.order == (m.Entry("one", 8), m.Entry("two", 4, 2))


# --- what is refused ---------------------------------------------------------------------------

TOP = "set: S\nlanes:\n  kick: {every: 4}\n  line: {notes: [A1]}\n"  # lanes go on in line 5
NAME = "a name is lower-case letters, digits and hyphens, begins with a letter, at most 32"
MISTAKES = [
    # the set itself
    ("lanes: {a: {every: 1}}\n", ["set.yaml:1:1  set: is missing"]),
    ("set: S\n", ["set.yaml:1:1  lanes: is missing"]),
    ("set: S\nlanes: {}\n", ["set.yaml:2:8  lanes: needs at least 1, not 0"]),
    (
        "set: 7\nlanes: {a: {every: 1}}\n",
        ["set.yaml:1:6  set: must be text, not 7; put it in quotes"],
    ),
    (
        "set: yes\nlanes: {a: {every: 1}}\n",
        ['set.yaml:1:6  set: yes without quotes is true to some YAML readers; write "yes"'],
    ),
    (
        TOP + "tempo: 1:30\n",
        [
            "set.yaml:5:8  tempo: must be a number from 20 to 400 BPM, not 1:30 "
            "(a number in base 60 to some YAML readers)"
        ],
    ),
    (TOP + "tempo: fast\n", ["set.yaml:5:8  tempo: must be a number from 20 to 400 BPM, not fast"]),
    (TOP + "tempo: 19.9\n", ["set.yaml:5:8  tempo: must be from 20 to 400 BPM, not 19.9"]),
    (TOP + "tempp: 120\n", ["set.yaml:5:1  tempp: is not a key of a set; did you mean tempo?"]),
    (
        TOP + "seed: 1.5\n",
        ["set.yaml:5:7  seed: must be a whole number from 0 to 4294967295, not 1.5"],
    ),
    (
        TOP + "meter: 5/3\n",
        [
            "set.yaml:5:8  meter: must be a meter such as 4/4 (1 to 32 beats of 1, 1/2 ... 1/32), "
            "not 5/3"
        ],
    ),
    (
        TOP + "key: {root: H, scale: minr}\n",
        [
            "set.yaml:5:13  key.root: 'H' is not a root: a letter A to G, with # or b where needed",
            "set.yaml:5:23  key.scale: minr is not a scale; did you mean minor?",
        ],
    ),
    # names and YAML words
    (
        TOP + "  Hat: {every: 1}\n",
        [f"set.yaml:5:3  lanes.Hat: Hat is not a name: {NAME}; write hat"],
    ),
    (
        TOP + "  no: {every: 1}\n",
        ['set.yaml:5:3  lanes.no: no without quotes is false to some YAML readers; write "no"'],
    ),
    (
        TOP + "  not: {every: 1}\n",
        ["set.yaml:5:3  lanes.not: not is a word of logic; choose another name"],
    ),
    (
        TOP + "  a: {every: 1, muted: on}\n",
        ["set.yaml:5:24  lanes.a.muted: must be true or false, not on"],
    ),
    (
        TOP + "  a: {every: 1, groups: [off]}\n",
        [
            "set.yaml:5:26  lanes.a.groups.0: off without quotes is false to some YAML readers; "
            'write "off"'
        ],
    ),
    (
        TOP + '  a: {every: 1, "le\\nvel": 1, groups: ["x\\ty"]}\n',
        [
            r"set.yaml:5:17  lanes.a.le\nvel: is not a key of a lane; did you mean level?",
            rf"set.yaml:5:40  lanes.a.groups.0: x\ty is not a name: {NAME}; write x-y",
        ],
    ),
    (
        TOP + "  true: {every: 1}\n",
        [
            "set.yaml:5:3  lanes.true: true without quotes is true to some YAML readers; "
            'write "true"'
        ],
    ),
    # sources
    (
        TOP + "  a: {out: main.gate-1}\n",
        [
            "set.yaml:5:6  lanes.a: needs a source: one of euclid, steps, every, logic, notes, "
            "arpeggio, levels, shape, decay, sample, walk"
        ],
    ),
    (
        TOP + "  a: {}\n",
        [
            "set.yaml:5:6  lanes.a: needs a source: one of euclid, steps, every, logic, notes, "
            "arpeggio, levels, shape, decay, sample, walk"
        ],
    ),
    (
        TOP + "  a:\n",
        [
            "set.yaml:5:5  lanes.a: must be keys and values (euclid, steps, logic, notes...), "
            "not nothing"
        ],
    ),
    (
        TOP + "  a: {every: 1, levels: [0]}\n",
        ["set.yaml:5:17  lanes.a.levels: has two sources, every and levels; keep one"],
    ),
    (TOP + "  a: {walk: false}\n", ["set.yaml:5:13  lanes.a.walk: must be true, not false"]),
    (
        TOP + '  a: {steps: "x.x?"}\n',
        ["set.yaml:5:18  lanes.a.steps: '?' is not a step; write x (hit), X (accent) or . (rest)"],
    ),
    (
        TOP + "  a: {steps: 1010}\n",
        ['set.yaml:5:14  lanes.a.steps: must be steps in quotes such as "x..X", not 1010'],
    ),
    (
        TOP + "  a: {shape: saw-tooth}\n",
        [
            "set.yaml:5:14  lanes.a.shape: must be sine, triangle, ramp, saw, square, random-steps "
            "or random-smooth, not saw-tooth"
        ],
    ),
    # euclid
    (
        TOP + "  a:\n    euclid:\n      hits: 17\n      steps: 16\n",
        ["set.yaml:7:13  lanes.a.euclid.hits: 17 hits do not fit in 16 steps"],
    ),
    (TOP + "  a: {euclid: {hits: 2}}\n", ["set.yaml:5:15  lanes.a.euclid.steps: is missing"]),
    (
        TOP + "  a: {euclid: {hits: 5, steps: 65}}\n",
        ["set.yaml:5:32  lanes.a.euclid.steps: must be from 1 to 64 steps, not 65"],
    ),
    (
        TOP + "  a: {euclid: {hits: 5, steps: 8, fill: {hits: 5, length: 4}}}\n",
        ["set.yaml:5:48  lanes.a.euclid.fill.hits: 5 hits do not fit in 4 steps"],
    ),
    (
        TOP + "  a: {euclid: {hits: 2, steps: 4, fill: {hits: 5, length: 8}}}\n",
        [
            "set.yaml:5:59  lanes.a.euclid.fill.length: a fill of 8 steps is longer than the pattern "
            "of 4"
        ],
    ),
    (
        TOP + "  a: {every: 1, hits: 3}\n",
        ["set.yaml:5:17  lanes.a.hits: belongs inside euclid: {hits: 5, steps: 16}"],
    ),
    (
        TOP + "  a: {euclid: {hits: 2, steps: 4}, rotate: 1}\n",
        ["set.yaml:5:36  lanes.a.rotate: belongs inside euclid: {hits: 5, steps: 16, rotate: 2}"],
    ),
    # logic
    (
        TOP + '  a: {logic: "kick and a"}\n',
        [
            "set.yaml:5:14  lanes.a.logic: 'a' names itself in its logic; earlier(a) reads what it did one step before"
        ],
    ),
    (
        TOP + '  a: {logic: "kick and kik"}\n',
        ["set.yaml:5:24  lanes.a.logic: no lane is called 'kik'; did you mean kick?"],
    ),
    (
        TOP + '  a: {logic: "kick and"}\n',
        ["set.yaml:5:23  lanes.a.logic: a lane expected, but the expression ends"],
    ),
    (
        TOP + '  a: {logic: "b or kick"}\n  b: {logic: "a and kick"}\n',
        [
            "set.yaml:6:14  lanes.b.logic: these lanes wait for each other: a reads b reads a; in b, earlier(a) reads what it did one step before"
        ],
    ),
    (
        TOP + "  a: {every: 1, compare: gates}\n",
        ["set.yaml:5:17  lanes.a.compare: means nothing on a lane of every; it is for logic"],
    ),
    (
        TOP + "  a: {walk: true, direction: backward}\n",
        [
            "set.yaml:5:19  lanes.a.direction: means nothing on a lane of walk; it is for euclid, "
            "steps, every, notes, arpeggio, levels"
        ],
    ),
    (
        TOP + "  a: {decay: kick, swing: 60}\n",
        [
            "set.yaml:5:20  lanes.a.swing: means nothing on a lane of decay; it is for euclid, steps, "
            "every, logic, notes, arpeggio, levels, walk"
        ],
    ),
    (
        TOP + "  a: {decay: kick, advance: kick}\n",
        [
            "set.yaml:5:29  lanes.a.advance: a lane of decay moves with the hits that its decay names, "
            "not with those of another; a rate gives it the length of its steps"
        ],
    ),
    # what refers to other lanes
    (
        TOP + "  a: {notes: [A1], advance: kik}\n",
        ["set.yaml:5:29  lanes.a.advance: there is no lane kik; did you mean kick?"],
    ),
    (
        TOP + "  a: {notes: [A1], advance: line}\n",
        ["set.yaml:5:29  lanes.a.advance: line is a lane of notes; a lane of hits is needed here"],
    ),
    (
        TOP + "  a: {sample: {value: kick, at: line}}\n",
        [
            "set.yaml:5:23  lanes.a.sample.value: kick is a lane of every; "
            "a lane of values is needed here",
            "set.yaml:5:33  lanes.a.sample.at: line is a lane of notes; "
            "a lane of hits is needed here",
        ],
    ),
    (
        TOP + "  a: {every: 1, rate: 1/8, advance: 1/8}\n",
        ["set.yaml:5:28  lanes.a.advance: write either rate or advance"],
    ),
    (
        TOP + "  a: {every: 1, rate: 1/7Q}\n",
        [
            "set.yaml:5:23  lanes.a.rate: '1/7Q' is not a rate; write 1/16, 1/8T (triplet), "
            "1/8. (dotted), 3/32 or 3:4 (3 steps in the time of 4 quarters)"
        ],
    ),
    (
        TOP + "  a: {every: 1, reset: 0}\n",
        [
            "set.yaml:5:24  lanes.a.reset: must be from 1 to 1024 bars (or the name of a lane), not 0"
        ],
    ),
    # values
    (
        TOP + "  a: {notes: [A1, H2, 200]}\n",
        [
            "set.yaml:5:19  lanes.a.notes.1: 'H2' is not a note: letter A to G, # or b, and octave, "
            "as in C#4",
            "set.yaml:5:23  lanes.a.notes.2: must be from 0 to 127 (or a name such as A1, or . to "
            "rest), not 200",
        ],
    ),
    (
        TOP + "  a: {notes: [{note: ., glide: true}, {pitch: A1}]}\n",
        [
            "set.yaml:5:15  lanes.a.notes.0: only a note can glide, not a rest or a tie",
            "set.yaml:5:39  lanes.a.notes.1: must be {note: E2, glide: true}, not pitch",
        ],
    ),
    (
        TOP + "  a: {notes: [{note: A1, glide: 1}]}\n",
        ["set.yaml:5:15  lanes.a.notes.0: glide must be true or false, not 1"],
    ),
    (TOP + "  a: {notes: []}\n", ["set.yaml:5:14  lanes.a.notes: needs at least 1, not 0"]),
    (TOP + "  a: {levels: 0.5}\n", ["set.yaml:5:15  lanes.a.levels: must be a list, not 0.5"]),
    (
        TOP + "  a: {levels: [1, 2]}\n",
        ["set.yaml:5:19  lanes.a.levels.1: must be from -1 to 1 (or . to rest), not 2"],
    ),
    (
        TOP + "  a: {levels: [0], decay_ms: 5}\n",
        ["set.yaml:5:20  lanes.a.decay_ms: means nothing on a lane of levels; it is for decay"],
    ),
    (
        TOP + "  a: {shape: sine, low: 0.5, high: 0.2}\n",
        ["set.yaml:5:25  lanes.a.low: low lies above high"],
    ),
    (
        TOP + "  a: {notes: [A1], quantise: minro}\n",
        ["set.yaml:5:30  lanes.a.quantise: minro is not a scale; did you mean minor?"],
    ),
    (
        TOP + "  a: {notes: [A1], quantise: [7, 0]}\n",
        ["set.yaml:5:30  lanes.a.quantise: must rise from semitone to semitone, each once"],
    ),
    (
        TOP + "  a: {notes: [A1], octaves: [3, 1]}\n",
        ["set.yaml:5:29  lanes.a.octaves: goes from 3 down to 1; write the lower octave first"],
    ),
    # numbers
    (
        TOP + "  a: {every: 1, chance: true}\n",
        ["set.yaml:5:25  lanes.a.chance: must be a number from 0 to 1, not true"],
    ),
    (
        TOP + "  a: {every: 1, chanc: 0.5}\n",
        ["set.yaml:5:17  lanes.a.chanc: is not a key of a lane; did you mean chance?"],
    ),
    (
        TOP + "  a: {every: 1, repeats: 2.5}\n",
        ["set.yaml:5:26  lanes.a.repeats: must be a whole number from 1 to 16, not 2.5"],
    ),
    (
        TOP + "  a: {every: 1, gate: long}\n",
        ["set.yaml:5:23  lanes.a.gate: must be a number of steps or tie, not long"],
    ),
    (
        TOP + "  a: {every: 1, spacing: slow}\n",
        ["set.yaml:5:26  lanes.a.spacing: slow is not a spacing; did you mean slowing?"],
    ),
    (
        TOP + "  a: {every: 1, spacing: even, repeat_curve: 0.5}\n",
        ["set.yaml:5:17  lanes.a.spacing: write either spacing or repeat_curve"],
    ),
    (
        TOP + "  a: {every: 1, passes: {on: [5], of: 4}}\n",
        ["set.yaml:5:31  lanes.a.passes.on.0: there is no pass 5 of 4"],
    ),
    # outputs
    (
        TOP + "  a: {every: 1, out: gate-1}\n",
        ["set.yaml:5:22  lanes.a.out: must be interface.output, such as main.gate-1, not gate-1"],
    ),
    (
        TOP + "  a: {every: 1, out: main.gate-9}\n",
        [
            "set.yaml:5:22  lanes.a.out: eight-gates-four-cv has no output gate-9; "
            "did you mean main.gate-8?"
        ],
    ),
    (
        TOP + "  a: {every: 1, out: mian.gate-1}\n",
        ["set.yaml:5:22  lanes.a.out: the rig has no interface mian; did you mean main?"],
    ),
    (
        TOP + "  a: {notes: [A1], out: main.gate-1}\n",
        [
            "set.yaml:5:25  lanes.a.out: main.gate-1 is a gate output; "
            "a lane of notes needs a pitch output"
        ],
    ),
    (
        TOP + "  a: {every: 1, out: main.level-1}\n",
        [
            "set.yaml:5:22  lanes.a.out: main.level-1 is a level output; "
            "a lane of every needs a gate or trigger output"
        ],
    ),
    (
        TOP + "  a: {every: 1, out: main.gate-1}\n  b: {every: 2, out: main.gate-1}\n",
        [
            "set.yaml:6:22  lanes.b.out: main.gate-1 is played by a already; "
            "write share: true if both should"
        ],
    ),
    # macros
    (
        TOP + "macros: {m: {start: 2, drives: [{out: main.level-1}, {lane: kick}]}}\n",
        [
            "set.yaml:5:21  macros.m.start: must be from 0 to 1, not 2",
            "set.yaml:5:54  macros.m.drives.1: needs an out, or a lane and a setting",
        ],
    ),
    (
        TOP + "macros: {m: {drives: [{lane: kick, setting: chanc}]}}\n",
        [
            "set.yaml:5:45  macros.m.drives.0.setting: there is no setting chanc; "
            "did you mean chance?"
        ],
    ),
    (
        TOP + "macros: {m: {drives: [{lane: kick, setting: transpose}]}}\n",
        [
            "set.yaml:5:45  macros.m.drives.0.setting: transpose means nothing on kick, "
            "a lane of every"
        ],
    ),
    (
        TOP + "macros: {m: {drives: [{lane: kik, setting: chance}]}}\n",
        ["set.yaml:5:30  macros.m.drives.0.lane: there is no lane kik; did you mean kick?"],
    ),
    (
        TOP + "macros: {m: {drives: [{out: main.pitch-1}, {out: main.gate-1}]}}\n",
        [
            "set.yaml:5:29  macros.m.drives.0.out: main.pitch-1 is a pitch output; only level "
            "outputs can be driven (for pitch, drive the transpose of its lane)",
            "set.yaml:5:50  macros.m.drives.1.out: main.gate-1 is a gate output; only level outputs "
            "can be driven",
        ],
    ),
    (
        TOP + "macros: {m: {drives: [{out: main.level-1, from: 0}]}}\n",
        ["set.yaml:5:23  macros.m.drives.0: from and to go together"],
    ),
    (
        TOP + "macros: {m: {drives: [{out: main.level-1, from: 0, to: 5, depth: 1}]}}\n",
        ["set.yaml:5:59  macros.m.drives.0.depth: write either a depth or from and to"],
    ),
    (
        TOP + "macros: {m: {drives: [{out: main.level-9}]}}\n",
        [
            "set.yaml:5:29  macros.m.drives.0.out: eight-gates-four-cv has no output level-9; "
            "did you mean main.level-2?"
        ],
    ),
    (
        TOP + "macros: {m: {drives: [{out: main.level-1, lane: kick, setting: chance}]}}\n",
        ["set.yaml:5:23  macros.m.drives.0: moves either an out or a lane's setting, not both"],
    ),
    (
        TOP + "macros: {m: {drives: [{lane: kick, setting: chance, from: -1, to: 20}]}}\n",
        [
            "set.yaml:5:53  macros.m.drives.0.from: must be from 0 to 1 probability, not -1",
            "set.yaml:5:63  macros.m.drives.0.to: must be from 0 to 1 probability, not 20",
        ],
    ),
    (
        TOP
        + "  a: {walk: true, drives: [{lane: kick, setting: chance, from: 0, to: 1, curve: 1}]}\n"
        + "macros: {m: {drives: [{lane: kick, setting: chance, from: 0, to: 1}]}}\n",
        [
            "set.yaml:5:64  lanes.a.drives.0.from: another drive puts chance of kick somewhere; "
            "give one of them a depth",
            "set.yaml:5:74  lanes.a.drives.0.curve: is for the drives of macros; a lane has the "
            "values that it has",
        ],
    ),
    (
        TOP + "  a: {walk: true, drives: [{lane: kick}]}\n",
        ["set.yaml:5:28  lanes.a.drives.0: needs an out, or a lane and a setting"],
    ),
    # sections and order
    (
        TOP + "sections: {s: {play: [kick, rim], macros: {m: 1}}}\n",
        [
            "set.yaml:5:29  sections.s.play.1: there is no lane rim",
            "set.yaml:5:44  sections.s.macros.m: there is no macro m",
        ],
    ),
    (
        TOP + "sections: {s: {play: some, lanes: {kick: {level: 2}, kik: {level: 1}}}}\n",
        [
            "set.yaml:5:22  sections.s.play: must be all or a list of lanes, not some",
            "set.yaml:5:50  sections.s.lanes.kick.level: must be from 0 to 1, not 2",
            "set.yaml:5:54  sections.s.lanes.kik: there is no lane kik; did you mean kick?",
        ],
    ),
    (
        TOP + "  a: {every: 2, feel: grid}\n  b: {logic: kick, compare: gates, feel: cause}\n",
        [
            "set.yaml:5:17  lanes.a.feel: means nothing on a lane that no other lane moves: it has "
            "its own",
            "set.yaml:6:36  lanes.b.feel: means nothing by gates: they are heard when they sound",
        ],
    ),
    (
        TOP + "  a: {logic: kick, feel: straight}\n",
        ["set.yaml:5:26  lanes.a.feel: must be cause or grid, not straight"],
    ),
    (
        TOP + "  a: {euclid: {hits: 4, steps: 16}}\nsections: {s: {lanes: {a: {steps: 3}}}}\n",
        ["set.yaml:6:35  sections.s.lanes.a.steps: 4 hits do not fit in 3 steps"],
    ),
    (
        TOP + "sections: {dawn: {}}\norder: [{section: down, bars: 0}]\n",
        [
            "set.yaml:6:19  order.0.section: there is no section down; did you mean dawn?",
            "set.yaml:6:31  order.0.bars: must be from 1 to 1024 bars, not 0",
        ],
    ),
    (
        TOP + "sections: {dawn: {}}\norder: [{section: dawn, bars: opne}]\n",
        [
            "set.yaml:6:31  order.0.bars: must be a number of bars, or open (until you go on), "
            "not opne"
        ],
    ),
    (
        TOP + "sections: {dawn: {}}\norder: [{section: dawn, bars: open, times: 2}]\n",
        [
            "set.yaml:6:44  order.0.times: an open entry lasts until you go on, so it has no "
            "times; leave it out"
        ],
    ),
    (
        TOP
        + "sections: {dawn: {}, dusk: {}}\norder:\n"
        + "  - {bars: 1}\n"
        + "  - {section: dawn, choose: {dawn: 1, dusk: 1}, bars: 1}\n"
        + "  - {choose: {dawn: 1}, bars: 1}\n"
        + "  - {choose: {dawn: 1, duks: 1}, bars: 1}\n"
        + "  - {choose: {dawn: 0, dusk: 1}, bars: 1}\n"
        + "  - {section: dawn, bars: 2, times: 2, fill: 5}\n",
        [
            "set.yaml:7:5  order.0: needs a section, or some to choose among, and not both",
            "set.yaml:8:5  order.1: needs a section, or some to choose among, and not both",
            "set.yaml:9:14  order.2.choose: has nothing to choose among; write a second section, "
            "or section",
            "set.yaml:10:24  order.3.choose.duks: there is no section duks; did you mean dusk?",
            "set.yaml:11:21  order.4.choose.dawn: must be from 0.01 to 100 of all weights, not 0",
            "set.yaml:12:46  order.5.fill: is longer than the entry itself",
        ],
    ),
    (
        TOP + "sections: {dawn: {}}\norder: [{section: dawn, bars: 1}]\nafter_order: loop\n",
        ["set.yaml:7:14  after_order: must be stay or again, not loop"],
    ),
]


@pytest.mark.parametrize(
    ("text", "said"), MISTAKES, ids=[t.splitlines()[-1][:60] for t, _ in MISTAKES]
)
def test_each_mistake_has_its_message_and_place(text: str, said: list[str], rig: Rig) -> None:
    assert lines_of(lambda: parse_set(text, rig=rig)) == said


def test_everything_that_is_wrong_is_said_at_once_in_file_order(rig: Rig) -> None:
    text = (
        "set: S\n"
        "tempo: 500\n"
        "lanes:\n"
        "  kick: {euclid: {hits: 17, steps: 16}, out: main.gate-1, chanse: 1}\n"
        "  rim: {every: 2, out: main.gate-1, level: loud}\n"
        '  spray: {logic: "kick xor snore", out: main.gat-2}\n'
        "  tune: {notes: [A1], advance: spary}\n"
        "macros: {m: {drives: [{lane: rim, setting: chance}, {lane: hat, setting: chance}]}}\n"
        "sections: {s: {play: [kick, snore]}}\n"
        "order: [{section: t, bars: 4}]\n"
    )
    found = problems_of(lambda: parse_set(text, rig=rig))
    assert [(p.line, p.path) for p in found] == [
        (2, "tempo"),
        (4, "lanes.kick.euclid.hits"),
        (4, "lanes.kick.chanse"),
        (5, "lanes.rim.out"),
        (5, "lanes.rim.level"),
        (6, "lanes.spray.logic"),
        (6, "lanes.spray.out"),
        (7, "lanes.tune.advance"),
        (8, "macros.m.drives.1.lane"),
        (9, "sections.s.play.1"),
        (10, "order.0.section"),
    ]


def test_two_lanes_on_one_gate_may_share_it(rig: Rig) -> None:
    pair = TOP + "  a: {every: 1, out: main.gate-1%s}\n  b: {every: 2, out: main.gate-1%s}\n"
    share = ", share: true"
    for good in (pair % (share, share), pair % ("", share), pair % (share, "")):
        assert problems_of(partial(parse_set, good, rig=rig)) == ()
    three = pair % ("", share) + "  c: {every: 3, out: main.gate-1}\n"
    assert lines_of(lambda: parse_set(three, rig=rig)) == [
        "set.yaml:7:22  lanes.c.out: main.gate-1 is played by a and b already; "
        "write share: true if both should"
    ]


def test_levels_add_up_at_an_output_without_a_word(rig: Rig) -> None:
    text = TOP + "  a: {levels: [0], out: main.level-1}\n  b: {walk: true, out: main.level-1}\n"
    assert problems_of(lambda: parse_set(text, rig=rig)) == ()


def test_what_the_transport_drives_is_no_output_of_a_lane(tmp_path: Path) -> None:
    (tmp_path / "clocked.yaml").write_text(
        "profile: clocked\noutputs:\n  tick: {kind: clock, by: note, number: 36}\n"
    )
    rig = parse_rig("rig: R\ninterfaces: {x: {profile: clocked}}\n", beside=tmp_path)
    text = "set: S\nlanes:\n  k: {every: 1, out: x.tick}\n"
    assert lines_of(lambda: parse_set(text, rig=rig)) == [
        "set.yaml:3:22  lanes.k.out: x.tick is a clock output; the transport drives it, no lane"
    ]


@pytest.mark.parametrize("says", [("[b]", "[a]"), ("[b]", "[]"), ("[]", "[a]")])
def test_outputs_that_exclude_each_other(tmp_path: Path, says: tuple[str, str]) -> None:
    """Whichever of the two says so, and in whichever order they are played."""
    (tmp_path / "pair.yaml").write_text(
        "profile: pair\noutputs:\n"
        f"  a: {{kind: gate, by: note, number: 36, excludes: {says[0]}}}\n"
        f"  b: {{kind: gate, by: note, number: 37, excludes: {says[1]}}}\n"
    )
    rig = parse_rig("rig: R\ninterfaces: {x: {profile: pair}}\n", beside=tmp_path)
    text = "set: S\nlanes:\n  k: {every: 1, out: x.a}\n  l: {every: 1, out: x.b}\n"
    assert lines_of(lambda: parse_set(text, rig=rig)) == [
        "set.yaml:4:22  lanes.l.out: x.b cannot be used together with x.a"
    ]


def test_volts_out_of_reach_are_allowed_with_a_warning(rig: Rig) -> None:
    text = (
        TOP + "  a: {levels: [0, 1], offset: 2, out: main.level-1}\n"
        "  b: {levels: [-0.5, 1], out: main.level-2}\n"
        "macros: {m: {drives: [{out: main.level-1, from: -1, to: 8}]}}\n"
    )
    said = [str(p) for p in parse_set(text, rig=rig).warnings if "asks for" in p.message]
    assert said == [
        "set.yaml:5:31  lanes.a.offset: asks for 7 V; main.level-1 stops at 5 V",
        "set.yaml:6:15  lanes.b.levels: asks for -2.5 V; main.level-2 stops at 0 V",
        "set.yaml:7:49  macros.m.drives.0.from: asks for -1 V; main.level-1 stops at 0 V",
        "set.yaml:7:57  macros.m.drives.0.to: asks for 8 V; main.level-1 stops at 5 V",
    ]


def test_without_a_rig_outputs_are_taken_as_written() -> None:
    text = TOP + "  a: {every: 1, out: other.gate-77}\n"
    assert parse_set(text).spec.lanes[2].out == "other.gate-77"


def test_load_shows_the_name_it_was_given(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "set.yaml"
    path.parent.mkdir()
    path.write_text("set: S\nlanes: {a: {every: 0}}\n")
    with pytest.raises(InputError) as error:
        load_set(path)
    assert str(error.value).startswith(f"{path}:2:20  lanes.a.every: must be from 1")
    with pytest.raises(InputError) as error:
        load_set(path, shown="set.yaml")
    assert str(error.value).startswith("set.yaml:2:20")


# --- any text ----------------------------------------------------------------------------------

WORDS = st.sampled_from(
    [
        "set: S\n",
        "lanes:\n",
        "  a: ",
        "  kick: ",
        "{",
        "}",
        "euclid: ",
        "hits: ",
        "steps: ",
        "17",
        "16",
        ", ",
        '"x.x."',
        "logic: ",
        '"a or kick"',
        "notes: ",
        "[A1, C2]",
        "out: ",
        "main.gate-1",
        "main.level-1",
        "\n",
        "macros:\n",
        "sections: ",
        "play: ",
        "all",
        "order: ",
        "[",
        "]",
        "true",
        "off",
        "1:30",
        "advance: ",
        "1/8",
        "drives: ",
        "depth: ",
        "-1",
        "0.5",
        "key: ",
        "a",
    ]
)


@settings(max_examples=300, deadline=None)
@given(st.lists(WORDS, max_size=30).map("".join))
def test_any_text_is_a_set_or_refused(text: str) -> None:
    for problem in problems_of(lambda: parse_set(text)):
        assert problem.file == "set.yaml"
        assert problem.line >= 1


JUNK = st.recursive(
    st.sampled_from(
        [
            None,
            True,
            -1,
            0,
            3,
            17,
            0.5,
            "kick",
            "a",
            "off",
            "x.X.",
            "1/8",
            "A1",
            "all",
            "main.gate-1",
            "main.level-1",
            "chance",
            "key",
            "tie",
        ]
    ),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [
                    "hits",
                    "steps",
                    "note",
                    "out",
                    "lane",
                    "setting",
                    "depth",
                    "value",
                    "by",
                    "on",
                    "of",
                    "kick",
                ]
            ),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)
LANE_KEYS = [
    "euclid",
    "steps",
    "every",
    "logic",
    "notes",
    "levels",
    "shape",
    "decay",
    "sample",
    "walk",
    "rate",
    "advance",
    "reset",
    "out",
    "gate",
    "passes",
    "quantise",
    "drives",
    "octaves",
    "chance",
    "low",
    "high",
    "swing",
    "chord",
    "share",
]


@settings(max_examples=300, deadline=None)
@given(
    st.dictionaries(st.sampled_from(LANE_KEYS), JUNK, max_size=5),
    st.dictionaries(st.sampled_from(["start", "drives", "curve"]), JUNK, max_size=3),
    st.dictionaries(st.sampled_from(["play", "macros", "lanes", "tempo"]), JUNK, max_size=3),
)
def test_any_structure_is_a_set_or_refused_and_what_is_a_set_compiles(
    rig: Rig, lane: object, macro: object, section: object
) -> None:
    import json  # JSON is YAML, and says everything in quotes

    text = json.dumps(
        {
            "set": "S",
            "lanes": {"kick": {"every": 4}, "a": lane},
            "macros": {"m": macro},
            "sections": {"s": section},
        }
    )
    if not problems_of(lambda: parse_set(text, rig=rig)):
        spec = parse_set(text, rig=rig).spec
        assert compile_score(spec, rig.ranges).lanes == spec.lanes
