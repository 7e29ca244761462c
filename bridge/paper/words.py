"""A lane said in words, for people who read a sheet and not a file."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from bridge.music import model
from bridge.music.logic_parse import Term, parse
from bridge.music.scale import note_name


def rate_words(ticks: Fraction) -> str:
    """A step length as a fraction of a whole note: ``1/16``."""
    whole = ticks / (4 * model.TICKS_PER_QUARTER)
    return f"{whole.numerator}/{whole.denominator}"


def _listed(parts: Sequence[str], word: str) -> str:
    if len(parts) == 1:
        return parts[0]
    return f"{', '.join(parts[:-1])} {word} {parts[-1]}"


def ordinal(n: int) -> str:
    """``2nd``, ``3rd``, ``11th``."""
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def logic_words(expression: str, lanes: Sequence[str], tap: str = "after-mute") -> str:
    """An expression as a clause: ``exactly one of rim and shaker hits, and kick does not hit``.

    Raises:
        bridge.music.logic_parse.LogicError: the expression is wrong.
    """
    return _clause(parse(expression, lanes, tap))


def _clause(term: Term) -> str:
    op = term.op
    inner = [_clause(t) for t in term.terms]
    if op == "lane":
        return f"{term.name} hits" + (" (even when it is out)" if term.before_mute else "")
    if op == "not":
        only = term.terms[0]
        if only.op == "lane":
            return f"{only.name} does not hit"
        return f"it is not so that ({inner[0]})"
    if op in ("and", "or"):
        mixed = op == "and" and len(inner) > 2
        return f", {op} ".join(
            f"({words})" if mixed and branch.op in ("or", "xor") else words
            for words, branch in zip(inner, term.terms, strict=True)
        )
    names = [t.name if t.op == "lane" else f"({w})" for t, w in zip(term.terms, inner, strict=True)]
    if op == "xor":
        if len(names) == 2:
            return f"exactly one of {_listed(names, 'and')} hits"
        return f"an odd number of {_listed(names, 'and')} hit"
    numbers = [int(n) if n.denominator == 1 else n for n in term.numbers]
    if op in ("at-least", "exactly"):
        return f"{op.replace('-', ' ')} {numbers[0]} of {_listed(names, 'and')} hit"
    first = inner[0]
    if op == "nth":
        begin = f", counted from number {numbers[1]}" if len(numbers) > 1 else ""
        return f"each {ordinal(int(numbers[0]))} time that {first}{begin}"
    if op == "toggle":
        return f"every second time that {first}"
    if op == "first":
        return f"the first time that {first} after {inner[1]}"
    if op == "delay":
        return f"{_time(term)} after {first}"
    if op == "hold":
        return f"for {_time(term)} from when {first}"
    if op == "latch":
        return f"from when {first} until {inner[1]}"
    if op == "chance":
        return f"{first}, {float(term.numbers[0]):.0%} of the time"
    if op == "edge":
        return f"it begins that {first}"
    if op == "gap":
        return f"{_time(term)} have passed without that {first}"
    return f"{op} of {_listed(inner, 'and')}"


def _time(term: Term) -> str:
    return f"{rate_words(term.numbers[-1])} note"


def lane_words(lane: model.Lane, lanes: Sequence[str]) -> str:
    """What a lane does, in one line: its source, what moves it, settings away from the usual."""
    source = lane.source
    moved = (
        f"moves on with each hit of {lane.advance}"
        if isinstance(lane.advance, str)
        else f"steps of {rate_words(lane.advance)}"
    )
    if isinstance(source, model.Euclid):
        hits, steps = (
            int(lane.settings.get(n, model.SETTINGS[n].start)) for n in ("hits", "steps")
        )
        says = f"{hits} hits spread over {steps} steps, {moved}"
    elif isinstance(source, model.Steps):
        says = "".join(".xX"[mark] for mark in source.marks) + f", {moved}"
    elif isinstance(source, model.Every):
        says = f"a hit on each {'' if source.n == 1 else ordinal(source.n) + ' '}step, {moved}"
    elif isinstance(source, model.Logic):
        by = " (by overlap of their gates)" if source.by == "gates" else ""
        says = f"hits when {logic_words(source.expression, lanes, lane.tap)}{by}"
    elif isinstance(source, model.Notes):
        names = [
            "tie"
            if n.tie
            else "rest"
            if n.number is None
            else note_name(n.number) + (" (glide)" if n.glide else "")
            for n in source.notes
        ]
        says = f"{' '.join(names)}, {moved}"
    elif isinstance(source, model.Levels):
        says = " ".join("rest" if v is None else f"{v:g}" for v in source.values) + f", {moved}"
    elif isinstance(source, model.Shape):
        again = f", started again by {source.retrigger}" if source.retrigger else ""
        cycle = (
            f"one cycle in {rate_words(lane.advance)}"
            if not isinstance(lane.advance, str)
            else moved
        )
        says = f"{source.form.replace('-', ' ')}, {cycle}{again}"
    elif isinstance(source, model.Decay):
        says = f"falls after each hit of {source.of}"
    elif isinstance(source, model.Hold):
        says = f"takes the value of {source.value} at each hit of {source.by}"
    else:
        says = f"a random walk, {moved}"
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
    if lane.feel == "grid":
        extra.append("on the grid")
    return "; ".join([says, *extra])
