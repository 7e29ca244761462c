"""The one control door: checks, pacing, ownership, holds, undo; over a link of the test's own."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from support.patience import PATIENCE_S
from support.said import carry_out, plain
from support.states import player_report

from bridge.control.door import Control
from bridge.control.session import Session
from bridge.control.stream import OwnershipEnded, PresenceChanged, Stream
from bridge.errors import CommandError, PlayerError, did_you_mean
from bridge.music.model import Euclid, Lane, Macro, OutputRange, Section, SetSpec
from bridge.music.performance import Performance
from bridge.music.score import compile_score
from bridge.protocol.command import Command
from bridge.protocol.gestures import Fill
from bridge.protocol.performing import (
    Hold,
    MoveMacro,
    MoveSetting,
    Mute,
    MuteAll,
    MuteGroup,
    RecallSection,
)
from bridge.protocol.running import SetTempo
from bridge.protocol.state import PlayerReport

SPEC = SetSpec(
    name="Low tide",
    lanes=(
        Lane("kick", Euclid(), out="main.gate-1", groups=("drums",)),
        Lane("rim", Euclid(), out="main.gate-2", groups=("drums",)),
    ),
    macros=(Macro("brightness", 0.3),),
    sections=(Section("flood", play=("rim",), macros={"brightness": 0.8}),),
)
OUTPUTS = {f"main.gate-{n}": OutputRange(f"main.gate-{n}", "gate") for n in (1, 2)}


class StubLink:
    """A player in the same process: applies at once, answers when `answering`."""

    def __init__(self) -> None:
        self.present = True
        self.answering = True
        self.sent: list[dict[str, Any]] = []
        self.open: list[asyncio.Future[None]] = []
        self.stream = Stream()
        self.performance = Performance(compile_score(SPEC, OUTPUTS))
        self.performance.running = False
        self.extra: dict[str, Any] = {}
        self.at = 0
        self.refuses: set[str] = set()

    @property
    def state(self) -> PlayerReport:
        return player_report(self.performance.state(), **self.extra)

    def send(self, sent: Command, client: str = "") -> asyncio.Future[None]:
        command = plain(sent, client)
        if not self.present:
            raise PlayerError("away")
        self.sent.append(command)
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        future.add_done_callback(lambda f: f.cancelled() or f.exception())
        if not self.answering:
            self.open.append(future)
            return future
        try:
            if command["do"] in self.refuses:
                raise CommandError("not now", "state")
            if command["do"] in (
                "mute",
                "cancel",
                "macro",
                "setting",
                "section",
                "group",
                "solo",
                "tempo",
                "hold",
                "fill",
                "drop",
                "pace",
                "mute-all",
                "freeze",
                "put-back",
            ):
                carry_out(self.performance, command, self.at)
        except CommandError as error:
            future.set_exception(error)
        else:
            future.set_result(None)
        return future


class Bench:
    def __init__(self) -> None:
        self.now = 100.0
        self.link = StubLink()
        self.control = Control(Session(self.link), clock=lambda: self.now)  # type: ignore[arg-type]

    async def do(self, command: Command, client: str = "page 1", after: float = 1.0) -> None:
        self.now += after
        await self.control.do(command, client)


def macro(value: float) -> MoveMacro:
    return MoveMacro(macro="brightness", value=value)


@pytest.mark.parametrize(
    ("name", "known", "says"),
    [
        ("kik", ["kick", "rim"], "did you mean kick"),
        ("KICK", ["kick"], "did you mean kick"),
        ("bell", ["kick"], ""),
        ("", ["kick"], ""),
    ],
)
def test_near_names_are_offered(name: str, known: list[str], says: str) -> None:
    assert says in did_you_mean(name, known)
    assert bool(says) == bool(did_you_mean(name, known))


async def test_a_refused_command_is_never_sent() -> None:
    bench = Bench()
    bad: list[tuple[Command, str]] = [
        (Mute(lane="kik", muted=True), "unknown"),
        (MoveMacro(macro="x", value=0), "unknown"),
        (RecallSection(section="x"), "unknown"),
        (MuteGroup(group="x", muted=True), "unknown"),
        (MoveSetting(lane="kick", setting="hz", value=1), "unknown"),
        (MoveSetting(lane="kick", setting="chance", value=2), "value"),
        (MoveSetting(lane="kick", setting="hits", value=2.5), "value"),
    ]
    for command, kind in bad:
        with pytest.raises(CommandError) as refused:
            await bench.do(command)
        assert refused.value.kind == kind
    assert bench.link.sent == []
    assert bench.control.history.summary()["undo"] == 0


async def test_a_player_that_is_away_is_said_at_once() -> None:
    bench = Bench()
    bench.link.present = False
    with pytest.raises(PlayerError):
        await bench.do(macro(0.5))


async def test_what_the_player_refuses_leaves_no_step() -> None:
    bench = Bench()
    bench.link.extra = {"sections": ["flood", "gone"]}
    with pytest.raises(CommandError):
        await bench.do(RecallSection(section="gone"))
    assert bench.control.history.summary()["undo"] == 0


async def test_quick_moves_are_thinned_and_every_mover_is_answered() -> None:
    bench = Bench()
    futures = [bench.control.submit(macro(n / 10), "page 1") for n in range(11)]
    await asyncio.wait_for(asyncio.gather(*futures), PATIENCE_S)
    assert [s["value"] for s in bench.link.sent] == [0.0, 0.1, 1.0]


async def test_moves_of_different_controls_do_not_wait_for_each_other() -> None:
    bench = Bench()
    bench.control.submit(macro(0.5), "page 1")
    bench.control.submit(Mute(lane="kick", muted=True), "page 1")
    bench.control.submit(Mute(lane="rim", muted=True), "page 1")
    assert len(bench.link.sent) == 3


async def test_a_parked_move_for_a_set_that_has_gone_is_refused() -> None:
    bench = Bench()
    bench.control.submit(macro(0.4), "page 1")
    bench.control.submit(macro(0.5), "page 1")
    parked = bench.control.submit(macro(0.6), "page 1")
    bench.link.extra = {"macros": {}}
    with pytest.raises(CommandError):
        await asyncio.wait_for(parked, PATIENCE_S)
    assert len(bench.link.sent) == 2


async def test_another_hand_is_refused_until_300_ms_after_the_last_move() -> None:
    bench = Bench()
    await bench.do(macro(0.5), "page 1")
    with pytest.raises(CommandError, match="another hand") as refused:
        await bench.do(macro(0.1), "page 2", after=0.29)
    assert refused.value.kind == "state"
    await bench.do(macro(0.1), "page 2", after=0.02)
    assert bench.control.owner("brightness") == "page 2"
    bench.control.gone("page 2")
    assert bench.control.owner("brightness") is None


async def test_the_end_of_an_ownership_is_told() -> None:
    bench = Bench()
    told: list[float] = []
    bench.link.stream.on(OwnershipEnded, lambda _: told.append(bench.now))
    await bench.do(macro(0.5))
    bench.control.look()
    assert told == []
    bench.now += 0.31
    bench.control.look()
    bench.control.look()
    assert len(told) == 1


async def test_holds_are_sent_once_and_released_once() -> None:
    bench = Bench()
    press = Hold(lane="kick", muted=True, active=True)
    for _ in range(5):
        await bench.do(press, after=0.3)
    assert bench.link.state["lanes"]["kick"]["held"] is True
    bench.now += 0.49
    bench.control.look()
    assert len(bench.link.sent) == 1
    bench.now += 0.02
    bench.control.look()
    bench.control.look()
    assert bench.link.sent[1:] == [
        {"do": "hold", "lane": "kick", "muted": True, "active": False, "client": "page 1"}
    ]
    assert bench.link.state["lanes"]["kick"]["held"] is False
    await bench.do(Hold(lane="kick", muted=True, active=False))  # a late release: nothing
    assert len(bench.link.sent) == 2


async def test_a_fill_is_held_apart_from_a_mute_and_ends_by_itself() -> None:
    bench = Bench()
    await bench.do(Fill(lane="kick", active=True))
    await bench.do(Fill(active=True), after=0.1)
    await bench.do(Hold(lane="kick", active=True), after=0.1)
    assert [sent["do"] for sent in bench.link.sent] == ["fill", "fill", "hold"]
    await bench.do(Fill(lane="kick", active=False), after=0.1)
    assert bench.link.state["lanes"]["kick"]["filling"] is True  # all lanes are still held
    assert bench.link.state["lanes"]["kick"]["held"] is True
    bench.now += 0.51
    bench.control.look()
    assert bench.link.state["lanes"]["kick"]["filling"] is False
    assert bench.link.state["lanes"]["kick"]["held"] is False
    with pytest.raises(CommandError, match="no group 'drms'"):
        await bench.do(Fill(group="drms", active=True))


async def test_two_hands_hold_a_lane_until_both_have_let_go() -> None:
    bench = Bench()
    press = Hold(lane="kick", muted=True, active=True)
    release = Hold(lane="kick", muted=True, active=False)
    await bench.do(press, "page 1")
    await bench.do(press, "page 2", after=0.1)
    await bench.do(release, "page 1", after=0.1)
    assert bench.link.state["lanes"]["kick"]["held"] is True
    bench.control.gone("page 2")
    assert bench.link.state["lanes"]["kick"]["held"] is False


async def test_a_release_is_never_lost_to_pacing() -> None:
    bench = Bench()
    bench.control.submit(Hold(lane="kick", muted=True, active=True), "page 1")
    await asyncio.wait_for(
        bench.control.submit(Hold(lane="kick", muted=True, active=False), "page 1"), 5
    )
    assert bench.link.state["lanes"]["kick"]["held"] is False


async def test_holds_of_a_service_before_this_one_are_released() -> None:
    bench = Bench()
    for client in ("page 7", "http 127.0.0.1", "osc 127.0.0.1", "someone else"):
        carry_out(
            bench.link.performance,
            {"do": "hold", "lane": "kick", "muted": True, "active": True, "client": client},
            0,
        )
    bench.link.stream.tell(PresenceChanged(True))
    released = {s["client"] for s in bench.link.sent if s["do"] == "release"}
    assert released == {"page 7", "http 127.0.0.1", "osc 127.0.0.1"}


# --- undo and redo --------------------------------------------------------------------------------


async def test_a_hundred_steps_go_back_and_forth() -> None:
    bench = Bench()
    begin = bench.link.performance.state()
    for number in range(120):
        await bench.do(macro((number % 10 + 1) / 16), after=2.0)
    end = bench.link.performance.state()
    for _ in range(120):
        await bench.control.undo("page 1")
    assert bench.link.performance.state() == begin
    for _ in range(120):
        await bench.control.redo("page 1")
    assert bench.link.performance.state() == end
    with pytest.raises(CommandError, match="nothing to redo"):
        await bench.control.redo("page 1")


async def test_a_sweep_is_taken_back_at_once() -> None:
    bench = Bench()
    for number in range(20):
        await bench.do(macro(number / 20), after=0.05)
    assert await bench.control.undo("page 1") == "brightness 0.95"
    assert bench.link.state["macros"]["brightness"]["value"] == 0.3


async def test_a_section_is_taken_back_whole() -> None:
    bench = Bench()
    await bench.do(Mute(lane="rim", muted=True))
    before = bench.link.performance.state()
    await bench.do(RecallSection(section="flood", when="now"))
    assert bench.link.state["lanes"]["rim"]["muted"] is False
    await bench.control.undo("page 1")
    after = bench.link.performance.state()
    assert after["lanes"] == before["lanes"]
    assert after["macros"] == before["macros"]


async def test_a_section_that_is_still_to_come_is_taken_back() -> None:
    bench = Bench()
    bench.link.performance.running = True  # or it would come at once
    bench.link.performance.settle(100)
    carry_out(bench.link.performance, {"do": "section", "section": "flood", "when": "bar"}, 100)
    carry_out(bench.link.performance, {"do": "cancel", "section": "flood"}, 100)
    await bench.do(Mute(lane="kick", muted=True))
    assert bench.link.state["section_pending"] is None
    bench.link.at = 100
    await bench.do(RecallSection(section="flood"))
    assert bench.link.state["section_pending"] is not None
    await bench.control.undo("page 1")
    assert bench.link.state["section_pending"] is None
    assert bench.link.state["section"] is None


async def test_a_step_that_can_never_be_taken_back_does_not_bar_the_way() -> None:
    """The tempo of a clock that is followed now is not ours to set."""
    bench = Bench()
    await bench.do(macro(0.5))
    await bench.do(SetTempo(bpm=90))
    bench.link.refuses = {"tempo"}
    with pytest.raises(CommandError):
        await bench.control.undo("page 1")
    assert await bench.control.undo("page 1") == "brightness 0.50"


async def test_whatever_goes_wrong_in_an_undo_the_step_is_not_lost() -> None:
    bench = Bench()
    await bench.do(macro(0.5))
    bench.link.present = False
    with pytest.raises(PlayerError):
        await bench.control.undo("page 1")
    assert bench.control.history.summary()["undo"] == 1


async def test_an_undo_right_behind_a_command_takes_that_command_back() -> None:
    bench = Bench()
    bench.link.answering = False
    bench.control.submit(Mute(lane="kick", muted=True), "page 1")
    undo = asyncio.create_task(bench.control.undo("page 1"))
    await asyncio.sleep(0)
    bench.link.answering = True
    carry_out(bench.link.performance, {"do": "mute", "lane": "kick", "muted": True}, 0)
    bench.link.open[0].set_result(None)
    assert await asyncio.wait_for(undo, PATIENCE_S) == "kick muted"
    assert bench.link.state["lanes"]["kick"]["muted"] is False


async def test_an_undo_waits_for_the_hand_that_is_on_the_macro() -> None:
    bench = Bench()
    await bench.do(macro(0.5), "page 1")
    await bench.do(macro(0.9), "page 2")
    with pytest.raises(CommandError, match="another hand"):
        await bench.control.undo("page 1")
    assert bench.control.history.summary()["undo"] == 2  # nothing is lost
    bench.now += 1
    await bench.control.undo("page 1")
    assert bench.link.state["macros"]["brightness"]["value"] == 0.5


async def test_all_out_can_be_taken_back() -> None:
    bench = Bench()
    await bench.do(Mute(lane="rim", muted=True))
    await bench.do(MuteAll())
    await bench.control.undo("page 1")
    lanes = bench.link.state["lanes"]
    assert (lanes["kick"]["muted"], lanes["rim"]["muted"]) == (False, True)
