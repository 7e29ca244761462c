"""One output moved, one input listened to: how late, how loud, and like what.

Who moves the outputs (`Hands`) may be a terminal or the player by way of the service; here it is
only asked. Everything that sounds is let sound alone, quietly first, and listening stops at once
when the input clips. Nothing of the sound is kept but the figures.
"""

from __future__ import annotations

import cmath
import math
import statistics
from dataclasses import dataclass
from typing import Literal, Protocol

from bridge.listen import health, wrong
from bridge.listen.audio import Listener, Take, gather
from bridge.listen.figures import describe
from bridge.listen.onset import Floor, first_onset, floor_of
from bridge.listen.sound import Sound, distance, mean_sound

ROOM_S = 0.5
QUIET_S = 0.15
LISTEN_S = 0.45
"""Sound before a message, by which the noise is measured, and after it. A voice that is later than
that is not heard."""
WIDTH_S = 0.06
SETTLE_S = 0.1
LONGEST_SETTLE = 30
"""A voice that rings is waited for, this many times `SETTLE_S` at most."""
APART_S, GOLDEN = 0.025, 0.618034
"""Strikes come at so different times by the golden ratio, which fills any period evenly: what waits
for a period of the way there then waits for half of it on average."""
FEWEST_WAITS, LEAST_WAIT, PLAINLY = 6, 0.15, 4.0
"""So many hits, whose times are spread by more ms than this, and so many times more than without
their waiting, tell that messages wait for a period."""
MOST_LOST = 5  # hits with lost samples, beyond as many as are wanted
TOGETHER_MS = 15.0
"""Hits whose sounds are further apart than this after their messages are not their sounds."""


class _LostSamples(Exception):
    """Samples were lost around a hit, so nothing can be said of it."""


