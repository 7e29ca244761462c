"""Sets that are made from their number alone, and fingerprints of what they play.

    python tests/support/corpus.py            compares with tests/reference/corpus.csv
    python tests/support/corpus.py --write    makes that file anew

A faster way to play must play the same. For each set the file holds two short fingerprints: of
what the renderer gives (every event, hits and values, tick for tick), and of the hits and clocks
that the player sends (every byte, to the nanosecond). When a value that glides leaves is no part of
it: values wait for hits, and for their turn on the link. Sets with a running order have no second
fingerprint: where a section brings another tempo, what is shifted by milliseconds near its line
still depends on how far ahead the player renders (a fault of the renderer, older than this file).
The file was written by the code as it was before any of that was made faster; 32 second
fingerprints were made anew when a move just before the start no longer kept the player awake (how
far it has rendered when the next move comes is another: the first fingerprints, of what is played,
stayed), three when the player renders sooner and one when it renders further (two note-offs of one
deadline leave in the other order). Whoever changes on purpose what is played writes it anew, and says why; the checks against
standards and worked examples stand beside it and know nothing of it.

Nothing here goes through a library for random tests: what a number makes must not change with one.
"""

from __future__ import annotations

import csv
import hashlib
import sys
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Any, NamedTuple, cast

if __name__ == "__main__":
    ROOT = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from support.desk import RIG, ranges

from bridge.music.kinds import Waveform
from bridge.music.model import (
    SETTINGS,
    Decay,
    Direction,
    Drive,
    Entry,
    Euclid,
    Every,
    Fill,
    Lane,
    Levels,
    Logic,
    Macro,
    Note,
    Notes,
    Passes,
    Quantise,
    Sample,
    Section,
    SetSpec,
    Shape,
    Steps,
    Walk,
)
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score, compile_score
from bridge.player.offline import perform
from bridge.protocol.command import Command
from bridge.protocol.performing import MoveMacro, MoveSetting, Mute, RecallSection, Solo
from bridge.protocol.running import SetTempo
from bridge.voltage.rig_parts import ClockSettings

FILE = Path(__file__).resolve().parents[1] / "reference" / "corpus.csv"
COUNT = 300
BEFORE = {"swing": (50.0, 75.0)}
"""The range of a setting when the file was written, where it is another one today: the same sets."""
LATER = ("degree_shift", "fill_share", "pace")
"""Settings that came after the file: with them every set would be another one."""
BARS = 2
BAR = 3840
RATES = (240, 240, 480, 320, 160, 720, Fraction(3840, 7), 120, 1280, 960)
DIRECTIONS: tuple[Direction, ...] = (
    "forward",
    "forward",
    "backward",
    "back-and-forth",
    "random-walk",
    "shuffle",
)
FORMS: tuple[Waveform, ...] = (
    "sine",
    "triangle",
    "ramp",
    "saw",
    "square",
    "random-steps",
    "random-smooth",
)
LOGIC = (
    "{0} and {1}",
    "{0} or {1}",
    "{0} xor {1}",
    "{0} and not {1}",
    "at-least(2, {0}, {1}, {2})",
    "exactly(1, {0}, {1})",
    "nth({0}, 3)",
    "toggle({0})",
    "first({0}, {1})",
    "delay({0}, 1/8T)",
    "extend({0}, 1/8)",
    "between({0}, {1})",
    "chance({0}, 0.5)",
    "edge({0})",
    "gap({0}, 3/16)",
    "before-mute({0})",
)
CHANCE_OF_A_SETTING = 0.12


class Prints(NamedTuple):
    """The fingerprints of one set."""

    events: str
    hits: str


def spec_of(number: int) -> SetSpec:
    """The set that `number` makes."""
    dice = Random(number)
    hits = _lanes_of_hits(dice)
    values = _lanes_of_values(dice, [lane.name for lane in hits])
    lanes = (*hits, *values)
    macros = (
        Macro(
            "knob",
            0.3,
            curve=dice.choice((0.0, 0.5)),
            slew_ms=dice.choice((0.0, 0.0, 300.0)),
            drives=(
                Drive(lane=dice.choice(hits).name, setting="density", depth=0.6),
                Drive(out="main.level-1", depth=dice.choice((0.5, -0.5))),
            ),
        ),
    )
    playing = tuple(lane.name for lane in lanes if dice.random() < 0.7)
    sections = (
        Section("other", play=playing, macros={"knob": 0.9}),
        Section("third", lanes={hits[0].name: {"shift": -0.25, "level": 0.4}}, tempo=97.0),
    )
    order = (Entry("other", 1), Entry("third", 1)) if dice.random() < 0.25 else ()
    return SetSpec(
        f"Tide {number}",
        tempo=dice.choice((60.0, 126.0, 133.33, 300.0)),
        swing=dice.choice((50.0, 50.0, 54.0, 66.0)),
        seed=dice.randrange(1000),
        meter=dice.choice(((4, 4), (4, 4), (4, 4), (7, 8), (3, 4))),
        lanes=lanes,
        macros=macros,
        sections=sections,
        order=order,
    )


