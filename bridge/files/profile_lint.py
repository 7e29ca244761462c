"""Whether a profile means something: ranges, clashes, duplicates, what belongs together.

One small generator per rule; each yields problems with the keys of the value to blame, so that a
document can find the place. What the types already refuse is not repeated here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from bridge.errors import Problem
from bridge.voltage.profile import Output, Profile, note_of_volts

Rule = Callable[[Profile], Iterator[Problem]]

_GATE_BY = ("note", "note-velocity", "cc", "cc14", "nrpn")
_VALUE_BY = ("bend", "cc", "cc14", "nrpn", "pressure", "program")
_ALLOWED_BY = {
    "gate": _GATE_BY,
    "trigger": (*_GATE_BY, "program"),
    "pitch": ("note-pitch", "bend", "cc", "cc14", "nrpn"),
    "level": ("note-velocity", *_VALUE_BY),
    "clock": (*_GATE_BY, "clock"),
    "reset": (*_GATE_BY, "clock"),
    "run": (*_GATE_BY, "clock"),
}
# First and last number of an address; controllers from 120 are mode messages (MIDI 1.0, p. 20),
# parameter 16383 is the null parameter (RP-018).
_NUMBERS = {
    "note": (0, 127),
    "note-velocity": (0, 127),
    "cc": (0, 119),
    "cc14": (0, 31),
    "nrpn": (0, 16382),
    "program": (0, 127),
}
_NEEDS_NUMBER = ("cc", "cc14", "nrpn")


def lint(profile: Profile) -> list[Problem]:
    """Everything wrong with the meaning of a profile, rule by rule; empty when it is good."""
    return [problem for rule in RULES for problem in rule(profile)]


def _at(out: Output, key: str, message: str) -> Problem:
    keys = ("outputs", out.name, key)
    return Problem(message, ".".join(keys), keys=keys)


def names_are_unique(profile: Profile) -> Iterator[Problem]:
    seen: set[str] = set()
    for out in profile.outputs:
        if out.name in seen:
            yield _at(out, "kind", "another output has the same name")
        seen.add(out.name)


def kinds_fit_addresses(profile: Profile) -> Iterator[Problem]:
    for out in profile.outputs:
        allowed = _ALLOWED_BY[out.kind]
        if out.address.by not in allowed:
            yield _at(
                out,
                "by",
                f"a {out.kind} output cannot be driven by {out.address.by}; "
                f"it can by {', '.join(allowed)}",
            )


def numbers_fit_addresses(profile: Profile) -> Iterator[Problem]:
    for out in profile.outputs:
        by, number = out.address.by, out.address.number
        if by not in _NUMBERS:
            if number is not None:
                yield _at(out, "number", f"{by} has no number")
            continue
        low, high = _NUMBERS[by]
        if number is None:
            needed = by in _NEEDS_NUMBER or (by == "program" and out.gates)
            if needed:
                yield _at(out, "number", f"is missing: {by} needs a number {low}..{high}")
        elif not low <= number <= high:
            yield _at(out, "number", f"must be {low}..{high} for {by}")
        elif by == "program" and out.kind == "level":
            yield _at(out, "number", "a level by program has no number: the program is the level")
        elif by == "note-velocity" and out.kind == "level":
            yield _at(
                out,
                "number",
                "a level by note-velocity follows any note of its voice; leave the number out",
            )


def channels_exist(profile: Profile) -> Iterator[Problem]:
    for out in profile.outputs:
        if not 1 <= out.address.channel <= 16:
            yield _at(out, "channel", "must be 1..16")


def volts_make_a_range(profile: Profile) -> Iterator[Problem]:
    for out in profile.outputs:
        bottom, top = sorted((out.low, out.high))
        if bottom == top:
            yield _at(out, "high", "low and high are the same voltage")
        elif not bottom <= out.rest <= top:
            yield _at(out, "rest", f"{out.rest:g} V is outside {bottom:g}..{top:g} V")


def gates_rest_closed(profile: Profile) -> Iterator[Problem]:
    for out in profile.outputs:
        if not out.gates:
            if out.inverted:
                yield _at(
                    out,
                    "inverted",
                    f"only gates can be inverted, not a {out.kind}; swap low and high instead",
                )
            continue
        if out.inverted and out.low < out.high:
            yield _at(
                out,
                "inverted",
                "an inverted output idles at the higher voltage: low "
                "(closed) must be above high (open)",
            )
        if not out.inverted and out.low > out.high:
            yield _at(out, "low", "closed is above open; if that is so, say inverted: true")
        if out.rest != out.low and min(out.low, out.high) <= out.rest <= max(out.low, out.high):
            yield _at(out, "rest", f"a gate rests closed, at {out.low:g} V")


def pitch_has_a_law(profile: Profile) -> Iterator[Problem]:
    for out in profile.outputs:
        if out.kind != "pitch":
            continue
        bottom, top = sorted((out.low, out.high))
        if out.law == "hz/v":
            if out.reference_volts <= 0.0:
                yield _at(out, "reference_volts", "must be above 0 V: by Hz/V, 0 V is 0 Hz")
                continue
            if bottom < 0.0:
                yield _at(out, "low", "must not be below 0 V: by Hz/V there is no such pitch")
                continue
            if out.volts_per_octave != 1.0:
                yield _at(out, "volts_per_octave", "has no meaning with hz/v")
        if not bottom <= out.reference_volts <= top:
            yield _at(out, "reference_volts", f"lies outside {bottom:g}..{top:g} V")
            continue
        if out.address.by == "note-pitch" and note_of_volts(out, top) < 0.0:
            yield _at(out, "reference_note", "the whole range lies below note 0")
        if not 0.0 <= out.reference_note <= 127.0:
            yield _at(out, "reference_note", "must be 0..127")


def bend_is_usable(profile: Profile) -> Iterator[Problem]:
    for out in profile.outputs:
        if out.address.by != "note-pitch":
            if out.set_bend_range:
                yield _at(out, "set_bend_range", "only a voice played by notes has a bend range")
            continue
        if 0.0 < out.bend_semitones < 0.5:
            yield _at(
                out,
                "bend_semitones",
                "less than half a semitone cannot reach the pitches "
                "between notes; at least 0.5, or 0 for none",
            )
        if out.set_bend_range and out.bend_semitones <= 0.0:
            yield _at(out, "set_bend_range", "there is no bend range to set: bend_semitones is 0")
        # RPN 0 carries semitones and cents (MIDI 1.0, p. 18).
        cents = out.bend_semitones * 100
        if out.set_bend_range and abs(cents - round(cents)) > 1e-6:
            yield _at(out, "bend_semitones", "RPN 0 sets whole cents; use at most two decimals")


def pulses_are_possible(profile: Profile) -> Iterator[Problem]:
    for out in profile.outputs:
        if out.pulse_ms < 0.0:
            yield _at(out, "pulse_ms", "must be 0 or more")
        if out.gap_ms < 0.0:
            yield _at(out, "gap_ms", "must be 0 or more")
        if out.pulse_ms > 0.0 and out.kind in ("gate", "run", "pitch", "level"):
            yield _at(out, "pulse_ms", f"a {out.kind} has no fixed width; kind: trigger has")
        if out.address.by == "program" and out.gates and out.pulse_ms <= 0.0:
            yield _at(
                out,
                "pulse_ms",
                "a program change cannot close what it opens: say how wide the pulse is",
            )
        if out.kind == "clock":
            if out.ppqn < 1 or 24 % out.ppqn:
                yield _at(out, "ppqn", "must divide 24: 1, 2, 3, 4, 6, 8, 12 or 24")
            elif out.pulse_ms + out.gap_ms > 60_000 / 300 / out.ppqn:
                yield _at(
                    out,
                    "pulse_ms",
                    f"pulse and gap do not fit into {out.ppqn} pulses per quarter at 300 BPM",
                )


def voices_hang_together(profile: Profile) -> Iterator[Problem]:
    voices: dict[str, list[Output]] = {}
    for out in profile.outputs:
        if out.voice is None:
            continue
        voices.setdefault(out.voice, []).append(out)
        by = out.address.by
        if by not in ("note", "note-velocity", "note-pitch"):
            yield _at(out, "voice", f"an output driven by {by} is not part of a note")
        elif by != "note-pitch" and out.address.number is not None:
            yield _at(out, "number", "a voice plays any note of its channel; leave the number out")
    for members in voices.values():
        for out in members[1:]:
            if out.address.channel != members[0].address.channel:
                yield _at(
                    out,
                    "channel",
                    f"voice {out.voice} is on channel "
                    f"{members[0].address.channel}, where {members[0].name} is",
                )
        roles: dict[str, Output] = {}
        for out in members:
            role = "gate" if out.gates else out.kind
            if role in roles:
                yield _at(
                    out, "voice", f"voice {out.voice} has its {role} already: {roles[role].name}"
                )
            roles.setdefault(role, out)
    for out in profile.outputs:
        follows = out.address.by == "note-velocity" and out.address.number is None
        if out.voice is None and follows:
            yield _at(out, "voice", "is missing: without a number it follows the notes of a voice")


def excludes_exist(profile: Profile) -> Iterator[Problem]:
    names = {out.name for out in profile.outputs}
    for out in profile.outputs:
        for name in out.excludes:
            if name == out.name:
                yield _at(out, "excludes", "an output cannot exclude itself")
            elif name not in names:
                yield _at(out, "excludes", f"there is no output {name}")
        if len(set(out.excludes)) != len(out.excludes):
            yield _at(out, "excludes", "names an output twice")


def addresses_do_not_clash(profile: Profile) -> Iterator[Problem]:
    outputs = profile.outputs
    claims = [_claims(out) for out in outputs]
    for i, out in enumerate(outputs):
        for j in range(i):
            other = outputs[j]
            if other.name in out.excludes or out.name in other.excludes:
                continue
            if out.voice is not None and out.voice == other.voice:
                continue
            shared = claims[i] & claims[j]
            if shared:
                yield _at(
                    out, "by", f"{other.name} is moved by the same message: {_words(min(shared))}"
                )


def _claims(out: Output) -> set[tuple[str, int, int]]:
    """Messages that move an output, or that setting it needs, as (kind, channel, number)."""
    by, channel, number = out.address.by, out.address.channel, out.address.number
    if by == "clock":
        return set()  # any number of outputs may listen to the same clock
    if by in ("note", "note-velocity", "note-pitch"):
        notes = range(128) if number is None else (number,)
        claims = {("note", channel, note) for note in notes}
        if by == "note-pitch" and out.bend_semitones > 0.0:
            claims.add(("bend", channel, 0))
            if out.set_bend_range:
                claims |= {("cc", channel, n) for n in (6, 38, 100, 101)}
        return claims
    if by == "program":
        programs = range(128) if number is None else (number,)
        return {("program", channel, program) for program in programs}
    n = number or 0
    if by == "cc":
        return {("cc", channel, n)}
    if by == "cc14":
        return {("cc", channel, n), ("cc", channel, n + 32)}
    if by == "nrpn":
        return {("nrpn", channel, n)}
    return {(by, channel, 0)}


def _words(claim: tuple[str, int, int]) -> str:
    kind, channel, number = claim
    names = {
        "cc": f"controller {number}",
        "note": f"note {number}",
        "nrpn": f"parameter {number}",
        "program": f"program {number}",
    }
    return f"{names.get(kind, kind)} on channel {channel}"


def parameters_keep_their_controllers(profile: Profile) -> Iterator[Problem]:
    """Data entry and parameter numbers (6, 38, 98..101; MIDI 1.0, p. 11) cannot be an output of
    their own on a channel where parameters are set."""
    channels = {
        out.address.channel
        for out in profile.outputs
        if out.address.by == "nrpn" or out.set_bend_range
    }
    for out in profile.outputs:
        if out.address.by not in ("cc", "cc14") or out.address.channel not in channels:
            continue
        taken = {n for _, _, n in _claims(out)} & {6, 38, 98, 99, 100, 101}
        if taken:
            yield _at(
                out,
                "number",
                f"controller {min(taken)} sets parameters on channel {out.address.channel}",
            )


RULES: tuple[Rule, ...] = (
    names_are_unique,
    kinds_fit_addresses,
    numbers_fit_addresses,
    channels_exist,
    volts_make_a_range,
    gates_rest_closed,
    pitch_has_a_law,
    bend_is_usable,
    pulses_are_possible,
    voices_hang_together,
    excludes_exist,
    addresses_do_not_clash,
    parameters_keep_their_controllers,
)
