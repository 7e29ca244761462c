"""Whatever is accepted, in whatever order: the player plays on, every gate that opens closes, and
undo leads back to the identical text and the identical performance, a hundred steps and more."""

from __future__ import annotations

import asyncio
import pickle
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from support.desk import Desk
from support.states import process_about

from bridge.control.door import Control
from bridge.control.player_client import PlayerLink
from bridge.control.session import Session
from bridge.control.stream import Stream
from bridge.errors import CommandError, InputError, PlayerError
from bridge.files.rig import load_rig
from bridge.files.set import load_set
from bridge.music.score import compile_score
from bridge.player.messages import Swap
from bridge.player.report import Report
from bridge.protocol.command import Command
from bridge.protocol.editing import ClearLane, CopyLane, RandomiseLane
from bridge.protocol.performing import (
    Cancel,
    Freeze,
    MoveMacro,
    MoveSetting,
    Mute,
    MuteAll,
    MuteGroup,
    RecallSection,
    ResetLane,
    RunOrder,
    Solo,
)
from bridge.protocol.running import SetTempo
from bridge.protocol.state import PerformanceState, PlayerReport
from bridge.session.setbook import SetBook
from bridge.session.varying import Varying
from bridge.web.edit_http import EditRow, edited, label_of, new_names

RIG = """\
rig: Quay rack
interfaces:
  main: {profile: eight-gates-four-cv, port: simulated}
"""
SET = """\
set: Low tide
tempo: 126
key: {root: A, scale: minor}
lanes:
  kick:     {euclid: {hits: 4, steps: 16}, out: main.gate-1, groups: [drums]}
  rim:      {steps: "x..X..x.", out: main.gate-2, groups: [drums], gate: tie}
  spray:    {logic: "rim xor kick", out: main.gate-4}
  bassline: {notes: [A1, C2, E2, G1], advance: kick, out: main.pitch-1, drift: 0.3}
  swell:    {levels: [0, 0.25, 1, 0.5], advance: 1/8, out: main.level-1}
macros:
  push: {start: 0.2, slew_ms: 300, drives: [{lane: rim, setting: chance, depth: 0.4}]}
sections:
  shallow: {play: [kick, swell], macros: {push: 0.9}, lanes: {kick: {chance: 0.5}}}
  flood:   {play: all, tempo: 140}
order: [{section: shallow, bars: 1}, {section: flood, bars: 1, times: 2}]
"""
LANES = st.sampled_from(["kick", "rim", "spray", "bassline", "swell", "thump", "extra"])
MACROS = st.sampled_from(["push", "pull"])
SECTIONS = st.sampled_from(["shallow", "flood", "calm"])
FLAG, UNIT = st.booleans(), st.sampled_from([0.0, 0.25, 0.5, 1.0])
WHEN = st.sampled_from(["now", "beat", "bar", 2])
COMMANDS: st.SearchStrategy[Any] = st.one_of(
    st.builds(Mute, lane=LANES, muted=FLAG, when=WHEN, return_bars=st.none() | st.just(1)),
    st.builds(Cancel, lane=LANES),
    st.builds(Solo, lane=LANES, on=FLAG),
    st.builds(Freeze, lane=LANES, on=FLAG),
    st.builds(MuteGroup, group=st.just("drums"), muted=FLAG, when=WHEN),
    st.builds(MoveMacro, macro=MACROS, value=UNIT),
    st.builds(
        MoveSetting,
        lane=LANES,
        setting=st.sampled_from(["chance", "gate", "drift"]),
        value=UNIT | st.none(),
    ),
    st.builds(SetTempo, bpm=st.sampled_from([60.0, 126.0, 240.0])),
    st.builds(RecallSection, section=SECTIONS, when=WHEN, morph_bars=st.integers(0, 1)),
    st.builds(RunOrder, run=FLAG),
    st.builds(MuteAll),
    st.builds(ResetLane, lane=LANES),
    st.builds(
        RandomiseLane,
        lane=LANES,
        amount=UNIT,
        seed=st.integers(0, 9),
        what=st.sampled_from(["pattern", "settings"]),
    ),
    st.builds(ClearLane, lane=LANES),
    st.builds(CopyLane, lane=LANES, to=LANES),
)
MOMENT = st.sampled_from(["step", "beat", "bar"])
KEYS = st.sampled_from(
    [
        ("euclid", {"hits": 7, "steps": 16}),
        ("gate", "tie"),
        ("gate", 1.5),
        ("out", "main.gate-3"),
        ("out", None),
        ("muted", True),
        ("logic", "kick or rim"),
        ("notes", ["A2", "C3"]),
        ("advance", "rim"),
        ("rate", "1/8T"),
        ("chance", 0.5),
        ("steps", "xxxx"),
        ("repeats", 3),
    ]
)
ROWS = st.one_of(
    st.builds(lambda lane, key: EditRow(path=["lanes", lane, key[0]], value=key[1]), LANES, KEYS),
    st.builds(lambda lane, new: EditRow(path=["lanes", lane], rename=new), LANES, LANES),
    st.builds(lambda lane, force: EditRow(path=["lanes", lane], force=force), LANES, FLAG),
    st.builds(
        lambda name: EditRow(path=["lanes", name], value={"steps": "x.x.", "out": "main.gate-6"}),
        LANES,
    ),
    st.builds(lambda macro, new: EditRow(path=["macros", macro], rename=new), MACROS, MACROS),
    st.builds(lambda macro: EditRow(path=["macros", macro], force=True), MACROS),
    st.builds(lambda name, new: EditRow(path=["sections", name], rename=new), SECTIONS, SECTIONS),
    st.builds(lambda name: EditRow(path=["sections", name], force=True), SECTIONS),
)
# A failing example is long, and each try takes a second: it is shown as it was found.
QUICK: dict[str, Any] = {"phases": (Phase.explicit, Phase.reuse, Phase.generate)}
STEPS = st.one_of(COMMANDS, COMMANDS, st.tuples(st.lists(ROWS, min_size=1, max_size=2), MOMENT))


