"""Routes of takes: what was recorded, what to keep, and files made of it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from aiohttp import web

from bridge.control.threads import in_thread
from bridge.errors import CommandError
from bridge.files.read import reason
from bridge.files.take import Take, TakeError, read
from bridge.files.take_folder import SERVICE_BYTES, TakeFolder, TakeRow
from bridge.protocol.limits import TakeName
from bridge.web import bodies as b
from bridge.web.heavy import Heavy
from bridge.web.http import MIDI, SVG, Routes

CSV = "text/csv"
Make = Callable[[Take], bytes]
TAKE = {"take": "its id, its name, its place in the list (1 is the newest), or last"}


class TakesAnswer(b.Answer):
    """All takes, the newest first."""

    takes: list[TakeRow]


class StarBody(b.Strict):
    """A starred take is never dropped for room."""

    starred: bool


class NameBody(b.Strict):
    """`name`: one line; empty: it has no name any more."""

    name: TakeName


class RemoveQuery(b.Query):
    """`starred`: ``yes`` removes a take even though it is starred."""

    starred: Literal["yes", "no"] = "no"


class TableQuery(b.Query):
    """`of`: hits and values, or what hands did."""

    of: Literal["hits", "moves"] = "hits"


def take_routes(state: Path | None) -> Routes:
    """`state` is the state folder; without one there are no takes."""
    routes = Routes()
    turn = asyncio.Lock()

    def folder_of_takes() -> TakeFolder:
        if state is None:
            raise CommandError("no takes are recorded here", "state")
        return TakeFolder(state)

    @routes.add("GET", "/api/takes", "takes", "Every take, the newest first.")
    async def of_all(request: web.Request, query: object) -> TakesAnswer:
        if state is None:
            return TakesAnswer(takes=[])
        async with turn:
            return await in_thread(_told, TakeFolder(state))

    return Routes(
        [*routes, *_change_routes(folder_of_takes, turn), *_export_routes(folder_of_takes)]
    )


def _change_routes(folder_of_takes: Callable[[], TakeFolder], turn: asyncio.Lock) -> Routes:
    routes = Routes()

    async def changed(take: str, change: Callable[[TakeFolder, Path], None]) -> TakesAnswer:
        async with turn:
            return await in_thread(_changed, folder_of_takes(), take, change)

    @routes.add(
        "PUT",
        "/api/takes/{take}/star",
        "starTake",
        "Stars a take, so that it is never dropped for room, or takes its star away.",
        errors=(404, 409),
        params=TAKE,
    )
    async def star(request: web.Request, body: StarBody) -> TakesAnswer:
        return await changed(
            request.match_info["take"], lambda takes, path: takes.star(path, body.starred)
        )

    @routes.add(
        "PUT",
        "/api/takes/{take}/name",
        "nameTake",
        "Names a take; an empty name takes its name away.",
        errors=(404, 409),
        params=TAKE,
    )
    async def name(request: web.Request, body: NameBody) -> TakesAnswer:
        return await changed(
            request.match_info["take"], lambda takes, path: takes.rename(path, body.name)
        )

    @routes.add(
        "DELETE",
        "/api/takes/{take}",
        "removeTake",
        "Removes a take for good; a starred one only when the query says so.",
        errors=(404, 409),
        params=TAKE,
        body=None,
        query=RemoveQuery,
    )
    async def remove(request: web.Request, query: RemoveQuery) -> TakesAnswer:
        def change(takes: TakeFolder, path: Path) -> None:
            if query.starred == "no" and takes.note(path).starred:
                raise CommandError("this take is starred; take its star away first", "state")
            takes.remove(path)

        return await changed(request.match_info["take"], change)

    return routes


def _export_routes(folder_of_takes: Callable[[], TakeFolder]) -> Routes:
    routes = Routes()
    made: Heavy[bytes] = Heavy()

    async def sent(
        request: web.Request, ending: str, media: str, make: Make, *, shown: bool = False
    ) -> web.Response:
        path, known = await in_thread(_wanted, folder_of_takes(), request.match_info["take"])
        way = "inline" if shown else "attachment"
        raw = await made.get(request, (path, known, ending), lambda: in_thread(_made, path, make))
        return web.Response(
            body=raw,
            content_type=media,
            charset="utf-8" if media == CSV else None,
            headers={
                "Content-Disposition": f'{way}; filename="{path.stem}{ending}"',
                "Cache-Control": "no-store",
            },
        )

    @routes.add(
        "GET",
        "/api/takes/{take}/midi",
        "takeMidi",
        "A take as a standard MIDI file (type 1): what was sent, one track a lane.",
        media=MIDI,
        errors=(404, 409),
        params=TAKE,
    )
    async def midi(request: web.Request, query: object) -> web.Response:
        return await sent(request, ".mid", MIDI, _midi)

    @routes.add(
        "GET",
        "/api/takes/{take}/csv",
        "takeTable",
        "A take as a table: its hits and values, or what hands did.",
        media=CSV,
        errors=(404, 409),
        params=TAKE,
    )
    async def table(request: web.Request, query: TableQuery) -> web.Response:
        if query.of == "moves":
            return await sent(request, "-moves.csv", CSV, _moves)
        return await sent(request, ".csv", CSV, _table)

    @routes.add(
        "GET",
        "/api/takes/{take}/picture",
        "takePicture",
        "A take as a timeline: lanes over bars, mutes, macros, sections, and where it was late.",
        media=SVG,
        errors=(404, 409),
        params=TAKE,
    )
    async def picture(request: web.Request, query: object) -> web.Response:
        return await sent(request, ".svg", SVG, _drawn, shown=True)

    return routes


# What makes these files loads what nothing else of the service needs: a MIDI library, the player.


def _midi(take: Take) -> bytes:
    from bridge.paper import take_midi

    return take_midi.midi_file(take)


def _table(take: Take) -> bytes:
    from bridge.paper import take_midi

    return take_midi.table(take).encode()


def _moves(take: Take) -> bytes:
    from bridge.paper import take_midi

    return take_midi.moves(take).encode()


def _drawn(take: Take) -> bytes:
    from bridge.paper import chart_pages
    from bridge.paper.take_chart import chart_of

    return chart_pages.draw(chart_of(take)).encode()


def _told(takes: TakeFolder) -> TakesAnswer:
    return TakesAnswer(takes=takes.rows())


def _changed(
    takes: TakeFolder, take: str, change: Callable[[TakeFolder, Path], None]
) -> TakesAnswer:
    path = takes.find(take)
    try:
        change(takes, path)
    except OSError as error:
        raise CommandError(f"the take cannot be changed: {reason(error)}", "state") from None
    return _told(takes)


def _wanted(takes: TakeFolder, take: str) -> tuple[Path, tuple[int, int]]:
    """A take that a file is to be made of, and what its present state is known by."""
    path = takes.find(take)
    try:
        facts = path.stat()
    except OSError as error:
        raise CommandError(f"the take cannot be read: {reason(error)}", "state") from None
    if facts.st_size > SERVICE_BYTES:
        raise CommandError(
            f"this take has more than {SERVICE_BYTES >> 20} MB; "
            f"on the computer itself, lanebridge takes export {path.stem} writes it",
            "state",
        )
    return path, (facts.st_mtime_ns, facts.st_size)


def _made(path: Path, make: Make) -> bytes:
    try:
        return make(read(path))
    except OSError as error:
        raise CommandError(f"the take cannot be read: {reason(error)}", "state") from None
    except TakeError as error:
        raise CommandError(str(error), "state") from None