class Hands(Protocol):
    """Moves the outputs of a rig. Each gives the monotonic ns at which its message left."""

    def open(self, output: str, level: float) -> int: ...

    def close(self, output: str) -> int: ...

    def value(self, output: str, what: Literal["pitch", "level"], value: float) -> int: ...

    def rest(self, output: str) -> None: ...

    def wait(self, seconds: float) -> None: ...

    def now_ns(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Hit:
    """One hit that was heard, `late_ms` after its message, which is `sure` or not; the input's next
    block began `to_block_ms` after the message."""

    late_ms: float
    sound: Sound
    to_block_ms: float = 0.0
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Struck:
    """Some hits of one gate at `level`; those that were not heard are only counted. The input
    brings blocks of `block_ms` (0: not known)."""

    level: float
    sent: int
    hits: tuple[Hit, ...]
    block_ms: float = 0.0

    def __add__(self, more: Struck) -> Struck:
        """These hits and more of them, at the same level."""
        block_ms = self.block_ms if self.block_ms == more.block_ms else 0.0
        return Struck(self.level, self.sent + more.sent, self.hits + more.hits, block_ms)

    @property
    def heard(self) -> bool:
        """Whether most of them were, and fell together with their messages."""
        return len(self.hits) * 2 > self.sent and self.spread_ms <= TOGETHER_MS

    @property
    def placed(self) -> bool:
        """Whether it was heard so clearly that how late it is can be said."""
        return self.heard and 2 * sum(hit.sure for hit in self.hits) > len(self.hits)

    @property
    def _placed(self) -> list[Hit]:
        """The hits whose times are sure; all, where none is."""
        return [hit for hit in self.hits if hit.sure] or list(self.hits)

    @property
    def stray(self) -> bool:
        """Whether something was heard that does not go with the messages."""
        return bool(self.hits) and not self.heard

    @property
    def waits_ms(self) -> float:
        """The period that messages wait for, 0 when they do not. Where the input's blocks are those
        in which messages leave (a JACK server that carries both), a message that came just after
        one began waits for nearly all of it."""
        late = [hit.late_ms for hit in self._placed]
        if self.block_ms <= 0.0 or len(late) < FEWEST_WAITS:
            return 0.0
        spread = statistics.stdev(late)
        held = spread > LEAST_WAIT and statistics.stdev(self._after_block) < spread / PLAINLY
        return self.block_ms if held else 0.0

    @property
    def _after_block(self) -> list[float]:
        """How late each hit is after the block that began next, or one before or after that: about
        a boundary it is not sure which one a message has caught."""
        block = self.block_ms
        late = [hit.late_ms - hit.to_block_ms for hit in self._placed]
        turn = cmath.phase(sum(cmath.rect(1.0, math.tau * ms / block) for ms in late))
        middle = turn / math.tau * block
        half_late = statistics.median(hit.late_ms for hit in self._placed) - block / 2
        middle += block * round((half_late - middle) / block)
        return [middle + (ms - middle + block / 2) % block - block / 2 for ms in late]

    @property
    def lates_ms(self) -> list[float]:
        """How late each hit was after its message. Where messages wait for a period, each counts as
        if it had waited for half of it, which is what they do on average."""
        if self.waits_ms:
            return [ms + self.block_ms / 2 for ms in self._after_block]
        return [hit.late_ms for hit in self._placed]

    @property
    def late_ms(self) -> float:
        """The median. ValueError when nothing was heard."""
        return statistics.median(self.lates_ms)

    @property
    def spread_ms(self) -> float:
        """From the 10th to the 90th of a hundred; all of it for fewer than ten hits."""
        late = sorted(self.lates_ms)
        if len(late) < 2:
            return 0.0
        cut = len(late) // 10
        return late[-1 - cut] - late[cut]

    @property
    def unsure_ms(self) -> float:
        """The standard error of the median: the square root of pi/2 times that of the mean, as for
        many errors that are normal (textbook fact, from memory; the tests hold it)."""
        late = self.lates_ms
        return 1.25 * statistics.stdev(late) / len(late) ** 0.5 if len(late) > 1 else 0.0

    @property
    def sound(self) -> Sound:
        return mean_sound([hit.sound for hit in self.hits])

    @property
    def scatter(self) -> tuple[float, float]:
        """How far the hits are from their mean: in `distance`, and in dB of their peaks."""
        mean = self.sound
        far = max(distance(hit.sound, mean) for hit in self.hits)
        return far, max(abs(hit.sound.level_db - mean.level_db) for hit in self.hits)


class Hearing:
    """Listens to `ear` while `hands` move outputs."""

    def __init__(self, ear: Listener, hands: Hands) -> None:
        self.ear = ear
        self.hands = hands
        self.room: Floor | None = None
        self._rings = True
        self._strikes = 0
        self._block_ms = 0.0

    def listen_to_room(self) -> Floor:
        """The noise of the input with nothing played. Raises `ListenError` when the input is muted
        or clips."""
        take = self._take(0, ROOM_S)
        if health.level(take.samples).dead:
            raise wrong.muted(self.ear.name)
        self.room = floor_of(take.samples, take.rate)
        return self.room

    def strike(self, output: str, level: float, count: int, width_s: float = WIDTH_S) -> Struck:
        """Opens a gate `count` times and listens after each. The gate is closed whatever happens.

        Raises:
            ListenError: the input stopped, clips, or cannot be trusted.
        """
        hits: list[Hit] = []
        self._rings = True
        done, lost = 0, 0
        while done < count:
            if self._rings:
                self.settle()
            self._strikes += 1
            self.hands.wait(QUIET_S + APART_S * (self._strikes * GOLDEN % 1.0))
            sent = self.hands.open(output, level)
            try:
                self.hands.wait(width_s)
            finally:
                self.hands.close(output)
            try:
                hit = self._hit(sent)
            except _LostSamples:
                # Not heard is not the same as not there: it is struck again.
                lost += 1
                if lost > MOST_LOST + count:
                    raise wrong.losing(self.ear.name) from None
                continue
            done += 1
            if hit is not None:
                hits.append(hit)
        return Struck(level, count, tuple(hits), self._block_ms)

    def held(self, seconds: float) -> Take:
        """Some sound from now on, as it is."""
        return self._take(0, seconds)

    def settle(self) -> None:
        """Waits until what rings is over, within reason."""
        room = self.room or self.listen_to_room()
        for _ in range(LONGEST_SETTLE):
            take = self._take(0, SETTLE_S)
            if floor_of(take.samples, take.rate).loudest <= room.threshold:
                return

    def _hit(self, sent: int) -> Hit | None:
        take = self._take(sent - round(QUIET_S * 1e9), QUIET_S + LISTEN_S)
        # A hair before the message: the times of samples are known to some microseconds only.
        begin = round((sent - take.ns) * take.rate / 1e9)
        quiet = take.samples[: max(begin, 0)]
        if len(quiet) < QUIET_S * take.rate / 4:
            raise _LostSamples
        # Where the end of it is quiet already, the next hit need not wait for that.
        tail = floor_of(take.samples[-round(SETTLE_S * take.rate) :], take.rate)
        self._rings = self.room is None or tail.loudest > self.room.threshold
        onset = first_onset(take.samples, take.rate, begin)
        if onset is None:
            return None
        late_ms = (take.ns - sent) / 1e6 + 1e3 * onset.at / take.rate
        block_ns = take.block * 1e9 / take.rate
        self._block_ms = block_ns / 1e6
        to_block_ms = (take.block_ns - sent) % block_ns / 1e6 if block_ns else 0.0
        sound = describe(take.samples[int(onset.at) :], take.rate, quiet)
        return Hit(late_ms, sound, to_block_ms, onset.sure)

    def _take(self, since_ns: int, seconds: float) -> Take:
        """A piece of sound; from now on when `since_ns` is 0. What is older is let go."""
        if since_ns == 0:
            since_ns = self.hands.now_ns()
        take = gather(self.ear, since_ns, seconds)
        if health.level(take.samples).clipped:
            raise wrong.clipping(self.ear.name)
        return take
