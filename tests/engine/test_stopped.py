"""While nothing plays no bar line comes: what a hand puts off to one is done at once."""

from __future__ import annotations

from typing import Any

import pytest
from support.desk import BAR, Desk, gate_lane, score_of
from support.states import pending_mute, pending_section

from bridge.music.model import Entry, Macro, Section
from bridge.protocol.state import PerformanceState


def desk() -> Desk:
    return Desk(
        score_of(
            gate_lane("kick", "x...", groups=("drums",)),
            gate_lane("rim", "x.x.", 2),
            macros=[Macro("m", 0.2, slew_ms=500)],
            sections=(
                Section("flood", ("rim",), {"m": 1.0}, {"rim": {"chance": 0.5}}, 90.0),
                Section("dry", ()),
            ),
            order=(Entry("dry", 1), Entry("flood", 2)),
        )
    )


def state(desk: Desk) -> PerformanceState:
    return desk.player.performance.state()


@pytest.mark.parametrize("when", ["now", "beat", "bar", 4])
def test_a_mute_is_done_at_once(when: Any) -> None:
    stopped = desk()
    stopped.do("mute", lane="kick", muted=True, when=when)
    assert state(stopped)["lanes"]["kick"]["muted"] is True
    assert state(stopped)["lanes"]["kick"]["pending"] is None
    stopped.do("group", group="drums", muted=False, when=when)
    assert state(stopped)["lanes"]["kick"]["muted"] is False


@pytest.mark.parametrize("when", ["beat", "bar", 4])
def test_a_section_is_done_at_once_and_nothing_glides(when: Any) -> None:
    stopped = desk()
    stopped.run(100)
    stopped.do("section", section="flood", when=when, morph_bars=8, mutes_at=0.5)
    now = state(stopped)
    assert (now["section"], now["section_pending"], now["morph"]) == ("flood", None, None)
    assert now["macros"]["m"] == {"value": 1.0, "drives": []}
    assert now["tempo"] == 90.0
    assert now["lanes"]["kick"]["muted"] is True
    assert now["lanes"]["rim"]["settings"]["chance"] == 0.5


def test_the_order_begins_at_once_and_its_entries_lie_on_bars() -> None:
    stopped = desk()
    stopped.start()
    stopped.run_to(2 * BAR + 700)
    stopped.do("stop")
    stopped.do("order", run=True)
    now = state(stopped)
    assert (now["section"], now["order"]["entry"]) == ("dry", 0)
    tick = now["order"]["tick"]
    assert tick is not None
    assert tick % BAR == 0


def test_a_drop_counts_its_bars_from_the_start() -> None:
    stopped = desk()
    stopped.do("mute", lane="rim", muted=True, when="bar", return_bars=2)
    assert state(stopped)["lanes"]["rim"]["muted"] is True
    stopped.start()
    stopped.run_to(4 * BAR)
    first = stopped.ons(2)[0]
    assert first == pytest.approx(4000, abs=1)  # two bars at 120 to the minute


def test_what_waited_when_it_stopped_still_waits_and_can_be_cancelled() -> None:
    stopped = desk()
    stopped.start()
    stopped.run_to(BAR + 100)
    stopped.do("mute", lane="kick", muted=True, when="bar")
    stopped.do("stop")
    assert pending_mute(state(stopped), "kick")["muted"] is True
    stopped.do("cancel", lane="kick")
    assert state(stopped)["lanes"]["kick"]["pending"] is None


def test_while_it_plays_a_mute_waits_for_its_bar() -> None:
    playing = desk()
    playing.start()
    playing.run_to(BAR + 100)
    playing.do("mute", lane="kick", muted=True, when="bar")
    assert state(playing)["lanes"]["kick"]["muted"] is False
    assert pending_mute(state(playing), "kick")["bar"] == 3


def test_only_the_section_that_waits_is_cancelled() -> None:
    playing = desk()
    playing.start()
    playing.run_to(BAR + 100)
    playing.do("section", section="flood")
    playing.do("cancel", section="dry")
    assert pending_section(state(playing))["section"] == "flood"
    playing.do("cancel", section="flood")
    assert state(playing)["section_pending"] is None
