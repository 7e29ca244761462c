"""Routes of what was saved before, and of packs: one file with a set and all that it needs."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated, Literal

from aiohttp import web
from pydantic import Field

from bridge.control.door import Control
from bridge.control.session import Playing
from bridge.control.threads import in_thread
from bridge.errors import CommandError
from bridge.files import fitting, pack, store, working
from bridge.files.document import MAX_BYTES, decode
from bridge.files.read import read_input, reason
from bridge.files.rig import Rig
from bridge.files.set import parse_set
from bridge.files.sounds import sounds_path
from bridge.files.tuning import tuning_path
from bridge.paper import moments, tuned
from bridge.protocol.limits import SwapMoment
from bridge.session.setbook import SetBook
from bridge.web import bodies as b
from bridge.web.conditions import with_tag
from bridge.web.heavy import Heavy, digest
from bridge.web.http import ARCHIVE, ARCHIVE_BYTES, Routes, client_of
from bridge.web.setbook_http import set_answer

if TYPE_CHECKING:
    from bridge.files.fitting import Fit

Which = Annotated[
    str,
    Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d-\d\d-\d\d(-\d{1,6})?$", description="as it is listed"),
]


class SavedMoment(b.Answer):
    """A version that was kept when it was replaced: `moment` names it; `changes` says in words what
    the save changed that replaced it (nothing: comments or layout only)."""

    moment: str
    until: str
    changes: list[str]


class MomentsAnswer(b.Answer):
    file: str
    moments: list[SavedMoment]


class BringBackBody(b.Strict):
    moment: Which
    when: SwapMoment = "bar"


Beside = Literal["rig", "tuning", "sounds"]


class BesideQuery(b.Query):
    """`of`: the rig's own file, its tunings, or what the last good soundcheck has heard."""

    of: Beside = "rig"


class RigBackBody(b.Strict):
    moment: Which
    of: Beside = "rig"


class PackQuery(b.Query):
    """`tuning`: whether the tunings go along; they fit the very modules that were measured."""

    tuning: Literal["yes", "no"] = "no"


class OpenQuery(b.Query):
    """`accept`: ``yes`` takes the outputs that are suggested, and keeps them beside the rig."""

    accept: Literal["yes", "no"] = "no"


class FitRow(b.Answer):
    """Where an output of the set goes on this rig: `to` (null: nowhere), `how` (``same``, ``said``,
    ``suggested`` or ``none``), all of it in `words`, and what else would do."""

    output: str
    to: str | None
    how: str
    words: str
    others: list[str]


class OpenedAnswer(b.Answer):
    """`file` is the set's name among the others of the folder; null when an output has no place yet
    and nothing was written."""

    set: str
    rig: str
    file: str | None
    fits: list[FitRow]


def keeping_routes(book: SetBook, control: Control) -> Routes:
    """Saved moments of set and rig, and packs of them to hand on.

    Args:
        book: the folder they lie in; swaps in what is brought back.
        control: gives the rig and the set that play.

    """
    routes = Routes()
    session = control.session
    lists: Heavy[MomentsAnswer] = Heavy()

    @routes.add(
        "GET", "/api/set/moments", "setMoments", "Every saved moment of the set that plays."
    )
    async def of_set(request: web.Request, query: object) -> MomentsAnswer:
        path = session.loaded()[1].path
        return await lists.get(request, await in_thread(_key, path), lambda: in_thread(_told, path))

    @routes.add(
        "GET",
        "/api/rig/moments",
        "rigMoments",
        "Every saved moment of the rig, or of what is kept beside it.",
        query=BesideQuery,
    )
    async def of_rig(request: web.Request, query: BesideQuery) -> MomentsAnswer:
        path = _path(session.loaded()[0], query.of)
        return await lists.get(request, await in_thread(_key, path), lambda: in_thread(_told, path))

    return Routes([*routes, *_back_routes(book, control), *_pack_routes(book, control)])


def _back_routes(book: SetBook, control: Control) -> Routes:
    routes = Routes()
    session = control.session

    @routes.add(
        "POST",
        "/api/set/bring-back",
        "bringSetBack",
        "The set as it was saved before plays from the next step, beat or bar; it can be undone.",
        errors=(404, 409),
    )
    async def set_back(request: web.Request, body: BringBackBody) -> b.SetAnswer:
        path = session.loaded()[1].path
        moment, text = await in_thread(_version, path, body.moment)
        label = f"the set as saved until {moment.until:%Y-%m-%d %H:%M}"
        playing = await book.put(text, body.when, client_of(request), label=label)
        with_tag(request, control.edits)
        return set_answer(book, playing)

    @routes.add(
        "POST",
        "/api/rig/bring-back",
        "bringRigBack",
        "Writes the rig, or what is beside it, as saved before; used from the next start on.",
        errors=(404, 409),
    )
    async def rig_back(request: web.Request, body: RigBackBody) -> MomentsAnswer:
        path = _path(session.loaded()[0], body.of)
        _, text = await in_thread(_version, path, body.moment)
        try:
            await in_thread(store.save, path, text, datetime.now())
        except OSError as error:
            raise CommandError(
                f"'{path.name}' cannot be written: {reason(error)}", "state"
            ) from None
        return await in_thread(_told, path)

    return routes


