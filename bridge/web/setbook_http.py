"""Routes of the set as text, its folder, the chart and the rig's outputs."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial

from aiohttp import web

from bridge.control.door import Control
from bridge.control.edits import EVERYTHING, Edits
from bridge.control.session import Playing, Session
from bridge.control.threads import in_thread
from bridge.errors import PlayerError
from bridge.session.chart import Charts
from bridge.session.setbook import SetBook
from bridge.web import bodies as b
from bridge.web.conditions import base_of, with_tag
from bridge.web.heavy import Heavy, digest
from bridge.web.http import TEXT_BYTES, Routes, client_of


def set_answer(book: SetBook, playing: Playing) -> b.SetAnswer:
    """A set that plays, as the interface answers it."""
    return b.SetAnswer(
        name=playing.document.spec.name,
        file=book.name(playing),
        text=playing.text,
        revision=max(playing.revision, 0),
        saved=book.saved,
    )


async def _in_turn(
    book: SetBook,
    edits: Edits,
    request: web.Request,
    work: Callable[[str], Awaitable[Playing]],
    revision: int | None = None,
    *,
    replaces: bool = True,
) -> b.SetAnswer:
    """Changes the set as a whole: `replaces` the text, so that nothing may have changed since
    it was read, or only if the client says on which text."""
    client = client_of(request)
    base = base_of(request, edits, client, revision)

    async def change() -> Playing:
        if replaces or base.own is None:
            edits.check(base, EVERYTHING)
        return await work(client)

    return set_answer(book, await edits.run(client, change, lambda: with_tag(request, edits)))


def _checked(book: SetBook, text: str) -> b.CheckAnswer:
    return b.CheckAnswer(
        problems=[
            b.TextProblem(message=p.message, path=p.path, line=p.line, column=p.column)
            for p in book.problems(text)
        ]
    )


def set_routes(book: SetBook, charts: Charts, control: Control) -> Routes:
    """The set that plays: its text, checking, opening, saving, and the chart of what comes.

    Args:
        book: the set and its folder.
        charts: make the chart.
        control: gives the rig and the set that play, and what others have edited meanwhile.

    """
    routes = Routes()
    edits = control.edits
    checks: Heavy[b.CheckAnswer] = Heavy()
    shown, in_turn = partial(set_answer, book), partial(_in_turn, book, edits)

    @routes.add("GET", "/api/set", "getSet", "The text of the set that plays.")
    async def get(request: web.Request, query: object) -> b.SetAnswer:
        _, playing = control.session.loaded()
        with_tag(request, edits)
        return shown(playing)

    @routes.add(
        "PUT",
        "/api/set",
        "putSet",
        "Checks a new text and swaps it in at the next step, beat or bar.",
        limit=TEXT_BYTES,
        errors=(409, 412, 429),
        conditional=True,
    )
    async def put(request: web.Request, body: b.TextBody) -> b.SetAnswer:
        return await in_turn(
            request, lambda client: book.put(body.text, body.when, client), body.revision
        )

    @routes.add(
        "POST",
        "/api/set/check",
        "checkSet",
        "What is wrong with a text, if anything.",
        limit=TEXT_BYTES,
    )
    async def check(request: web.Request, body: b.CheckBody) -> b.CheckAnswer:
        rig, playing = control.session.loaded()
        key = (id(rig), playing.path.name, digest(body.text))
        return await checks.get(request, key, lambda: in_thread(_checked, book, body.text))

    shown_routes = _shown_routes(charts, control)
    return Routes([*routes, *shown_routes, *_file_routes(book, in_turn), *_folder_routes(book)])


def _shown_routes(charts: Charts, control: Control) -> Routes:
    routes = Routes()

    @routes.add(
        "GET",
        "/api/chart",
        "chart",
        "The coming bars as they will be played.",
        answer=b.ChartAnswer,
    )
    async def chart(request: web.Request, query: b.ChartQuery) -> dict[str, object]:
        made = await charts.make(query.bars)
        if made is None:
            raise PlayerError("the player has not started yet")
        return {key: value for key, value in made.items() if key != "type"}

    @routes.add("GET", "/api/rig", "rig", "Every output of the rig and what drives it.")
    async def rig(request: web.Request, query: object) -> b.RigAnswer:
        return rig_answer(control.session)

    return routes


def rig_answer(session: Session) -> b.RigAnswer:
    """The outputs in the rig's order, each with the lane and the macros that drive it."""
    rig, playing = session.loaded()
    spec = playing.document.spec
    rows = []
    for name, wired in rig.wired.items():
        lanes = [lane.name for lane in spec.lanes if lane.out == name]
        macros = [m.name for m in spec.macros if any(d.out == name for d in m.drives)]
        rows.append(
            b.OutputRow(
                output=name,
                kind=wired.output.kind,
                cable=wired.cable,
                low=wired.output.low,
                high=wired.output.high,
                lanes=lanes,
                macros=macros,
            )
        )
    return b.RigAnswer(rig=rig.name, outputs=rows)


def _file_routes(book: SetBook, in_turn: Callable[..., Awaitable[b.SetAnswer]]) -> Routes:
    routes = Routes()

    @routes.add(
        "POST",
        "/api/set/save",
        "saveSet",
        "Writes the text that plays to its file.",
        errors=(409, 412, 429),
        conditional=True,
    )
    async def save(request: web.Request, body: object) -> b.SetAnswer:
        return await in_turn(request, lambda client: book.save(), replaces=False)

    @routes.add(
        "POST",
        "/api/set/save-as",
        "saveSetAs",
        "Writes it to another file beside it.",
        errors=(404, 409, 412, 429),
        conditional=True,
    )
    async def save_as(request: web.Request, body: b.SaveAsBody) -> b.SetAnswer:
        return await in_turn(
            request, lambda client: book.save_as(body.file, body.replace), replaces=False
        )

    @routes.add(
        "POST",
        "/api/set/open",
        "openSet",
        "Another set of the folder begins.",
        role="play",
        errors=(404, 409, 412, 429),
        conditional=True,
    )
    async def open_set(request: web.Request, body: b.OpenBody) -> b.SetAnswer:
        return await in_turn(
            request,
            lambda client: book.open(body.file, body.when, client, body.tempo, body.fresh),
            replaces=False,
        )

    @routes.add(
        "POST",
        "/api/set/back",
        "backToSet",
        "The set that was open before comes back.",
        role="play",
        optional=True,
        errors=(409, 412, 429),
        conditional=True,
    )
    async def back(request: web.Request, body: b.BackBody) -> b.SetAnswer:
        return await in_turn(
            request, lambda client: book.back(body.when, client, body.tempo), replaces=False
        )

    return routes


def _folder_routes(book: SetBook) -> Routes:
    routes = Routes()

    @routes.add(
        "POST",
        "/api/sets/load",
        "loadSet",
        "Compiles a set, so that it can begin at once.",
        role="play",
        errors=(404,),
    )
    async def load(request: web.Request, body: b.LoadBody) -> b.SetsAnswer:
        await book.load_ahead(body.file)
        return await sets(request, None)

    @routes.add("GET", "/api/sets", "listSets", "The sets of the folder.")
    async def sets(request: web.Request, query: object) -> b.SetsAnswer:
        return b.SetsAnswer(
            sets=[
                b.SetFile(
                    file=row.file,
                    set=row.title,
                    current=row.current,
                    loaded=row.loaded,
                    saved=row.saved,
                )
                for row in await book.files()
            ]
        )

    return routes
