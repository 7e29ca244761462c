"""Reading logic expressions: text to a tree, every mistake with its column.

Grammar, tightest first (as usual in logic: not, and, xor, or)::

    or     := xor ("or" xor)*
    xor    := and ("xor" and)*
    and    := not ("and" not)*
    not    := "not" not | atom
    atom   := "(" or ")" | LANE | FUNCTION "(" argument ("," argument)* ")"

A lane name may hold ``-``; a word is a function when ``(`` follows it. Times are rates
(``1/8``, ``1/8T``, ``3:4``), counts are whole numbers, chances are numbers from 0 to 1, lines are
names of lanes of values, levels are what such a lane says (-1 to 1, or a note number). `earlier`
takes the name of a lane of hits alone.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from bridge.errors import did_you_mean
from bridge.music.ticks import parse_rate

Kind = Literal["lane", "count", "time", "chance", "line", "level"]

OPERATORS = ("and", "or", "xor", "not")
SIDES = ("after-mute", "before-mute")

# Arguments by function: a kind each; "hits" is any expression, "hits..." one or more of them,
# a trailing "?" may be left out.
FUNCTIONS: dict[str, tuple[str, ...]] = {
    "at-least": ("count", "hits..."),
    "exactly": ("count", "hits..."),
    "nth": ("hits", "count", "count?"),
    "toggle": ("hits",),
    "first": ("hits", "hits"),
    "delay": ("hits", "time"),
    "extend": ("hits", "time"),
    "between": ("hits", "hits"),
    "chance": ("hits", "chance"),
    "edge": ("hits", "time?"),
    "gap": ("hits", "time"),
    "earlier": ("lane", "count?"),
    "above": ("line", "level", "level?"),
    "below": ("line", "level", "level?"),
    "rising": ("line",),
    "falling": ("line",),
    "changed": ("line",),
    "after-mute": ("hits",),
    "before-mute": ("hits",),
}

OLDER_FUNCTIONS = {"hold": "extend", "latch": "between"}
"""Functions by the names that they had; these are still read."""

_TOKEN = re.compile(
    r"\s*(?:(?P<number>-?\d+(?:/\d+|:\d+|\.\d+)?[T.]?)|(?P<word>[A-Za-z][A-Za-z0-9_-]*)"
    r"|(?P<sign>[(),])|(?P<bad>\S))"
)


class LogicError(ValueError):
    """A mistake in an expression, at `column` (from 1)."""

    def __init__(self, message: str, column: int) -> None:
        self.column = column
        super().__init__(f"column {column}: {message}")


@dataclass(frozen=True, slots=True)
class Term:
    """One branch of the tree: ``op`` is "lane", "line", "past", an operator or a function.

    `name` belongs to lanes (of hits), lines (lanes of values) and pasts (lanes as they were some
    steps earlier), `before_mute` to lanes and pasts; `numbers` holds counts, times (ticks), chances
    and levels.
    """

    op: str
    column: int
    terms: tuple[Term, ...] = ()
    name: str = ""
    before_mute: bool = False
    numbers: tuple[Fraction, ...] = ()

    def lanes(self) -> list[str]:
        """Names of the lanes read, of hits and of values, each once, in the order written."""
        return list(dict.fromkeys(term.name for term in self.leaves()))

    def lanes_now(self) -> list[str]:
        """The same without those that are read only as they were on an earlier step."""
        return list(dict.fromkeys(term.name for term in self.leaves() if term.op != "past"))

    def leaves(self) -> Iterator[Term]:
        """The lanes, lines and pasts in the expression, as often as they are written."""
        if self.op in ("lane", "line", "past"):
            yield self
        for term in self.terms:
            yield from term.leaves()


@dataclass(frozen=True, slots=True)
class _Token:
    """A word or a sign of an expression; its column counts from 1."""

    kind: str
    text: str
    column: int


def _tokens(text: str) -> list[_Token]:
    tokens: list[_Token] = []
    place = 0
    while found := _TOKEN.match(text, place):
        kind = str(found.lastgroup)
        column = found.start(kind) + 1
        if kind == "bad":
            raise LogicError(f"{found[kind]!r} has no meaning here", column)
        tokens.append(_Token(kind, found[kind], column))
        place = found.end()
    tokens.append(_Token("end", "", len(text.rstrip()) + 1))
    return tokens


def parse(text: str, lanes: Collection[str], reads: str = "after-mute") -> Term:
    """
    The tree of an expression of logic.

    Args:
        text: such as ``kick and not rim``.
        lanes: the names that there are.
        reads: how lanes are read unless the expression says it: ``after-mute`` or ``before-mute``.

    Raises:
        LogicError: with the column of the first mistake, and "did you mean" for near misses.
    """
    return _Reader(text, lanes, reads == "before-mute").whole()


class _Reader:
    def __init__(self, text: str, lanes: Collection[str], before_mute: bool) -> None:
        self.tokens = _tokens(text)
        self.lanes = lanes
        self.before_mute = before_mute
        self.place = 0
        self.depth = 0

    @property
    def now(self) -> _Token:
        return self.tokens[self.place]

    def take(self) -> _Token:
        token = self.now
        if token.kind != "end":
            self.place += 1
        return token

    def expect(self, sign: str, why: str) -> None:
        token = self.now
        if token.text != sign or token.kind != "sign":
            raise LogicError(f"{sign!r} expected {why}, {_seen(token)}", token.column)
        self.take()

    def whole(self) -> Term:
        if self.now.kind == "end":
            raise LogicError("the expression is empty", 1)
        term = self.either()
        token = self.now
        if token.kind == "end":
            return term
        if token.text == ")":
            raise LogicError("this ')' closes nothing", token.column)
        hint = ""
        if token.kind == "word" and token.text not in OPERATORS:
            hint = did_you_mean(token.text, OPERATORS)
        raise LogicError(f"and, or or xor expected, {_seen(token)}{hint}", token.column)

    def either(self) -> Term:
        return self.chain("or", self.exclusive)

    def exclusive(self) -> Term:
        return self.chain("xor", self.both)

    def both(self) -> Term:
        return self.chain("and", self.negated)

    def chain(self, word: str, part: object) -> Term:
        assert callable(part)
        column = self.now.column
        terms = [part()]
        while self.now.kind == "word" and self.now.text == word:
            self.take()
            terms.append(part())
        return terms[0] if len(terms) == 1 else Term(word, column, tuple(terms))

    def negated(self) -> Term:
        token = self.now
        if token.kind == "word" and token.text == "not":
            self.take()
            return self.deeper(token, lambda: Term("not", token.column, (self.negated(),)))
        return self.atom()

    def deeper(self, token: _Token, read: object) -> Term:
        assert callable(read)
        self.depth += 1
        if self.depth > 40:
            raise LogicError("nested too deep: 40 levels are possible", token.column)
        term: Term = read()
        self.depth -= 1
        return term

    def atom(self) -> Term:
        token = self.take()
        if token.kind == "sign" and token.text == "(":
            term = self.deeper(token, self.either)
            self.expect(")", f"to close the '(' of column {token.column}")
            return term
        if token.kind != "word" or token.text in OPERATORS:
            raise LogicError(f"a lane expected, {_seen(token)}", token.column)
        if self.now.text == "(" and self.now.kind == "sign":
            return self.deeper(token, lambda: self.function(token))
        if token.text not in self.lanes:
            hint = did_you_mean(token.text, [*self.lanes, *OPERATORS])
            if token.text in FUNCTIONS:
                hint = f"; as a function it needs '(': {usage(token.text)}"
            raise LogicError(f"no lane is called {token.text!r}{hint}", token.column)
        return Term("lane", token.column, name=token.text, before_mute=self.before_mute)

    def function(self, token: _Token) -> Term:
        name = OLDER_FUNCTIONS.get(token.text, token.text)
        if name not in FUNCTIONS:
            hint = did_you_mean(name, FUNCTIONS)
            if name in self.lanes:
                hint = " (it is a lane: and, or or xor is missing after it)"
            raise LogicError(f"no function is called {name!r}{hint}", token.column)
        self.take()
        if name in SIDES:
            outer, self.before_mute = self.before_mute, name == "before-mute"
            term = self.either()
            self.before_mute = outer
            self.expect(")", f"to close {usage(name)}")
            return term
        terms: list[Term] = []
        numbers: list[Fraction] = []
        for order, kind in enumerate(FUNCTIONS[name]):
            if kind.endswith("?") and self.now.text == ")":
                break
            if order:
                self.expect(",", f"in {usage(name)}")
            if kind in ("line", "lane"):
                terms.append(self.named(name, kind))
            elif kind.startswith("hits"):
                if self.now.kind == "number":
                    raise LogicError(
                        f"a lane comes here in {usage(name)}, {_seen(self.now)}", self.now.column
                    )
                terms.append(self.either())
                while kind == "hits..." and self.now.text == ",":
                    self.take()
                    terms.append(self.either())
            else:
                numbers.append(self.number(kind.rstrip("?"), name))
        self.expect(")", f"to close {usage(name)}")
        return self.checked(Term(name, token.column, tuple(terms), numbers=tuple(numbers)))

    def named(self, name: str, kind: str) -> Term:
        """The lane of values that a function compares, or the lane of hits that it remembers."""
        token = self.take()
        if token.kind != "word":
            what = "lane of values" if kind == "line" else "lane's name"
            raise LogicError(f"a {what} expected in {usage(name)}, {_seen(token)}", token.column)
        if token.text not in self.lanes:
            hint = did_you_mean(token.text, self.lanes)
            raise LogicError(f"no lane is called {token.text!r}{hint}", token.column)
        if kind == "line":
            return Term("line", token.column, name=token.text)
        return Term("past", token.column, name=token.text, before_mute=self.before_mute)

    def number(self, kind: str, name: str) -> Fraction:
        token = self.take()
        wanted = {
            "count": "a whole number",
            "time": "a time like 1/8",
            "chance": "a number 0 to 1",
            "level": "a level like 0.5, or a note number,",
        }
        if token.kind != "number":
            raise LogicError(
                f"{wanted[kind]} expected in {usage(name)}, {_seen(token)}", token.column
            )
        try:
            if kind == "time":
                return parse_rate(token.text)
            number = Fraction(token.text)
        except ValueError as error:
            raise LogicError(
                f"{wanted[kind]} expected in {usage(name)}: {error}", token.column
            ) from error
        if kind == "count" and (number.denominator != 1 or not 1 <= number <= 64):
            raise LogicError(f"{token.text} is not a whole number from 1 to 64", token.column)
        if kind == "chance" and not 0 <= number <= 1:
            raise LogicError(f"{token.text} is not a chance from 0 to 1", token.column)
        if kind == "level" and not -1 <= number <= 127:
            raise LogicError(
                f"{token.text} is neither a level from -1 to 1 nor a note number to 127",
                token.column,
            )
        return number

    def checked(self, term: Term) -> Term:
        count = term.numbers[0] if term.numbers else Fraction(0)
        if term.op in ("at-least", "exactly") and count > len(term.terms):
            raise LogicError(f"{term.op} {count} of {len(term.terms)} can never be", term.column)
        if term.op == "nth" and len(term.numbers) == 2 and term.numbers[1] > count:
            raise LogicError(
                f"of every {count} hits there is no number {term.numbers[1]}", term.column
            )
        if term.op in ("above", "below") and len(term.numbers) == 2:
            level, back = map(float, term.numbers)
            if back > level if term.op == "above" else back < level:
                side = "at or below" if term.op == "above" else "at or above"
                raise LogicError(
                    f"{term.op} {level:g} ends {side} {level:g}, not at {back:g}", term.column
                )
        return term


def usage(name: str) -> str:
    """How a function is written: ``nth(hits, count, count?)``."""
    return f"{name}({', '.join(FUNCTIONS[name])})"


def _seen(token: _Token) -> str:
    return "but the expression ends" if token.kind == "end" else f"not {token.text!r}"
