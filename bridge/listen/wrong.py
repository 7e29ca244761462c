"""What can be wrong with an audio input, in words that a person can act on."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from typing import Literal

from bridge.errors import BridgeError, did_you_mean

Kind = Literal[
    "library",  # numpy, sounddevice or PortAudio is not installed
    "device",  # there is no such input, or it cannot be opened
    "channel",  # the input has fewer channels
    "rate",  # the samples do not come as fast as the input says
    "gone",  # it stopped in the middle
    "muted",
    "silence",
    "hum",
    "clipping",
    "lost",  # samples are lost on the way, again and again
    "pitch",  # nothing periodic
    "second",  # two voices at once
    "unsettled",
    "follow",  # the pitch does not move with the output
    "standard",  # it moves by another law
]
HELP_INSTALL = "pip install 'lanebridge[listen]'"


class ListenError(BridgeError, OSError):
    """An input cannot be listened to, or what it brings cannot be measured; `kind` says why."""

    def __init__(self, kind: Kind, message: str) -> None:
        self.kind: Kind = kind
        self.message = message
        super().__init__(message)

    def __str__(self) -> str:
        return self.message


def no_library(name: str) -> ListenError:
    """`name` is a Python package that listening needs."""
    return ListenError("library", f"listening needs {name}: {HELP_INSTALL}")


def insist_on_libraries() -> None:
    """Raises `ListenError` when a Python package that listening needs is not installed."""
    for name in ("numpy", "sounddevice"):
        if find_spec(name) is None:
            raise no_library(f"the Python package {name}")


def no_portaudio() -> ListenError:
    return ListenError(
        "library",
        "listening needs the PortAudio library: apt install libportaudio2 (or what your system "
        "calls it)",
    )


def no_device(wanted: str, known: Sequence[str]) -> ListenError:
    """No input is called `wanted`, or a part of no name of `known`."""
    if not known:
        return ListenError("device", "this computer has no audio input; is the interface plugged?")
    said = f"there is no audio input {wanted}" if wanted else "there is no default audio input"
    guess = did_you_mean(wanted, known).rstrip("?")
    return ListenError("device", f"{said}{guess}; audio inputs: {', '.join(known)}")


def ambiguous(wanted: str, found: Sequence[str]) -> ListenError:
    return ListenError("device", f"{wanted} is a part of several inputs: {', '.join(found)}")


def not_opened(name: str, reason: str) -> ListenError:
    return ListenError(
        "device", f"{name} cannot be opened ({reason}); is another program using it?"
    )


def no_channel(name: str, channel: int, channels: int) -> ListenError:
    has = "one channel" if channels == 1 else f"{channels} channels"
    return ListenError("channel", f"{name} has {has}: there is no channel {channel}")


def rate_refused(name: str, rate: float) -> ListenError:
    return ListenError("rate", f"{name} does not run at {rate:.0f} Hz; set its rate and try again")


def wrong_rate(name: str, said: float, came: float) -> ListenError:
    return ListenError(
        "rate",
        f"{name} says {said:.0f} Hz but brings {came:.0f} samples a second, so every pitch would "
        "be wrong; set the rate of the interface and of the audio system to the same",
    )


def gone(name: str) -> ListenError:
    return ListenError("gone", f"{name} brings no more sound: was it pulled out?")


def muted(name: str) -> ListenError:
    return ListenError(
        "muted",
        f"{name} brings digital silence, not even noise: is it muted or pulled out, or is this "
        "the wrong channel?",
    )


def silence(name: str, dbfs: float) -> ListenError:
    return ListenError(
        "silence",
        f"nothing is heard on {name} (only {dbfs:.0f} dB of full scale): check the cable, the "
        "voice's level and the input's gain",
    )


def only_hum(name: str, hertz: float) -> ListenError:
    return ListenError(
        "hum",
        f"only hum of the mains ({hertz:.0f} Hz) is heard on {name}: check the cable, its shield "
        "and the voice",
    )


def clipping(name: str) -> ListenError:
    return ListenError("clipping", f"{name} clips: turn its gain or the voice down and try again")


def losing(name: str) -> ListenError:
    return ListenError(
        "lost",
        f"samples of {name} are lost again and again: the computer is too busy, or the period of "
        "its audio system too short; try a longer one (256 samples or more)",
    )


# --- what a voice does -------------------------------------------------------------------------


def no_pitch(note: str) -> ListenError:
    return ListenError(
        "pitch",
        f"{note}: there is sound, but no one pitch in it; choose a plain wave, and turn noise, "
        "effects and cross modulation off",
    )


def two_voices(note: str, hertz: float, other: float, db: float) -> ListenError:
    return ListenError(
        "second",
        f"{note}: two sounds are heard, one of {hertz:.1f} Hz and one of {other:.1f} Hz, "
        f"{abs(db):.0f} dB {'louder' if db > 0 else 'weaker'}; let this voice sound alone",
    )


def unsettled(note: str, slope: float) -> ListenError:
    return ListenError(
        "unsettled",
        f"{note}: the pitch never settles (it still moves by {slope:+.0f} cents a second); turn "
        "portamento, vibrato and modulation off",
    )


def too_few_notes() -> ListenError:
    return ListenError("follow", "this output plays fewer than two notes: there is nothing to tune")


def does_not_follow(low: str, high: str, hertz: float) -> ListenError:
    return ListenError(
        "follow",
        f"the pitch stays at {hertz:.1f} Hz from {low} to {high}: what is heard is not the voice "
        "on this output; check both cables",
    )


def other_standard(tracks: str, profile: str) -> ListenError:
    return ListenError(
        "standard",
        f"the voice tracks {tracks}, but the profile of this output says {profile}: tuning cannot "
        "mend that; set the voice or choose another profile",
    )
