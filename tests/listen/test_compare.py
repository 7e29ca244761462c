"""Wrong, dead and swapped cables, in seeded racks whose faults are known.

Each rack has eight voices of different kinds; on the second night every voice is a little off (pitch
1.5 %, decay 5 %, level 1.5 dB, as standard deviations), no hit is equal to another, and the room
hums and hisses at -50 dB. `tests/bench/bench_ears.py` does a hundred of them.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.drums import RATE, Drum
from support.racks import QUIET_S, hit, two_nights

from bridge.listen.compare import Finding, compare
from bridge.listen.figures import describe
from bridge.listen.onset import first_onset, floor_of
from bridge.listen.sound import Sound, mean_sound

RACKS = 25
QUIET = round(QUIET_S * RATE)
HITS = 3


def heard(one: Drum | None, chance: np.random.Generator) -> Sound | None:
    found = []
    for number in range(HITS):
        sound = hit(one, number, chance)
        onset = first_onset(sound, RATE, floor_of(sound[:QUIET], RATE), QUIET)
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
        elif one.verdict != "fine":
            alarms.append(f"rack {seed}: {one}")
            continue
        else:
            continue
        if not right:
            missed.append(f"rack {seed}: {one}")
    return missed, alarms


@pytest.mark.slow
def test_every_fault_is_found_and_hardly_any_that_is_not_there() -> None:
    results = [judged(seed) for seed in range(RACKS)]
    assert [line for missed, _ in results for line in missed] == []
    alarms = [line for _, alarms in results for line in alarms]
    assert len(alarms) <= 1, alarms


# --- the rules, one by one ---------------------------------------------------------------------


def sound(octave: int, decay_ms: float = 100.0) -> Sound:
    bands = tuple(-1.0 if i == octave else -25.0 for i in range(10))
    return Sound(-12.0, bands, 31.25 * 2.0**octave, decay_ms)


KICK, RIM, SHAKER, BELL = sound(1, 300.0), sound(4), sound(7), sound(5, 900.0)


def verdicts(now: dict[str, Sound | None], last: dict[str, Sound]) -> list[Finding]:
    return compare(now, last)


def test_all_as_it_was() -> None:
    now: dict[str, Sound | None] = {"a": KICK, "b": RIM}
    assert verdicts(now, {"a": KICK, "b": RIM}) == [Finding("a", "fine"), Finding("b", "fine")]


def test_swapped_is_said_of_both() -> None:
    now: dict[str, Sound | None] = {"a": RIM, "b": KICK, "c": SHAKER}
    assert verdicts(now, {"a": KICK, "b": RIM, "c": SHAKER}) == [
        Finding("a", "swapped", "b"),
        Finding("b", "swapped", "a"),
        Finding("c", "fine"),
    ]


def test_a_cable_moved_on_by_one_is_like_the_next() -> None:
    now: dict[str, Sound | None] = {"a": RIM, "b": SHAKER, "c": KICK}
    assert verdicts(now, {"a": KICK, "b": RIM, "c": SHAKER}) == [
        Finding("a", "like", "b"),
        Finding("b", "like", "c"),
        Finding("c", "like", "a"),
    ]


def test_nothing_heard_and_a_voice_that_nobody_knows() -> None:
    now: dict[str, Sound | None] = {"a": None, "b": BELL}
    assert verdicts(now, {"a": KICK, "b": RIM}) == [
        Finding("a", "nothing"),
        Finding("b", "changed"),
    ]


def test_without_a_night_before_only_twins_stand_out() -> None:
    now: dict[str, Sound | None] = {"a": KICK, "b": RIM, "c": RIM, "d": None}
    assert verdicts(now, {}) == [
        Finding("a", "new"),
        Finding("b", "alike", "c"),
        Finding("c", "alike", "b"),
        Finding("d", "nothing"),
    ]


def test_an_output_that_was_not_there_before_may_still_sound_like_a_known_one() -> None:
    now: dict[str, Sound | None] = {"a": KICK, "b": KICK}
    assert verdicts(now, {"a": KICK}) == [Finding("a", "fine"), Finding("b", "like", "a")]
