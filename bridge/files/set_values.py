"""Values of a set file that are more than a number or a word: how each is read.

Each reader gives the value or raises a ValueError that says what may be written.
"""

from __future__ import annotations

import re
from fractions import Fraction
from types import MappingProxyType
from typing import Annotated, Literal

from bridge.files.document import AmbiguousText
from bridge.files.strict import Limits, Reads, one_of, read_name, read_text, shown
from bridge.music.model import SETTINGS, Note, Steps
from bridge.music.pattern import parse_pattern, parse_steps
from bridge.music.scale import SCALES, parse_degree, parse_note, parse_root
from bridge.music.ticks import parse_rate

MAX_STEPS = 64
MAX_BARS = 1024
SPACINGS = MappingProxyType({"even": 0.0, "accelerating": 0.5, "slowing": -0.5})
_METER = re.compile(r"([1-9][0-9]?)/(1|2|4|8|16|32)")


def read_rate(value: object) -> Fraction:
    if not isinstance(value, str):
        raise ValueError(f"must be a rate such as 1/16, 1/8T, 1/8. or 3:4, not {shown(value)}")
    return parse_rate(value)


def read_advance(value: object) -> Fraction | str:
    if isinstance(value, str) and ("/" in value or ":" in value):
        return parse_rate(value)
    if not isinstance(value, str):
        raise ValueError(f"must be a rate such as 1/8 or the name of a lane, not {shown(value)}")
    return read_name(value)


def read_reset(value: object) -> int | str | None:
    if isinstance(value, str):
        return read_name(value)
    return int(Limits(1, MAX_BARS, "bars (or the name of a lane)", True).check(value))


def read_entry_bars(value: object) -> int | Literal["open"]:
    if value == "open":
        return "open"
    if isinstance(value, str):
        raise ValueError(f"must be a number of bars, or open (until you go on), not {shown(value)}")
    return int(Limits(1, MAX_BARS, "bars", True).check(value))


def read_groove(value: object) -> tuple[float, ...]:
    if not isinstance(value, list) or len(value) > MAX_STEPS:
        raise ValueError(f"must be a list of up to {MAX_STEPS} numbers, such as [0, 8, -3, 12]")
    return tuple(float(Limits(-50, 50, "percent of a sixteenth").check(one)) for one in value)


def read_marks(value: object) -> tuple[int, ...]:
    if not isinstance(value, str):
        raise ValueError(f'must be steps in quotes such as "x..X", not {shown(value)}')
    return parse_steps(value)


def read_pattern(value: object) -> Steps:
    if not isinstance(value, str):
        raise ValueError(f'must be steps in quotes such as "x..X", not {shown(value)}')
    return parse_pattern(value)


def read_gate(value: object) -> float | str:
    if value == "tie":
        return "tie"
    if isinstance(value, str):
        raise ValueError(f"must be a number of steps or tie, not {shown(value)}")
    setting = SETTINGS["gate"]
    return Limits(setting.low, setting.high, setting.unit).check(value)


def read_spacing(value: object) -> float:
    if isinstance(value, str):
        return SPACINGS[one_of(value, SPACINGS, "a spacing")]
    setting = SETTINGS["repeat_curve"]
    return Limits(setting.low, setting.high).check(value)


def read_out(value: object) -> str | None:
    """`interface.output`, or nothing for a lane that only others use."""
    if value is None:
        return None
    parts = value.split(".") if isinstance(value, str) else []
    if len(parts) != 2:
        raise ValueError(f"must be interface.output, such as main.gate-1, not {shown(value)}")
    for part in parts:
        read_name(part)
    return str(value)


def read_one_note(value: object) -> Note:
    if value is None or value == ".":
        return Note(None)
    if value == "-":
        return Note(None, tie=True)
    if isinstance(value, dict):
        strange = [str(key) for key in value if key not in ("note", "glide")]
        if strange or "note" not in value:
            raise ValueError(f"must be {{note: E2, glide: true}}, not {shown(', '.join(value))}")
        glide = value.get("glide", False)
        if not isinstance(glide, bool):
            raise ValueError(f"glide must be true or false, not {shown(glide)}")
        inner = read_one_note(value["note"])
        if inner.number is None and inner.degree is None and glide:
            raise ValueError("only a note can glide, not a rest or a tie")
        return Note(inner.number, inner.tie, glide, inner.degree)
    if isinstance(value, str):
        if value.startswith("^"):
            return Note(None, degree=parse_degree(value))
        return Note(float(parse_note(value)))
    return Note(float(Limits(0, 127, "(or a name such as A1, or . to rest)").check(value)))


def read_one_level(value: object) -> float | None:
    if value is None or value == ".":
        return None
    return float(Limits(-1, 1, "(or . to rest)").check(value))


def read_quantise(value: object) -> str | tuple[int, ...]:
    """`key`, `off`, a scale, or semitones 0..11 above the root."""
    if isinstance(value, list):
        return read_degrees(value)
    return one_of(value, ("key", "off", *SCALES), "a scale")


