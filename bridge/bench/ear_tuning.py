"""Tuning of one pitch output by ear: which notes sound, what is made of them, what is wrong.

Nothing here plays or waits: `EarTuning.steps` says what shall sound next and takes the sound of it.
The terminal and the service carry that out, each in its own way.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from itertools import pairwise

from bridge.bench.tuning_session import TuningSession
from bridge.listen import wrong
from bridge.listen.audio import Listener, Take, gather
from bridge.listen.health import hum, insist, second, strongest
from bridge.listen.pitch import Pitch, cents, measure
from bridge.listen.wrong import ListenError
from bridge.music.scale import frequency, note_name
from bridge.voltage.calibration import Correction
from bridge.voltage.least_squares import Fit, Reading, asked_volts, fit
from bridge.voltage.profile import clamp_volts, volts_of_note
from bridge.voltage.tracking import other_standard, profile_says, still

SETTLE_S, TAKE_S = 0.12, 0.5
MOST_TAKES = 8
CLEAR, NOISE = 0.75, 0.4
"""Below the first clarity a sound has no one pitch; below the second it is no tone at all."""
STEADY, SAME = 1.5, 0.4
"""A pitch has settled when it moves by less cents a second, or stays within this from take to
take."""
WOBBLE_CENTS = 1.0
LOWEST_HZ, HIGHEST_HZ, HIGHEST_SHARE = 24.0, 10_000.0, 0.22
"""Which notes are measured: no slow modulation, and below this part of the sample rate."""
DRIFT_TOLD = 1.0
"""Cents a minute: less is the business of nobody's ears (common practice, no source)."""
CHECKS = 8
SKIPPED = ("silence", "pitch")
UNHEARD = 4
"""So many notes on end of which nothing is heard are no end of a range: the cable is out."""


@dataclass(frozen=True, slots=True)
class Sound:
    """What shall sound next. `anew` false: the same note goes on."""

    note: int
    correction: Correction | None
    anew: bool
    settle_s: float = SETTLE_S
    seconds: float = TAKE_S


@dataclass(frozen=True, slots=True)
class Checked:
    """A note that was played once more with the correction, and how far off it was, in cents."""

    note: int
    cents: float


Steps = Generator[Sound, Take, None]


