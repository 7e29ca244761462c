"""The session: one owner of what is loaded, and one stream of what changed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.states import player_report

from bridge.control.history import Step
from bridge.control.session import Session
from bridge.control.stream import (
    DocumentChanged,
    Event,
    HistoryChanged,
    PresenceChanged,
    RigChanged,
    Stream,
)
from bridge.errors import PlayerError
from bridge.files.rig import parse_rig

RIG = parse_rig("rig: Quay rack\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")


class Link:
    """Only what a session reads of a link."""

    def __init__(self) -> None:
        self.present = True
        self.stream = Stream()
        self.state = player_report()


@pytest.fixture
def session() -> Session:
    return Session(Link())  # type: ignore[arg-type]


def test_listeners_hear_their_kind_in_the_order_in_which_they_came() -> None:
    stream, heard = Stream(), []

    def first(event: PresenceChanged) -> None:
        heard.append(("first", event.present))

    stream.on(PresenceChanged, first)
    stream.on(PresenceChanged, lambda event: heard.append(("second", event.present)))
    stream.tell(PresenceChanged(True))
    stream.tell(HistoryChanged())
    stream.off(PresenceChanged, first)
    stream.tell(PresenceChanged(False))
    assert heard == [("first", True), ("second", True), ("second", False)]


def test_who_listens_hears_of_a_rig_and_of_the_one_before(session: Session) -> None:
    heard: list[RigChanged] = []
    session.stream.on(RigChanged, heard.append)
    with pytest.raises(PlayerError):
        session.the_rig()
    assert session.outputs == frozenset()
    session.use_rig(RIG)
    other = replace(RIG, name="Slack rack")
    session.use_rig(other)
    assert [(event.before, event.rig) for event in heard] == [(None, RIG), (RIG, other)]
    assert session.the_rig() is other
    assert "main.gate-1" in session.outputs


def test_history_and_document_are_told_when_they_change(session: Session) -> None:
    heard: list[Event] = []
    session.stream.on(HistoryChanged, heard.append)
    session.stream.on(DocumentChanged, heard.append)
    session.history.add(Step("kick out", "page 1", 0.0, (), ()))
    session.show_document({"file": "low-tide.yaml", "saved": False})
    assert [type(event) for event in heard] == [HistoryChanged, DocumentChanged]
    assert session.document["saved"] is False


def test_a_set_is_asked_for_before_it_was_read(session: Session) -> None:
    session.use_rig(RIG)
    with pytest.raises(PlayerError, match="has not been read"):
        session.loaded()
    assert session.text() is None
