"""Words of the trade that these files call by another name, and what to write instead.

Common practice, no source: what performers, other languages of the trade and the other spelling of
English call the same thing. Each is said only where the model that is read has no such key itself.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

_LANE = {
    **dict.fromkeys(("velocity", "vel", "volume", "amplitude"), "level"),
    **dict.fromkeys(("probability", "prob", "likelihood"), "chance"),
    **dict.fromkeys(("ratchet", "ratchets", "roll", "retrig", "flam"), "repeats"),
    **dict.fromkeys(("lfo", "wave", "waveform", "oscillator"), "shape"),
    **dict.fromkeys(("envelope", "env"), "decay"),
    **dict.fromkeys(("division", "div", "clock", "resolution", "speed"), "rate"),
    **dict.fromkeys(("pattern", "sequence", "trigs", "triggers"), "steps"),
    **dict.fromkeys(("pitch", "pitches", "melody", "sequencer"), "notes"),
    **dict.fromkeys(("values", "cv", "voltages", "volts"), "levels"),
    **dict.fromkeys(("gate_length", "duration", "note_length", "legato"), "gate"),
    **dict.fromkeys(("glide", "portamento", "slide", "lag"), "slew_ms"),
    **dict.fromkeys(("delay", "nudge", "microtiming", "micro_timing"), "shift_ms"),
    **dict.fromkeys(("humanize", "jitter", "human"), "humanise_ms"),
    **dict.fromkeys(("groove", "shuffle"), "swing"),
    **dict.fromkeys(("quantize", "scale"), "quantise"),
    **dict.fromkeys(("mute", "enabled", "active"), "muted"),
    **dict.fromkeys(("output", "jack", "destination", "to"), "out"),
    **dict.fromkeys(("sample_and_hold", "s_h"), "sample"),
    **dict.fromkeys(("arp", "arpeggiator", "chords", "broken_chord"), "arpeggio"),
    **dict.fromkeys(("rule", "gate_logic", "derive", "derived"), "logic"),
    **dict.fromkeys(("group",), "groups"),
    **dict.fromkeys(("half_time", "double_time", "time"), "pace"),
}
_SET = {
    **dict.fromkeys(("bpm", "speed"), "tempo"),
    **dict.fromkeys(("name", "title", "song"), "set"),
    **dict.fromkeys(("tracks", "parts", "patterns", "channels", "voices"), "lanes"),
    **dict.fromkeys(("states", "snapshots"), "sections"),
    **dict.fromkeys(("knobs", "controls"), "macros"),
    **dict.fromkeys(("arrangement", "chain", "sequence"), "order"),
    **dict.fromkeys(("loop", "repeat"), "after_order"),
    **dict.fromkeys(("time_signature", "signature", "bar"), "meter"),
    **dict.fromkeys(("shuffle",), "swing"),
    **dict.fromkeys(("feel", "timing"), "groove"),
    **dict.fromkeys(("random_seed",), "seed"),
}
_SAYS = {
    "a lane": {
        "reverse": "is not a key of a lane; did you mean direction: backward?",
        "pingpong": "is not a key of a lane; did you mean direction: back-and-forth?",
        "channel": "is not a key of a lane: the MIDI channel of an output stands in its profile",
        "euclidean": "is not a key of a lane; did you mean euclid: {hits: 5, steps: 16}?",
    },
    "a set": {
        **dict.fromkeys(
            ("scale", "root"), "is not a key of a set; did you mean key: {root: A, scale: minor}?"
        ),
        "interfaces": "is not a key of a set: interfaces stand in the rig file",
    },
}
_INSTEAD: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "a lane": _LANE,
        "a set": _SET,
        "a rig": {
            "name": "rig",
            "devices": "interfaces",
            "outputs": "interfaces",
            "sync": "clock",
            "midi_controllers": "controllers",
        },
        "an interface": {
            "device": "port",
            "outputs": "cables",
            "jacks": "cables",
            "patch": "cables",
        },
        "the clock": {"source": "follow", "input": "follow", "outputs": "send_to"},
        "a section": {"lane": "lanes", "mute": "play", "unmuted": "play", "bpm": "tempo"},
        "a macro": {"value": "start", "targets": "drives", "moves": "drives", "slew": "slew_ms"},
        "a drive": {"output": "out", "amount": "depth", "min": "from", "max": "to"},
        "euclid": {"pulses": "hits", "fills": "hits", "length": "steps", "rotation": "rotate"},
    }
)
_VALUES = MappingProxyType(
    {
        **dict.fromkeys(("reverse", "backwards", "back"), "backward"),
        **dict.fromkeys(("forwards", "normal"), "forward"),
        **dict.fromkeys(("pingpong", "ping-pong", "pendulum", "bounce"), "back-and-forth"),
        **dict.fromkeys(("random", "drunk", "brownian"), "random-walk"),
        **dict.fromkeys(("sin", "sinus"), "sine"),
        **dict.fromkeys(("tri",), "triangle"),
        **dict.fromkeys(("pulse", "rectangle"), "square"),
        **dict.fromkeys(("sawtooth",), "saw"),
    }
)


def instead(called: str, word: str, known: list[str]) -> str:
    """What is meant by a key that a model does not have, as a message; empty when nobody can tell.

    Args:
        called: what the model calls itself, such as ``a lane``.
        word: the key as it was written.
        known: the keys that the model has.
    """
    plain = re.sub(r"[-\s&/]+", "_", word.strip().lower())
    said = _SAYS.get(called, {}).get(plain.replace("_", "") if plain == "ping_pong" else plain)
    if said is not None:
        return said
    key = _INSTEAD.get(called, {}).get(plain)
    return f"is not a key of {called}; did you mean {key}?" if key in known else ""


def meant(value: object, words: str) -> str:
    """The word among `words` that a trade word means, or nothing."""
    word = _VALUES.get(str(value).strip().lower(), "")
    return word if word and re.search(rf"(?<![\w-]){word}(?![\w-])", words) else ""
