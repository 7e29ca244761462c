"""What a take went through: its set, and what hands and sections made of it, bar by bar.

The moves of a take are done again on a performance alone, without playing anything: that gives the
tick at which each section and each mute took effect, and everything that was set at any place.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from bridge.clock.tempo import Anchor
from bridge.errors import BridgeError, CommandError
from bridge.files.rig import Rig
from bridge.files.set import parse_set
from bridge.files.take import THOUSANDTHS, Take, TakeError
from bridge.files.take_rig import rig_of
from bridge.music import handlers
from bridge.music.model import SetSpec
from bridge.music.performance import Performance
from bridge.music.score import Score
from bridge.player.going_on import go_on
from bridge.player.part import swap_tick
from bridge.protocol.command import Command
from bridge.protocol.internal import PutBack
from bridge.protocol.table import decode
from bridge.voltage.calibration import Correction

SET = "set.yaml"


@dataclass(frozen=True, slots=True)
class Played:
    """What a take was played with: the rig, its tuning, and the set that it began with."""

    rig: Rig
    tuned: Mapping[str, Correction]
    score: Score
    text: str

    @property
    def spec(self) -> SetSpec:
        return self.score.spec


def played(take: Take) -> Played:
    """Reads the rig and the set that a take has in it.

    Raises:
        TakeError: they cannot be read by this version.
    """
    try:
        rig, tuned = rig_of(take.head["files"])
        text = str(take.head["text"])
        return Played(rig, tuned, score_of(text, rig), text)
    except (BridgeError, KeyError, TypeError, AttributeError) as error:
        raise TakeError(f"the rig or set of this take cannot be read: {error}") from None


def score_of(text: str, rig: Rig) -> Score:
    """Raises InputError."""
    return parse_set(text, SET, rig).score


def ends_at(take: Take) -> float:
    """The tick of the song at which a take ends, or, where it was cut off, of its last message."""
    ends = [float(mark["tick"]) for mark in take.marks if mark["is"] == "end"]
    last = take.ticks[-1] / THOUSANDTHS if take.ticks else float(take.head["begin"]["tick"])
    return ends[-1] if ends else last


class Stand(NamedTuple):
    """Something has changed at a tick of the song: `performance` is as it is from there on, and is
    only good until the next one is asked for. `ns` is when that was."""

    tick: float
    ns: int
    performance: Performance
    score: Score
    text: str


class Course:
    """Follows a take. `begin` is the tick of the song at which it begins."""

    def __init__(self, take: Take, made: Played) -> None:
        self._take = take
        self._made = made
        self._score, self._text = made.score, made.text
        begin = take.head["begin"]
        self.begin = int(begin["tick"])
        self.performance = Performance(made.score)
        try:
            self.performance.restore(begin["state"], self.begin)
        except (CommandError, KeyError) as error:
            raise TakeError(f"how this take begins cannot be read: {error}") from None
        self.performance.running = True
        self._swap: dict[str, Any] | None = None

    def stands(self) -> Iterator[Stand]:
        """Every change in order, the begin first."""
        now = float(self.begin)
        yield self._stand(now, int(self._take.head["begin"]["at"]))
        for mark in self._take.marks:
            kind = mark["is"]
            tick = float(mark.get("rendered", mark["tick"]))
            if kind not in ("move", "swap", "jump"):
                continue
            yield from self._by_itself(now, tick)
            if kind == "jump":
                self.performance.locate(int(tick))
            elif kind == "swap":
                self._plan(mark, int(tick))
            elif not self._do(mark["command"], int(tick), str(mark["client"])):
                continue
            now = tick
            yield self._stand(float(mark["tick"]), int(mark["at" if kind == "jump" else "ns"]))
        yield from self._by_itself(now, ends_at(self._take))

    def _stand(self, tick: float, ns: int) -> Stand:
        return Stand(tick, ns, self.performance, self._score, self._text)

    def _by_itself(self, now: float, until: float) -> Iterator[Stand]:
        """What happens between two moves without a hand: sections, the running order, mutes that
        have waited, another set."""
        at = int(now)
        while True:
            change = self.performance.next_change(at)
            swap = None if self._swap is None else int(self._swap["at"])
            if swap is not None and swap < until and (change is None or swap <= change):
                self.performance.settle(swap)
                self._change(swap)
                at = swap
            elif change is not None and change < until:
                self.performance.settle(change)
                at = change
            else:
                return
            yield self._stand(float(at), -1)

    def _do(self, given: Mapping[str, object], tick: int, client: str) -> bool:
        """Whether it was one of the performance's."""
        try:
            command: Command = decode(given)
            if type(command) not in handlers.HANDLERS and not isinstance(command, PutBack):
                return False
            self.performance.apply(command, tick, client)
        except CommandError:
            return False  # of a later version, or about what this set does not have
        return True

    def _plan(self, mark: Mapping[str, Any], tick: int) -> None:
        origin = mark["origin"]
        score = score_of(str(origin["text"]), self._made.rig)
        self._swap = {
            "at": swap_tick(tick, str(mark["when"]), score.spec),
            "score": score,
            "text": str(origin["text"]),
            "renamed": mark["renamed"],
            "parts": mark["parts"],
        }

    def _change(self, tick: int) -> None:
        swap, self._swap = self._swap, None
        assert swap is not None
        before = self.performance
        self._score, self._text = swap["score"], swap["text"]
        self.performance = Performance(self._score)
        self.performance.running = True
        go_on(self.performance, before.state(), swap["renamed"], swap["parts"], tick)


