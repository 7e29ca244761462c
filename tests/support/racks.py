"""Seeded racks for a soundcheck: what each gate sounds on two nights, with three faults on the second."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from support.drums import RATE, Drum, another_night, rack, room

from bridge.listen.audio import Samples
from bridge.listen.compare import compare
from bridge.listen.figures import describe
from bridge.listen.onset import first_onset
from bridge.listen.sound import Sound, mean_sound

QUIET_S, SOUND_S = 0.2, 0.45


@dataclass(frozen=True, slots=True)
class Faults:
    """Which outputs are wrong on the second night. `wrong` goes to a voice that is not in the set,
    `dead` to nothing, `swapped` are in one another's jack."""

    wrong: str
    dead: str
    swapped: tuple[str, str]

    @property
    def all(self) -> set[str]:
        return {self.wrong, self.dead, *self.swapped}


def hit(one: Drum | None, number: int, chance: np.random.Generator) -> Samples:
    """One hit after `QUIET_S` of quiet, in a room that hums and hisses at -50 dB."""
    sound = room(round((QUIET_S + SOUND_S) * RATE), RATE, chance)
    if one is not None:
        voice = one.hit(number, RATE, SOUND_S)
        begin = round(QUIET_S * RATE)
        sound[begin : begin + len(voice)] += voice
    return sound


def two_nights(seed: int) -> tuple[dict[str, Drum], Mapping[str, Drum | None], Faults]:
    """Eight voices by output, the same on the night after with the faults put in, and the faults."""
    chance = np.random.default_rng([seed, 99])
    nine = rack(seed, 9)
    names = [f"main.gate-{i}" for i in range(1, 9)]
    first = dict(zip(names, nine, strict=False))
    a, b, wrong, dead = (str(name) for name in chance.permutation(names)[:4])
    second: dict[str, Drum | None] = {n: another_night(d, chance) for n, d in first.items()}
    second[a], second[b] = second[b], second[a]
    second[wrong], second[dead] = another_night(nine[8], chance), None
    return first, second, Faults(wrong, dead, (a, b))


QUIET = round(QUIET_S * RATE)
HITS = 3


def heard(one: Drum | None, chance: np.random.Generator) -> Sound | None:
    found = []
    for number in range(HITS):
        sound = hit(one, number, chance)
        onset = first_onset(sound, RATE, QUIET)
        if onset is not None:
            found.append(describe(sound[int(onset.at) :], RATE, sound[:QUIET]))
    return mean_sound(found) if len(found) > 1 else None


def judged(seed: int) -> tuple[list[str], list[str]]:
    """The faults of a rack that were not found, and its false alarms."""
    first, second, faults = two_nights(seed)
    chance = np.random.default_rng([seed, 5])
    last = {name: heard(one, chance) for name, one in first.items()}
    assert None not in last.values(), "every voice is loud enough to be heard"
    good = {name: sound for name, sound in last.items() if sound is not None}
    found = compare({name: heard(one, chance) for name, one in second.items()}, good)
    assert [one.output for one in found] == list(second)
    a, b = faults.swapped
    wanted = {a: {("swapped", b)}, b: {("swapped", a)}, faults.dead: {("nothing", "")}}
    missed, alarms = [], []
    for one in found:
        if one.output in wanted:
            right = (one.verdict, one.other) in wanted[one.output]
        elif one.output == faults.wrong:
            right = one.verdict in ("changed", "like")
        elif one.verdict != "same":
            alarms.append(f"rack {seed}: {one}")
            continue
        else:
            continue
        if not right:
            missed.append(f"rack {seed}: {one}")
    return missed, alarms
