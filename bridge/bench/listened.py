"""A soundcheck by ear: each gate is fired alone, each pitch moved by an octave, each level raised,
and what the input brings is put into words.

It is a hint and says so: sounds are compared by a few figures (`bridge.listen.sound`), and only a
person knows how the rack is meant to sound.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from bridge.bench.checklist import FULL, NO_CABLE, QUIET, gate_of
from bridge.bench.hearing import Hearing, Struck
from bridge.errors import BridgeError
from bridge.files.rig import Rig
from bridge.files.sounds import Known
from bridge.listen.compare import Finding, compare
from bridge.listen.onset import floor_of
from bridge.listen.pitch import measure
from bridge.listen.quiet import why_silent
from bridge.listen.sound import Sound, distance
from bridge.music.model import SetSpec
from bridge.voltage.profile import WiredOutput, note_of_volts

HITS = 3
SHARES = (0.25, 1.0)
"""Of its range: how far a level is raised, the second time only when the first changed nothing."""
HELD_S = 0.35
PITCH_AFTER_S = 0.1
OCTAVE_CENTS, OFF_CENTS = 1200.0, 150.0
STILL_CENTS = 50.0
CHANGED, CHANGED_DB = 0.3, 3.0
"""A level changes a sound that moves by so much, or by thrice as much as its hits differ anyway."""
SCATTERS = 3.0
LOUDER = 2.0  # the input without a hit: something sounds by itself now
HINT = "Sounds are compared by a few figures only: take this as a hint and look at the cable."


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard of one output: `good`, or something to look at; `says` in words."""

    output: str
    good: bool
    says: str


def voice(wired: WiredOutput) -> str:
    """What a cable's words call the voice: what stands before the first comma."""
    return wired.cable.split(",")[0].strip() or NO_CABLE


def opener(wired: WiredOutput, rig: Rig, spec: SetSpec | None) -> str | None:
    """The gate that lets a pitch be heard: that of its own voice, or the one whose hits move it in
    the set. None when neither is known."""
    own = gate_of(wired, rig.wired)
    if own is not None or spec is None:
        return own
    lanes = {lane.name: lane for lane in spec.lanes}
    for lane in spec.lanes:
        if lane.out == wired.name and isinstance(lane.advance, str):
            gate = lanes[lane.advance].out
            if gate is not None and gate in rig.wired and rig.wired[gate].output.gates:
                return gate
    return None