# --- where things stand in a file ---------------------------------------------------------------


class Stretch(NamedTuple):
    """Some bars of a take in one go, up to a jump or to a player that was started again: from
    `place` in the file, which is `tick` of the song; `shift` is added to a tick of the song. Its
    marks are those from `first` to before `last` (None: to the end)."""

    place: int
    tick: int
    shift: int
    first: int = 0
    last: int | None = None


class Places:
    """Ticks of the song as places in a file, which begins with the bar in which the take does. A
    jump to another place of the song is no jump in the file: what comes after it follows on."""

    def __init__(self, take: Take, bar: int) -> None:
        begin = take.head["begin"]
        self.base = int(float(begin["tick"]) // bar) * bar
        tick = int(begin["tick"])
        self._from_ns = [-(2**63)]
        self._stretches = [Stretch(tick - self.base, tick, -self.base)]
        self.jumps = False
        """Whether the song goes to another place."""
        line = Anchor(float(begin["tick"]), int(begin["at"]), float(begin["bpm"]))
        for number, mark in enumerate(take.marks):
            if mark["is"] == "line":
                line = Anchor(mark["tick"], int(mark["ns"]), float(mark["bpm"]))
            elif mark["is"] in ("jump", "begin"):
                at, tick, shift = int(mark["at"]), int(mark["tick"]), self._stretches[-1].shift
                if mark["is"] == "jump":
                    self.jumps = True
                    shift += round(line.tick_at(at)) - tick
                self._from_ns.append(at)
                self._stretches[-1] = self._stretches[-1]._replace(last=number)
                self._stretches.append(Stretch(tick + shift, tick, shift, number + 1))
                line = Anchor(mark["tick"], at, line.bpm)

    def stretch(self, place: int) -> Stretch:
        """The one that a place in the file belongs to."""
        found = bisect_right(self._stretches, place, key=lambda stretch: stretch.place)
        return self._stretches[max(0, found - 1)]

    def shift_at(self, ns: int) -> int:
        """What is added to a tick of the song at that time."""
        return self._stretches[bisect_right(self._from_ns, ns) - 1].shift

    @property
    def shift(self) -> int:
        """The same where there is no jump."""
        return self._stretches[0].shift


def tempos(take: Take, places: Places, opening: float) -> tuple[tuple[int, float], ...]:
    """Pairs of a place in the file and the tempo from there on, in BPM.

    Args:
        take: its marks say when the tempo changed.
        places: its places in a file.
        opening: BPM at the begin of a take that does not say its own.
    """
    found: dict[int, float] = {0: float(take.head["begin"].get("bpm", opening))}
    for mark in take.marks:
        if mark["is"] == "line":
            place = round(float(mark["tick"])) + places.shift_at(int(mark["ns"]))
            found[max(0, place)] = float(mark["bpm"])
    rows, last = [], 0.0
    for place, bpm in sorted(found.items()):
        if bpm != last:
            rows.append((place, bpm))
            last = bpm
    return tuple(rows)


def end_place(take: Take, places: Places) -> int:
    """Where in the file the song stopped; 0 where that was not recorded."""
    ends = [mark for mark in take.marks if mark["is"] == "end"]
    if not ends:
        return 0
    return max(0, round(float(ends[-1]["tick"])) + places.shift_at(int(ends[-1]["ns"])))