def read_degrees(value: object) -> tuple[int, ...]:
    if not isinstance(value, list) or not value:
        raise ValueError("must be a list of semitones above the root, such as [0, 3, 7]")
    limit = Limits(0, 11, "semitones", True)
    degrees = [int(limit.check(item)) for item in value]
    if degrees != sorted(set(degrees)):
        raise ValueError("must rise from semitone to semitone, each once")
    return tuple(degrees)


def read_chord(value: object) -> tuple[int, ...]:
    if not isinstance(value, list) or not 1 <= len(value) <= 12:
        raise ValueError("must be a list of scale steps counted from 1, such as [1, 3, 5]")
    return tuple(int(Limits(1, 24, "scale steps", True).check(item)) for item in value)


def read_octaves(value: object) -> tuple[int, int]:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("must be the lowest and the highest octave, such as [1, 3]")
    low, high = (int(Limits(-1, 9, "octaves", True).check(item)) for item in value)
    if low > high:
        raise ValueError(f"goes from {low} down to {high}; write the lower octave first")
    return low, high


def read_walk(value: object) -> bool:
    if value is not True:
        raise ValueError(f"must be true, not {shown(value)}")
    return True


def read_expression(value: object) -> str:
    if isinstance(value, AmbiguousText) or not isinstance(value, str):
        raise ValueError(f'must be an expression such as "kick or rim", not {shown(value)}')
    return read_text(value, 1000)


def read_root(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError(f"must be a note name such as A or Bb, not {shown(value)}")
    parse_root(value)
    name = value.strip()
    return name[0].upper() + name[1:]


def read_scale(value: object) -> str | tuple[int, ...]:
    if isinstance(value, list):
        return read_degrees(value)
    return one_of(value, SCALES, "a scale")


def read_meter(value: object) -> tuple[int, int]:
    found = _METER.fullmatch(value) if isinstance(value, str) else None
    if found is None or int(found[1]) > 32:
        raise ValueError(
            f"must be a meter such as 4/4 (1 to 32 beats of 1, 1/2 ... 1/32), not {shown(value)}"
        )
    return int(found[1]), int(found[2])


def read_play(value: object) -> str | tuple[str, ...]:
    if value == "all":
        return "all"
    if not isinstance(value, list):
        raise ValueError(f"must be all or a list of lanes, not {shown(value)}")
    return tuple(read_name(item) for item in value)


Rate = Annotated[Fraction, Reads(read_rate, "a rate: `1/16`, `1/8T`, `1/8.`, `3/32`, `3:4`")]
Output = Annotated[str | None, Reads(read_out, "an output of the rig: `interface.output`")]
Pattern = Annotated[
    Steps | None,
    Reads(
        read_pattern,
        "`x` hit, `X` accented hit, `.` rest; behind a hit its own `(60%, 3x, level 0.5)`",
    ),
]
Accents = Annotated[tuple[int, ...], Reads(read_marks, "`X` accented, `x` half as much, `.` not")]
Expression = Annotated[
    str | None,
    Reads(read_expression, "lane names with `and`, `or`, `xor`, `not`, parentheses and functions"),
]
OneNote = Annotated[
    Note,
    Reads(
        read_one_note,
        'a note name or number, a degree of the key (`^5`), `.` rest, `"-"` tie, '
        "`{note: E2, glide: true}`",
    ),
]
OneLevel = Annotated[float | None, Reads(read_one_level, "-1 to 1, `.` rest")]
Yes = Annotated[bool | None, Reads(read_walk, "`true`")]
Advance = Annotated[Fraction | str | None, Reads(read_advance, "a lane of hits")]
Reset = Annotated[int | str | None, Reads(read_reset, "bars (1 to 1024), or a lane")]
Gate = Annotated[float | str | None, Reads(read_gate, "0.01 to 16 steps, or `tie`")]
Spacing = Annotated[
    float | None, Reads(read_spacing, "`even`, `accelerating`, `slowing`, or -1 to 1")
]
Scale = Annotated[
    str | tuple[int, ...] | None,
    Reads(read_quantise, "`key`, `off`, a scale, or semitones above the root"),
]
Chord = Annotated[tuple[int, ...], Reads(read_chord, "scale steps from 1")]
Octaves = Annotated[
    tuple[int, int] | None, Reads(read_octaves, "lowest and highest octave, -1 to 9")
]
Root = Annotated[str, Reads(read_root, "A to G, with `#` or `b`")]
KeyScale = Annotated[
    str | tuple[int, ...], Reads(read_scale, "a scale by name, or semitones above the root")
]
EntryBars = Annotated[
    int | Literal["open"], Reads(read_entry_bars, f"whole, 1 to {MAX_BARS} bars, or `open`")
]
Groove = Annotated[
    tuple[float, ...],
    Reads(read_groove, f"up to {MAX_STEPS} numbers, -50 to 50 percent of a sixteenth"),
]
Meter = Annotated[tuple[int, int], Reads(read_meter, "beats in a bar / note value of a beat")]
Play = Annotated[str | tuple[str, ...] | None, Reads(read_play, "`all`, or a list of lanes")]
