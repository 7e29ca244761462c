"""The reference of the set, rig and profile files, made from the models themselves.

``python -m bridge.files.reference > bridge/files/reference.md`` writes it as Markdown. Every key
has its range, unit, start value, meaning and an example; the tests read each example and play those
of lanes. `bridge.paper.manual` makes a page with pictures of the same blocks.
"""

from __future__ import annotations

import inspect
import types
from collections.abc import Iterator
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BeforeValidator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from bridge.files import blocks, examples, profile, rig, set_lane
from bridge.files.blocks import Block, Head, Keys, Pairs, Picture, Points, Row, Signs, Words
from bridge.files.set import KeyModel, LegModel, MacroModel, SectionModel, SetModel
from bridge.files.strict import NAME_SAYS, Limits, Reads, Strict, read_name
from bridge.music.causes import FEEL_SAYS
from bridge.music.comparators import ON_STEPS as FUNCTIONS
from bridge.music.gate_functions import GATE_FUNCTIONS
from bridge.music.hit_node import LONGEST_GATE_BARS
from bridge.music.logic_parse import FUNCTIONS as ARGUMENTS
from bridge.music.logic_parse import TAPS_SAY
from bridge.music.logic_tree import Expression
from bridge.music.model import (
    SETTINGS,
    Decay,
    Euclid,
    Every,
    Hold,
    Levels,
    Logic,
    Notes,
    Setting,
    Shape,
    Steps,
    Walk,
)
from bridge.music.pattern import ACCENTS_SAY
from bridge.music.scale import SCALES

COMMON = ("rate", "advance", "muted", "out", "share", "groups")


RULES = (
    "Swing: the set's bends sixteenths (and what divides them), never eighths or triplets; a "
    "lane's own, in its place, bends pairs of its own steps, whatever its rate. Pairs begin at "
    "each bar line, and a step without a partner at the end of a bar is straight, so that a "
    "downbeat is never late; where no two whole steps fit the bar, pairs count from the start.",
    "Ties: `gate: tie` lasts until the next hit of the lane that sounds (a hit of logic whose "
    f"lanes are muted does not), {LONGEST_GATE_BARS} bars at most. So does a gate by gates that "
    "does not fall.",
    "Lanes that share a gate output: it is open while any of them asks for it. A hit of one opens "
    "it anew, and the rest of another's longer gate goes on after it.",
    "Directions: `backward` begins at the last step; `back-and-forth` does not play the ends "
    "twice; `random-walk` begins at the first step, then goes one up or down, and round the ends; "
    "`shuffle` plays each step once in every pass, and none twice running.",
    "Drift: the first pass is as written. Before each later one steps may change: hits turn into "
    "rests and rests into hits, a note or level into another one of its lane. With u the share of "
    "`drift_bound` that is used up, a step that is as written changes with the chance `drift` x "
    "(1 - u), and a changed one returns with the chance u, at least `drift`. As many hits leave as "
    "come: of hits and rests, the kind that is more frequent changes less by the ratio of their "
    "numbers (a pattern all of hits only loses some for a while). A reset by hand returns to what "
    "is written; `still` stops the drift and keeps what it did.",
    "Repeats: hit j of n (from 0) begins at `(j / n) ** (2 ** -repeat_curve)` of the step; "
    "`accelerating` is 0.5 and `slowing` -0.5.",
    "Notes: a rest and a tie both keep the pitch for their step. Gates come from a lane of hits, "
    "not from the notes. `glide: true` slides over one step, or over the lane's slew where that "
    "is longer.",
    "Outputs of `decay`, `hold` and a shape that hits start go on as before until the very moment "
    "at which a late hit sounds; `hold` takes what its lane's output says at that moment. Settings "
    "and notes that such a lane moves follow it on the grid, so that they belong to their step.",
    "Values on a `level` output: value 0 is 0 V (or the end nearest to it), 1 is the end of the "
    "range. All that goes there is added: values times `depth`, `offset` in volts, drives; the "
    "range of the output has the last word. A note counts as a 127th of its number.",
    "Values on a `pitch` output: 0 is the C that begins the lowest of `octaves` (2 to 4 unless "
    "told), 1 the C that ends the highest; `offset` adds 12 semitones per volt; `depth` does not "
    "count, it would put notes out of tune. Notes outside `octaves` move in by whole octaves, that "
    "last C included.",
    "Notes are transposed first, then moved to scale or chord (halfway: down, where a "
    "millionth of a semitone above the middle still is halfway), then into "
    "`octaves`. `transpose_by` a lane of notes adds its distance in semitones from its own first "
    "note; a lane of levels adds 12 semitones for each 1. It counts from the next note on.",
    "Slew: the longer of `slew` and `slew_ms` holds.",
)


