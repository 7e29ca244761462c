"""Chance without state: every draw is a pure function of what it is drawn for.

The same seed plays the same night again, and a window rendered twice is the same twice. A draw is
named by (seed, lane, purpose), folded once into a 64-bit key, and by two counters: for lanes with
steps the pass and the step, for derived lanes the grid tick and a number.

The key is a BLAKE2b digest (RFC 7693); each draw then takes one round of the SplitMix64 finaliser
(Steele, Lea and Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014), which costs
well under a microsecond in CPython.
"""

from __future__ import annotations

try:
    # Where hashlib has it from; by itself, since hashlib loads OpenSSL (1 MB of each player).
    from _blake2 import blake2b
except ImportError:  # not CPython
    from hashlib import blake2b

_MASK = 0xFFFFFFFFFFFFFFFF
PASS = 0x9E3779B97F4A7C15
STEP = 0xD1B54A32D192ED03
UNIT = 2.0**-53


def key(seed: int, lane: str, purpose: str) -> int:
    """The 64-bit key of one stream of draws; `seed` is any integer."""
    text = f"{seed}\x1f{lane}\x1f{purpose}".encode()
    return int.from_bytes(blake2b(text, digest_size=8).digest(), "big")


def draw(stream: int, pass_index: int, step: int) -> float:
    """A number in [0, 1), evenly spread, for a pass and a step of the stream that `key` made."""
    z = (stream + pass_index * PASS + step * STEP) & _MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    return ((z ^ (z >> 31)) >> 11) * UNIT


def draws(stream: int, pass_index: int, count: int) -> list[float]:
    """What `draw` gives for the steps 0..count-1 of a pass; quicker than to ask for each."""
    found = []
    z = stream + pass_index * PASS
    for _ in range(count):
        y = z & _MASK
        y = ((y ^ (y >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
        y = ((y ^ (y >> 27)) * 0x94D049BB133111EB) & _MASK
        found.append(((y ^ (y >> 31)) >> 11) * UNIT)
        z += STEP
    return found


def signed(stream: int, pass_index: int, step: int) -> float:
    """A number in [-1, 1), evenly spread."""
    return 2.0 * draw(stream, pass_index, step) - 1.0


def pick(stream: int, pass_index: int, step: int, count: int) -> int:
    """One of 0..count-1, each as likely."""
    return int(draw(stream, pass_index, step) * count)


def shuffled(stream: int, pass_index: int, count: int) -> tuple[int, ...]:
    """A permutation of 0..count-1, each as likely (Fisher and Yates, backwards form)."""
    places = list(range(count))
    for last in range(count - 1, 0, -1):
        other = pick(stream, pass_index, last, last + 1)
        places[last], places[other] = places[other], places[last]
    return tuple(places)
