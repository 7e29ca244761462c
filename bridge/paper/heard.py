"""A tuning that was heard, for the manual and the README: its readings and its check, as they were
measured. ``python -m bridge.paper.heard`` prints the picture."""

from __future__ import annotations

from bridge.files.profile import load_profile
from bridge.files.tuning import parse_reading, told
from bridge.paper.residual_plot import drawing
from bridge.voltage.least_squares import Reading, asked_volts, fit

WORDS = (
    "A tuning that was heard: how far each note was off before, and other notes once it played. "
    "The voice was a synthetic rack on a JACK server: a saw, 0.6 percent steep, 21 mV high and "
    "bowed by 4 mV, with hum, noise at -50 dB and a second voice at -30 dB. The lowest note cannot "
    "be reached: the output ends at 0 V."
)
# What was heard, by note.
HERTZ = {
    24: 33.1827,
    30: 47.0567,
    36: 66.7258,
    42: 94.6079,
    48: 134.1296,
    54: 190.1444,
    60: 269.5284,
    66: 382.0221,
    72: 541.4206,
    78: 766.9998,
    84: 1086.8413,
    90: 1539.9244,
    96: 2181.7,
    102: 3090.6728,
    108: 4377.9761,
    114: 6200.9197,
    120: 8782.1576,
}
CHECKED = {27: -0.16, 39: 0.22, 51: 0.02, 63: -0.19, 81: 0.15, 93: 0.23, 105: 0.30, 117: -0.22}
"""Cents, by note."""


def heard_tuning() -> str:
    """The picture: what the readings say before, what the check heard after."""
    out = load_profile("eight-gates-four-cv").output("pitch-1")
    readings = [
        Reading(asked_volts(out, note), parse_reading(out, f"{hertz} Hz"))
        for note, hertz in HERTZ.items()
    ]
    rows = told(out, fit(out, readings), readings)
    checked = [(float(note), cents) for note, cents in CHECKED.items()]
    return drawing("main.pitch-1 of Quay rack", rows, checked)


if __name__ == "__main__":
    print(heard_tuning())
