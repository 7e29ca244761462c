"""Routes of the set as text, its folder, the chart and the rig's outputs."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from aiohttp import web

from bridge.control.door import Control
from bridge.control.edits import EVERYTHING
from bridge.control.session import Playing, Session
from bridge.errors import PlayerError
from bridge.session.chart import Charts
from bridge.session.setbook import SetBook
from bridge.web import bodies as b
from bridge.web.conditions import base_of, with_tag
from bridge.web.http import TEXT_BYTES, Route, client_of


def set_routes(book: SetBook, charts: Charts, control: Control) -> list[Route]:
    edits = control.edits

    def shown(playing: Playing) -> b.SetAnswer:
        return b.SetAnswer(
            name=playing.document.spec.name,
            file=book.name(playing),
            text=playing.text,
            revision=max(playing.revision, 0),
            saved=book.saved,
        )

    async def get(request: web.Request, query: Any) -> b.SetAnswer:
        _, playing = control.session.loaded()
        with_tag(request, edits)
        return shown(playing)

    async def in_turn(
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

        return shown(await edits.run(client, change, lambda: with_tag(request, edits)))

    async def put(request: web.Request, body: b.TextBody) -> b.SetAnswer:
        return await in_turn(
            request, lambda client: book.put(body.text, body.when, client), body.revision
        )

    async def check(request: web.Request, body: b.CheckBody) -> b.CheckAnswer:
        return b.CheckAnswer(
            problems=[
                b.TextProblem(message=p.message, path=p.path, line=p.line, column=p.column)
                for p in await book.check(body.text)
            ]
        )

    async def save(request: web.Request, body: Any) -> b.SetAnswer:
        return await in_turn(request, lambda client: book.save(), replaces=False)

    async def save_as(request: web.Request, body: b.SaveAsBody) -> b.SetAnswer:
        return await in_turn(
            request, lambda client: book.save_as(body.file, body.replace), replaces=False
        )

    async def open_set(request: web.Request, body: b.OpenBody) -> b.SetAnswer:
        return await in_turn(
            request,
            lambda client: book.open(body.file, body.when, client, body.tempo, body.fresh),
            replaces=False,
        )

    async def back(request: web.Request, body: b.BackBody) -> b.SetAnswer:
        return await in_turn(
            request, lambda client: book.back(body.when, client, body.tempo), replaces=False
        )

    async def load(request: web.Request, body: b.LoadBody) -> b.SetsAnswer:
        await book.load_ahead(body.file)
        return await sets(request, None)

    async def sets(request: web.Request, query: Any) -> b.SetsAnswer:
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

    async def chart(request: web.Request, query: b.ChartQuery) -> dict[str, Any]:
        made = await charts.make(query.bars)
        if made is None:
            raise PlayerError("the player has not started yet")
        return {key: value for key, value in made.items() if key != "type"}

    async def rig(request: web.Request, query: Any) -> b.RigAnswer:
        return rig_answer(control.session)

    return [
        Route(
            "GET", "/api/set", "getSet", "The text of the set that plays.", get, answer=b.SetAnswer
        ),
        Route(
            "PUT",
            "/api/set",
            "putSet",
            "Checks a new text and swaps it in at the next step, beat or bar.",
            put,
            answer=b.SetAnswer,
            body=b.TextBody,
            limit=TEXT_BYTES,
            errors=(409, 412, 429),
            conditional=True,
        ),
        Route(
            "POST",
            "/api/set/check",
            "checkSet",
            "What is wrong with a text, if anything.",
            check,
            answer=b.CheckAnswer,
            body=b.CheckBody,
            limit=TEXT_BYTES,
        ),
        Route(
            "POST",
            "/api/set/save",
            "saveSet",
            "Writes the text that plays to its file.",
            save,
            answer=b.SetAnswer,
            errors=(409, 412, 429),
            conditional=True,
        ),
        Route(
            "POST",
            "/api/set/save-as",
            "saveSetAs",
            "Writes it to another file beside it.",
            save_as,
            answer=b.SetAnswer,
            body=b.SaveAsBody,
            errors=(404, 409, 412, 429),
            conditional=True,
        ),
        Route(
            "POST",
            "/api/set/open",
            "openSet",
            "Another set of the folder takes over.",
            open_set,
            answer=b.SetAnswer,
            body=b.OpenBody,
            errors=(404, 409, 412, 429),
            conditional=True,
        ),
        Route(
            "POST",
            "/api/set/back",
            "backToSet",
            "The set that was open before takes over.",
            back,
            answer=b.SetAnswer,
            body=b.BackBody,
            optional=True,
            errors=(409, 412, 429),
            conditional=True,
        ),
        Route("GET", "/api/sets", "listSets", "The sets of the folder.", sets, answer=b.SetsAnswer),
        Route(
            "POST",
            "/api/sets/load",
            "loadSet",
            "Compiles a set, so that it can take over at once.",
            load,
            answer=b.SetsAnswer,
            body=b.LoadBody,
            errors=(404,),
        ),
        Route(
            "GET",
            "/api/chart",
            "chart",
            "The coming bars as they will be played.",
            chart,
            answer=b.ChartAnswer,
            query=b.ChartQuery,
        ),
        Route(
            "GET",
            "/api/rig",
            "rig",
            "Every output of the rig and what drives it.",
            rig,
            answer=b.RigAnswer,
        ),
    ]


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
