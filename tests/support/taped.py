"""The demo's set on a clock that tests move, recorded by the program's own tape and recorder.

What its ports got is kept beside that, by the ports alone: the independent receiver.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from support.patience import PATIENCE_S
from support.said import say

from bridge.files.rig import Rig, parse_rig
from bridge.files.set import parse_set
from bridge.files.take import Take, read
from bridge.files.take_folder import TakeFolder
from bridge.files.take_rig import texts_of
from bridge.music.score import compile_score
from bridge.player.dispatch import Player
from bridge.player.messages import Swap
from bridge.player.start import port_specs
from bridge.ports.simulated import SimulatedOut
from bridge.supervisor.recorder import Recorder
from bridge.supervisor.spending import Spending

DEMO = Path(__file__).parents[2] / "bridge" / "demo"
BEGIN = 5_000_000_000
MS = 1_000_000
WHEN = datetime(2026, 3, 7, 21, 4, tzinfo=UTC)


class Evening:
    """A player, its tape, and a recorder that writes into `state`.

    Args:
        state: the state folder.
        late_ms: the player is called up to so much later than it asked for, by `seed`.
        text: another set than the demo's.
        rig: another rig than the demo's.
        send_clock: whether the rig's interfaces get MIDI clock too.
    """

    def __init__(
        self,
        state: Path,
        *,
        late_ms: float = 0.0,
        seed: int = 1,
        text: str | None = None,
        rig: str | None = None,
        send_clock: bool = False,
        keep: int | None = None,
    ) -> None:
        self.now = BEGIN
        demo = (DEMO / "rig.yaml").read_text()
        if not send_clock:
            demo = demo.replace("send_to: [main]", "send_to: []")
        self.rig: Rig = parse_rig(rig or demo)
        self.text = text or (DEMO / "set.yaml").read_text()
        self.random = random.Random(seed)
        self.late_ms = late_ms
        self.score = compile_score(parse_set(self.text, rig=self.rig).spec, self.rig.ranges)
        specs = port_specs(self.rig.interfaces)
        self.ports = {name: SimulatedOut(name, lambda: self.now, keep=keep) for name in specs}
        self._specs = specs
        self.begin_again()
        for port in self.ports.values():
            port.sent.clear()  # what is sent before the song begins belongs to no take
        self.spending = Spending()
        self.recorder = Recorder(state, self._about, self.spending, lambda: WHEN)
        self.takes = TakeFolder(state)
        self.revision = 1
        self.waits_for_the_disk = True
        """Or what is in a file at some moment of this clock goes by how busy the machine is."""

    def _about(self) -> Mapping[str, Any]:
        return {
            "version": "0",
            "rig": self.rig.name,
            "set": self.score.spec.name,
            "meter": [4, 4],
            "files": texts_of(self.rig),
        }

    def begin_again(self) -> None:
        """Another player, as the supervisor starts one where the one before has died."""
        self.player = Player(
            self.score,
            self.rig.wired,
            self.ports,
            self.now,
            lambda: self.now,
            specs=self._specs,
            timing=self.rig.timing,
            settings=self.rig.clock,
        )
        origin = {"revision": 1, "text": self.text, "file": "/home/somebody/sets/low-tide.yaml"}
        self.tape = self.player.record(origin)

    # --- moving -----------------------------------------------------------------------------------

    def run(self, ms: float) -> None:
        until = self.now + round(ms * MS)
        while self.now < until:
            due = self.player.step(self.now)
            late = round(self.random.random() ** 8 * self.late_ms * MS) if self.late_ms else 0
            self.now = min(max(due, self.now + 1) + late, until)
            self.hand_on()
        self.player.step(self.now)
        self.hand_on()

    def do(self, do: str, client: str = "page ana", **fields: Any) -> None:
        self.player.command(say(do, **fields), self.now, lambda error: None, client)

    def swap(self, text: str, when: str = "bar") -> None:
        self.revision += 1
        score = compile_score(parse_set(text, rig=self.rig).spec, self.rig.ranges)
        self.player.swap(score, self.revision, when)
        swap = Swap(score, self.revision, when, text, "/home/somebody/sets/other.yaml")
        self.tape.swap(self.now, self.player.part.rendered, swap)

    def bars(self, count: float) -> None:
        """Lets bars of the song go by, whatever the tempo does meanwhile."""
        bar = self.score.spec.bar_ticks
        goal = self.player.song.tick_at(self.now) + count * bar
        while self.player.song.tick_at(self.now) < goal:
            left = goal - self.player.song.tick_at(self.now)
            self.run(max(0.1, min(500.0, left / 960 * 60_000 / self.player.song.bpm)))

    def hand_on(self, whole: bool = False) -> None:
        """What the processes do between themselves."""
        while (batch := self.tape.batch(self.now, whole)) is not None:
            self.recorder.hear(batch, self.now / 1e9)
        self.recorder.look(self.now / 1e9)
        if self.waits_for_the_disk:
            self.written()

    def stop(self) -> None:
        self.do("stop")
        self.run(500)
        self.hand_on(whole=True)

    def written(self) -> None:
        """Waits until the disk has everything."""
        turn = self.recorder._changed
        with turn:
            assert turn.wait_for(
                lambda: not self.recorder._jobs and not self.recorder._busy, PATIENCE_S
            )

    # --- seeing -----------------------------------------------------------------------------------

    def received(self) -> list[tuple[int, str, bytes]]:
        """What the ports got: ns, port, bytes; by time, and within that by port."""
        rows = [(ns, name, data) for name, port in self.ports.items() for ns, data in port.sent]
        return sorted(rows, key=lambda row: row[0])

    def take(self, text: str = "last") -> Take:
        self.written()
        return read(self.takes.find(text))


MOVES = ("mute", "macro", "section", "setting", "tempo", "order")


def dense_moves(evening: Evening, seconds: float, each_s: float, seed: int = 5) -> int:
    """Random moves, one every `each_s` on average; gives how many there were."""
    moves = random.Random(seed)
    spec = evening.score.spec
    lanes = [lane.name for lane in spec.lanes]
    macros = [macro.name for macro in spec.macros]
    sections = [section.name for section in spec.sections]
    until, count = evening.now + round(seconds * 1e9), 0
    while evening.now < until:
        evening.run(moves.expovariate(1 / each_s) * 1000)
        count += 1
        match moves.choice(MOVES):
            case "mute":
                when = moves.choice(["now", "beat", "bar"])
                evening.do("mute", lane=moves.choice(lanes), muted=moves.random() < 0.5, when=when)
            case "macro":
                evening.do("macro", macro=moves.choice(macros), value=round(moves.random(), 3))
            case "section":
                name, morph = moves.choice(sections), moves.choice([0, 0, 1])
                when = "bar" if morph else moves.choice(["now", "bar"])
                evening.do("section", section=name, when=when, morph_bars=morph)
            case "setting":
                evening.do("setting", lane="rim", setting="chance", value=moves.random())
            case "tempo":
                evening.do("tempo", bpm=moves.choice([96.0, 118.5, 126.0, 133.3]))
            case "order":
                evening.do("order", run=moves.random() < 0.5)
    return count
