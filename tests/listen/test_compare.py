"""Wrong, dead and swapped cables, in seeded racks whose faults are known.

Each rack has eight voices of different kinds; on the second night every voice is a little off (pitch
1.5 %, decay 5 %, level 1.5 dB, as standard deviations), no hit is equal to another, and the room
hums and hisses at -50 dB. `tests/bench/bench_ears.py` does a hundred of them.
"""

from __future__ import annotations

import pytest
from support.racks import judged

from bridge.listen.compare import Finding, compare
from bridge.listen.sound import Sound

RACKS = 25


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
    assert verdicts(now, {"a": KICK, "b": RIM}) == [Finding("a", "same"), Finding("b", "same")]


def test_swapped_is_said_of_both() -> None:
    now: dict[str, Sound | None] = {"a": RIM, "b": KICK, "c": SHAKER}
    assert verdicts(now, {"a": KICK, "b": RIM, "c": SHAKER}) == [
        Finding("a", "swapped", "b"),
        Finding("b", "swapped", "a"),
        Finding("c", "same"),
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
    assert verdicts(now, {"a": KICK}) == [Finding("a", "same"), Finding("b", "like", "a")]