@dataclass
class ListenedCheck:
    """One soundcheck by ear. `heard` has what was found so far, `struck` the hits of each gate;
    both stay when it ends early, and then nothing of it is kept as good."""

    rig: Rig
    spec: SetSpec | None
    hearing: Hearing
    known: Mapping[str, Known] = field(default_factory=dict)
    heard: dict[str, Heard] = field(default_factory=dict)
    struck: dict[str, Struck] = field(default_factory=dict)
    complete: bool = False

    def run(self, names: Sequence[str]) -> Iterator[Heard]:
        """Checks outputs, gates first; gives what is found of each as it goes. All outputs that
        were moved are at rest after each.

        Raises:
            ListenError: the input cannot be listened to any further.
        """
        self.hearing.listen_to_room()
        by_kind = sorted(names, key=lambda name: not self.rig.wired[name].output.gates)
        for name in by_kind:
            wired = self.rig.wired[name]
            try:
                yield self._note(self._one(wired))
            finally:
                self.hearing.hands.rest(name)
        if names and not any(one.heard for one in self.struck.values()) and self.struck:
            take = self.hearing.held(0.5)
            raise why_silent(self.hearing.ear.name, take.samples, take.rate)
        self.complete = True

    def _note(self, heard: Heard) -> Heard:
        self.heard[heard.output] = heard
        return heard

    def _one(self, wired: WiredOutput) -> Heard:
        kind = wired.output.kind
        if wired.output.address.by == "clock" or kind in ("clock", "reset", "run"):
            return Heard(wired.name, True, f"{head(wired)}: not listened to, it makes no sound")
        if wired.output.gates:
            return self._gate(wired)
        return self._pitch(wired) if kind == "pitch" else self._level(wired)

    # --- gates ---------------------------------------------------------------------------------

    def _gate(self, wired: WiredOutput) -> Heard:
        struck = self.hearing.strike(wired.name, QUIET, HITS)
        if not struck.heard:
            # Some voices open from a higher trigger on; it was quiet first.
            struck = self.hearing.strike(wired.name, FULL, HITS)
        self.struck[wired.name] = struck
        if struck.stray:
            return Heard(
                wired.name,
                False,
                f"{head(wired)}: what is heard does not come with its hits; is something else "
                "playing?",
            )
        if not struck.heard:
            return Heard(wired.name, False, f"{head(wired)}: nothing heard")
        level = "" if struck.level == QUIET else ", at full level only"
        late = f"after {struck.late_ms:.1f} ms" if struck.placed else "(not sure when)"
        says = f"{head(wired)}: heard {late}, {struck.sound.level_db:.0f} dB{level}"
        return Heard(wired.name, True, says)

    def sounds(self) -> dict[str, Sound | None]:
        """What each gate that was fired sounds like; None where nothing was heard."""
        return {name: one.sound if one.heard else None for name, one in self.struck.items()}

    def findings(self) -> list[Finding]:
        """The gates compared with the last good soundcheck, or with one another."""
        return compare(self.sounds(), {name: one.sound for name, one in self.known.items()})

    # --- values --------------------------------------------------------------------------------

    def _pitch(self, wired: WiredOutput) -> Heard:
        gate = opener(wired, self.rig, self.spec)
        out = wired.output
        low, high = sorted((out.low, out.high))
        floor = max(low, 0.05) if out.law == "hz/v" else low
        lowest, highest = note_of_volts(out, floor), note_of_volts(out, high)
        first = min(max(lowest, (lowest + highest) / 2.0 - 12.0), highest - 12.0)
        found = [self._hertz(wired, gate, note) for note in (first, first + 12.0)]
        if found[0] is None or found[1] is None:
            why = "" if gate else "; no gate of it is known, so only a voice that drones is heard"
            return Heard(wired.name, False, f"{head(wired)}: no pitch heard{why}")
        cents = 1200.0 * math.log2(found[1] / found[0])
        if abs(cents - OCTAVE_CENTS) <= OFF_CENTS:
            says = f"follows an octave by {cents:.0f} cents"
            return Heard(wired.name, True, f"{head(wired)}: {says}")
        if abs(cents) <= STILL_CENTS:
            return Heard(wired.name, False, f"{head(wired)}: the pitch does not follow")
        says = f"an octave moves it by {cents:.0f} cents; another standard, or another input?"
        return Heard(wired.name, False, f"{head(wired)}: {says}")

    def _hertz(self, wired: WiredOutput, gate: str | None, note: float) -> float | None:
        hands, room = self.hearing.hands, self.hearing.room
        self.hearing.settle()
        if gate is not None:
            hands.close(gate)
        hands.value(wired.name, "pitch", note)
        hands.wait(0.03)
        try:
            if gate is not None:
                hands.open(gate, QUIET)
            hands.wait(PITCH_AFTER_S)
            take = self.hearing.held(HELD_S)
        finally:
            if gate is not None:
                hands.close(gate)
        heard = floor_of(take.samples, take.rate)
        if gate is not None and room is not None and heard.rms <= LOUDER * room.rms:
            return None  # what sounds is the hum of the input
        pitch = measure(take.samples, take.rate)
        return None if pitch is None else pitch.hertz

    def _level(self, wired: WiredOutput) -> Heard:
        """Each voice that was heard is struck again with the level up."""
        voices = {name: one for name, one in self.struck.items() if one.heard}
        out = wired.output
        end = out.high if abs(out.high - out.rest) >= abs(out.low - out.rest) else out.low
        before = self.hearing.room
        for share in SHARES:
            self.hearing.hands.value(wired.name, "level", out.rest + (end - out.rest) * share)
            now = self.hearing.listen_to_room()
            if before is not None and now.rms > LOUDER * max(before.rms, 1e-5):
                self.hearing.room = before
                return Heard(wired.name, True, f"{head(wired)}: something sounds by itself with it")
            for name, one in voices.items():
                if self._differs(name, one) and self._differs(name, one):
                    says = f"{head(wired)}: changes {voice(self.rig.wired[name])} ({name})"
                    return Heard(wired.name, True, says)
        why = "nothing that is heard changes with it"
        if not voices:
            why = "no voice was heard by which it could be told; check its gate with it"
        return Heard(wired.name, False, f"{head(wired)}: {why}")

    def _differs(self, name: str, one: Struck) -> bool:
        hit = self.hearing.strike(name, one.level, 1)
        if not hit.hits:
            return True
        far, louder = one.scatter
        sound, usual = hit.hits[0].sound, one.sound
        return distance(sound, usual) > max(CHANGED, SCATTERS * far) or abs(
            sound.level_db - usual.level_db
        ) > max(CHANGED_DB, SCATTERS * louder)


