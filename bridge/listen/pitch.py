"""The pitch of a held note, to a small part of a cent.

In two steps. Which note it is: the McLeod pitch method (P. McLeod, G. Wyvill, "A smarter way to
find pitch", Proc. International Computer Music Conference, 2005): the normalised square difference
function of a window, its key maxima, the first that is nearly as high as the highest. An octave
error of this step is caught by what was asked for, where that is known.

How far it is off: over the whole take, the phases of the harmonics are followed in overlapping
windows; the slope of a phase over time is a frequency. The harmonics are weighed by how straight
their phases run, and those that disagree with the rest (another voice is in the way) are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from bridge.listen.audio import Mask, Samples, Wide

LOWEST_HZ, HIGHEST_SHARE = 16.0, 0.42
"""What is looked for: from 16 Hz to this part of the sample rate."""
NEARLY = 0.9
"""k of the method: a key maximum this near to the highest is the pitch (the paper: 0.8 to 1)."""
NEAR_CENTS = 300.0
"""What is expected may be off by this much: a voice before it is tuned."""
INEXACT = 5e-4
"""Of a clarity: what a parabola between two lags may miss."""
WINDOW_S = 0.17
"""Of the first step: nearly three periods of the lowest pitch."""
PHASE_S = 0.25
"""Of the second step, longest: long enough that the harmonics of 27.5 Hz stand apart."""
HOP_S = 0.006
HARMONICS = 24
WEAK = 0.01  # harmonics below this part of the strongest say nothing
FOREIGN = 0.01  # of the strongest harmonic: what another sound may add to any, unnoticed
CENT = math.log(2.0) / 1200.0


@dataclass(frozen=True, slots=True)
class Candidate:
    """A key maximum: its pitch and how high it is (1: exactly periodic)."""

    hertz: float
    clarity: float


@dataclass(frozen=True, slots=True)
class Pitch:
    """What one take sounds.

    Args:
        hertz: mean pitch over the take.
        clarity: 1 for what is exactly periodic, near 0 for noise.
        slope: cents a second by which it moves.
        wobble: cents (standard deviation) by which it strays from a steady move.
    """

    hertz: float
    clarity: float
    slope: float
    wobble: float


def measure(samples: Samples, rate: float, expected: float | None = None) -> Pitch | None:
    """The pitch of a held note.

    Args:
        samples: half a second or more of it; at least 0.2 s.
        rate: samples a second.
        expected: Hz; among several possible multiples the nearest one is meant.

    Returns:
        The pitch, or None when there is nothing periodic.
    """
    x = np.asarray(samples, dtype=np.float64)
    x = x - x.mean()
    window = x[-min(len(x), round(WINDOW_S * rate)) :]
    found = candidates(window, rate)
    if not found:
        return None
    plain = chosen(found)
    picked = plain if expected is None else near(found, plain, expected)
    hertz, slope, wobble = refined(x, rate, picked.hertz)
    return Pitch(hertz, picked.clarity, slope, wobble)


def cents(hertz: float, than: float) -> float:
    """How much sharper one pitch is than another, in cents; below 0 when it is flatter.

    Args:
        hertz: the pitch, above 0.
        than: the other one, above 0.
    """
    return math.log(hertz / than) / CENT


# --- which note --------------------------------------------------------------------------------


def difference(x: Wide, lags: int) -> Wide:
    """The normalised square difference function (equation 9 of the paper) for lags below `lags`:
    1 where the window is the same again, -1 where it is its own negative."""
    size = 1 << (len(x) + lags - 1).bit_length()
    spectrum = np.fft.rfft(x, size)
    products = np.fft.irfft(np.abs(spectrum) ** 2, size)[:lags]
    squares = np.concatenate(([0.0], np.cumsum(x * x)))
    lag = np.arange(lags)
    energy = squares[len(x) - lag] + (squares[-1] - squares[lag])
    made: Wide = 2.0 * products / np.maximum(energy, 1e-30)
    return made


def candidates(x: Wide, rate: float) -> list[Candidate]:
    """The key maxima: the highest point between each rise above zero and the fall below it,
    placed between the lags by a parabola; from high pitches to low ones."""
    lags = min(len(x) * 2 // 3, math.ceil(rate / LOWEST_HZ) + 2)
    if lags < 4 or not np.any(x):
        return []
    curve = difference(x, lags)
    positive = curve > 0.0
    edges = np.flatnonzero(positive[1:] != positive[:-1]) + 1
    found = []
    # The stretch from lag 0 to the first fall is the window with itself.
    for begin, end in zip(edges[1::2], [*edges[2::2], lags], strict=False):
        top = int(begin + np.argmax(curve[begin:end]))
        if top + 1 >= lags:
            continue
        a, b, c = curve[top - 1 : top + 2]
        bend = a - 2.0 * b + c
        shift = 0.5 * (a - c) / bend if bend < 0.0 else 0.0
        hertz = rate / (top + shift)
        if hertz <= rate * HIGHEST_SHARE:
            found.append(Candidate(float(hertz), float(b - 0.25 * (a - c) * shift)))
    return found


def chosen(found: list[Candidate]) -> Candidate:
    """The first key maximum that is nearly as high as the highest one."""
    highest = max(one.clarity for one in found)
    return next(one for one in found if one.clarity >= NEARLY * highest)


def near(found: list[Candidate], plain: Candidate, expected: float) -> Candidate:
    """The candidate nearest to what is expected, if that is another octave (or other multiple) of
    the plain choice and the sound bears it out, else the plain choice.

    Every sound is periodic in two of its periods as well, so a lower candidate must fit clearly
    better than the plain choice; a higher one must be nearly as good.
    """
    best = min(found, key=lambda one: abs(cents(one.hertz, expected)))
    if abs(cents(best.hertz, expected)) > NEAR_CENTS:
        return plain
    ratio = best.hertz / plain.hertz
    whole = max(ratio, 1.0 / ratio)
    if whole < 1.5 or abs(whole - round(whole)) > 0.06 * whole:
        return plain
    if ratio < 1.0:
        borne_out = 1.0 - best.clarity < 0.5 * (1.0 - plain.clarity) - INEXACT
    else:
        borne_out = best.clarity > 0.7 * plain.clarity
    return best if borne_out else plain


# --- how far off -------------------------------------------------------------------------------


def refined(x: Wide, rate: float, hertz: float) -> tuple[float, float, float]:
    """The pitch near `hertz` by the phases of its harmonics; also its slope (cents a second) and
    how far it strays from that (cents)."""
    seconds = len(x) / rate
    longest = min(PHASE_S, 0.55 * seconds)
    # Short windows first: they find the pitch from further away.
    for length in (min(longest, 8.0 / hertz), longest):
        hertz = _by_phase(x, rate, hertz, length, 4)[0]
    return _by_phase(x, rate, hertz, longest, HARMONICS)


def _by_phase(
    x: Wide, rate: float, hertz: float, length_s: float, most: int
) -> tuple[float, float, float]:
    length = round(length_s * rate)
    hop = max(1, round(HOP_S * rate))
    frames = np.ascontiguousarray(sliding_window_view(x, length)[::hop])
    numbers = np.arange(1, max(1, min(most, int(0.47 * rate / hertz))) + 1)
    n = np.arange(length)
    angles = 2 * np.pi * (hertz / rate) * np.outer(n, numbers)
    shape = taper(length)[:, None]
    heard = frames @ (shape * np.cos(angles)) - 1j * (frames @ (shape * np.sin(angles)))
    strong = np.abs(heard).mean(axis=0)
    use = strong >= WEAK * strong.max()
    numbers, heard, strong = numbers[use], heard[:, use], strong[use] / strong.max()
    t = np.arange(len(frames)) * hop / rate
    # In turns of the fundamental, against a tone of exactly `hertz`.
    back = np.exp(-2j * np.pi * hertz * np.outer(t, numbers))
    phases = np.unwrap(np.angle(heard * back), axis=0) / (2 * np.pi * numbers)
    middle = t - t.mean()
    slopes = middle @ (phases - phases.mean(axis=0)) / (middle @ middle)
    left = phases - phases.mean(axis=0) - np.outer(middle, slopes)
    doubt = FOREIGN / (2 * np.pi * numbers * strong)
    weights = 1.0 / (np.mean(left**2, axis=0) + doubt**2)
    weights *= _agreeing(slopes, weights, hertz)
    weights /= weights.sum()
    track = phases @ weights
    away = float(slopes @ weights)
    bend = float(np.polyfit(middle, track, 2)[0]) if len(t) > 3 else 0.0
    rest = np.diff(track - np.polyval(np.polyfit(middle, track, 2), middle)) / (hop / rate)
    found = hertz + away
    return found, 2.0 * bend / found / CENT, float(np.std(rest)) / found / CENT


def _agreeing(slopes: Wide, weights: Wide, hertz: float) -> Mask:
    """Which harmonics agree with the weightiest half of all."""
    order = np.argsort(slopes)
    total = np.cumsum(weights[order])
    middle = slopes[order][np.searchsorted(total, total[-1] / 2)]
    away = np.abs(slopes - middle)
    spread = 1.4826 * float(np.median(away))
    agree: Mask = away <= max(3.0 * spread, 0.02 * CENT * hertz)
    return agree


def taper(length: int) -> Wide:
    """Blackman-Harris, four terms (F. J. Harris, Proc. IEEE 66, 1978, p. 65): side lobes of
    -92 dB, so that one harmonic does not pull at the next."""
    x = 2.0 * np.pi * (np.arange(length) + 0.5) / length
    made: Wide = 0.35875 - 0.48829 * np.cos(x) + 0.14128 * np.cos(2 * x) - 0.01168 * np.cos(3 * x)
    return made