def _pack_routes(book: SetBook, control: Control) -> Routes:
    routes = Routes()
    session = control.session
    packs: Heavy[bytes] = Heavy()

    @routes.add(
        "GET",
        "/api/pack",
        "pack",
        "The set that plays with its rig, profiles and sheet, as one file to hand on.",
        media=ARCHIVE,
    )
    async def get(request: web.Request, query: PackQuery) -> web.Response:
        rig, playing = session.loaded()
        tuning = query.tuning == "yes"
        measured = working.stamp(tuning_path(rig.path)) if tuning and rig.path else None
        raw = await packs.get(
            request,
            (id(rig), digest(playing.text), tuning, measured, date.today()),
            lambda: in_thread(_packed, rig, playing, tuning),
        )
        stem = pack.plain_name(playing.document.spec.name)
        return web.Response(
            body=raw,
            content_type=ARCHIVE,
            headers={
                "Content-Disposition": f'attachment; filename="{stem}{pack.ENDING}"',
                "Cache-Control": "no-store",
            },
        )

    @routes.add(
        "POST",
        "/api/pack",
        "openPack",
        "Checks a pack, and puts its set among the others once all of its outputs have a place.",
        query=OpenQuery,
        limit=ARCHIVE_BYTES,
        errors=(409,),
    )
    async def post(request: web.Request, body: bytes) -> OpenedAnswer:
        rig, _ = session.loaded()
        accept = request.query.get("accept") == "yes"
        made, text = await in_thread(_opened, body, rig, accept)
        if text is not None:
            file = await book.add(pack.plain_name(made.set), text)
            made = made.model_copy(update={"file": file})
        return made

    return routes


def _path(rig: Rig, of: Beside) -> Path:
    if rig.path is None:
        raise CommandError("the rig is no file", "state")
    return {"rig": Path, "tuning": tuning_path, "sounds": sounds_path}[of](rig.path)


def _key(path: Path) -> tuple[object, ...]:
    """Changes whenever the file is written, and so whenever its history does."""
    newest = next(iter(store.moments(path)), None)
    return path, working.stamp(path), None if newest is None else newest.stamp


def _told(path: Path) -> MomentsAnswer:
    return MomentsAnswer(
        file=path.name,
        moments=[
            SavedMoment(
                moment=moment.stamp,
                until=moment.until.isoformat(timespec="seconds"),
                changes=list(changes),
            )
            for moment, changes in moments.told(path)
        ],
    )


def _version(path: Path, stamp: str) -> tuple[store.Moment, str]:
    """A kept version and its text. Raises `CommandError` when there is none of that name."""
    for moment in store.moments(path):
        if moment.stamp == stamp:
            return moment, decode(read_input(moment.copy, MAX_BYTES), path.name)
    raise CommandError(f"'{path.name}' has no saved moment {stamp}", "unknown")


def _packed(rig: Rig, playing: Playing, tuning: bool) -> bytes:
    from bridge.paper.sheet import sheet_html

    said = tuned.words(rig) if tuning else {}
    sheet = sheet_html(rig, playing.document, date.today(), said)
    return pack.pack_bytes(pack.gather(rig, playing.document, sheet, tuning=tuning))


def _opened(raw: bytes, rig: Rig, accept: bool) -> tuple[OpenedAnswer, str | None]:
    """What an upload holds, and the text of its set for this rig; None when an output is open."""
    read = pack.read_pack(raw)
    with TemporaryDirectory(prefix="lanebridge-") as folder:
        source, document = pack.unpack(read, Path(folder, "pack"))
    known = fitting.load_said(rig, source.name)
    found = fitting.fits(document.spec, rig, known, source)
    if accept:
        said = {fit.out: fit.to for fit in found if fit.how == "suggested" and fit.to is not None}
        found = fitting.fits(document.spec, rig, {**known, **said}, source)
        try:
            fitting.keep_said(rig, source.name, said, datetime.now())
        except OSError as error:
            raise CommandError(f"what you said cannot be kept: {reason(error)}", "state") from None
    text = None
    if not any(fit.open for fit in found):
        text = fitting.fitted(document, found)
        parse_set(text, "set.yaml", rig)
    rows = [_row(fit) for fit in found]
    return OpenedAnswer(set=read.set_name, rig=read.rig_name, file=None, fits=rows), text


def _row(fit: Fit) -> FitRow:
    return FitRow(
        output=fit.out, to=fit.to, how=fit.how, words=fitting.words(fit), others=list(fit.others)
    )