def head(wired: WiredOutput) -> str:
    return f"{wired.name}, {voice(wired)}"


def finding_words(finding: Finding, rig: Rig, known: Mapping[str, Known]) -> str:
    """A finding that is to be looked at, in words; nothing where all is as it should be."""
    wired = rig.wired[finding.output]
    other = rig.wired.get(finding.other)
    that = "" if other is None else f"{voice(other)} ({other.name})"
    day = known[finding.other].made[:10] if finding.other in known else ""
    own_day = known[finding.output].made[:10] if finding.output in known else ""
    said = {
        "nothing": "nothing heard",
        "swapped": f"sounds like {that} did on {day}, and that one like this: cables swapped?",
        "like": f"sounds like {that} did on {day}: is its cable in that voice's jack?",
        "changed": (
            f"sounds like no voice of the last good soundcheck ({own_day}): another cable, or "
            "were its knobs turned?"
        ),
        "alike": f"sounds the same as {that}: do both cables go to one voice?",
    }.get(finding.verdict)
    return "" if said is None else f"{head(wired)}: {said}"


def summary(check: ListenedCheck, trouble: BridgeError | None = None) -> list[str]:
    """The list at the end: what to look at, or that nothing is wrong as far as can be heard.

    Args:
        check: what was found so far, by a soundcheck that has ended.
        trouble: why it broke off, told first; None: nothing did.
    """
    lines = []
    if trouble is not None:
        lines.append(f"ended early: {trouble}")
    findings = [finding_words(one, check.rig, check.known) for one in check.findings()]
    wrong = [line for line in findings if line]
    named = {one.output for one in check.findings() if finding_words(one, check.rig, check.known)}
    wrong += [one.says for name, one in check.heard.items() if not one.good and name not in named]
    if wrong:
        lines += ["To look at:", *(f"  {line}" for line in wrong)]
        if any(one.verdict in ("swapped", "like", "changed", "alike") for one in check.findings()):
            lines.append(HINT)
    elif trouble is None:
        against = "as at the last good soundcheck" if check.known else "nothing to compare with yet"
        lines.append(f"Every output that can be heard is heard; {against}.")
    if not check.complete:
        lines.append("What was measured so far is shown above; none of it is kept.")
    return lines


def all_good(check: ListenedCheck) -> bool:
    """Whether this one may be kept as a good one without a person looking."""
    fine = all(one.verdict in ("same", "new") for one in check.findings())
    return check.complete and fine and all(one.good for one in check.heard.values())


def to_keep(check: ListenedCheck, now: datetime) -> dict[str, Known]:
    """The sounds of this check, to be kept beside the rig with those of other outputs.

    Args:
        check: its gates that were heard replace what was known of them.
        now: the date that they get, to the second.

    Returns:
        Sounds by gate, in the order of the rig; outputs that it no longer has are dropped.
    """
    made = now.replace(microsecond=0).isoformat()
    kept = dict(check.known)
    for name, one in check.struck.items():
        if one.heard:
            kept[name] = Known(made, one.late_ms, one.sound)
    return {name: kept[name] for name in check.rig.wired if name in kept}