LOGIC_RULES = (
    "*Hits* are true at single ticks and false between them: a lane, and what is made of hits and "
    "is false where none of them falls (`rim and not kick`). A *state* is true or false at every "
    "tick: `not`, `toggle`, `hold`, `latch`, `above`, `below`, `rising`, `falling`, and what can "
    "be true because of states alone (`rim or toggle(kick)`, `not kick and not rim`).",
    "Values make hits: `above`, `below`, `rising`, `falling` and `changed` take a line, the name "
    "of a lane of values. It is looked at on each step of the derived lane's own rate (a glide "
    "where it is then), and between two steps the answer stays as it was: `rim and above(swell, "
    "0.5)` are the hits of rim while swell was high at the last step, `edge(above(swell, 0.5))` "
    "is one hit each time it has become so. Levels are those of the lane before its `depth` and "
    "`offset`, -1 to 1; a lane of notes, or one that goes to a pitch output, is compared by note "
    "numbers. Whether the line is muted makes no difference.",
    "Operators compare tick by tick, before swing and shift, whatever the rates of the lanes: "
    "`rim and not kick` are all hits of rim at which kick does not hit, triplets too.",
    "Functions with a memory take hits. Where hits are taken of a state, by a function or to be "
    "played by a lane, it hits at each step of the lane's own rate at which it is true, and where "
    "a hit in it falls while it is true. So `delay(not kick, 1/16)` follows every sixteenth "
    "without a kick, and `toggle(not kick)` turns over at each of them, whatever else stands in "
    "the expression. The hits in a state are those it compares, and those that its `toggle`, "
    "`hold` and `latch` take.",
    "The name of a derived lane stands for its expression in parentheses: it means the same, "
    "inline or as a lane of its own with the same `rate`, `by` and `reset`. A derived lane that "
    "is a state is a state to the lanes that read it, at every tick and not only at its steps; to "
    "read it at some steps only, write `grid and it` with a lane `grid: {every: 1, rate: 1/8}`. "
    "When it leaves hits out by `chance`, `density` or `passes` of its own, the hits that are left "
    "are read. `chance(...)` draws for its lane and its place in the text: elsewhere it lets "
    "other hits through.",
    "Accents go with hits. What lets hits through hands on their accents, and `delay` brings them "
    "later. Where several hits make one, the strongest accent holds; what is not true there does "
    "not count. A state hands on the accent of a hit that falls while it is true.",
    "`reset` makes functions forget, also what a delay still holds.",
)
LOGIC_KINDS = {
    "kick": "hits",
    "a and b": "hits when one of the operands is; a state of states",
    "a or b, a xor b": "hits of hits; a state when one of the operands is",
    "at-least(n, ...), exactly(n, ...)": "a state when n operands or more are, else hits",
    "not a": "a state, without accents",
    "nth, first, chance, edge": "take hits, give those of them that they let through, as accented",
    "delay": "takes hits, gives hits, as accented",
    "gap": "takes hits, gives hits, plain",
    "toggle, hold": "take hits, give a state; accented where an accented hit falls",
    "above, below, rising, falling": "take a line, give a state, without accents",
    "changed": "takes a line, gives hits, plain",
    "latch": "takes hits, gives a state; accented where an accented hit of `set` falls",
    "after-mute, before-mute": "what stands in them",
}
GATE_RULES = (
    "Everything is a signal, high or low at every tick; functions take its rising edges. What is "
    "high before anything has begun (`not kick`) is a level and no edge.",
    "A lane on gates that reads another lane on gates reads its signal: high before its first hit "
    "and as long as it lasts. A lane with `chance`, `density`, `passes`, `repeats`, a gate length, "
    "swing, shift or humanise of its own is read by the gates that it plays, as lanes on steps "
    "and patterns are.",
    "An accent lasts as long as the gate that it came with.",
    "`reset` makes functions forget; a gate that is high then is not a rising edge again.",
)


def rows(model: type[Strict], group: str) -> Iterator[Row]:
    """One row per key of a model. `group` finds the examples."""
    for name, field in model.model_fields.items():
        key = field.alias or name
        example = examples.EXAMPLES.get(f"{group}.{key}")
        if example is None and key in SETTINGS:
            example = examples.of_setting(SETTINGS[key])
        if example is None:
            raise KeyError(f"{group}.{key} has no example")
        says = field.description or ""
        yield Row(key, allowed(field), _start(field), says, example)


_READERS: dict[Any, str] = {read_name: "a name"}


def allowed(field: FieldInfo) -> str:
    """What may be written for a key, in words."""
    return _words(field.annotation, list(field.metadata))


