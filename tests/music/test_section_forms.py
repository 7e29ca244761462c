"""Sections that change what lanes are made of: exactly at their line, whatever the windows, and back
to the set's own text. What each section should play is written out a second time here, as a set of
its own or as plain arithmetic on the grid.
"""

from __future__ import annotations

import pickle
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.sets import (
    BAR,
    OUTPUTS,
    STEP,
    in_windows,
    logic,
    pattern,
    renderer,
    rewritten_sets,
    score_of,
    steps,
)

from bridge.errors import InputError
from bridge.files.set import parse_set
from bridge.files.set_check import plausible
from bridge.music.event import Event
from bridge.music.model import Entry, Lane, Levels, Note, Notes, Section, SetSpec, Shape
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score, compile_score

CAREFUL = settings(
    deadline=None,
    max_examples=25,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)


def score_from(text: str) -> Score:
    spec = parse_set(text).spec
    return compile_score(spec, plausible(spec))


def played(score: Score, bars: int, recalls: dict[int, str], **more: object) -> list[Event]:
    """The events of so many bars, with sections recalled at ticks."""
    player = renderer(score)
    events: list[Event] = []
    for tick, section in sorted(recalls.items()):
        events += player.advance(tick)
        command = {"do": "section", "section": section, "when": "now", **more}
        carry_out(player.performance, command, tick)
    return events + player.advance(bars * BAR)


def drawn(score: Score, events: list[Event], lane: str, first: int, bars: int = 1) -> str:
    """The hits of a lane in some bars as a step string, a space between bars."""
    place = score.positions[lane]
    on = {e.grid for e in events if e.lane == place and e.kind == "hit"}
    return " ".join(
        "".join("x" if at in on else "." for at in range(bar * BAR, (bar + 1) * BAR, STEP))
        for bar in range(first, first + bars)
    )


