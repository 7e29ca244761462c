"""A take played again: the same set, the same seed, the same moves at the same moments.

The player itself plays, on a clock that jumps, as in `bridge.player.offline`. What is known of the
take beforehand is the moment of each move, how far the song was rendered then, how many messages
had left, and when values that had waited for the wire got their turn; all else follows from these.
So the stream is the one that was recorded, to the byte and to the nanosecond of its deadlines,
unless the computer was so busy then that music was left out, or the song followed another clock.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from bridge.clock.source import INTERNAL
from bridge.errors import BridgeError, CommandError
from bridge.music.performance import Performance
from bridge.music.place import stand
from bridge.music.render import Renderer
from bridge.music.score import Score
from bridge.player.dispatch import Player
from bridge.player.messages import Place
from bridge.player.start import PortSpec
from bridge.player.tape import only_places
from bridge.ports.simulated import SimulatedOut
from bridge.protocol.running import (
    Continue,
    Follow,
    SetPosition,
    SetTempo,
    Start,
    Stop,
    Tap,
    UseInternalClock,
)
from bridge.protocol.table import decode
from bridge.voltage.calibration import Correction
from bridge.voltage.profile import WiredOutput
from bridge.voltage.rig_parts import ClockSettings, Timing

NEVER = 1 << 62
LAST_TURN = (NEVER, NEVER, 0)
MISSED_NS = 100_000_000


MOVES = ("move", "swap", "stop", "finish")
TRIAL_BARS = 2
"""A place is gone to when so many bars can be played from there."""
CHANGES = ("move", "swap", "tempo")
"""What changes how things stand."""


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


Mark = Mapping[str, Any]


class _Again(Player):
    """A player whose renderer is put where it stood, at the begin and after each jump. `stood` are
    the marks that say so, in order; None: nobody knows, and the way there is played."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.stood: deque[Mark | None] = deque()

    def _seek(self, tick: int) -> None:
        mark = self.stood.popleft() if self.stood else None
        if mark is None or mark["rendered"] != tick:
            super()._seek(tick)
            return
        if self.part.swap_waits:
            self._change_score(tick)
        try:
            self.put(place_of(self.part.score, mark))
        except ValueError:
            super()._seek(tick)

    def join(self, place: Place) -> None:
        """What had fallen in at a far place gives way to what stands there exactly."""
        renderer = self.part.renderer
        for item in self.part.change_place(lambda: renderer.stand(place.renderer)):
            self.timeline.add(item)

    def put(self, place: Place) -> None:
        """Stand there, at play."""
        part = self.part
        part.load(part.score, part.revision, place.state, place.tick, place.renderer)
        part.performance.running = True


def place_of(score: Score, mark: Mark) -> Place:
    """The place that a mark of a take tells of. Raises ValueError when it is none, or of a set that
    is not `score`."""
    tick, state = mark["rendered"], mark["state"]
    if type(tick) is not int or mark.get("place") is None:
        raise ValueError("nothing is known of it")
    performance = Performance(score)
    try:
        performance.restore(state, tick)
    except CommandError as error:
        raise ValueError(str(error)) from None
    renderer = Renderer(score, performance)
    stand(renderer, mark["place"])
    if renderer.position != tick:
        raise ValueError("it is that of another tick")
    return Place(tick, state, renderer.place)


