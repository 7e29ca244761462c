"""Merge patches against RFC 7396, and the calmer state that pages follow."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.states import player_report

from bridge.control.session import Session
from bridge.control.stream import Stream
from bridge.control.view import Additions, View, merge_patch
from bridge.errors import PlayerError
from bridge.protocol.state import NOT_YET, LinksState

# JSON without null members: in a merge patch null removes (RFC 7396, section 1).
plain = st.recursive(
    st.booleans() | st.integers(-5, 5) | st.text("ab", max_size=2),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("abc", max_size=1), inner),
    max_leaves=12,
)
objects = st.dictionaries(st.text("abc", max_size=1), plain)


def apply(target: Any, patch: Any) -> Any:
    """MergePatch of RFC 7396, section 2, word for word."""
    if isinstance(patch, dict):
        target = dict(target) if isinstance(target, dict) else {}
        for name, value in patch.items():
            if value is None:
                target.pop(name, None)
            else:
                target[name] = apply(target.get(name), value)
        return target
    return patch


@given(objects, objects)
def test_the_patch_leads_from_old_to_new(old: dict[str, Any], new: dict[str, Any]) -> None:
    assert apply(old, merge_patch(old, new)) == new


@given(objects)
def test_equal_states_need_no_patch(state: dict[str, Any]) -> None:
    assert merge_patch(state, dict(state)) == {}


@pytest.mark.parametrize(
    ("old", "new", "patch"),
    [  # rows of RFC 7396, appendix A, read backwards: original and result give the patch
        ({"a": "b"}, {"a": "c"}, {"a": "c"}),
        ({"a": "b"}, {"a": "b", "b": "c"}, {"b": "c"}),
        ({"a": "b"}, {}, {"a": None}),
        ({"a": "b", "b": "c"}, {"b": "c"}, {"a": None}),
        ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
        ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
        ({"a": {"b": "c"}}, {"a": {"b": "d"}}, {"a": {"b": "d"}}),
        ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
    ],
)
def test_rows_of_the_standard(old: Any, new: Any, patch: Any) -> None:
    assert merge_patch(old, new) == patch


def test_a_member_that_becomes_null_is_removed() -> None:
    waits = {"muted": True, "tick": 3840}
    assert merge_patch({"pending": waits}, {"pending": None}) == {"pending": None}
    assert merge_patch({"pending": None}, {"pending": waits}) == {"pending": waits}


class Link:
    """Only what a session reads of a link."""

    def __init__(self, **state: Any) -> None:
        self.present = True
        self.stream = Stream()
        self.state = player_report(**state)
        self.state["transport"]["state"] = "running"


def view(link: Link) -> View:
    links: LinksState = {
        "pages": 0,
        "dropped": 0,
        "subscribers": 0,
        "osc": {},
        "forbidden": 0,
        "too_many": 0,
        "lost": 0,
        "echoing": [],
        "turned_away": {},
    }
    additions = Additions(
        links=lambda: links,
        controllers=dict,
        learning=lambda: None,
        tuning=lambda: None,
        soundcheck=lambda: None,
        align=lambda: None,
    )
    return View(Session(link), additions)  # type: ignore[arg-type]


def test_position_changes_for_pages_at_each_beat_only() -> None:
    """120 to the minute: a beat lasts 500 ms, a bar 2 s."""
    looked = view(Link())
    seen = [looked.calm(ms / 1000)["transport"] for ms in range(0, 2500, 10)]
    places = [(t["bar"], t["beat"]) for t in seen]
    assert sorted(set(places)) == [(1, 1), (1, 2), (1, 3), (1, 4), (2, 1)]
    assert len({t["at_ms"] for t in seen}) == 5


def test_figures_that_nobody_plays_by_reach_pages_twice_a_second() -> None:
    link = Link()
    looked = view(link)
    counts = []
    for ms in range(0, 2000, 10):
        link.state = {**link.state, "lateness": {**link.state["lateness"], "count": ms}}
        counts.append(looked.calm(ms / 1000)["lateness"]["count"])
    assert len(set(counts)) == 4


def test_a_clock_that_is_lost_is_seen_at_once() -> None:
    link = Link()
    looked = view(link)
    looked.calm(0.0)
    link.state = {**link.state, "clock": {**link.state["clock"], "state": "lost"}}
    assert looked.calm(0.01)["clock"]["state"] == "lost"


def test_before_the_player_has_spoken_there_is_no_state() -> None:
    link = Link()
    link.state = NOT_YET
    with pytest.raises(PlayerError):
        view(link).full()


def test_the_player_away_is_said() -> None:
    link = Link()
    link.present = False
    assert view(link).full()["player"]["present"] is False


def test_there_is_one_tempo_wherever_the_state_says_it() -> None:
    """The player's parts come at different moments: the tempo of a section, of the clock, and of
    the transport, which is the one that is heard."""
    link = Link(tempo=126.0)
    looked = view(link)
    looked.calm(0.0)
    link.state = {
        **link.state,
        "transport": {**link.state["transport"], "tempo": 97.5},
        "clock": {**link.state["clock"], "source": "host", "tempo": 97.44},
    }
    for state in (looked.full(), looked.calm(0.01)):
        assert [state[key]["tempo"] for key in ("transport", "clock")] == [97.5, 97.5]
        assert state["tempo"] == 97.5
