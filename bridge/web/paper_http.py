"""Routes of what is planned and kept on paper: outputs, the patch sheet, drawings."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Coroutine
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

from aiohttp import web
from pydantic import Field

from bridge.control.session import Playing, Session
from bridge.control.threads import in_thread
from bridge.errors import CommandError
from bridge.files.rig import Rig
from bridge.files.tuning import tuning_path
from bridge.paper import free_outputs, output_table, tuned
from bridge.web import bodies as b
from bridge.web.heavy import Heavy, digest
from bridge.web.http import SVG, Routes

DRAW_S = 60.0
# No script at all, and styles only from the sheet itself.
SHEET_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)


class SheetQuery(b.Query):
    """How much of each lane is drawn."""

    bars: Annotated[int, Field(ge=1, le=16)] = 2


class PlanAnswer(b.Answer):
    rig: str
    outputs: list[output_table.PlannedOutput]
    loose: list[free_outputs.LooseLane]
    warnings: list[b.TextProblem]


def plan(rig: Rig, playing: Playing) -> PlanAnswer:
    """Plays some bars to see what the outputs are asked for: takes a moment."""
    document = playing.document
    rows = output_table.table(rig, document)
    warnings = [*document.warnings, *output_table.warnings(rig, document)]
    return PlanAnswer(
        rig=rig.name,
        outputs=rows,
        loose=free_outputs.loose(document.spec, rows),
        warnings=[
            b.TextProblem(message=p.message, path=p.path, line=p.line, column=p.column)
            for p in warnings
        ],
    )


async def draw_scope(rig: Path, text: str, bars: int) -> bytes:
    """The drawing of volts over time as SVG; see `_drawn`."""
    return await _drawn("scope", rig, text, "--bars", str(bars))


async def draw_form(rig: Path, text: str) -> bytes:
    """The set over its running order as SVG; see `_drawn`."""
    return await _drawn("form", rig, text)


async def _drawn(command: str, rig: Path, text: str, *options: str) -> bytes:
    """What a command draws of a set, made by a process of its own: libraries that plot are large,
    and what takes long must be possible to end.

    Raises `CommandError` with what the process says when it cannot.
    """
    with TemporaryDirectory(prefix="lanebridge-") as folder:
        set_file, out = Path(folder, "set.yaml"), Path(folder, "drawing.svg")
        await asyncio.to_thread(set_file.write_text, text, "utf-8")
        call = (command, str(rig), str(set_file), *options, "--out", str(out))
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "bridge.cli",
            *call,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )
        try:
            async with asyncio.timeout(DRAW_S):
                _, said = await process.communicate()
        except TimeoutError:
            raise CommandError(f"the drawing took more than {DRAW_S:g} s", "state") from None
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        if process.returncode != 0:
            reason = said.decode(errors="replace").strip() or "the drawing failed"
            raise CommandError(reason.removeprefix("Error: "), "state")
        return await asyncio.to_thread(out.read_bytes)


def _tuned_at(rig: Rig) -> tuple[int, int] | None:
    """What the tuning file beside the rig is known by: its time and its size."""
    if rig.path is None:
        return None
    try:
        facts = tuning_path(rig.path).stat()
    except OSError:
        return None
    return facts.st_mtime_ns, facts.st_size


def _sent(data: bytes, media: str, charset: str | None = None) -> web.Response:
    headers = {"Cache-Control": "no-store", "Content-Security-Policy": SHEET_POLICY}
    return web.Response(body=data, content_type=media, charset=charset, headers=headers)


def paper_routes(session: Session) -> Routes:
    """What is printed or downloaded of the set and the rig that play."""
    routes = Routes()
    sheets: Heavy[str] = Heavy()
    plans: Heavy[PlanAnswer] = Heavy()

    @routes.add(
        "GET",
        "/api/outputs",
        "outputs",
        "What drives each output, what it can do, what is free, and what will surprise.",
    )
    async def get_outputs(request: web.Request, query: object) -> PlanAnswer:
        rig, playing = session.loaded()
        key = ("outputs", id(rig), _tuned_at(rig), playing.text)
        return await plans.get(request, key, lambda: in_thread(plan, rig, playing))

    @routes.add("GET", "/api/sheet", "sheet", "The patch sheet, to print.", media="text/html")
    async def sheet(request: web.Request, query: SheetQuery) -> web.Response:
        rig, playing = session.loaded()

        today = date.today()

        def make() -> str:
            from bridge.paper.sheet import sheet_html  # large: only when somebody prints

            return sheet_html(rig, playing.document, today, tuned.words(rig), query.bars)

        key = ("sheet", id(rig), _tuned_at(rig), playing.text, today, query.bars)
        text = await sheets.get(request, key, lambda: in_thread(make))
        return _sent(text.encode(), "text/html", "utf-8")

    return Routes([*routes, *_drawing_routes(session)])


def _drawing_routes(session: Session) -> Routes:
    routes = Routes()
    drawings: Heavy[bytes] = Heavy()

    async def drawing(
        request: web.Request,
        key: tuple[object, ...],
        draw: Callable[..., Coroutine[object, object, bytes]],
        *bars: int,
    ) -> web.Response:
        rig, playing = session.loaded()
        path = rig.path
        assert path is not None
        svg = await drawings.get(
            request,
            (*key, id(rig), digest(playing.text), *bars),
            lambda: draw(path, playing.text, *bars),
        )
        return _sent(svg, SVG)

    @routes.add(
        "GET",
        "/api/scope.svg",
        "scopeDrawing",
        "Volts over time of every output that moves, for the first bars of the set.",
        media=SVG,
        errors=(409,),
    )
    async def scope(request: web.Request, query: SheetQuery) -> web.Response:
        return await drawing(request, ("scope",), draw_scope, query.bars)

    @routes.add(
        "GET",
        "/api/form.svg",
        "formDrawing",
        "The set over its running order, or over its sections one after another, as a timeline: "
        "lanes over bars, what repeats, mutes, macros and sections.",
        media=SVG,
        errors=(409,),
    )
    async def form(request: web.Request, query: object) -> web.Response:
        return await drawing(request, ("form",), draw_form)

    return routes