def hand_of(number: int) -> dict[int, list[Command]]:
    """What a hand does while that set plays, by tick; nothing for every third set."""
    if number % 3 == 0:
        return {}
    dice = Random(-1 - number)
    lanes = spec_of(number).lanes
    names, hits = [lane.name for lane in lanes], [lane.name for lane in lanes if lane.hits]
    found: dict[int, list[Command]] = {}
    for tick in sorted(dice.randrange(1, 2 * BAR) for _ in range(dice.randint(1, 5))):
        # A quarter of a bar, so that the glide ends while the set plays; only whole bars come from
        # outside, but the music reckons in ticks.
        bars = cast(int, 0.25 * (number % 10 == 1))
        made: list[Command] = [
            Mute(lane=dice.choice(names), muted=dice.random() < 0.7),
            MoveMacro(macro="knob", value=round(dice.random(), 3)),
            MoveSetting(lane=dice.choice(hits), setting="chance", value=round(dice.random(), 2)),
            MoveSetting(
                lane=dice.choice(hits), setting="shift_ms", value=dice.choice((-20.0, 9.0))
            ),
            RecallSection(section="other", when="beat", morph_bars=bars),
            Solo(lane=dice.choice(names), on=True),
            SetTempo(bpm=dice.choice((90.0, 140.5))),
        ]
        found.setdefault(tick, []).append(dice.choice(made))
    return found


def early_hand_of(number: int) -> dict[int, list[Command]]:
    """The same for the player: only what it is told before the song begins, or well before the bar
    at which it is to happen. How far ahead it has rendered when a hand comes is its own affair."""
    if number % 3 == 0:
        return {}
    dice = Random(-1 - number)
    names = [lane.name for lane in spec_of(number).lanes]
    return {
        0: [MoveMacro(macro="knob", value=round(dice.random(), 3))],
        BAR // 4: [Mute(lane=dice.choice(names), muted=dice.random() < 0.7, when="bar")],
        BAR // 2: [RecallSection(section="other", when="bar")],
    }


def score_of(number: int) -> Score:
    return compile_score(spec_of(number), ranges(RIG))


def prints_of(number: int) -> Prints:
    """Plays the set twice: its events alone, in windows of unequal size, and to the byte."""
    score = score_of(number)
    renderer, dice = Renderer(score, Performance(score)), Random(number)
    end, events = BARS * score.spec.bar_ticks, []
    hand = hand_of(number)
    while renderer.position < end:
        for command in hand.pop(renderer.position, ()):
            renderer.performance.apply(command, renderer.position)
        events += renderer.advance(
            min(end, renderer.position + dice.choice((7, 31, 96, 500)), *hand)
        )
        hand = {tick: made for tick, made in hand.items() if tick >= renderer.position}
    if score.spec.order:
        return Prints(_print(map(_line, events)), "")
    night = perform(
        score,
        RIG,
        BARS,
        commands=early_hand_of(number),
        settings=ClockSettings(send_to=("main",) if number % 2 else ()),
    )
    # Controllers and what bends are values; notes and real-time bytes are hits and clocks.
    hits = [
        f"{sent.ns} {sent.data.hex()}"
        for sent in night.sent
        if sent.data[0] & 0xF0 not in (0xB0, 0xD0, 0xE0)
    ]
    return Prints(_print(map(_line, events)), _print(hits))


def _line(event: Any) -> str:
    return " ".join(
        f"{part:.9g}" if isinstance(part, float) else str(part) for part in tuple(event)
    )


def _print(lines: Iterable[str]) -> str:
    return hashlib.blake2b("\n".join(lines).encode(), digest_size=6).hexdigest()


def reference() -> dict[int, Prints]:
    """The fingerprints as they were written down, by number of set."""
    with FILE.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return {int(r["set"]): Prints(r["events"], r["hits"]) for r in rows}


# --- lanes -------------------------------------------------------------------------------------


def _settings(dice: Random, kind: str) -> dict[str, float]:
    found = {}
    for name, setting in SETTINGS.items():
        if name in LATER or kind not in setting.kinds or dice.random() > CHANCE_OF_A_SETTING:
            continue
        low, high = BEFORE.get(name, (setting.low, setting.high))
        high = min(high, 20.0 if name in ("steps", "length", "hits") else 900.0)
        if setting.whole:
            found[name] = float(dice.randint(int(low), int(high)))
        else:
            found[name] = round(dice.uniform(low, high), 3)
    return found


