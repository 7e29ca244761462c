"""Routes of the page's editing view: the set as plain data, edits by path, and their preview.

An edit changes the text where it stands (`bridge.files.edit`), is checked as a whole like any text,
swapped in at the next step, beat or bar, and is one undoable step.
"""

from __future__ import annotations

import asyncio
import json
from typing import Annotated, Literal

from aiohttp import web
from pydantic import BeforeValidator, Field

from bridge.control.door import Control
from bridge.control.session import Playing, Session
from bridge.control.threads import in_thread
from bridge.errors import InputError, PlayerError, Problem, did_you_mean
from bridge.files import edit, older, removal
from bridge.files.document import Document
from bridge.files.rig import Rig
from bridge.files.set import parse_set
from bridge.music.score import Score
from bridge.session.chart import PARTS, Charts
from bridge.session.setbook import SetBook
from bridge.web import bodies as b
from bridge.web.bodies import AS_WHOLE, Seq, Strict, whole
from bridge.web.conditions import base_of, with_tag
from bridge.web.heavy import Heavy, digest
from bridge.web.http import TEXT_BYTES, Routes, client_of
from bridge.web.words_http import WORDS_ROUTE

Key = Annotated[str, Field(min_length=1, max_length=64)]


def plain_numbers(value: object) -> object:
    """The value with 17 in place of 17.0, wherever it stands: JSON has one kind of number."""
    if isinstance(value, dict):
        return {key: plain_numbers(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [plain_numbers(inner) for inner in value]
    return whole(value)


class EditRow(Strict):
    """One change: `value` replaces or adds what `path` leads to, null removes it; `rename` gives
    the last key another name, everywhere it is named. A lane, macro or section that others name is
    removed only with `force`: lanes that are made of it go too, others lose what they say of it."""

    path: Annotated[list[Key], Field(min_length=1, max_length=8)]
    value: Annotated[object, BeforeValidator(plain_numbers)] = None
    rename: Key | None = None
    force: bool = False


Edits = Annotated[list[EditRow], Field(min_length=1, max_length=64)]


class EditBody(Strict):
    """`revision`: that of the text which the edits were made on (``If-Match`` says the same).
    `section`: the edits hold in that section only; without it they hold everywhere. A value of
    null then takes the difference away: the section has what the set has."""

    edits: Edits
    section: Key | None = None
    when: Literal["step", "beat", "bar"] = "beat"
    revision: Seq | None = None


class PreviewBody(Strict):
    edits: Edits
    section: Key | None = None
    bars: Annotated[int, Field(ge=1, le=4), AS_WHOLE] = 1


class PlainAnswer(b.Answer):
    """The set as plain data: `data` is what the text says, before any default. `also`: what went
    along with what was removed by force."""

    revision: int
    file: str
    saved: bool
    data: dict[str, object]
    also: list[str] = Field(default_factory=list)


class PreviewAnswer(b.Answer):
    """Either what is wrong, or the chart as it would be."""

    problems: list[b.TextProblem]
    chart: b.ChartAnswer | None


VARIED = ("tempo", "swing", "key")
"""Keys of the set that a section may have otherwise, beside those of lanes."""


def within(rows: list[EditRow], section: str | None) -> list[EditRow]:
    """The rows as changes of one section's own text; None: as they are. Raises `InputError` for
    what only the whole set can have."""
    if section is None:
        return rows
    found = []
    for row in rows:
        path = row.path
        of_lane = path[0] == "lanes" and (len(path) > 2 or (len(path) == 2 and row.value is None))
        if row.rename is not None or not (of_lane or path[0] in VARIED):
            message = (
                f"a section cannot have this otherwise; change it everywhere: {'.'.join(path)}"
            )
            raise InputError([Problem(message, ".".join(path), keys=tuple(path))])
        found.append(row.model_copy(update={"path": ["sections", section, *path]}))
    return found


def of_section(text: str, section: str | None) -> None:
    """Raises `InputError` when the text has no such section."""
    sections = Document.parse(text, "").data.get("sections") or {}
    if section is not None and section not in sections:
        message = f"there is no section {section}{did_you_mean(section, sections)}"
        raise InputError([Problem(message, f"sections.{section}")])


def edited(text: str, rows: list[EditRow]) -> tuple[str, list[str]]:
    """The text after all rows, and what went along by force. Raises `InputError`."""
    gone: list[removal.Place] = []
    also: list[str] = []
    # Paths name keys as they are written today, also where the text has an older spelling.
    text = older.rewritten(text, Document.parse(text, "").data)
    for row in rows:
        path = tuple(row.path)
        removes = row.rename is None and row.value is None and len(path) == 2
        if removes and path[0] in removal.WHATS:
            place = (path[0], path[1])
            if row.force:
                text, more = removal.without(text, [place])
                also += more
            gone.append(place)
        text = edit.apply(text, [edit.Change(path, row.value, row.rename)])
    data = Document.parse(text, "").data
    left = [place for place in gone if place[1] not in (data.get(place[0]) or {})]
    removal.refuse(removal.still_named(text, left))
    return text, also


def touched(rows: list[EditRow]) -> set[tuple[str, ...]]:
    """The paths that the rows change, the new names too."""
    paths = {tuple(row.path) for row in rows}
    return paths | {(*row.path[:-1], row.rename) for row in rows if row.rename is not None}


def new_names(rows: list[EditRow]) -> dict[str, dict[str, str]]:
    """Old names to new ones, by ``lanes``, ``macros`` and ``sections``, after all rows."""
    names: dict[str, dict[str, str]] = {}
    for row in rows:
        if row.rename is None or len(row.path) != 2 or row.path[0] not in removal.WHATS:
            continue
        kind, old = row.path
        known = names.setdefault(kind, {})
        first = next((name for name, now in known.items() if now == old), old)
        known[first] = row.rename
    return names


def label_of(rows: list[EditRow]) -> str:
    """A few words for the history."""
    row = rows[0]
    more = f" and {len(rows) - 1} more" if len(rows) > 1 else ""
    if row.rename is not None:
        return f"{row.path[-1]} is {row.rename}{more}"
    what = " ".join(row.path[1:] if len(row.path) > 1 else row.path)
    return f"{what} {'removed' if row.value is None else 'edited'}{more}"[:80]


PERFORMED = (*PARTS, "morph", "tempo", "tempo_glide")
"""Members of the state that say how a set is played: all that a preview depends on beside the set
and the bar."""


def edit_routes(book: SetBook, control: Control, charts: Charts) -> Routes:
    """The set that plays as plain data, edits of it, and previews of edits.

    Args:
        book: swaps the edited text in.
        control: knows what others have edited meanwhile, so that nobody's edit is lost.
        charts: draw what an edit would come to.
    """
    routes = Routes()
    session = control.session

    def playing_now() -> Playing:
        return session.loaded()[1]

    def plain(playing: Playing, also: list[str] | None = None) -> PlainAnswer:
        return PlainAnswer(
            also=also or [],
            revision=max(playing.revision, 0),
            file=book.name(playing),
            saved=book.saved,
            data=Document.parse(playing.text, playing.path.name).data,
        )

    @routes.add("GET", "/api/set/plain", "getPlainSet", "The set that plays, as plain data.")
    async def get(request: web.Request, query: object) -> PlainAnswer:
        playing = playing_now()
        with_tag(request, control.edits)
        return await asyncio.to_thread(plain, playing)

    @routes.add(
        "POST",
        "/api/set/edits",
        "editSet",
        "Changes values of the set's text by path, keeping the rest as it is written.",
        limit=TEXT_BYTES,
        errors=(409, 412, 429),
        conditional=True,
    )
    async def put(request: web.Request, body: EditBody) -> PlainAnswer:
        playing_now()
        client = client_of(request)
        base = base_of(request, control.edits, client, body.revision)

        async def change() -> PlainAnswer:
            rows = within(body.edits, body.section)
            control.edits.check(base, touched(rows))
            before = playing_now().text
            of_section(before, body.section)
            text, also = await asyncio.to_thread(edited, before, rows)
            label = label_of(body.edits)
            if body.section is not None:
                label = f"{label} in {body.section}"[:80]
            after = await book.put(text, body.when, client, label=label, renamed=new_names(rows))
            return await asyncio.to_thread(plain, after, also)

        return await control.edits.run(client, change, lambda: with_tag(request, control.edits))

    return Routes([*routes, *_preview_routes(session, charts), WORDS_ROUTE])


def _preview_routes(session: Session, charts: Charts) -> Routes:
    routes = Routes()
    previews: Heavy[dict[str, object]] = Heavy()

    def compiled(playing: Playing, rig: Rig, body: PreviewBody) -> Score:
        of_section(playing.text, body.section)
        text, _ = edited(playing.text, within(body.edits, body.section))
        return parse_set(text, playing.path.name, rig).score

    async def look_ahead(playing: Playing, rig: Rig, body: PreviewBody) -> dict[str, object]:
        try:
            score = await in_thread(compiled, playing, rig, body)
        except InputError as error:
            return {"problems": [problem.facts() for problem in error.problems], "chart": None}
        chart = await charts.preview(score, body.bars)
        del chart["type"]
        return {"problems": [], "chart": chart}

    @routes.add(
        "POST",
        "/api/set/preview",
        "previewEdits",
        "What edits would play, or what is wrong with them; nothing is changed.",
        answer=PreviewAnswer,
        limit=TEXT_BYTES,
    )
    async def preview(request: web.Request, body: PreviewBody) -> dict[str, object]:
        if "lanes" not in session.state:
            raise PlayerError("the player has not started yet")
        rig, playing = session.loaded()
        state = session.state
        tick, bar = int(state["transport"]["tick"]), playing.score.spec.bar_ticks
        at = tick // bar * bar
        plain: dict[str, object] = dict(state)
        played = {name: plain.get(name) for name in PERFORMED}
        asked = digest(json.dumps([body.model_dump(), played]))
        return await previews.get(
            request,
            (id(rig), digest(playing.text), at, asked),
            lambda: look_ahead(playing, rig, body),
        )

    return routes