@dataclass(slots=True)
class EarTuning:
    """One output that is listened to. What is found grows while `steps` runs, and stays when it
    breaks off.

    Args:
        session: the output and its notes; readings go there.
        input_name: what the input is called, for people.
        rate: of the input, samples a second.
    """

    session: TuningSession
    input_name: str
    rate: float
    said: list[str] = field(default_factory=list)
    checked: list[Checked] = field(default_factory=list)
    drift: float | None = None
    result: Fit | None = None
    readings: list[Reading] = field(default_factory=list)
    octaves: int = 0
    made: str = ""
    _heard: dict[int, float] = field(default_factory=dict)
    _wobbled: bool = False
    _hum: float | None = None

    def steps(self) -> Steps:
        """Asks for one sound after another; each is answered by its take.

        Raises:
            ListenError: nothing can be measured, or tuning cannot mend what was measured.
            InputError: the readings make no tuning.
        """
        notes = self.session.notes
        if len(notes) < 2:
            raise wrong.too_few_notes()
        middle, beside = notes[len(notes) // 2], notes[len(notes) // 2 - 1]
        first, begun = yield from self._note(middle)
        self._take(middle, first)
        # Its neighbour comes next: does the pitch follow at all?
        others = sorted((note for note in notes if note != middle), key=lambda n: n != beside)
        yield from self._ladder(others)
        again, ended = yield from self._note(middle)
        self._drifted(cents(again.hertz, first.hertz), (ended - begun) / 60e9)
        self._judge()
        self.readings, self.octaves = self.session.taken()
        self.result = fit(self.session.wired.output, self.readings, self.made)
        yield from self._check(self.result.correction)

    @property
    def worst(self) -> float | None:
        """The largest error that the check heard, in cents; None before it."""
        return max((abs(one.cents) for one in self.checked), default=None)

    # --- the ladder ---------------------------------------------------------------------------

    def _ladder(self, notes: list[int]) -> Steps:
        left_out: dict[str, list[str]] = {}
        unheard = 0
        for note in notes:
            expected = self._expected(note)
            if not LOWEST_HZ < expected < min(HIGHEST_HZ, HIGHEST_SHARE * self.rate):
                left_out.setdefault("too low or too high to be measured", []).append(
                    note_name(note)
                )
                continue
            try:
                found, _ = yield from self._note(note)
            except ListenError as error:
                unheard += 1
                if error.kind not in SKIPPED or unheard >= UNHEARD:
                    raise
                left_out.setdefault("nothing clear was heard", []).append(note_name(note))
                continue
            unheard = 0
            self._take(note, found)
            if len(self._heard) == 2:
                self._follows()
        self.said += [f"left out, {why}: {', '.join(names)}" for why, names in left_out.items()]

    def _take(self, note: int, found: Pitch) -> None:
        self._heard[note] = found.hertz
        text = f"{found.hertz:.4f} Hz"
        self.session.readings[note] = (text, self.session.parse(note, text))
        if found.wobble > WOBBLE_CENTS and not self._wobbled:
            self._wobbled = True
            self.said.append(
                f"{note_name(note)}: the pitch wobbles (vibrato, or two oscillators that beat); "
                "a single plain one measures better"
            )

    def _expected(self, note: int) -> float:
        """Hz, by the nearest note that was heard."""
        nearest = min(self._heard, key=lambda other: abs(other - note))
        return self._heard[nearest] * frequency(note) / frequency(nearest)

    def _follows(self) -> None:
        """Raises `ListenError` when the first two notes sound the same."""
        low, high = sorted(self._heard)
        if abs(cents(self._heard[high], self._heard[low])) > 100.0 * (high - low) / 12.0:
            return
        mains = self._hum
        if mains is not None:
            raise wrong.only_hum(self.input_name, mains)
        raise wrong.does_not_follow(note_name(low), note_name(high), self._heard[high])

    def _drifted(self, moved: float, minutes: float) -> None:
        self.drift = moved / minutes if minutes > 0.0 else 0.0
        if abs(self.drift) >= DRIFT_TOLD:
            self.said.append(
                f"the voice drifts by {self.drift:+.1f} cents a minute: let it warm up for a "
                "quarter of an hour, then tune again"
            )

    def _judge(self) -> None:
        """Leaves out what is beyond the range of the voice. Raises `ListenError` when it tracks
        another standard than the profile says."""
        out = self.session.wired.output
        notes = sorted(self._heard)

        def heard() -> list[tuple[float, float]]:
            return [(asked_volts(out, note), self._heard[note]) for note in notes]

        self._other(other_standard(out, heard()))
        below, above = still(out, heard())
        gone = {notes[i] for i in below | above}
        if gone:
            ends = [f"below {note_name(notes[max(below) + 1])}"] if below else []
            ends += [f"above {note_name(notes[min(above) - 1])}"] if above else []
            self.said.append(
                f"the range of the voice ends: {' and '.join(ends)} its pitch stays the same; "
                "those notes were left out"
            )
        for note in gone:
            self.session.readings.pop(note, None)
        notes = [note for note in notes if note not in gone]
        self._other(other_standard(out, heard()))

    def _other(self, tracks: str) -> None:
        if tracks:
            raise wrong.other_standard(tracks, profile_says(self.session.wired.output))

    # --- one note -----------------------------------------------------------------------------

    def _note(
        self, note: int, correction: Correction | None = None
    ) -> Generator[Sound, Take, tuple[Pitch, int]]:
        """Sounds a note until its pitch stands; gives it and when that was heard. Raises
        `ListenError`."""
        name, before, slope = note_name(note), None, 0.0
        expected = self._expected(note) if self._heard else None
        fault: ListenError | None = None
        for count in range(MOST_TAKES):
            take = yield Sound(note, correction, count == 0, SETTLE_S if count == 0 else 0.0)
            try:
                found = self._one_pitch(take, name, expected)
            except ListenError as error:
                if error.kind == "clipping" or fault is not None:
                    raise
                fault = error  # a click of the cable or a slow attack: once more
                continue
            slope = found.slope
            near = before is not None and abs(cents(found.hertz, before)) < SAME
            if abs(slope) < STEADY or near:
                return found, take.ns
            before = found.hertz
        raise wrong.unsettled(name, slope)

    def _one_pitch(self, take: Take, name: str, expected: float | None) -> Pitch:
        insist(take.samples, self.input_name)
        found = measure(take.samples, take.rate, expected)
        if found is None or found.clarity < NOISE:
            raise wrong.no_pitch(name)
        self._hum = hum(take.samples, take.rate)
        other = second(take.samples, take.rate, found.hertz)
        if other is not None:
            # Of two voices the pitch may be that of neither: their strongest lines are told.
            hertz = strongest(take.samples, take.rate)
            raise wrong.two_voices(name, hertz, *(second(take.samples, take.rate, hertz) or other))
        if found.clarity < CLEAR:
            raise wrong.no_pitch(name)
        return found

    # --- the check ----------------------------------------------------------------------------

    def _check(self, correction: Correction) -> Steps:
        """Plays notes between those that were measured, with the correction: only new readings
        prove it."""
        out = self.session.wired.output
        for note in self._between():
            asked = correction.ask(out, volts_of_note(out, note))
            if asked != clamp_volts(out, asked):
                continue  # the fit says that it cannot be reached
            try:
                found, _ = yield from self._note(note, correction)
            except ListenError as error:
                if error.kind not in SKIPPED:
                    raise
                continue
            away = cents(found.hertz, frequency(note)) - 1200.0 * self.octaves
            self.checked.append(Checked(note, away))

    def _between(self) -> list[int]:
        """Notes in the middle between two readings, or the readings' own where none lies between;
        of all of them, a few that cover the range."""
        kept = sorted(self.session.readings)
        notes = sorted({(a + b) // 2 for a, b in pairwise(kept)})
        if len(notes) > CHECKS:
            notes = [notes[round(i * (len(notes) - 1) / (CHECKS - 1))] for i in range(CHECKS)]
        return notes


def carry_out(
    tuning: EarTuning,
    ear: Listener,
    sound: Callable[[Sound], int],
    each: Callable[[], None] = lambda: None,
) -> None:
    """Goes through all steps, waiting for each.

    Args:
        tuning: what is to be done.
        ear: the input; it stays open.
        sound: makes a note sound; gives the monotonic ns at which it was sent.
        each: called after each take.

    Raises:
        ListenError: as `EarTuning.steps`, or the input fails.
        InputError: the readings make no tuning.
    """
    steps = tuning.steps()
    step, since = next(steps), 0
    while True:
        if step.anew:
            since = sound(step)
        take = gather(ear, since + round(step.settle_s * 1e9), step.seconds)
        since = take.end_ns
        try:
            step = steps.send(take)
        except StopIteration:
            return
        finally:
            each()
