"""A take played again: the same set, the same seed, the same moves at the same moments.

The player itself plays, on a clock that jumps, as in `bridge.player.offline`. What is known of the
take beforehand is the moment of each move, how far the song was rendered then, how many messages
had left, and when values that had waited for the wire got their turn; all else follows from these.
So the stream is the one that was recorded, to the byte and to the nanosecond of its deadlines,
unless the computer was so busy then that music was left out, or the song followed another clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from bridge.clock.source import INTERNAL
from bridge.errors import CommandError
from bridge.music.score import Score
from bridge.player.dispatch import Player
from bridge.player.messages import Place
from bridge.player.start import PortSpec
from bridge.ports.simulated import SimulatedOut
from bridge.protocol.running import Continue, Follow, SetPosition, Start, Stop, UseInternalClock
from bridge.protocol.table import decode
from bridge.voltage.calibration import Correction
from bridge.voltage.profile import WiredOutput
from bridge.voltage.rig_parts import ClockSettings, Timing

NEVER = 1 << 62
LAST_TURN = (NEVER, NEVER, 0)
MISSED_NS = 100_000_000


MOVES = ("move", "swap", "stop", "finish")


class Row(NamedTuple):
    """One message: the ns of its deadline, or of when it left at once; port; bytes."""

    due: int
    port: str
    data: bytes


class _Pace:
    """What may leave before the next move: what was due by `staged`, `after` messages in all.
    `turns` are the places (among all messages) and times at which waiting values went; of those
    that needed no message also after how many moves."""

    def __init__(self, player: Player, turns: Iterator[tuple[int, int, int]]) -> None:
        self.after = self.staged = NEVER
        self.moves = 0
        self.missed = False
        """A turn did not come: this is not the stream that was recorded, and there is no use in
        going on."""
        self._player = player
        self._turns = turns
        self._turn = next(turns, LAST_TURN)

    def may_stage(self, due: int) -> bool:
        # A turn comes only while nothing is ready, so nothing that was due later was.
        return due <= self.staged and due <= self._next_turn()

    def may_send_waiting(self, now: int) -> bool:
        turn = self._next_turn()
        if turn > now or not self._before_the_move():
            return False
        came = self._turn[0] == self._count
        if came:
            self._turn = next(self._turns, LAST_TURN)
        self.missed = self.missed or (not came and turn < now - MISSED_NS)
        return came

    def next_turn(self, now: int) -> int:
        """When the next turn comes, if that is later than now and before the next move."""
        turn = self._next_turn()
        return turn if self._before_the_move() and turn > now else NEVER

    def _before_the_move(self) -> bool:
        place, _, moves = self._turn
        return place < self.after or (place == self.after and 0 < moves <= self.moves)

    def _next_turn(self) -> int:
        while self._turn[0] < self._count:
            self._turn = next(self._turns, LAST_TURN)
        return self._turn[1]

    @property
    def _count(self) -> int:
        tape = self._player.tape
        return 0 if tape is None else tape.count


class Replay:
    """One take, to be played again once.

    Args:
        begin: the mark of its begin, `marks` those that follow.
        score: the set that it begins with; `score_of` makes the score of another set's text.
        turns: place among all messages and ns of each value that had waited for its turn.

    Raises:
        CommandError: it followed another clock.
    """

    def __init__(
        self,
        begin: Mapping[str, Any],
        marks: Sequence[Mapping[str, Any]],
        turns: Iterable[tuple[int, int]],
        score: Score,
        outputs: Mapping[str, WiredOutput],
        specs: Mapping[str, PortSpec],
        score_of: Callable[[str], Score],
        *,
        timing: Timing | None = None,
        send_to: tuple[str, ...] = (),
        corrections: Mapping[str, Correction] | None = None,
    ) -> None:
        if begin["source"] != INTERNAL:
            raise CommandError("this take followed another clock; only its own can be replayed")
        self.now = int(begin["ns"])
        self.rows: list[Row] = []
        self._marks: list[Mapping[str, Any]] = []
        known = [(place, ns, 0) for place, ns in turns]
        for mark in marks:
            if mark["is"] == "turn":  # nothing was sent, so only the moves tell its place
                known.append((int(mark["after"]), int(mark["ns"]), len(self._marks)))
            elif mark["is"] in MOVES and (self._marks or not _starts(mark)):
                self._marks.append(mark)
        known.sort(key=lambda turn: turn[1])
        self._score_of = score_of
        names = sorted({wired.port for wired in outputs.values()} | set(specs))
        self.player = player = Player(
            score,
            outputs,
            {name: SimulatedOut(name, lambda: self.now, keep=0) for name in names},
            self.now,
            lambda: self.now,
            specs=specs,
            timing=timing or Timing(),
            settings=ClockSettings(send_to=send_to),
            corrections=corrections,
            revision=int(begin["revision"]),
        )
        self._tape = player.record({})
        player.part.head_for(int(begin["rendered"]))
        player.performance.restore(begin["state"], int(begin["rendered"]))
        player.keep_tempo()
        player.song.strike(int(begin["at"]), float(begin["bpm"]))
        player.offset_ns = int(begin["offset_ns"])
        player.outputs.recall(begin["outputs"])
        self._pace = player.sender.pacing = _Pace(player, iter(known))
        self._place = int(begin["tick"])

    def run(self) -> None:
        """Plays to the end. Raises CommandError when something in the take cannot be done again."""
        self._start()
        for mark in self._marks:
            self._advance(int(mark["ns"]), mark)
            if self._pace.missed:
                break
            self._pace.moves += 1
            if mark["is"] == "swap":
                self._swap(mark)
            elif mark["is"] == "move":
                self._move(mark)
            elif mark["is"] == "stop":
                self.player.command(Stop(), self.now)
            else:
                self.player.finish()
        self._collect()

    def place_at(self, tick: int) -> tuple[Place, str | None]:
        """
        Where everything stood when the song came to a tick: before what hands did at that very
        tick, and after what happened there by itself. Nothing is sent.

        Args:
            tick: of the song, not before the begin of the take, and before its end and its first
                jump.

        Returns:
            The place, and the text of the set that played there; None: that it began with.

        Raises:
            CommandError: something on the way cannot be done again.
        """
        texts: dict[int, str] = {}
        self._start()
        for mark in self._marks:
            rendered = int(mark["rendered"])
            if rendered >= tick:
                break
            self._render(rendered)
            self.now = max(self.now, int(mark["ns"]))
            if mark["is"] == "swap":
                self._swap(mark)
                texts[int(mark["origin"]["revision"])] = str(mark["origin"]["text"])
            elif mark["is"] == "move":
                self._move(mark)
        self._render(tick)
        part = self.player.part
        if part.swap_due:
            for _ in part.change_score():
                continue
        part.performance.settle(tick)
        place = Place(tick, part.performance.state(), part.renderer.place)
        return place, texts.get(part.revision)

    def _render(self, until: int) -> None:
        player = self.player
        player.part.last = until
        while player.part.rendered < until:
            player.render(until)
            player.timeline.clear()
            player.outputs.sent.clear()

    def _start(self) -> None:
        if self._place:
            self.player.command(SetPosition(tick=self._place), self.now)
            self.player.command(Continue(), self.now)
        else:
            self.player.command(Start(), self.now)

    def _advance(self, until: int, mark: Mapping[str, Any]) -> None:
        """To the moment of a move: everything that had left before has left, and the song is
        rendered as far as it was then."""
        player, pace, rendered = self.player, self._pace, int(mark.get("rendered", 0))
        pace.staged, pace.after = mark.get("staged", NEVER), mark.get("after", NEVER)
        player.part.last = rendered or None
        while self.now < until and not pace.missed:
            due = player.step(self.now)
            self._collect()
            self.now = min(max(due, self.now), until, pace.next_turn(self.now))
        player.step(self.now)
        while player.part.rendered < rendered and player.song.playing:
            player.render(rendered)
        player.part.last = None

    def _move(self, mark: Mapping[str, object]) -> None:
        command = decode(mark["command"])
        if isinstance(command, Follow | UseInternalClock):
            raise CommandError("this take changed its clock; it can be replayed up to there")
        self.player.command(command, self.now, lambda error: None, str(mark["client"]))

    def _swap(self, mark: Mapping[str, Any]) -> None:
        origin = mark["origin"]
        score = self._score_of(str(origin["text"]))
        revision, when = int(origin["revision"]), str(mark["when"])
        self.player.swap(score, revision, when, mark["renamed"], mark["parts"])

    def _collect(self) -> None:
        while (batch := self._tape.batch(self.now, whole=True)) is not None:
            self.rows += [Row(due, port, data) for _, due, _, port, data, _ in batch["sent"]]
        self.player.outputs.sent.clear()


def _starts(mark: Mapping[str, object]) -> bool:
    """Whether this is the hand that began the take."""
    command = mark.get("command")
    return isinstance(command, Mapping) and command.get("do") in ("start", "continue")
