"""The form of a set in words and as a strip chart (see `bridge.paper.form`)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from bridge.files.phrases import listed
from bridge.music.spelling import spelled
from bridge.paper import svg
from bridge.paper.drawings import INK, MARK, PALE, RULE
from bridge.paper.form import Bar, Form, Part, Passage, Stretch

# --- words ---------------------------------------------------------------------------------------


def lines(form: Form) -> Iterator[str]:
    """The form as lines of text: sections, lanes, and what one should know."""
    minutes, seconds = divmod(round(form.seconds), 60)
    yield f"{form.spec.name}: {form.bars} bars, {minutes} min {seconds} s ({form.way})"
    yield ""
    yield from _table(
        ("section", "bars", "hits a bar", "filled", "register", "distinct", "differs", "lanes"),
        (_passage(form, passage) for passage in form.passages),
    )
    yield ""
    yield from _table(
        ("lane", "hits a bar", "bars heard", "distinct", "share", "longest unchanged"),
        (_part(part) for part in (form.whole, *form.groups, *form.lanes)),
    )
    yield ""
    for one, other, differs in form.alike:
        yield f"{one} and {other} hardly differ ({differs:.0%})"
    if form.silent:
        yield f"never sounds: {listed(list(form.silent))}"
    if not form.alike and len(form.passages) > 1:
        yield "every section differs from the others"
    if not form.silent:
        yield "every lane with an output sounds"


def _passage(form: Form, passage: Passage) -> tuple[str, ...]:
    notes = passage.register
    register = "-" if notes is None else " ".join(spelled(float(n), form.spec) for n in notes)
    return (
        passage.section or "-",
        f"{passage.first + 1} to {passage.first + passage.bars}",
        f"{passage.hits_a_bar:.1f}",
        f"{passage.density:.0%}",
        register,
        f"{passage.distinct} of {passage.bars}",
        "-" if passage.differs is None else f"{passage.differs:.0%}",
        str(len(passage.lanes)),
    )


def _part(part: Part) -> tuple[str, ...]:
    return (
        part.name,
        f"{part.hits_a_bar:.1f}",
        str(part.heard),
        str(part.distinct),
        f"{part.share:.0%}",
        stretch_words(part.again),
    )


def stretch_words(again: Stretch) -> str:
    """``bars 9 to 24, each the same``, ``bars 9 to 24, every 2 bars the same``, or ``none``."""
    if not again.bars:
        return "none"
    each = "each the same" if again.period == 1 else f"every {again.period} bars the same"
    return f"bars {again.first + 1} to {again.first + again.bars}, {each}"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    table = [tuple(heads), *(tuple(row) for row in rows)]
    widths = [max(len(row[column]) for row in table) for column in range(len(heads))]
    for row in table:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


# --- drawing -------------------------------------------------------------------------------------

LEFT, WIDTH, RIGHT = 110.0, 1200.0, 20.0
HEAD, TALL, GAP = 66.0, 26.0, 10.0


def draw(form: Form) -> str:
    """The form as one SVG: time runs to the right, a row for each lane, a mark for each hit.

    Bars that are new are inked, bars that the lane has played before are pale; below run the hits
    of each bar and the notes that sound.
    """
    rows = list(form.by_lane.items())
    height = HEAD + (len(rows) + 2) * (TALL + GAP) + 24.0
    title = f"{form.spec.name}, {form.bars} bars: inked where a lane is new, pale where it repeats"
    parts = [svg.text(LEFT, 18.0, title, fill=INK, font_size=14), *_sections(form, height - 20.0)]
    top = HEAD
    for name, bars in rows:
        parts += [*_head(name, top), *_hits(form, bars, top)]
        top += TALL + GAP
    counts = [float(sum(len(bars[n]) for _, bars in rows)) for n in range(form.bars)]
    parts += [*_head("hits a bar", top), *_steps(form, counts, top)]
    parts += [*_head("notes", top + TALL + GAP), *_notes(form, top + TALL + GAP)]
    return svg.picture(
        LEFT + WIDTH + RIGHT,
        height,
        parts,
        title,
        font_family="sans-serif",
        style="background:#fff",
    )


def _x(form: Form, bar: float) -> float:
    return LEFT + WIDTH * bar / form.bars


def _head(name: str, top: float) -> list[str]:
    base = top + TALL
    label = {"text_anchor": "end", "fill": INK, "font_size": 12}
    return [
        svg.text(LEFT - 8, base - 6, name, **label),
        svg.line(LEFT, base, LEFT + WIDTH, base, stroke=RULE),
    ]


def _sections(form: Form, bottom: float) -> Iterator[str]:
    for number, passage in enumerate(form.passages):
        x = _x(form, passage.first)
        y = 36.0 + 13.0 * (number % 2)  # in two rows, so that short sections do not overlap
        yield svg.line(x, y - 9.0, x, bottom, stroke=RULE)
        if passage.section:
            yield svg.text(x + 3, y, passage.section, fill=MARK, font_size=12)
        yield svg.text(x + 3, bottom + 12, str(passage.first + 1), fill=PALE, font_size=10)


def _hits(form: Form, bars: Sequence[Bar], top: float) -> Iterator[str]:
    """Each hit as a mark; a path for the bars that are new and one for those that repeat."""
    length, base = form.spec.bar_ticks, top + TALL
    known: set[Bar] = set()
    new: list[str] = []
    old: list[str] = []
    for number, bar in enumerate(bars):
        marks = old if bar in known else new
        tall = TALL * (0.5 if bar in known else 0.9)
        known.add(bar)
        for place in sorted({token.place for token in bar}):
            x = _x(form, number + place / length)
            marks.append(f"M{svg.number(x)} {svg.number(base)}v-{svg.number(tall)}")
    for marks, ink, kind in ((old, PALE, "again"), (new, INK, "new")):
        if marks:
            d = "".join(marks)
            yield svg.element("path", d=d, stroke=ink, stroke_width=0.8, class_=kind)


def _steps(form: Form, values: Sequence[float], top: float) -> Iterator[str]:
    most = max(values) or 1.0
    points = []
    for number, value in enumerate(values):
        y = top + TALL - TALL * value / most
        points += [(_x(form, number), y), (_x(form, number + 1), y)]
    yield svg.path(points, stroke=INK, stroke_width=1.2)
    yield svg.text(LEFT + WIDTH + 2, top + 9, f"{most:g}", fill=PALE, font_size=10)


def _notes(form: Form, top: float) -> Iterator[str]:
    """Each note that sounds as a dot, between the lowest and the highest of the set."""
    length = form.spec.bar_ticks
    dots = [
        (number + token.place / length, note)
        for bars in form.by_lane.values()
        for number, bar in enumerate(bars)
        for token in sorted(bar)
        for note in token.notes
    ]
    if not dots:
        return
    low, high = min(note for _, note in dots), max(note for _, note in dots)
    span = (high - low) or 1
    marks = [
        f"M{svg.number(_x(form, at))} {svg.number(top + TALL - (TALL - 2) * (note - low) / span)}h2"
        for at, note in dots
    ]
    yield svg.element("path", d="".join(marks), stroke=INK, stroke_width=1.2, class_="notes")
    for note, y in ((high, top + 9), (low, top + TALL)):
        words = spelled(float(note), form.spec)
        yield svg.text(LEFT + WIDTH + 2, y, words, fill=PALE, font_size=10)
