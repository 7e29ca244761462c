"""What a sheet says in words, for people who do not read a file: lanes, sections, cautions."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.files.phrases import listed
from bridge.music import model
from bridge.music.comparators import COMPARATORS
from bridge.music.logic_parse import FUNCTIONS, Term, parse
from bridge.music.pattern import steps_text
from bridge.music.scale import SHARPS, note_name
from bridge.music.settings import PLAIN_UNITS
from bridge.music.spelling import names_for
from bridge.music.ticks import rate_text

CAUTIONS = (
    "Turn monitors and headphones down before patching or soundchecking: control voltages and test "
    "tones can drive an amplifier to full level at once.",
    "Mind your hearing. One published occupational limit is 85 dBA for 8 hours a day, halved for "
    "every 3 dB more: 4 h at 88, 1 h at 94, 15 min at 100 (NIOSH publication 98-126, 1998).",
    "Power the rack off before moving ribbon cables or modules, and check their polarity.",
    "Outputs go to inputs. Never patch an output into an output, and never wire rack voltages to a "
    "computer's pins (they are made for 3.3 V).",
    "Use enclosed, proper supplies; leave mains work to licensed people and follow local codes.",
)


def ordinal(n: int) -> str:
    """``2nd``, ``3rd``, ``11th``."""
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def logic_words(expression: str, lanes: Sequence[str], reads: str = "after-mute") -> str:
    """An expression as a clause: ``exactly one of rim and shaker hits, and kick does not hit``.

    Times are note values: ``kick has not hit for 1/4`` is a quarter note of silence.

    Args:
        expression: as a set file has it.
        lanes: names that may stand in it.
        reads: where lanes are read unless it says otherwise, ``after-mute`` or ``before-mute``.

    Raises:
        bridge.music.logic_parse.LogicError: the expression is wrong.
    """
    return _clause(parse(expression, lanes, reads))


def _clause(term: Term) -> str:
    op = term.op
    if op == "lane":
        return f"{term.name} hits{_tap(term)}"
    if op == "not":
        only = term.terms[0]
        if only.op == "lane":
            return f"{_name(only)} does not hit"
        return f"it is not so that ({_clause(only)})"
    if op in ("and", "or"):
        return f", {op} ".join(_inside(branch) for branch in term.terms)
    if op in ("xor", "at-least", "exactly"):
        return _counted(term)
    if op in COMPARATORS:
        return _compared(term)
    if op == "earlier":
        back = int(term.numbers[0]) if term.numbers else 1
        ago = "one step" if back == 1 else f"{back} steps"
        return f"{_name(term.terms[0])} hit {ago} earlier"
    return _remembered(term)


def _name(term: Term) -> str:
    return f"{term.name}{_tap(term)}"


def _tap(term: Term) -> str:
    return " (even when it is muted)" if term.before_mute else ""


def _inside(term: Term) -> str:
    """A branch of ``and`` or ``or``: in brackets where its own commas could be misread."""
    words = _clause(term)
    return f"({words})" if ", " in words else words


def _counted(term: Term) -> str:
    names = [_name(t) if t.op == "lane" else f"({_clause(t)})" for t in term.terms]
    them = listed(names)
    if term.op == "xor":
        if len(names) == 2:
            return f"exactly one of {them} hits"
        return f"an odd number of {them} hit"
    return f"{term.op.replace('-', ' ')} {int(term.numbers[0])} of {them} hit"


def _compared(term: Term) -> str:
    """A function that compares a line, as a clause."""
    line = term.terms[0].name
    if term.op in ("above", "below"):
        level, *back = (f"{float(number):g}" for number in term.numbers)
        side = "at or below" if term.op == "above" else "at or above"
        until = f" (until it is {side} {back[0]})" if back else ""
        return f"{line} is {term.op} {level}{until}"
    if term.op == "changed":
        return f"{line} changes"
    return f"{line} {'rises' if term.op == 'rising' else 'falls'}"


def _remembered(term: Term) -> str:
    """A function that remembers something, as a clause about what has been."""
    first = term.terms[0]
    clause = _clause(first)
    timed = "time" in FUNCTIONS[term.op][-1] and bool(term.numbers)
    time = rate_text(term.numbers[0]) if timed else "one step"
    if term.op == "nth":
        every = int(term.numbers[0])
        which = int(term.numbers[1]) if len(term.numbers) > 1 else every
        return f"{clause}, but only the {ordinal(which)} of every {every} times"
    if term.op == "toggle":
        return _has(first, "", " an odd number of times")
    if term.op == "first":
        return f"{clause}, for the first time since {_was(term.terms[1])}"
    if term.op == "delay":
        return _was(first, f" {time} ago")
    if term.op == "extend":
        return _was(first, f" less than {time} ago")
    if term.op == "between":
        return f"{_has(first)}, and {_has(term.terms[1], ' not', ' since')}"
    if term.op == "chance":
        return f"{clause}, by a chance of {float(term.numbers[0]):g}"
    if term.op == "edge":
        return f"{clause}, for the first time in more than {time}"
    if term.op == "gap":
        return _has(first, " not", f" for {time}")
    raise AssertionError(f"{term.op} has no words")


def _was(term: Term, when: str = "") -> str:
    """The clause in the past: ``kick hit 1/8 ago``."""
    if term.op == "lane":
        return f"{_name(term)} hit{when}"
    return f"it was so{when} that ({_clause(term)})"


def _has(term: Term, negated: str = "", when: str = "") -> str:
    """The clause in the perfect: ``kick has not hit for 1/4``."""
    if term.op == "lane":
        return f"{_name(term)} has{negated} hit{when}"
    return f"it has{negated} been so{when} that ({_clause(term)})"


def lane_words(lane: model.Lane, lanes: Sequence[str], note_names: Sequence[str] = SHARPS) -> str:
    """What a lane does, in one line: its source, what moves it, settings away from the usual.

    Args:
        lane: the lane.
        lanes: the names of all lanes of its set.
        note_names: what the twelve notes are called in the set's key.

    """
    source = lane.source
    moved = (
        f"moves on with each hit of {lane.advance}"
        if isinstance(lane.advance, str)
        else f"steps of {rate_text(lane.advance)}"
    )
    if isinstance(source, model.Euclid):
        hits, steps = (
            int(lane.settings.get(n, model.SETTINGS[n].start)) for n in ("hits", "steps")
        )
        says = f"{hits} hits spread over {steps} steps, {moved}"
    elif isinstance(source, model.Steps):
        says = f"{steps_text(source.marks, source.shapes)}, {moved}"
    elif isinstance(source, model.Every):
        says = f"a hit on each {'' if source.n == 1 else ordinal(source.n) + ' '}step, {moved}"
    elif isinstance(source, model.Logic):
        by = " (by overlap of their gates)" if source.compare == "gates" else ""
        says = f"hits when {logic_words(source.expression, lanes, lane.reads)}{by}"
    elif isinstance(source, model.Notes):
        names = [
            "tie"
            if n.tie
            else "rest"
            if n.number is None
            else note_name(n.number, note_names) + (" (glide)" if n.glide else "")
            for n in source.notes
        ]
        says = f"{' '.join(names)}, {moved}"
    elif isinstance(source, model.Levels):
        says = " ".join("rest" if v is None else f"{v:g}" for v in source.values) + f", {moved}"
    elif isinstance(source, model.Shape):
        again = f", started again by {source.retrigger}" if source.retrigger else ""
        cycle = (
            f"one cycle in {rate_text(lane.advance)}"
            if not isinstance(lane.advance, str)
            else moved
        )
        says = f"{source.form.replace('-', ' ')}, {cycle}{again}"
    else:
        kind = model.KINDS[lane.kind]
        written = {part.field: getattr(source, part.field) for part in kind.parts}
        says = kind.phrase.format(**written, moved=moved)
    return "; ".join([says, *_unusual(lane)])


def _setting_words(name: str, value: float) -> str:
    """``shift -6 ms``, ``hits 9``: what the name says already is not said again."""
    unit = model.SETTINGS[name].unit
    said = "" if unit in PLAIN_UNITS else f" {unit}"
    return f"{name.removesuffix(f'_{unit}').replace('_', ' ')} {value:g}{said}"


def section_words(section: model.Section, spec: model.SetSpec) -> str:
    """What a section changes beside mutes and macros: ``130 BPM; rim: chance 0.3``; empty when
    nothing. Lanes that it writes otherwise stand there as `lane_words` has them."""
    says = [] if section.tempo is None else [f"{section.tempo:g} BPM"]
    says += [] if section.swing is None else [f"swing {section.swing:g} percent"]
    says += [f"key {section.key_name}"] if section.key_name else []
    names, note_names = [lane.name for lane in spec.lanes], names_for(spec.within(section))
    for lane, settings in section.lanes.items():
        changes = (_setting_words(name, value) for name, value in settings.items())
        if lane not in section.written:
            says.append(f"{lane}: {', '.join(changes)}")
    says += [
        f"{name}: {lane_words(lane, names, note_names)}" for name, lane in section.written.items()
    ]
    return "; ".join(says)


def _unusual(lane: model.Lane) -> list[str]:
    """What of a lane is away from the usual, in words."""
    extra = [
        f"{name.replace('_', ' ')} {value:g}"
        for name, value in lane.settings.items()
        if name not in ("hits", "steps") and value != model.SETTINGS[name].start
    ]
    if lane.reset is not None:
        extra.append(
            f"from its start by {lane.reset}"
            if isinstance(lane.reset, str)
            else f"from its start every {lane.reset} bars"
        )
    if lane.direction != "forward":
        extra.append(lane.direction)
    if lane.chord:
        extra.append(f"chord {' '.join(map(str, lane.chord))}")
    if lane.feel == "grid":
        extra.append("on the grid")
    return extra
