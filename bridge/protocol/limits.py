"""Types of command fields with their limits and units: the only place where these numbers stand.

The bounds are `annotated_types`, which pydantic reads as well; so the models of HTTP bodies, the
player's check, OSC, and the limits that the page gets all come from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from bridge.protocol.bounds import Ge, Le, MaxLen, MinLen

TICKS_PER_QUARTER = 960


@dataclass(frozen=True, slots=True)
class Unit:
    """The unit of a number, or a short note on it; for people, and for the API's description."""

    text: str


LONGEST_BARS = 64
"""The longest wait or glide that a performer can ask for; more is a slip of the finger."""
LAST_TICK = TICKS_PER_QUARTER * 4 * 100_000
"""Bar 100,001 in 4/4: more than two days at 120 quarter notes a minute."""
LOWEST_TEMPO, HIGHEST_TEMPO = 20, 400
FARTHEST_MS = 100
"""How far a clock is offset or nudged at once."""
LONGEST_NAME = 64
LONGEST_PORT_NAME = 200
LONGEST_TRY_MS = 30_000
"""A gate that is tried by hand closes by itself after this time."""
FEWEST_HITS, USUAL_HITS, MOST_HITS = 3, 12, 100
"""How often a voice is struck to find how late it is."""
SHORTEST_CLICK_S, USUAL_CLICK_S, LONGEST_CLICK_S = 5.0, 20.0, 600.0
"""How long a host's click is listened to."""
FEWEST_STEPS, USUAL_STEPS, MOST_STEPS = 1, 127, 16383
"""Steps of an encoder from one end of a macro to the other: as a switch, as a knob of 7 bits,
as one of 14."""

Name = Annotated[str, MinLen(1), MaxLen(LONGEST_NAME)]
TakeName = Annotated[str, MaxLen(LONGEST_NAME)]
"""What a person calls a take; empty: it has no name."""
TakeWord = Annotated[str, MinLen(1), MaxLen(LONGEST_NAME)]
"""A take, as a person says it: its id, its name, its place in the list, or `last`."""
TakeBar = Annotated[
    int, Ge(1), Le(100_000), Unit("bars, counted from 1 as the take's own file does")
]
KeptName = Annotated[str, MaxLen(LONGEST_NAME)]
"""The name of what is kept; empty: one is found."""
PortName = Annotated[str, MinLen(1), MaxLen(LONGEST_PORT_NAME)]
OutputName = Annotated[str, MinLen(3), MaxLen(2 * LONGEST_NAME + 1)]
Bars = Annotated[int, Ge(1), Le(LONGEST_BARS), Unit("bars")]
GlideBars = Annotated[int, Ge(0), Le(LONGEST_BARS), Unit("bars")]
When = Literal["now", "beat", "bar"] | Bars
"""When a change is done: at once, on the next beat or bar line, or on a grid of that many bars."""
BarLine = Literal["bar"] | Bars
"""The next bar line, or the next line of a grid of that many bars."""
SwapMoment = Literal["step", "beat", "bar"]
OrderEntry = Annotated[int, Ge(0), Le(10_000), Unit("entry of the running order, from 0")]
Pace = Annotated[int, Ge(-1), Le(1), Unit("-1 half time, 0 as written, 1 double time")]
Share = Annotated[float, Ge(0), Le(1)]
Tempo = Annotated[float, Ge(LOWEST_TEMPO), Le(HIGHEST_TEMPO), Unit("quarter notes per minute")]
Milliseconds = Annotated[
    float, Ge(-FARTHEST_MS), Le(FARTHEST_MS), Unit("ms; below 0 plays earlier")
]
Tick = Annotated[int, Ge(0), Le(LAST_TICK), Unit("ticks, 960 to the quarter note")]
TryValue = Annotated[
    float, Ge(-20), Le(127), Unit("level 0..1 of a gate, note number of a pitch, volts of a level")
]
TryMs = Annotated[float, Ge(1), Le(LONGEST_TRY_MS), Unit("ms that a gate stays open")]
Target = Literal["macro", "mute", "section", "transport"]
"""What a control of a MIDI controller acts on."""
Coding = Literal["twos-complement", "offset", "sign-bit"]
"""How an encoder says which way it was turned, and how far."""
EncoderSteps = Annotated[
    int, Ge(FEWEST_STEPS), Le(MOST_STEPS), Unit("steps from one end of the macro to the other")
]
Seed = Annotated[int, Ge(0), Le(2**31 - 1)]
Seq = Annotated[int, Ge(0), Le(2**53 - 1)]
