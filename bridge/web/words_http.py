"""What an editor of lanes needs to know, from the tables that the files are read with."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import get_args

from aiohttp import web

from bridge.files import examples
from bridge.files.set_models import SetModel
from bridge.files.strict import limits_of
from bridge.music.kinds import KINDS, Kind
from bridge.music.logic_parse import FUNCTIONS, OPERATORS
from bridge.music.model import SETTINGS, Direction
from bridge.music.references import LANE_KEYS, REFERENCES
from bridge.music.scale import SCALES
from bridge.music.ticks import USUAL_RATES
from bridge.paper.words import logic_words
from bridge.web.bodies import Answer
from bridge.web.http import Route

# The lanes that the examples of logic speak of.
_SHOWN_LANES = ("kick", "rim", "bell", "swell")


class PartAnswer(Answer):
    """One thing that is written of a source. `takes`: the name of a lane of ``hits`` or ``values``,
    an ``expression`` over lanes, a ``whole`` number from `low` to `high`, or a ``word``."""

    keys: list[str]
    takes: str
    label: str
    low: int
    high: int
    words: list[str]
    optional: bool


class KindAnswer(Answer):
    """A kind of lane. `moved`: hits of another lane may move it on. `fresh`: what a new one begins
    as, besides the names of lanes that `parts` ask for."""

    plays: str
    says: str
    outputs: list[str]
    moved: bool
    parts: list[PartAnswer]
    fresh: dict[str, object]


class ReferenceAnswer(Answer):
    """A key of a lane that may name another one. Lanes of the kinds in `leading` move with the hits
    of the lane that they name so."""

    keys: list[str]
    takes: str
    kinds: list[str]
    leading: list[str]


class SettingAnswer(Answer):
    """A numeric setting of lanes; a `main` one is shown before others."""

    low: float
    high: float
    start: float
    unit: str
    kinds: list[str]
    says: str
    whole: bool
    main: bool


class LogicAnswer(Answer):
    """A word of expressions over lanes: the kinds of its `arguments`, an `example`, and what that
    says. The arguments of operators stand beside them, those of functions in parentheses."""

    arguments: list[str]
    example: str
    says: str


class NumberOfSet(Answer):
    """A number of the whole set, such as its tempo, and its limits."""

    low: float
    high: float
    unit: str


class WordsAnswer(Answer):
    """Kinds of lanes, what names lanes, `keys` that only some kinds have, numeric settings, numbers
    of the `whole` set, scales, usual rates and directions; `operators` and `functions` of logic."""

    kinds: dict[str, KindAnswer]
    references: list[ReferenceAnswer]
    keys: dict[str, list[str]]
    settings: dict[str, SettingAnswer]
    whole: dict[str, NumberOfSet]
    scales: dict[str, list[int]]
    rates: list[str]
    directions: list[str]
    operators: dict[str, LogicAnswer]
    functions: dict[str, LogicAnswer]


def _logic(example: str, arguments: Sequence[str]) -> LogicAnswer:
    says = logic_words(example, _SHOWN_LANES)
    return LogicAnswer(arguments=list(arguments), example=example, says=says)


def _kind(kind: Kind) -> KindAnswer:
    return KindAnswer(
        plays=kind.plays,
        says=kind.says,
        outputs=list(kind.outputs),
        moved="moved" in kind.traits,
        parts=[
            PartAnswer(
                keys=list(part.keys),
                takes=part.takes,
                label=part.label,
                low=part.low,
                high=part.high,
                words=list(part.words),
                optional=part.optional,
            )
            for part in kind.parts
            if not part.older
        ],
        fresh=dict(kind.fresh),
    )


def _settings() -> dict[str, SettingAnswer]:
    rows = {name: dataclasses.asdict(setting) for name, setting in SETTINGS.items()}
    wanted = SettingAnswer.model_fields
    return {
        name: SettingAnswer.model_validate({key: row[key] for key in wanted})
        for name, row in rows.items()
    }


async def _words(request: web.Request, query: object) -> WordsAnswer:
    return WordsAnswer(
        kinds={name: _kind(kind) for name, kind in KINDS.items()},
        references=[
            ReferenceAnswer(
                keys=list(one.keys),
                takes=one.takes,
                kinds=list(one.kinds),
                leading=list(one.leading),
            )
            for one in REFERENCES
        ],
        keys={key: list(kinds) for key, kinds in LANE_KEYS.items()},
        settings=_settings(),
        whole={
            name: NumberOfSet(low=limits.low, high=limits.high, unit=limits.unit)
            for name, limits in limits_of(SetModel).items()
        },
        scales={name: list(degrees) for name, degrees in SCALES.items()},
        rates=list(USUAL_RATES),
        directions=list(get_args(Direction)),
        operators={
            name: _logic(examples.OPERATORS[name], ("hits",) if name == "not" else ("hits", "hits"))
            for name in OPERATORS
        },
        functions={name: _logic(examples.LOGIC[name], kinds) for name, kinds in FUNCTIONS.items()},
    )


WORDS_ROUTE = Route(
    "GET",
    "/api/words",
    "words",
    "Kinds of lanes, settings, scales and rates that a set may use.",
    _words,
    answer=WordsAnswer,
)
