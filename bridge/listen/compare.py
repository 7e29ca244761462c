"""Which cable is wrong, as far as sounds can tell: tonight's sounds against those of the last good
soundcheck, or against one another where there was none. Hints, and said as such."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from bridge.listen.sound import Sound, distance

SAME = 0.5
"""Sounds that are nearer to each other than this may be one voice on two nights."""
NEARER = 0.6
"""Another voice is the better match only when it is nearer than so much of the own distance."""
SURELY = 0.3
"""Below this a sound is its own voice, whatever else it may be like."""
TWINS = 0.2
"""Two outputs whose sounds are nearer than this sound one voice."""

Verdict = Literal["same", "new", "nothing", "swapped", "like", "changed", "alike"]


@dataclass(frozen=True, slots=True)
class Finding:
    """What is found of one output. `other` is the output whose voice it sounds like.

    - ``same``: as at the last good soundcheck; ``new``: heard, and nothing to compare it with;
    - ``nothing``: nothing was heard;
    - ``swapped``: sounds like `other` did, and `other` as this one did;
    - ``like``: sounds like `other` did; ``alike``: sounds as `other` sounds now;
    - ``changed``: sounds like no voice of the last good soundcheck.
    """

    output: str
    verdict: Verdict
    other: str = ""


def compare(now: Mapping[str, Sound | None], last: Mapping[str, Sound]) -> list[Finding]:
    """What is found of each output.

    Args:
        now: tonight's sounds by output; None where nothing was heard.
        last: those of the last good soundcheck; empty when there was none.

    Returns:
        One finding for each of `now`, in its order.
    """
    likes = {name: _nearest(name, sound, last) for name, sound in now.items() if sound is not None}
    found = []
    for name, sound in now.items():
        other = likes.get(name)
        if sound is None:
            found.append(Finding(name, "nothing"))
        elif other and likes.get(other) == name:
            found.append(Finding(name, "swapped", other))
        elif other:
            found.append(Finding(name, "like", other))
        elif name in last:
            near = distance(sound, last[name]) <= SAME
            found.append(Finding(name, "same" if near else "changed"))
        else:
            twin = _twin(name, sound, now)
            found.append(Finding(name, "alike", twin) if twin else Finding(name, "new"))
    return found


def _nearest(name: str, sound: Sound, last: Mapping[str, Sound]) -> str | None:
    """The output whose last sound this one is, if that is plainly another than its own."""
    own = distance(sound, last[name]) if name in last else SAME / NEARER
    if own <= SURELY:
        return None
    others = {key: distance(sound, old) for key, old in last.items() if key != name}
    best = min(others, key=lambda key: others[key], default=None)
    if best is None or others[best] > min(SAME, NEARER * own):
        return None
    return best


def _twin(name: str, sound: Sound, now: Mapping[str, Sound | None]) -> str | None:
    for other, theirs in now.items():
        if other != name and theirs is not None and distance(sound, theirs) <= TWINS:
            return other
    return None
