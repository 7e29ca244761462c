"""The form of a set: figures worked out by hand or by brute force from the table of events."""

from __future__ import annotations

import csv
import io
import random
import xml.etree.ElementTree as ET
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner

import bridge
from bridge import cli
from bridge.demo import files
from bridge.files.rig import Rig, load_rig
from bridge.files.set import load_set, parse_set
from bridge.paper import chart_pages, csv_rows
from bridge.paper.course import of_order
from bridge.paper.form import Bar, Form, Habit, Stretch, Token, again, difference, form_of
from bridge.paper.form_chart import chart_of, stretch_words

DEMO = Path(bridge.__file__).parent / "demo"
A, B, C = (frozenset({Token(0, place)}) for place in (0, 240, 480))
SILENCE: Bar = frozenset()

TIDES = """
set: Two tides
tempo: 120
key: {root: A, scale: minor}
lanes:
  kick: {steps: "x...x...x...x...", out: main.gate-1, groups: [drums]}
  hat:  {steps: "..x...x...x...x. x.x.x.x.x.x.x.x.", out: main.gate-8, groups: [drums]}
  bass: {steps: "x.......x.......", out: main.gate-5}
  line: {notes: [A1, C2, E2], advance: bass, out: main.pitch-1}
  odd:  {steps: "................", out: main.gate-2}
sections:
  low:  {play: [kick, bass, line]}
  also: {play: [kick, bass, line]}
  high: {play: [kick, hat, bass, line], lanes: {line: {transpose: 12}}, tempo: 60}
order:
  - {section: low, bars: 4}
  - {section: also, bars: 3}
  - {section: high, bars: 2, times: 2}
"""


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(DEMO / "rig.yaml")


@pytest.fixture(scope="module")
def tides(rig: Rig) -> Form:
    return form_of(parse_set(TIDES, "set.yaml").spec, rig)


def test_sections_are_told_with_hits_density_and_register(tides: Form) -> None:
    """By hand: four kicks and two bass notes a bar, which fall together; the hat adds 4, then 8."""
    low, _, high = tides.passages
    assert [(p.section, p.first, p.bars) for p in tides.passages] == [
        ("low", 0, 4),
        ("also", 4, 3),
        ("high", 7, 4),
    ]
    assert (low.hits_a_bar, low.density) == (6.0, 4 / 16)
    assert (high.hits_a_bar, high.density) == (6.0 + (4 + 8) / 2, (8 + 8) / 32)
    assert low.register == (33, 36, 40)  # A1, C2, E2
    assert high.register == (45, 48, 52)  # an octave up
    assert low.lanes == ("kick", "bass")
    assert high.lanes == ("kick", "hat", "bass")


def test_bars_are_distinct_by_rhythm_and_notes(tides: Form) -> None:
    """Two notes of three in each bar: three different bars, then three more an octave up, each
    with one of two bars of hats (lcm 6, of which four are played)."""
    assert (tides.whole.heard, tides.whole.distinct) == (11, 3 + 4)
    of_lane = {part.name: (part.heard, part.distinct) for part in tides.lanes}
    assert of_lane == {"kick": (11, 1), "hat": (4, 2), "bass": (11, 6)}
    assert [(part.name, part.distinct) for part in tides.groups] == [("drums", 3)]
    again_of = {part.name: part.again for part in tides.lanes}
    assert again_of["kick"] == Stretch(0, 11, 1)
    assert again_of["bass"] == Stretch(0, 7, 3)
    assert again_of["hat"] == Stretch(7, 4, 2)


def test_what_never_sounds_and_what_hardly_differs_is_said(tides: Form) -> None:
    assert tides.silent == ("odd",)
    assert [(one, other) for one, other, _ in tides.alike] == [("low", "also")]
    assert tides.passages[0].differs is None


def test_the_time_it_takes_follows_the_tempos_of_the_sections(tides: Form) -> None:
    """Seven bars of 4/4 at 120 BPM are 14 s, four at 60 BPM are 16 s."""
    assert tides.seconds == pytest.approx(30.0)


def test_an_order_that_waits_and_begins_anew_is_gone_through_once(rig: Rig) -> None:
    text = TIDES.replace("order:", "after_order: again\norder:")
    assert form_of(parse_set(text, "set.yaml").spec, rig).bars == 11
    spec = parse_set(text, "set.yaml").spec
    first, *others = spec.order
    waiting = replace(spec, order=(replace(first, bars=None), *others))
    assert first.times == 1
    bars = form_of(waiting, rig).passages[0].bars
    assert bars == 8  # as the manual says


def test_feel_and_level_make_no_other_bar(rig: Rig) -> None:
    text = TIDES.replace("drums]}", "drums], humanise_ms: 20, humanise_level: 0.2, swing: 60}")
    loose = form_of(parse_set(text, "set.yaml").spec, rig)
    assert loose.whole.distinct == 7
    assert loose.whole.heard == 11


def test_a_hit_played_early_belongs_to_its_own_bar(rig: Rig) -> None:
    text = TIDES.replace("[drums]}", "[drums], shift: -0.4}")
    assert [p.hits_a_bar for p in form_of(parse_set(text, "set.yaml").spec, rig).passages] == [
        6.0,
        6.0,
        12.0,
    ]