def _words(annotation: Any, metadata: list[Any]) -> str:
    for note in metadata:
        if isinstance(note, Reads) and note.says:
            return note.says
        if isinstance(note, Limits):
            return f"{'whole, ' if note.whole else ''}{note.says.removeprefix('from ')}"
        if isinstance(note, BeforeValidator) and annotation is str:
            return _READERS.get(note.func, "text")
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _words(inner[0], list(inner[1:]))
    if origin is Literal:
        return ", ".join(f"`{word}`" for word in inner)
    if origin in (Union, types.UnionType):
        return _words(next(part for part in inner if part is not type(None)), [])
    if origin is list:
        return f"a list: {_words(inner[0], [])}"
    if origin is dict:
        return f"by name: {_words(inner[1], [])}"
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return f"keys of {annotation.called}"
    return {bool: "`true`, `false`", str: "a setting, see Numbers"}.get(annotation, "a value")


def _start(field: FieldInfo) -> str:
    value = field.get_default(call_default_factory=True)
    if value is PydanticUndefined:
        return "must be there"
    if value is None or value in ([], {}, (), "") or isinstance(value, Strict):
        return "-"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, tuple):
        return f"`{'/'.join(map(str, value))}`"
    return f"`{value:g}`" if isinstance(value, int | float) else f"`{value}`"


def setting_row(setting: Setting) -> Row:
    """The row of a numeric setting of lanes."""
    unit = setting.unit if setting.unit not in ("share", "level", "probability", "count") else ""
    whole = "whole, " if setting.whole else ""
    reach = f"{whole}{setting.low:g} to {setting.high:g} {unit}".rstrip()
    return Row(
        setting.name, reach, f"`{setting.start:g}`", setting.says, examples.of_setting(setting)
    )


_CLASSES: dict[str, type] = {
    "euclid": Euclid,
    "steps": Steps,
    "every": Every,
    "logic": Logic,
    "notes": Notes,
    "levels": Levels,
    "shape": Shape,
    "decay": Decay,
    "hold": Hold,
    "walk": Walk,
}


def _signs(text: str) -> Iterator[Block]:
    """The tables of a docstring without its words, which are for programmers."""
    return (block for block in blocks.of_docstring(text) if isinstance(block, Signs))


def _keys(model: type[Strict], group: str) -> Keys:
    return Keys(tuple(rows(model, group)))


def _lanes() -> Iterator[Block]:
    found = {row.key: row for row in rows(set_lane.LaneModel, "lane")}
    kinds = set_lane.ONLY_ON
    yield Head(2, "Lanes")
    yield Words("A lane has exactly one source.")
    yield Keys(tuple(found[key] for key in set_lane.SOURCES))
    yield Words(
        "What they do, step by step (sixteenths; `x` a hit, `X` an accented one, numbers are the "
        "value at the step):"
    )
    for kind in set_lane.SOURCES:
        yield from _signs(inspect.getdoc(_CLASSES[kind]) or "")
        yield Picture((f"source-{kind}",))
    for title, model, group in (
        ("euclid", set_lane.EuclidModel, "euclid"),
        ("fill", set_lane.FillModel, "fill"),
        ("hold", set_lane.HoldModel, "hold"),
    ):
        yield Words(f"Inside `{title}`:")
        yield _keys(model, group)
    yield Head(3, "Of every lane")
    yield Keys(tuple(found[key] for key in COMMON))
    yield Picture(("mutes",))
    yield Head(3, "Of some lanes")
    yield Points(
        tuple(f"`{key}` is for {', '.join(f'`{kind}`' for kind in kinds[key])}." for key in kinds)
    )
    yield Keys(
        tuple(
            row
            for key, row in found.items()
            if key not in (*set_lane.SOURCES, *COMMON) and (key == "gate" or key not in SETTINGS)
        )
    )
    yield Words("Inside `passes`:")
    yield _keys(set_lane.PassesModel, "passes")
    yield Picture(("directions", "reset", "passes", "accents", "shapes", "quantise"))
    yield Points(RULES)
    yield Head(3, "Feel")
    yield from blocks.of_docstring(FEEL_SAYS)
    yield Head(4, "Accents")
    yield from blocks.of_docstring(ACCENTS_SAY)
    yield Head(3, "Numbers")
    yield Words(
        "Each may be written on a lane, changed while playing, set by a section, and driven by "
        "macros and lanes (value = base + depth x moved x whole range, held to the range)."
    )
    by_kinds: dict[tuple[str, ...], list[Setting]] = {}
    for setting in SETTINGS.values():
        by_kinds.setdefault(setting.kinds, []).append(setting)
    for owners, settings in by_kinds.items():
        yield Words(f"For {', '.join(f'`{kind}`' for kind in owners)}:")
        yield Keys(tuple(setting_row(setting) for setting in settings))
    yield Picture(("chance-of-a-lane", "density", "repeats", "swing", "shift", "drift", "slew"))