def values(score: Score, events: list[Event], lane: str, first: int) -> list[tuple[int, float]]:
    """What a lane's output does in one bar: (sixteenth, value)."""
    place = score.positions[lane]
    return [
        ((e.grid - first * BAR) // STEP, e.value)
        for e in events
        if e.lane == place and e.kind != "hit" and first * BAR <= e.grid < (first + 1) * BAR
    ]


HEAD = """set: t
key: {root: A, scale: minor}
lanes:
  kick: {euclid: {hits: 4, steps: 16}, out: main.gate-1}
  hat: {steps: "x.x.x.x.", out: main.gate-2}
  both: {logic: "kick or hat", out: main.gate-3}
  line: {notes: [A1, C2, E2], advance: kick, quantise: key, out: main.pitch-1}
sections:
  plain: {}
"""


def test_a_section_has_other_patterns_from_its_line_on_and_the_set_comes_back() -> None:
    score = score_from(
        HEAD
        + """  flood:
    lanes:
      kick: {steps: "x..x..x....."}
      both: {logic: "kick and not hat"}
      hat: {rate: 1/8}
"""
    )
    events = played(score, 6, {2 * BAR: "flood", 4 * BAR: "plain"})
    own = "x...x...x...x..."
    # Twelve steps across the bar: 0 3 6 | 12 15 18(=2) | 24 27 30 ...
    twelve = [step for step in range(32) if step % 12 in (0, 3, 6)]
    first, second = ("".join("x" if b + s in twelve else "." for s in range(16)) for b in (0, 16))
    assert drawn(score, events, "kick", 0, 6) == f"{own} {own} {first} {second} {own} {own}"
    eighths = "x...x...x...x..."  # x.x. at eighths
    assert drawn(score, events, "hat", 1, 4) == f"{'x.' * 8} {eighths} {eighths} {'x.' * 8}"
    only = "".join(
        "x" if k == "x" and h == "." else "." for k, h in zip(first, eighths, strict=True)
    )
    assert drawn(score, events, "both", 2) == only
    assert drawn(score, events, "both", 5) == "x.x.x.x.x.x.x.x."


def test_a_section_is_the_set_that_would_be_written_so() -> None:
    """Each section against a set of its own, from the section's first bar on."""
    flood = """      kick: {steps: "x..X. x.x"}
      hat: {every: 3, rate: 1/8T}
      both: {logic: "nth(kick, 2) or delay(hat, 1/8)"}
      line: {notes: [D2, F2, ., A2], advance: hat}
"""
    score = score_from(HEAD + "  flood:\n    lanes:\n" + flood)
    alone = score_from(
        """set: t
key: {root: A, scale: minor}
lanes:
  kick: {steps: "x..X. x.x", out: main.gate-1}
  hat: {every: 3, rate: 1/8T, out: main.gate-2}
  both: {logic: "nth(kick, 2) or delay(hat, 1/8)", out: main.gate-3}
  line: {notes: [D2, F2, ., A2], advance: hat, quantise: key, out: main.pitch-1}
"""
    )
    there = [e for e in played(score, 7, {3 * BAR: "flood"}) if e.tick >= 3 * BAR]
    shifted = [
        e._replace(tick=e.tick + 3 * BAR, grid=e.grid + 3 * BAR)
        for e in renderer(alone).advance(4 * BAR)
    ]
    assert len(there) > 80
    assert there == shifted


def test_lanes_that_a_section_does_not_write_go_on_where_they_are() -> None:
    lanes = (steps("a", "x..x.", settings={"chance": 0.7}), steps("b", "x.x"), steps("c", "x...x"))
    with_section = score_of(*lanes, sections=(Section("s", written={"b": steps("b", "x....")}),))
    without = score_of(*lanes, sections=(Section("s"),))
    for tick in (2 * BAR, 2 * BAR + 777):
        one, other = (played(score, 5, {tick: "s"}) for score in (with_section, without))
        for place in (0, 2):
            assert [e for e in one if e.lane == place] == [e for e in other if e.lane == place]
        assert one != other


def test_a_key_changes_what_quantise_leaves() -> None:
    """A minor: A B C D E F G. C major: the same notes. A harmonic minor has G sharp for G."""
    text = HEAD.replace("[A1, C2, E2]", "[A1, Bb2, F#3, G#3]")
    score = score_from(
        text + "  flood: {key: {root: D, scale: major}}\n  third: {key: {scale: harmonic-minor}}\n"
    )
    events = played(score, 4, {BAR: "flood", 2 * BAR: "third", 3 * BAR: "plain"})
    notes = [[value for _, value in values(score, events, "line", bar)] for bar in range(4)]
    # Halfway between two notes of the key is the lower one: Bb to A, F sharp to F, G sharp to G.
    assert notes[0] == [33, 45, 53, 55]
    assert notes[1] == [33, 45, 54, 55]  # D major has F sharp and A; G sharp lies between G and A
    assert notes[2] == [33, 45, 53, 56]
    assert notes[3] == notes[0]


def test_a_written_lane_begins_at_its_first_step_also_off_the_bar_line() -> None:
    """Counted from the bar line, and only from the recall on."""
    score = score_from(HEAD + '  flood: {lanes: {kick: {steps: "Xx..x"}}}\n')
    tick = BAR + 5 * STEP + 100
    events = played(score, 3, {tick: "flood"})
    kicks = [e for e in events if e.lane == 0 and e.kind == "hit"]
    after = [(e.grid // STEP, e.value) for e in kicks if e.grid >= tick]
    # The first step at the next sixteenth: 22, then the pattern of five from there.
    assert [at for at, _ in after[:6]] == [22, 23, 26, 27, 28, 31]
    assert after[0][1] > after[1][1]  # it begins with the accented one
    assert [e.grid // STEP for e in kicks if e.grid < tick] == [0, 4, 8, 12, 16, 20]


@pytest.mark.parametrize("other", ["x...x...", "..x.....", "......xx"])
def test_a_tie_ends_at_the_first_hit_of_the_other_pattern(other: str) -> None:
    tied, plain = steps("a", "x.......", tie=True), steps("a", other)
    score = score_of(tied, sections=(Section("s", written={"a": plain}), Section("home")))
    events = played(score, 4, {2 * BAR: "s", 3 * BAR: "home"})
    last = max(e.tick for e in events if e.tick < 2 * BAR)
    hit = next(e for e in events if e.tick == last)
    # The section must be known when the tie begins: recalled at the line, it is not, and the tie
    # lasts to the next hit of the old pattern; by the running order, it is.
    assert hit.length == 8 * STEP


def test_a_tie_before_a_section_of_the_order_ends_at_that_sections_first_hit() -> None:
    text = """set: t
lanes:
  a: {steps: "x...............", gate: tie, out: main.gate-1}
sections:
  one: {}
  two: {lanes: {a: {steps: "...x...x........"}}}
order: [{section: one, bars: 2}, {section: two, bars: 2}, {section: one, bars: 1}]
"""
    score = score_from(text)
    player = renderer(score)
    carry_out(player.performance, {"do": "order", "run": True}, 0)
    hits = [(e.tick // STEP, e.length // STEP) for e in player.advance(5 * BAR) if e.kind == "hit"]
    assert hits == [(0, 16), (16, 19), (35, 4), (39, 12), (51, 4), (55, 9), (64, 16)]


def test_a_gate_by_gates_falls_where_its_lane_becomes_something_else() -> None:
    text = """set: t
lanes:
  a: {steps: "x...............", gate: 15, out: main.gate-1}
  b: {logic: "a or not a", compare: gates, out: main.gate-2}
  c: {logic: "not a", compare: gates, out: main.gate-3}
sections:
  one: {}
  two: {lanes: {c: {steps: "..x............."}}}
order: [{section: one, bars: 1}, {section: two, bars: 1}, {section: one, bars: 1}]
"""
    score = score_from(text)
    player = renderer(score)
    carry_out(player.performance, {"do": "order", "run": True}, 0)
    events = [e for e in player.advance(3 * BAR) if e.kind == "hit" and e.lane == 2]
    # Not a: the last sixteenth of the bar, cut at the line; then the pattern; then again.
    assert [(e.tick // STEP, e.length) for e in events][:2] == [(15, STEP), (18, STEP // 2)]
    assert (47, STEP) in [(e.tick // STEP, e.length) for e in events]


def test_with_a_morph_numbers_glide_and_patterns_change_where_the_mutes_do() -> None:
    text = """set: t
lanes:
  a: {euclid: {hits: 2, steps: 16}, out: main.gate-1}
  b: {steps: "x...", out: main.gate-2}
  c: {notes: [C2], rate: 1/4, out: main.pitch-1}
sections:
  two: {play: [a, b, c], lanes: {a: {euclid: {hits: 10}}, b: {steps: "xxxx"}, c: {notes: [G2]}}}
"""
    score = score_from(text)
    events = played(score, 6, {BAR: "two"}, morph_bars=4, mutes_at=0.25)
    assert drawn(score, events, "b", 0, 4) == "x...x...x...x... x...x...x...x... " + " ".join(
        ["x" * 16] * 2
    )
    counts = [drawn(score, events, "a", bar).count("x") for bar in range(6)]
    assert (counts[0], counts[5]) == (2, 10)
    assert counts == sorted(counts)
    assert len(set(counts)) > 3
    assert values(score, events, "c", 2) == [(0, 43.0)]


def test_a_shape_begins_its_cycle_at_the_bar_line() -> None:
    shape = Lane("a", Shape("ramp"), advance=Fraction(BAR * 3), out="level")
    other = replace(shape, source=Shape("saw"), advance=Fraction(BAR))
    score = score_of(shape, outputs=OUTPUTS, sections=(Section("s", written={"a": other}),))
    events = played(score, 3, {BAR + BAR // 2: "s"})
    at = {e.tick: e.value for e in events}
    assert at[BAR + BAR // 2] == pytest.approx(2.5)  # half a bar into the falling cycle, of 5 V
    assert at[BAR] == pytest.approx(5 / 3)


# --- properties -------------------------------------------------------------------------------


@CAREFUL
@given(rewritten_sets(), st.integers(0, 2 * BAR), st.integers(1, 2 * BAR), st.data())
def test_windows_of_any_size_agree_across_sections(
    spec: SetSpec, first: int, gap: int, data: st.DataObject
) -> None:
    score = compile_score(spec, OUTPUTS)
    at = {first: "other", first + gap: "third"}
    cuts = data.draw(st.lists(st.integers(1, 4 * BAR), max_size=30))

    def play(ends: list[int]) -> list[Event]:
        player = renderer(score)
        events: list[Event] = []
        for end in ends:
            events += player.advance(end)
            if end in at:
                section = {"do": "section", "section": at[end], "when": "now"}
                carry_out(player.performance, section, end)
        return events

    assert play(sorted({*cuts, *at, 4 * BAR})) == play(sorted({*at, 4 * BAR}))


@CAREFUL
@given(rewritten_sets(), st.lists(st.integers(1, 6 * BAR), max_size=30))
def test_windows_of_any_size_agree_over_a_running_order(spec: SetSpec, cuts: list[int]) -> None:
    spec = replace(
        spec, order=(Entry("other", 2), Entry("third", 1), Entry("other", 1), Entry("third", 1))
    )
    score = compile_score(spec, OUTPUTS)

    def play(ends: list[int]) -> list[Event]:
        player = renderer(score)
        carry_out(player.performance, {"do": "order", "run": True}, 0)
        return in_windows(player, ends)

    assert play(sorted({*cuts, 6 * BAR})) == play([6 * BAR])


@CAREFUL
@given(rewritten_sets(), st.integers(1, 4 * BAR))
def test_a_set_taken_over_in_any_section_goes_on_the_same(spec: SetSpec, cut: int) -> None:
    """As at a live edit that changes nothing, with the state as surfaces have it."""
    score = compile_score(spec, OUTPUTS)
    at = {BAR // 2: "other", 2 * BAR: "third"}

    def play(swap: int | None) -> list[Event]:
        player = renderer(score)
        events: list[Event] = []
        for end in sorted({*at, 4 * BAR, *([] if swap is None else [swap])}):
            events += player.advance(end)
            if end == swap:
                performance = Performance(score)
                performance.restore(player.performance.state(), end)
                new = Renderer(pickle.loads(pickle.dumps(score)), performance)
                new.adopt(player)
                player = new
            if end in at:
                command = {"do": "section", "section": at[end], "when": "now"}
                carry_out(player.performance, command, end)
        return events

    whole, cut_in_two = play(None), play(cut)
    assert [e for e in cut_in_two if e.kind == "hit"] == [e for e in whole if e.kind == "hit"]
    extra = [e for e in cut_in_two if e not in whole]
    assert all(e.tick == cut for e in extra)  # outputs that glide are said once more


@CAREFUL
@given(rewritten_sets(), st.integers(0, 3 * BAR), st.integers(0, BAR))
def test_a_jump_in_a_section_plays_as_the_way_there(spec: SetSpec, start: int, length: int) -> None:
    score = compile_score(spec, OUTPUTS)

    def ready() -> Renderer:
        player = renderer(score)
        carry_out(player.performance, {"do": "section", "section": "third", "when": "now"}, 0)
        return player

    whole = ready().advance(start + length)
    jumped = ready()
    jumped.advance(start + length)
    jumped.seek(start)
    again = jumped.advance(start + length)
    assert [e for e in again if e.kind == "hit"] == [
        e for e in whole if e.kind == "hit" and e.tick >= start
    ]


# --- the state --------------------------------------------------------------------------------


def test_the_state_says_what_is_played_and_what_waits() -> None:
    score = score_from(HEAD + '  flood: {lanes: {kick: {steps: "x..x"}}}\n')
    performance = Performance(score)
    command = {"do": "section", "section": "flood", "when": "bar", "morph_bars": 2}
    carry_out(performance, command, 10)
    performance.settle(BAR)
    state = performance.state()
    assert state["section"] == "flood"
    assert state["form"] == {"section": None, "next": "flood", "tick": 2 * BAR}
    assert state["lanes"]["kick"]["kind"] == "euclid"
    again = Performance(score)
    again.restore(state, BAR)
    assert again.state() == state
    for one in (performance, again):
        one.settle(2 * BAR)
        assert one.state()["form"] == {"section": "flood", "next": None, "tick": None}
        assert one.state()["lanes"]["kick"]["kind"] == "steps"
        assert "hits" not in one.state()["lanes"]["kick"]["settings"]
    older = {name: value for name, value in performance.state().items() if name != "form"}
    again.restore(older, 2 * BAR)  # a state kept by a version that knew nothing of this
    assert again.state()["form"]["section"] == "flood"


def test_an_edit_in_the_section_that_plays_is_heard_at_once() -> None:
    before = score_from(HEAD + "  flood: {}\n")
    after = score_from(HEAD + '  flood: {lanes: {kick: {steps: "xx.............."}}}\n')
    old = renderer(before)
    carry_out(old.performance, {"do": "section", "section": "flood", "when": "now"}, 0)
    events = old.advance(BAR)
    performance = Performance(after)
    performance.restore(old.performance.state(), BAR)
    new = Renderer(after, performance)
    new.adopt(old)
    events += new.advance(2 * BAR)
    assert drawn(after, events, "kick", 0, 2) == "x...x...x...x... xx.............."


@pytest.mark.parametrize("bars", [2.5, 3])
def test_a_reset_that_is_written_while_playing_begins_at_the_next_of_its_bars(bars: float) -> None:
    """And not with all that would have been reset since the start."""
    tick = int(bars * BAR)
    tune = Lane(
        "t", Notes((Note(60), Note(62), Note(64), Note(65), Note(67))), advance=Fraction(960)
    )
    lanes = (steps("a", "x...."), tune, logic("c", "nth(a, 3)"))
    before = score_of(*lanes)
    after = score_of(*(replace(lane, reset=2) for lane in lanes))
    old = renderer(before)
    old.advance(tick)
    new = Renderer(after, old.performance)
    new.adopt(old)
    events = new.advance(7 * BAR)
    assert all(e.tick >= tick for e in events)
    hits = [e.grid // STEP for e in events if e.lane == 0]
    # Fives from the start, until bar 4 (and 6) puts the first step on its line.
    first = [s for s in range(0, 64, 5) if s * STEP >= tick]
    assert hits == first + list(range(64, 96, 5)) + list(range(96, 112, 5))


# --- what cannot be ---------------------------------------------------------------------------


def test_what_is_wrong_in_a_section_is_said_there() -> None:
    lanes = (steps("a", "x"), logic("b", "a"), Lane("v", Levels((0.5,)), out="level"))

    def wrong(**written: Lane) -> str:
        with pytest.raises(InputError) as error:
            compile_score(
                SetSpec("t", lanes=lanes, sections=(Section("s", written=written),)), OUTPUTS
            )
        return "; ".join(f"{p.path}: {p.message}" for p in error.value.problems)

    assert wrong(b=logic("b", "a and nobody")).startswith("sections.s.lanes.b.logic: ")
    assert "wait for each other" in wrong(a=logic("a", "b"))
    assert "cannot be a lane of hits" in wrong(v=steps("v", "x", out="level"))
    assert "levels in the other" in wrong(v=Lane("v", Notes((Note(60),)), out="level"))
    assert pattern(score_of(*lanes, outputs=OUTPUTS), 4, "b") == "xxxx"
