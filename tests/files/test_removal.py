"""Removing what others name: said with its place, or done with all that cannot be without it."""

from __future__ import annotations

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from support.refusals import problems_of

from bridge.files import edit, removal
from bridge.files.set import parse_set

TEXT = """\
set: Low tide
lanes:
  kick:   {euclid: {hits: 4, steps: 16}}
  rim:    {steps: "x..x", reset: kick}   # stays
  spray:  {logic: "(rim xor extend(kick, 1/8)) and not kick"}
  ghost:  {logic: "spray or rim"}
  tune:   {notes: [A1, C2], advance: kick, transpose_by: swell, feel: grid}
  swell:
    levels: [0, 1]
    drives:
      - {lane: kick, setting: chance, depth: 0.5}
      - {lane: rim, setting: chance, depth: 0.5}
  fall:   {decay: kick}
  catch:  {sample: {value: swell, at: kick}}
  turn:   {shape: sine, retrigger: kick, feel: grid}
macros:
  push: {drives: [{lane: kick, setting: hits, depth: 1}]}
sections:
  shallow: {play: [kick, rim], macros: {push: 0.5}}
  flood:   {lanes: {kick: {chance: 0.5}}}
order:
  - {section: flood, bars: 2}
  - {section: shallow, bars: 1}
"""
PLACES = [
    (kind, name) for kind in ("lanes", "macros", "sections") for name in yaml.safe_load(TEXT)[kind]
]


def test_everything_that_needs_a_lane_is_said_with_its_place() -> None:
    text = edit.apply(TEXT, [edit.Change(("lanes", "kick"))])
    problems = removal.still_named(text, [("lanes", "kick")])
    assert {problem.path for problem in problems} == {
        "lanes.rim.reset",
        "lanes.spray.logic",
        "lanes.tune.advance",
        "lanes.swell.drives.lane",
        "lanes.fall.decay",
        "lanes.catch.sample.at",
        "lanes.turn.retrigger",
        "macros.push.drives.lane",
        "sections.shallow.play",
        "sections.flood.lanes.kick",
    }
    lines = text.splitlines()
    for problem in problems:
        assert "kick" in lines[problem.line - 1][problem.column - 1 :]
    assert problems_of(lambda: removal.refuse(problems)) == tuple(problems)


def test_by_force_what_is_made_of_it_goes_and_the_rest_forgets_it() -> None:
    text, also = removal.without(TEXT, [("lanes", "kick")])
    assert sorted(also) == ["lanes.catch", "lanes.fall", "lanes.ghost", "lanes.spray"]
    assert "# stays" in text
    data = yaml.safe_load(text)
    assert data["lanes"] == {
        "rim": {"steps": "x..x"},
        "tune": {"notes": ["A1", "C2"], "transpose_by": "swell"},
        "swell": {"levels": [0, 1], "drives": [{"lane": "rim", "setting": "chance", "depth": 0.5}]},
        "turn": {"shape": "sine"},
    }
    assert data["macros"]["push"] == {"drives": []}
    assert data["sections"]["shallow"]["play"] == ["rim"]
    assert [entry["section"] for entry in data["order"]] == ["flood", "shallow"]


@pytest.mark.parametrize("place", PLACES, ids=".".join)
def test_what_is_left_can_always_be_played(place: removal.Place) -> None:
    text, _ = removal.without(TEXT, [place])
    assert removal.still_named(text, [place]) == []
    parse_set(text, "set.yaml", None)


@given(st.lists(st.sampled_from(PLACES), min_size=1, max_size=4, unique=True))
def test_several_at_once_leave_a_set_or_no_lane_at_all(places: list[removal.Place]) -> None:
    text, also = removal.without(TEXT, places)
    data = yaml.safe_load(text)
    for kind, name in places:
        assert name not in (data.get(kind) or {})
    if data.get("lanes"):
        parse_set(text, "set.yaml", None)
    assert not {".".join(place) for place in places} & set(also)


def test_a_function_called_like_a_lane_is_no_mention_of_it() -> None:
    text = """
lanes:
  hold: {steps: "x."}
  a: {logic: "extend(hold, 1/8) or first (hold, hold)"}
"""
    renamed = edit.apply(text, [edit.Change(("lanes", "hold"), rename="keep")])
    assert (
        yaml.safe_load(renamed)["lanes"]["a"]["logic"] == "extend(keep, 1/8) or first (keep, keep)"
    )


# --- sections that an entry of the order chooses among -------------------------------------------

CHOOSING = """set: s
lanes: {kick: {steps: "x..."}}
sections: {a: {}, b: {}, c: {}}
order:
  - {choose: {a: 3, b: 1, c: 1}, bars: open, times: 2}
  - {choose: {a: 3, b: 1}, bars: 4, times: 2}
"""


def test_a_section_is_found_where_it_is_chosen_and_renamed_there() -> None:
    (first, second) = removal.still_named(CHOOSING, [("sections", "b")])
    assert (first.path, second.path) == ("order.choose.b", "order.choose.b")
    text = edit.apply(CHOOSING, [edit.Change(("sections", "b"), rename="d")])
    choices = [entry["choose"] for entry in yaml.safe_load(text)["order"]]
    assert choices == [{"a": 3, "d": 1, "c": 1}, {"a": 3, "d": 1}]
    assert parse_set(text).spec.order[0].choose == (("a", 3.0), ("d", 1.0), ("c", 1.0))


def test_a_section_that_is_gone_is_no_longer_chosen() -> None:
    text, _ = removal.without(CHOOSING, [("sections", "b")])
    order = yaml.safe_load(text)["order"]
    assert order == [
        {"choose": {"a": 3, "c": 1}, "bars": "open", "times": 2},
        {"section": "a", "bars": 4, "times": 2},
    ]
    text, _ = removal.without(text, [("sections", "a")])
    assert yaml.safe_load(text)["order"] == [{"section": "c", "bars": "open"}]
    parse_set(text)