@pytest.mark.parametrize("name", ["set", "ideas/sections", "ideas/repeats", "ideas/seven"])
def test_hits_are_those_of_the_rendered_table(rig: Rig, name: str) -> None:
    spec = load_set(DEMO / f"{name}.yaml", rig).spec
    form = form_of(spec, rig)
    course = of_order(form.spec) if form.spec.order else None
    rows = csv.DictReader(io.StringIO(csv_rows.text(form.spec, rig, form.bars, course=course)))
    count = sum(row["kind"] == "hit" for row in rows)
    assert round(sum(p.hits_a_bar * p.bars for p in form.passages)) == count > 90


def test_the_difference_is_the_weighted_jaccard_distance() -> None:
    """Ruzicka's coefficient, worked out with fractions: both 1/2 + 1, either 2 + 1 + 1."""
    one: dict[Habit, float] = {("a",): 2.0, ("b",): 1.0}
    other: dict[Habit, float] = {("a",): 0.5, ("b",): 1.0, ("c",): 1.0}
    assert difference(one, other) == pytest.approx(float(1 - Fraction(3, 2) / 4))
    assert difference(one, one) == 0.0
    assert difference(one, {("d",): 3.0}) == 1.0
    assert difference({}, {}) == 0.0


@pytest.mark.parametrize(
    ("bars", "stretch"),
    [
        ([A, B, C], Stretch()),
        ([A, A, A, B], Stretch(0, 3, 1)),
        ([A, B, A, B, A], Stretch(0, 5, 2)),
        ([C, A, B, A], Stretch()),  # a phrase comes twice whole
        ([SILENCE] * 9 + [A, A], Stretch(9, 2, 1)),  # silence is no repetition
        ([], Stretch()),
    ],
)
def test_the_longest_stretch_that_repeats(bars: list[Bar], stretch: Stretch) -> None:
    assert again(bars) == stretch


def test_the_longest_stretch_is_the_longest_there_is() -> None:
    """Against every begin, end and phrase length, tried one by one."""
    dice = random.Random(5)
    for _ in range(200):
        bars = dice.choices([A, B], k=dice.randint(0, 14))
        found = 0
        for first in range(len(bars)):
            for last in range(first + 1, len(bars) + 1):
                for period in range(1, 9):
                    own = bars[first:last]
                    whole = len(own) >= 2 * period
                    if whole and all(own[i] == own[i % period] for i in range(len(own))):
                        found = max(found, len(own))
        assert again(bars).bars == found


def test_a_stretch_is_said_in_bars_counted_from_one() -> None:
    assert stretch_words(Stretch(8, 16, 1)) == "bars 9 to 24, each the same"
    assert stretch_words(Stretch(0, 4, 2)) == "bars 1 to 4, every 2 bars the same"
    assert stretch_words(Stretch()) == "none"


def test_a_set_without_order_plays_its_sections_and_one_without_sections_opens(rig: Rig) -> None:
    without = TIDES[: TIDES.index("order:")]
    form = form_of(parse_set(without, "set.yaml").spec, rig, 5)
    assert [(p.section, p.bars) for p in form.passages] == [("low", 5), ("also", 5), ("high", 5)]
    bare = without[: without.index("sections:")]
    form = form_of(parse_set(bare, "set.yaml").spec, rig)
    assert [(p.section, p.first, p.bars) for p in form.passages] == [("", 0, 16)]


def test_the_drawing_has_a_mark_for_every_hit(tides: Form) -> None:
    root = ET.fromstring(chart_pages.draw(chart_of(tides)))
    paths = [el for el in root.iter() if el.tag.endswith("path")]
    marks = sum(el.attrib["d"].count("M") for el in paths if el.get("class") in ("new", "again"))
    assert marks == 11 * 4 + 11 * 2 + 12 + 12
    new = [el.attrib["d"].count("M") for el in paths if el.get("class") == "new"]
    assert sum(new) == 4 + 12 + 2 * 6  # one bar of kicks, two of hats, six of bass
    words = [el.text for el in root.iter() if el.tag.endswith("text")]
    assert {"kick", "hat", "bass", "low", "also", "high"} <= set(words)


def test_the_command_prints_and_draws(tmp_path: Path) -> None:
    set_file, out = tmp_path / "set.yaml", tmp_path / "form.svg"
    set_file.write_text(TIDES, encoding="utf-8")
    rig_file = str(files()[0])
    result = CliRunner().invoke(cli.main, ["form", rig_file, str(set_file), "--out", str(out)])
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == "Two tides: 11 bars, 0 min 30 s (the running order)"
    # By hand: six hits a bar in common; notes A, C, E 3/4, 3/4, 1/2 times a bar, then 2/3 each:
    # 1 - (6 + 2/3 + 2/3 + 1/2) / (6 + 3/4 + 3/4 + 2/3) is 4 %.
    assert "low and also hardly differ (4%)" in lines
    assert "never sounds: odd" in lines
    assert ET.parse(out).getroot().tag == "{http://www.w3.org/2000/svg}svg"
    wrong = CliRunner().invoke(cli.main, ["form", rig_file, str(set_file), "--bars", "4"])
    assert wrong.exit_code == 2
    assert "has a running order" in wrong.stderr
    ends = CliRunner().invoke(cli.main, ["form", rig_file, str(set_file), "--out", "form.gif"])
    assert ends.exit_code == 2


def test_a_way_that_is_too_long_is_refused(tmp_path: Path) -> None:
    set_file = tmp_path / "set.yaml"
    set_file.write_text(TIDES.replace("bars: 4}", "bars: 1000, times: 9}"), encoding="utf-8")
    result = CliRunner().invoke(cli.main, ["form", str(files()[0]), str(set_file)])
    assert result.exit_code == 1
    assert "9007 bars are too many; 4096 are possible" in result.stderr