def _lanes_of_hits(dice: Random) -> list[Lane]:
    lanes: list[Lane] = []
    for number in range(dice.randint(2, 7)):
        names = [lane.name for lane in lanes]
        kind = dice.choice(["euclid", "steps", "every", *(["logic"] * 3 if names else [])])
        source: Any
        if kind == "euclid":
            source = Euclid(dice.choice((None, None, Fill(3, 4, 2))))
        elif kind == "steps":
            source = Steps(tuple(dice.choice((0, 0, 1, 1, 2)) for _ in range(dice.randint(1, 16))))
        elif kind == "every":
            source = Every(dice.randint(1, 7))
        else:
            form = dice.choice(LOGIC).format(*(dice.choice(names) for _ in range(3)))
            source = Logic(form, dice.choice(("steps", "steps", "gates")))
        advance: Fraction | str = Fraction(dice.choice(RATES))
        if names and kind != "logic" and dice.random() < 0.2:
            advance = dice.choice(names)
        lanes.append(
            Lane(
                f"h{number}",
                source,
                advance=advance,
                out=f"main.gate-{1 + dice.randrange(8)}",
                share=True,
                muted=dice.random() < 0.15,
                reset=dice.choice((None, None, None, 1, 2, *names[:1])),
                direction=dice.choice(DIRECTIONS),
                accents=tuple(dice.randint(0, 2) for _ in range(dice.choice((0, 0, 3)))),
                passes=dice.choice((None, None, None, Passes((1, 3), 3))),
                tie=kind != "logic" and dice.random() < 0.15,
                reads=dice.choice(("after-mute", "before-mute")),
                feel=dice.choice(("cause", "cause", "grid")),
                settings=_settings(dice, kind),
            )
        )
    return lanes


def _lanes_of_values(dice: Random, hits: list[str]) -> list[Lane]:
    lanes: list[Lane] = []
    outs = ["main.pitch-1", "main.pitch-2", "main.level-1", "main.level-2"]
    for number in range(dice.randint(1, 4)):
        names = [lane.name for lane in lanes]
        kinds = ["notes", "levels", "shape", "decay", "walk", *(["sample"] if names else [])]
        kind = dice.choice(kinds)
        advance: Fraction | str = Fraction(dice.choice(RATES))
        if kind in ("notes", "levels", "walk") and dice.random() < 0.5:
            advance = dice.choice(hits)
        drives: tuple[Drive, ...] = ()
        source = _value_source(dice, kind, names, hits)
        free = isinstance(advance, Fraction) and getattr(source, "retrigger", None) is None
        # A lane that hears hits may not drive them: they would wait for each other.
        if kind in ("levels", "shape", "walk") and free and dice.random() < 0.5:
            driven = Drive(lane=dice.choice(hits), setting=dice.choice(("chance", "level")))
            drives = (driven, Drive(out="main.level-2", depth=round(dice.uniform(-1, 1), 2)))
        lanes.append(
            Lane(
                f"v{number}",
                source,
                advance=advance,
                out=dice.choice((outs[number], None)) if drives else outs[number],
                share=True,
                muted=dice.random() < 0.1,
                direction=dice.choice(DIRECTIONS),
                quantise=dice.choice((None, Quantise(9, (0, 2, 3, 5, 7, 8, 10)))),
                octaves=dice.choice(((3, 4), (2, 5))),
                drives=drives,
                settings=_settings(dice, kind),
            )
        )
    return lanes


def _value_source(dice: Random, kind: str, names: list[str], hits: list[str]) -> Any:
    if kind == "notes":
        numbers = [dice.choice((None, 33.0, 36.0, 40.5, 52.0)) for _ in range(dice.randint(1, 6))]
        return Notes(tuple(Note(number, glide=dice.random() < 0.3) for number in numbers))
    if kind == "levels":
        return Levels(tuple(round(dice.uniform(-1, 1), 2) for _ in range(dice.randint(1, 5))))
    if kind == "shape":
        return Shape(dice.choice(FORMS), dice.choice((None, *hits)))
    if kind == "decay":
        return Decay(dice.choice(hits))
    if kind == "sample":
        return Sample(dice.choice(names), dice.choice(hits))
    return Walk()


# --- by hand -----------------------------------------------------------------------------------


def main() -> int:
    if "--write" in sys.argv[1:]:
        with FILE.open("w", encoding="utf-8", newline="") as file:
            file.write("# Fingerprints of what made-up sets play: see tests/support/corpus.py\n")
            rows = csv.writer(file, lineterminator="\n")
            rows.writerow(("set", *Prints._fields))
            for number in range(COUNT):
                rows.writerow((number, *prints_of(number)))
        return 0
    wrong = 0
    for number, known in reference().items():
        found = prints_of(number)
        for name, was, now in zip(Prints._fields, known, found, strict=True):
            if was != now:
                wrong += 1
                print(f"set {number}: other {name}")
    print(f"{wrong} fingerprints differ")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