class DeskLink:
    """The service's end of the wire, with the player itself at the other end of the desk."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.report = Report(desk.player, process_about())
        self.present = True
        self.stream = Stream()

    @property
    def state(self) -> PlayerReport:
        return self.report.full(self.desk.now)

    def send(self, command: Command, client: str = "") -> asyncio.Future[None]:
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        future.add_done_callback(lambda f: f.cancelled() or f.exception())

        def done(error: CommandError | None) -> None:
            if error is None:
                future.set_result(None)
            else:
                future.set_exception(CommandError(str(error), error.kind))

        self.desk.player.command(command, self.desk.now, done, client)
        while not future.done():  # what is on its way out goes first
            self.desk.run(1)
        return future

    async def reach(self, revision: int, within_s: float) -> None:
        while self.desk.player.part.revision < revision:
            self.desk.run(10)

    async def swap(self, given: Swap) -> asyncio.Future[None]:
        swap: Swap = pickle.loads(pickle.dumps(given))
        self.desk.player.swap(swap.score, swap.revision, swap.when, swap.renamed, swap.parts)
        self.desk.player.step(self.desk.now)
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        future.set_result(None)
        return future


class Hall:
    """Player, control and set book, on a clock that stands unless it is told."""

    def __init__(self, folder: Path) -> None:
        (folder / "rig.yaml").write_text(RIG, encoding="utf-8")
        (folder / "set.yaml").write_text(SET, encoding="utf-8")
        rig = load_rig(folder / "rig.yaml")
        score = compile_score(load_set(folder / "set.yaml", rig).spec, rig.ranges)
        self.desk = Desk(score, rig=rig.wired)
        self.link = DeskLink(self.desk)
        self.now = 100.0
        self.control = Control(Session(cast(PlayerLink, self.link)), clock=lambda: self.now)
        self.book = SetBook(folder / "rig.yaml", folder / "set.yaml", self.control)
        Varying(self.book, self.control)

    def performance(self) -> PerformanceState:
        return self.desk.player.performance.state()

    def text(self) -> str:
        return self.control.session.loaded()[1].text

    def steps(self) -> int:
        return int(self.control.history.summary()["undo"])

    async def do(self, step: Any) -> bool:
        """Whether the step was accepted."""
        self.now += 2  # neither paced nor melted into one sweep
        try:
            if isinstance(step, tuple):
                rows, when = step
                text, _ = edited(self.text(), rows)
                await self.book.put(
                    text, when, "page 1", label=label_of(rows), renamed=new_names(rows)
                )
            elif isinstance(step, CopyLane | ClearLane | RandomiseLane):
                await self.control.vary(step, "page 1")
            else:
                await self.control.do(step, "page 1")
        except (CommandError, InputError):
            return False
        return True

    def gates(self) -> Iterator[tuple[str, int, bool]]:
        """Every opening and closing of a note, as it went out."""
        for name, port in self.desk.ports.items():
            for _, data in port.sent:
                if data[0] & 0xE0 == 0x80:
                    opens = data[0] & 0x10 and data[2] > 0
                    yield name, (data[0] & 0x0F) * 128 + data[1], bool(opens)


def run(test: Callable[[Hall], Any]) -> None:
    async def main(folder: Path) -> None:
        hall = Hall(folder)
        await hall.book.load()
        await test(hall)

    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(main(Path(folder)))


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck), **QUICK)
@given(st.lists(STEPS, min_size=120, max_size=140))
def test_undo_leads_back_to_the_identical_text_and_performance(steps: list[Any]) -> None:
    async def test(hall: Hall) -> None:
        stack = [(hall.text(), hall.performance())]
        fill = [SetTempo(bpm=90 + number / 10) for number in range(101)]
        for step in [*steps, *fill]:  # whatever was refused, there are more than a hundred
            await hall.do(step)
            if hall.steps() == len(stack):
                stack.append((hall.text(), hall.performance()))
            stack[-1] = (hall.text(), hall.performance())  # resets and the like make no step
        end = stack[-1]
        assert len(stack) > 100
        for text, performance in reversed(stack[:-1]):
            hall.now += 2
            label = await hall.control.undo("page 1")
            assert (label, hall.text()) == (label, text)
            assert (label, hall.performance()) == (label, performance)
        assert hall.text() == SET
        for _ in stack[1:]:
            hall.now += 2
            await hall.control.redo("page 1")
        assert (hall.text(), hall.performance()) == end

    run(test)


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck), **QUICK)
@given(st.lists(st.tuples(STEPS, st.integers(0, 700)), min_size=40, max_size=60))
def test_the_player_plays_on_and_every_gate_that_opens_closes(steps: list[tuple[Any, int]]) -> None:
    async def test(hall: Hall) -> None:
        desk = hall.desk
        desk.start()
        for number, (step, ms) in enumerate(steps):
            await hall.do(step)
            if number % 7 == 6 and hall.steps():
                hall.now += 2
                await hall.control.undo("page 1")
            desk.run(ms)
        while hall.steps():
            hall.now += 2
            await hall.control.undo("page 1")
        desk.run(3000)
        assert hall.text() == SET
        assert desk.player.song.playing
        assert not [text for text in desk.player.warnings if "failed" in text]
        desk.do("stop")
        desk.run(500)
        opened: set[tuple[str, int]] = set()
        for name, note, opens in hall.gates():
            assert not opens or (name, note) not in opened, "opened while open"
            (opened.add if opens else opened.discard)((name, note))
        assert opened == set()
        assert desk.player.outputs.port_of  # the same player to the end

    run(test)


def test_a_hundred_steps_of_all_kinds_are_kept() -> None:
    """The property above is not empty: most of what it draws is accepted."""

    async def test(hall: Hall) -> None:
        for number in range(60):
            assert await hall.do(Mute(lane="kick", muted=number % 2 == 0))
            row = EditRow(path=["lanes", "rim", "gate"], value=0.2 + number / 100)
            assert await hall.do(([row], "step"))
        assert hall.steps() == 120
        assert hall.control.session.state["lanes"]["rim"]["settings"]["gate"] == 0.79

    run(test)


def test_the_ways_the_hall_can_refuse() -> None:
    async def test(hall: Hall) -> None:
        assert not await hall.do(Mute(lane="nobody", muted=True))
        assert not await hall.do(([EditRow(path=["lanes", "kick"])], "bar"))
        assert not await hall.do(ClearLane(lane="spray"))
        hall.link.present = False
        try:
            await hall.do(MuteAll())
        except PlayerError:
            return
        raise AssertionError("an absent player accepts nothing")

    run(test)