class Replay:
    """One take, to be played again once.

    Args:
        begin: the mark of its begin, `marks` those that follow.
        score: the set that it begins with; `score_of` makes the score of another set's text.
        turns: place among all messages and ns of each value that had waited for its turn.

    """

    def __init__(
        self,
        begin: Mark,
        marks: Sequence[Mark],
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
        self.now = int(begin["ns"])
        self.rows: list[Row] = []
        self._begin, self._all = begin, marks
        self._marks: list[Mark] = []
        known = [(place, ns, 0) for place, ns in turns]
        for mark in marks:
            if mark["is"] == "turn":  # nothing was sent, so only the moves tell its place
                known.append((int(mark["after"]), int(mark["ns"]), len(self._marks)))
            elif "joins" in mark or (mark["is"] in MOVES and (self._marks or not _starts(mark))):
                self._marks.append(mark)
        known.sort(key=lambda turn: turn[1])
        self._score_of = score_of
        names = sorted({wired.port for wired in outputs.values()} | set(specs))
        self.player = player = _Again(
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
        player.keep_up(int(begin["rendered"]))
        player.song.strike(int(begin["at"]), float(begin["bpm"]))
        player.offset_ns = int(begin["offset_ns"])
        player.outputs.recall(begin["outputs"])
        self._pace = player.sender.pacing = _Pace(player, iter(known))
        self._place = int(begin["tick"])
        player.stood.extend(stood_marks(marks))

    def run(self, until: int | None = None) -> None:
        """Plays to the end; `until`: of a take that was not ended, to that time.

        Raises:
            CommandError: something in the take cannot be done again.
        """
        if self._begin["source"] != INTERNAL:
            raise CommandError("this take followed another clock; only its own can be replayed")
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
            elif mark["is"] == "stands":
                self.player.join(place_of(self.player.part.score, mark))
            else:
                self.player.finish()
        if until is not None and self.player.song.playing and not self._pace.missed:
            self._advance(until, {})
        self._collect()

    def place_at(
        self, tick: int, first: int = 0, last: int | None = None
    ) -> tuple[Place, str | None, bool]:
        """
        Where everything stood when the song came to a tick: before what hands did at that very
        tick, and after what happened there by itself. Nothing is sent.

        Args:
            tick: of the song, within one stretch of the take: from its begin or a jump to the next.
            first: where the marks of that stretch begin, after that of the jump itself.
            last: where they end.

        Returns:
            The place, the text of the set that played there (None: that it began with), and
            whether patterns stood there exactly so. If not, only what was set is known, and what
            counts or walks may stand elsewhere.

        Raises:
            CommandError: something on the way cannot be done again, or nobody knows how things
                stood after the jump.
        """
        marks = self._all[first:last]
        swaps = [mark["origin"] for mark in self._all if mark["is"] == "swap"]
        texts = {int(origin["revision"]): str(origin["text"]) for origin in swaps}
        at, exact = self._nearest(marks, tick, texts), True
        if at is None:
            if first:
                raise CommandError("how things stood after this jump was not recorded")
            self._start()
            at, exact = -1, self._place == 0 and "continues" not in self._begin
        for mark in self._all[: first + at + 1]:
            if mark["is"] == "move" and mark["command"].get("do") == Tap.ROW.do:
                self.player.song.tap(int(mark["ns"]))  # the next one goes by those before it
        for mark in marks[at + 1 :]:
            if mark["is"] in CHANGES:
                if int(mark["rendered"]) >= tick:
                    break
                self._again(mark)
        self._render(tick)
        part = self.player.part
        if part.swap_due:
            for _ in part.change_score():
                continue
        part.performance.settle(tick)
        place = Place(tick, part.performance.state(), part.renderer.place)
        self._render(tick + TRIAL_BARS * part.score.spec.bar_ticks)  # a stranger's take may be odd
        told = self._begin["source"] == INTERNAL or self._begin.get("marks", 1) >= 2
        return place, texts.get(part.revision), exact and told

    def _nearest(self, marks: Sequence[Mark], tick: int, texts: Mapping[int, str]) -> int | None:
        """Puts the player at the last place before `tick` that is known and can be read; gives
        where its mark is."""
        changes = (at for at, m in enumerate(marks) if m["is"] in CHANGES and not _starts(m))
        first = next(changes, len(marks))
        for at in range(len(marks) - 1, -1, -1):
            mark = marks[at]
            if mark["is"] != "stands" or mark["rendered"] > tick - (at > first):
                continue
            revision, part = int(mark["revision"]), self.player.part
            try:
                score = self._score_of(texts[revision]) if revision in texts else part.score
                where = place_of(score, mark)
            except (BridgeError, ValueError, KeyError, TypeError):
                continue
            self._start()
            part.load(score, revision, where.state, where.tick, where.renderer)
            part.performance.running = True
            return at
        return None

    def _again(self, mark: Mark) -> None:
        """Does something again that changed how things stood, but for where and when that was."""
        self._render(int(mark["rendered"]))
        self.now = max(self.now, int(mark["ns"]))
        if mark["is"] == "swap":
            self._swap(mark)
        elif mark["is"] == "tempo":
            tempo = SetTempo(bpm=float(mark["bpm"]))
            self.player.command(tempo, self.now, lambda error: None)
        elif not only_places(mark):
            self._move(mark)

    def _render(self, until: int) -> None:
        player = self.player
        player.part.last = until
        while player.part.rendered < until:
            player.render(until)
            player.timeline.clear()
            player.outputs.sent.clear()

    def _start(self) -> None:
        line = next((mark for mark in self._all[:1] if mark["is"] == "line"), None)
        if line is not None and line["tick"] < self._place:
            # A player that was started again: it fell in on a line that was there before.
            fallen = self.player.song.resume(line["tick"], line["bpm"], int(line["ns"]), "running")
            self.player.carry_out(fallen, self.now)
        elif self._place:
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


def stood_marks(marks: Sequence[Mark]) -> Iterator[Mark | None]:
    """For the begin and for each jump the mark of where things stood, if it was told."""
    first = 0
    for at, mark in enumerate(marks):
        if mark["is"] == "jump":
            yield _told(marks[first:at])
            first = at + 1
    yield _told(marks[first:])


def _told(marks: Sequence[Mark]) -> Mark | None:
    """It is told before anything else changes how things stand."""
    for mark in marks:
        if mark["is"] == "stands":
            return mark
        if mark["is"] in MOVES and not only_places(mark):
            return None
    return None


def _starts(mark: Mapping[str, object]) -> bool:
    """Whether this is the hand that began the take."""
    command = mark.get("command")
    return isinstance(command, Mapping) and command.get("do") in ("start", "continue")
