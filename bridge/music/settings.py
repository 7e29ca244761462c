"""The numeric settings of lanes: range, start value, unit, and which kinds of lanes have each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from bridge.music.kinds import kinds_with


@dataclass(frozen=True, slots=True)
class Setting:
    """One numeric setting of a lane: its range, start value, unit, and the kinds that have it. A
    `main` one is among those that a performer reaches for first; an editor shows it before others.

    Any macro or lane may drive any of these:
    effective = clamp(base + depth * value * (high - low)).
    """

    name: str
    low: float
    high: float
    start: float
    unit: str
    kinds: tuple[str, ...]
    says: str
    whole: bool = False
    main: bool = False


PLAIN_UNITS = ("", "count", "share", "level", "probability", "cycles", "pace")
"""Units that are said by the name alone: they are not written after a number."""

_TABLE = (
    # hits
    Setting(
        "chance",
        0,
        1,
        1,
        "probability",
        kinds_with("hits"),
        "how likely each hit is to sound",
        main=True,
    ),
    Setting(
        "density",
        0,
        1,
        0.5,
        "share",
        kinds_with("hits"),
        "0.5 as written; less thins (strong positions go last), more fills",
        main=True,
    ),
    Setting(
        "fill_share",
        0,
        1,
        0.5,
        "share",
        kinds_with("hits"),
        "how many of its rests a lane plays while a fill is held, strong positions first",
    ),
    Setting("level", 0, 1, 0.8, "level", kinds_with("hits"), "level of a plain hit", main=True),
    Setting(
        "accent",
        0,
        1,
        1,
        "share",
        kinds_with("hits"),
        "how far an accented hit rises from `level` towards 1",
    ),
    Setting(
        "gate",
        0.01,
        16,
        0.5,
        "steps",
        kinds_with("hits"),
        "gate length as a fraction of the step",
        main=True,
    ),
    Setting("gate_ms", 0, 10000, 0, "ms", kinds_with("hits"), "gate length in time; 0: use `gate`"),
    Setting(
        "humanise_level",
        0,
        1,
        0,
        "level",
        kinds_with("hits"),
        "seeded spread of the level, plus or minus",
    ),
    Setting("repeats", 1, 16, 1, "count", kinds_with("hits"), "hits within one step", whole=True),
    Setting(
        "repeat_curve",
        -1,
        1,
        0,
        "share",
        kinds_with("hits"),
        "spacing of repeats: 0 even, above accelerating, below slowing",
    ),
    Setting(
        "repeat_ramp",
        -1,
        1,
        0,
        "share",
        kinds_with("hits"),
        "level ramp over repeats: below 0 fades",
    ),
    # time, of everything that has steps
    Setting(
        "swing",
        20,
        80,
        50,
        "percent",
        kinds_with("swung"),
        "share of each pair of steps given to the first; below 50 the second comes early",
        main=True,
    ),
    Setting(
        "shift_ms",
        -100,
        100,
        0,
        "ms",
        kinds_with("any"),
        "played early (below 0) or late",
        main=True,
    ),
    Setting(
        "shift",
        -0.5,
        0.5,
        0,
        "steps",
        kinds_with("any"),
        "played early or late, as a fraction of the step",
    ),
    Setting(
        "humanise_ms", 0, 30, 0, "ms", kinds_with("hits"), "seeded spread in time, plus or minus"
    ),
    Setting(
        "pace",
        -1,
        1,
        0,
        "pace",
        kinds_with("pattern"),
        "-1 half time, 1 double time, from the next bar line on; of lanes that go by a rate",
        whole=True,
    ),
    # pattern
    Setting("hits", 0, 64, 4, "count", kinds_with("euclid"), "Euclidean hits", whole=True),
    Setting("steps", 1, 64, 16, "count", kinds_with("euclid"), "Euclidean steps", whole=True),
    Setting(
        "rotate",
        -64,
        64,
        0,
        "steps",
        kinds_with("pattern"),
        "moves the first steps to the end",
        whole=True,
    ),
    Setting(
        "length",
        0,
        64,
        0,
        "steps",
        kinds_with("pattern"),
        "plays only this many steps of the pattern, or repeats it to fill; 0: as written",
        whole=True,
    ),
    Setting(
        "drift",
        0,
        1,
        0,
        "probability",
        kinds_with("pattern"),
        "chance at each pass that a step changes; how it counts: see Drift",
    ),
    Setting(
        "drift_bound",
        0,
        64,
        4,
        "steps",
        kinds_with("pattern"),
        "most steps that may differ from what is written",
        whole=True,
    ),
    # values
    Setting(
        "transpose", -48, 48, 0, "semitones", kinds_with("pitched"), "added to the note", main=True
    ),
    Setting(
        "degree_shift",
        -28,
        28,
        0,
        "degrees",
        kinds_with("noted"),
        "moves notes written as degrees, and chords, along the key's scale",
        whole=True,
    ),
    Setting(
        "inversion",
        -12,
        12,
        0,
        "notes",
        kinds_with("arpeggio"),
        "so many of the chord's lowest notes stand an octave higher; below 0: highest ones lower",
        whole=True,
        main=True,
    ),
    Setting(
        "slew_ms",
        0,
        10000,
        0,
        "ms",
        kinds_with("values"),
        "time to glide to a new value",
        main=True,
    ),
    Setting("slew", 0, 16, 0, "steps", kinds_with("values"), "glide as a fraction of the step"),
    Setting(
        "depth", -1, 1, 1, "share", kinds_with("values"), "how much reaches the output", main=True
    ),
    Setting(
        "offset", -10, 10, 0, "V", kinds_with("values"), "volts added at the output", main=True
    ),
    Setting(
        "hz", 0, 50, 0, "Hz", kinds_with("shape"), "speed of a free shape; 0: synced to `rate`"
    ),
    Setting(
        "phase",
        0,
        1,
        0,
        "cycles",
        kinds_with("shape"),
        "where in the cycle a shape begins",
        main=True,
    ),
    Setting(
        "decay_ms",
        1,
        20000,
        200,
        "ms",
        kinds_with("decay"),
        "time for the envelope to fall to 1/1000",
        main=True,
    ),
    Setting(
        "walk_step",
        0,
        1,
        0.1,
        "level",
        kinds_with("walk"),
        "largest move of a random walk at each step, in levels as `low` and `high` are",
        main=True,
    ),
    Setting("low", -1, 1, 0, "level", kinds_with("bounded"), "lower bound of the value", main=True),
    Setting(
        "high", -1, 1, 1, "level", kinds_with("bounded"), "upper bound of the value", main=True
    ),
)
SETTINGS: Mapping[str, Setting] = MappingProxyType({s.name: s for s in _TABLE})