def _logic() -> Iterator[Block]:
    yield Head(3, "Logic")
    yield Words(
        "Lane names with `not`, `and`, `xor`, `or` (binding in this order) and parentheses. Times "
        "are rates, chances are 0 to 1, lines are lanes of values. In the tables `x` is a hit, "
        "`.` none; 1 and 0 are states."
    )
    yield from _signs(inspect.getdoc(Expression) or "")
    yield Picture(("and", "or", "xor", "not"))
    yield Head(4, "Hits and states")
    yield Points(LOGIC_RULES)
    yield Pairs(("expression", "hits or a state"), tuple(LOGIC_KINDS.items()))
    for name, arguments in ARGUMENTS.items():
        yield Head(4, f"`{name}({', '.join(arguments)})`")
        known = FUNCTIONS.get(name)
        yield from blocks.of_docstring(inspect.getdoc(known) or "" if known else TAPS_SAY)
        yield Picture((name,))
        yield Words(f"As in `{examples.LOGIC[name]}`.")
    yield Head(4, "By gates")
    yield Words(
        "With `by: gates` the same words work on the gate signals themselves, tick by tick, and "
        "each rising edge of the result becomes a hit. In the tables `▔` is high and `▁` low for "
        "one sixteenth; t is 3/16. `at-least`, `exactly` and `latch` are as on steps."
    )
    yield Points(GATE_RULES)
    for name, known in GATE_FUNCTIONS.items():
        if known is not FUNCTIONS[name]:
            yield Head(5, f"`{name}` by gates")
            yield from blocks.of_docstring(inspect.getdoc(known) or "")
        yield Picture((f"{name}-by-gates",))


def document() -> list[Block]:
    """The whole reference, block by block."""
    return [
        Head(1, "The files"),
        Words(
            f"Names of lanes, macros, sections, interfaces and outputs: {NAME_SAYS}. Unknown keys "
            "are errors. `lanebridge check RIG SET` says everything that is wrong, with its place."
        ),
        Head(1, "The set file"),
        _keys(SetModel, "set"),
        Words("Inside `key`:"),
        _keys(KeyModel, "key"),
        Words(f"Scales: {', '.join(f'`{name}`' for name in SCALES)}."),
        *_lanes(),
        *_logic(),
        Head(2, "Drives"),
        Words(
            "Of macros, and of lanes of values. Either `out`, or `lane` and `setting`; for an "
            "`out` either `depth` or `from` and `to`."
        ),
        _keys(set_lane.DriveModel, "drive"),
        Head(2, "Macros"),
        _keys(MacroModel, "macro"),
        Head(2, "Sections"),
        _keys(SectionModel, "section"),
        Head(2, "Order"),
        _keys(LegModel, "leg"),
        Head(1, "The rig file"),
        _keys(rig.RigModel, "rig"),
        Head(2, "Interfaces"),
        _keys(rig.InterfaceModel, "interface"),
        Head(2, "Clock"),
        _keys(rig.ClockModel, "clock"),
        Head(2, "Timing"),
        _keys(rig.TimingModel, "timing"),
        Head(2, "Controllers"),
        _keys(rig.ControllerModel, "controller"),
        Words(
            "A control has one of `cc` and `note`, and one of `macro`, `mute`, `section` and "
            "`transport`."
        ),
        _keys(rig.BindingModel, "control"),
        Head(1, "The profile file"),
        Words(
            "How one kind of interface turns MIDI into volts. A profile is looked for beside the "
            "rig, in a folder `profiles` beside it, then among those that ship: "
            f"{', '.join(f'`{name}`' for name in profile.shipped())}."
        ),
        _keys(profile.ProfileModel, "profile"),
        Head(2, "Outputs"),
        _keys(profile.OutputModel, "output"),
        Head(1, "The commands"),
        Words(
            "`lanebridge COMMAND --help` has the ranges. Exit code 0 is good, 1: something you "
            "wrote is wrong (said with file, line and column), 2: wrong usage."
        ),
        Pairs(("lanebridge ...", "does"), tuple(examples.COMMANDS.items())),
    ]


def markdown() -> str:
    """The whole reference as Markdown."""
    first, *rest = document()
    made = Words("Made from the models by `python -m bridge.files.reference`; change it there.")
    return blocks.markdown([first, made, *rest])


if __name__ == "__main__":
    print(markdown(), end="")
