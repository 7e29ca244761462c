"""Audio inputs of this computer, through PortAudio (ALSA, JACK, and what else it knows)."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import TYPE_CHECKING, Any

from bridge.listen import wrong
from bridge.listen.audio import HELD_S, Block, Samples
from bridge.listen.clock import Pace, SampleClock

if TYPE_CHECKING:
    from bridge.listen.wrong import ListenError

GONE_S = 3.0
LOST_S = 0.01
"""Blocks that all are later than this against the line tell of lost samples."""
WRONG_RATE = 0.03  # rates in use lie at least 8 percent apart: 44100 and 48000 Hz
LOOKS, LOOK_S = 3, 0.3
"""A busy audio system shows no input at all now and then: it is asked so often, so far apart."""
SLOWEST_HZ = 16000.0  # below this the top octave of a voice is not heard


@dataclass(frozen=True, slots=True)
class Input:
    """An audio input of this computer; `rate` is what it runs at unless told otherwise."""

    number: int
    name: str
    system: str
    channels: int
    rate: float
    default: bool


def inputs() -> list[Input]:
    """All audio inputs, looked up anew unless one is open. Raises `ListenError` without the
    library."""
    with _lock:
        return _inputs()


def _inputs() -> list[Input]:
    sounddevice = _sounddevice()
    if not _open_inputs:
        # PortAudio lists devices once; without this, one that was plugged in later is never seen.
        sounddevice._terminate()
        sounddevice._initialize()
    systems = sounddevice.query_hostapis()
    found = []
    for number, row in enumerate(sounddevice.query_devices()):
        system = systems[row["hostapi"]]
        if row["max_input_channels"] < 1:
            continue
        found.append(
            Input(
                number,
                row["name"],
                system["name"],
                row["max_input_channels"],
                row["default_samplerate"],
                system["default_input_device"] == number,
            )
        )
    return found


def find(wanted: str, known: list[Input]) -> Input:
    """The input called `wanted`, or the one whose name holds it; capital letters are no
    difference, empty is the default one. Raises `ListenError` when it is none or several."""
    if not wanted:
        found = [one for one in known if one.default][:1]
    else:
        low = wanted.lower()
        found = [one for one in known if one.name.lower() == low][:1]
        found = found or [one for one in known if low in one.name.lower()]
    if not found:
        raise wrong.no_device(wanted, [one.name for one in known])
    if len(found) > 1:
        raise wrong.ambiguous(wanted, [one.name for one in found])
    return found[0]


def open_input(wanted: str, channel: int = 1) -> Ear:
    """Listens to one channel (counted from 1) of an input. Raises `ListenError`."""
    with _lock:
        known = _inputs()
        for _ in range(LOOKS - 1):
            if not known:
                time.sleep(LOOK_S)
                known = _inputs()
        one = find(wanted, known)
        if not 1 <= channel <= one.channels:
            raise wrong.no_channel(one.name, channel, one.channels)
        if one.rate < SLOWEST_HZ:
            raise wrong.rate_refused(one.name, SLOWEST_HZ)
        return Ear(one, channel)


class Ear:
    """One channel of an audio input, listened to."""

    def __init__(self, one: Input, channel: int) -> None:
        self.name = one.name
        self._channel = channel - 1
        self._queue: deque[tuple[int, int, Samples, bool]] = deque()
        self._came = threading.Condition()
        self._held = self._next = self._shift = 0
        self._ended = False
        self._pace = Pace()
        sounddevice = _sounddevice()
        try:
            self._stream = sounddevice.InputStream(
                device=one.number,
                channels=channel,
                samplerate=one.rate,
                dtype="float32",
                callback=self._take,
                finished_callback=self._finish,
            )
            self.rate = float(self._stream.samplerate)
            self._clock = SampleClock(self.rate)
            _open_inputs.add(self)
            self._stream.start()
        except sounddevice.PortAudioError as error:
            _open_inputs.discard(self)
            raise _in_words(one, error) from error

    def blocks(self) -> Iterator[Block]:
        """Blocks as they come. Raises `ListenError` when the input stops, or when its samples come
        at another rate than it says."""
        while True:
            with self._came:
                if not self._came.wait_for(lambda: self._queue or self._ended, GONE_S):
                    raise wrong.gone(self.name)
                if not self._queue:
                    raise wrong.gone(self.name)
                first, ns, samples, lost = self._queue.popleft()
                self._held -= len(samples)
            self._pace.add(first, ns)
            first += self._shift
            gap = lost or self._clock.late_ns > LOST_S * 1e9
            if gap and not self._clock.empty:
                first = self._over_a_gap(first, ns)
            self._clock.add(first, ns)
            came = self._pace.off(self.rate, WRONG_RATE)
            if came is not None:
                raise wrong.wrong_rate(self.name, self.rate, came)
            yield Block(first, self._clock.ns_of(first), samples)

    def close(self) -> None:
        """Lets the input go; what was held is forgotten."""
        with _lock:
            self._stream.close()
            _open_inputs.discard(self)
        self._finish()
        self._queue.clear()

    def _over_a_gap(self, first: int, ns: int) -> int:
        """The number of a block after lost samples, by the clock; the line is laid anew."""
        there = max(first + 1, round(self._clock.sample_of(ns)))
        self._shift += there - first
        self._clock = SampleClock(self.rate)
        return there

    def _take(self, data: Any, frames: int, when: Any, status: Any) -> None:
        """Called by the audio system's own thread. By its own account, the first sample is older
        than now by the difference of two of its times."""
        now = time.monotonic_ns()
        age = when.currentTime - when.inputBufferAdcTime
        if not (when.inputBufferAdcTime and 0.0 <= age < 1.0):
            age = frames / self.rate  # a system that does not say
        samples = data[:, self._channel].copy()
        with self._came:
            lost = bool(status.input_overflow)
            self._queue.append((self._next, now - round(age * 1e9), samples, lost))
            self._next += frames
            self._held += frames
            while self._held > HELD_S * self.rate:
                self._held -= len(self._queue.popleft()[2])
            self._came.notify()

    def _finish(self) -> None:
        with self._came:
            self._ended = True
            self._came.notify_all()


_open_inputs: set[Ear] = set()
_lock = threading.Lock()
"""PortAudio may be set up by one thread at a time."""


def _sounddevice() -> ModuleType:
    try:
        import sounddevice
    except ImportError:
        raise wrong.no_library("the Python package sounddevice") from None
    except OSError:
        raise wrong.no_portaudio() from None
    module: ModuleType = sounddevice
    return module


def _in_words(one: Input, error: Exception) -> ListenError:
    """What PortAudio says, as one of ours; -9997 is its code of a rate that the device refuses."""
    if len(error.args) > 1 and error.args[1] == -9997:
        return wrong.rate_refused(one.name, one.rate)
    return wrong.not_opened(one.name, str(error.args[0] if error.args else error))
