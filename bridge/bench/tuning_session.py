"""What the terminal and the page share of tuning: one pitch output and its readings so far."""

from __future__ import annotations

from dataclasses import dataclass, field

from bridge.files import tuning
from bridge.music.scale import note_name
from bridge.voltage.least_squares import Reading, asked_volts
from bridge.voltage.profile import WiredOutput


@dataclass(slots=True)
class TuningSession:
    """One output on the bench.

    `notes` are to be measured, in order; `readings` has what was typed and its volts, by note;
    `sounding` is the note that sounds now, if any.
    """

    wired: WiredOutput
    notes: list[int]
    readings: dict[int, tuple[str, float]] = field(default_factory=dict)
    sounding: int | None = None

    def parse(self, note: int, text: str) -> float:
        """Reads what was measured at a note.

        Args:
            note: the note that was asked for.
            text: what was typed, such as ``2.003 V``.

        Returns:
            The reading in volts of the output.

        Raises:
            ValueError: it is no reading, or one of another kind than the other readings.
        """
        volts = tuning.parse_reading(self.wired.output, text)
        for other, (typed, _) in self.readings.items():
            if other != note and tuning.is_relative(typed) != tuning.is_relative(text):
                raise ValueError(
                    "take all readings the same way, volts or frequencies and notes: "
                    f"{note_name(other)} was {typed}"
                )
        return volts

    def taken(self) -> tuple[list[Reading], int]:
        """The readings for a fit, in order of their notes. Those of an oscillator, whose octave is
        its own, are brought to the octave asked for; also how many octaves up they were."""
        out = self.wired.output
        readings = [
            Reading(asked_volts(out, note), volts)
            for note, (_, volts) in sorted(self.readings.items())
        ]
        relative = any(tuning.is_relative(text) for text, _ in self.readings.values())
        return tuning.same_octave(out, readings) if relative else (readings, 0)
