"""Copy, clear and randomise: changes of a lane's text that a performer makes with one gesture.

Each is an edit of the set's text, checked as a whole like any other, swapped in at the next step,
beat or bar, and one undoable step. Hands that lie on settings which the text now says anew are
taken off, or nothing would be heard of the change.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Mapping
from typing import Any

from aiohttp import web

from bridge.errors import CommandError, InputError, PlayerError
from bridge.files import edit
from bridge.files.document import Document
from bridge.music import vary
from bridge.music.model import SETTINGS
from bridge.service import bodies as b
from bridge.service import commands as c
from bridge.service.control import Control
from bridge.service.edits import Text
from bridge.service.http import Route, client_of
from bridge.service.setbook import Playing, SetBook


class CopyBody(c.Strict):
    """`to` may be a new name: a lane without an output then. `what` left out: both."""

    to: c.Name
    what: c.What | None = None
    when: c.Moment = "beat"


class ClearBody(c.Strict):
    what: c.What = "pattern"
    when: c.Moment = "beat"


class RandomiseBody(c.Strict):
    """Without a `seed` one is drawn; the answer tells it."""

    amount: c.Unit
    seed: c.Seed | None = None
    what: c.What = "pattern"
    when: c.Moment = "beat"


class VariedAnswer(b.Answer):
    """`lane` is the one that has changed; `seed` is there after chance."""

    done: bool = True
    lane: str
    seed: int | None
    revision: int


class Varying:
    """Carries `c.Varied` out on the set of `book`."""

    def __init__(self, book: SetBook, control: Control) -> None:
        self._book = book
        self._control = control
        control.change_lane = self.change
        control.edits.text_now = self._text_now

    def _text_now(self) -> Text | None:
        playing = self._book.playing
        return None if playing is None else Text(playing.revision, playing.text)

    async def change(self, command: c.Varied, client: str) -> dict[str, Any]:
        """One change; returns ``lane``, ``seed`` (or None) and ``revision``. Raises
        `CommandError`, `InputError` (the set would be wrong) and `PlayerError`."""
        before = self._book.playing
        if before is None:
            raise PlayerError("the set has not been read yet")
        seed = None
        if isinstance(command, c.Randomise):
            seed = secrets.randbits(31) if command.seed is None else command.seed
        name = command.to if isinstance(command, c.Copy) else command.lane
        new = await asyncio.to_thread(_changes, before, command, seed or 0)
        # What comes goes in before what goes: a mapping is never left empty on the way.
        rows = sorted(new.items(), key=lambda row: row[1] is None)
        text = before.text
        if rows:
            changes = [edit.Change(("lanes", name, key), value) for key, value in rows]
            text = await asyncio.to_thread(edit.apply, text, changes)
        after = await self._book.put(
            text, command.when, client, label=_label(command, name), parts=self._hands(name, new)
        )
        return {"lane": name, "seed": seed, "revision": after.revision}

    def _hands(self, name: str, new: Mapping[str, Any]) -> dict[str, Any]:
        """The part of the performance that takes hands off what the text has said anew."""
        hand = self._control.link.state.get("lanes", {}).get(name, {}).get("hand", {})
        said = {key for key in new if key in SETTINGS}
        for value in new.values():
            if isinstance(value, Mapping):  # hits, steps and rotate of a Euclidean lane
                said |= value.keys() & SETTINGS.keys()
        kept = {setting: value for setting, value in hand.items() if setting not in said}
        return {"lanes": {name: {"hand": kept}}} if kept != hand else {}


def _changes(playing: Playing, command: c.Varied, seed: int) -> dict[str, Any]:
    data = Document.parse(playing.text, playing.path.name).data
    spec = playing.document.spec
    lane = next(lane for lane in spec.lanes if lane.name == command.lane)
    written = data["lanes"][command.lane]
    try:
        if isinstance(command, c.Copy):
            if command.to == command.lane:
                raise CommandError("a lane cannot be copied onto itself")
            target = data["lanes"].get(command.to, {})
            return vary.copied(written, target, None if not target else command.what)
        if isinstance(command, c.Clear):
            return vary.cleared(lane, written, command.what)
        return vary.randomised(lane, written, spec, command.amount, seed, command.what)
    except ValueError as error:
        if isinstance(error, CommandError | InputError):
            raise
        raise CommandError(str(error), "state") from None


def _label(command: c.Varied, name: str) -> str:
    if isinstance(command, c.Copy):
        return f"{command.lane} copied to {name}"
    done = "cleared" if isinstance(command, c.Clear) else "randomised"
    return f"{name} {'settings ' if command.what == 'settings' else ''}{done}"


def varying_routes(control: Control) -> list[Route]:
    """The three changes over HTTP."""

    async def answer(command: c.Varied, request: web.Request) -> VariedAnswer:
        return VariedAnswer(**await control.vary(command, client_of(request)))

    async def copy(request: web.Request, x: CopyBody) -> VariedAnswer:
        lane = request.match_info["lane"]
        return await answer(c.Copy(lane=lane, to=x.to, what=x.what, when=x.when), request)

    async def clear(request: web.Request, x: ClearBody) -> VariedAnswer:
        lane = request.match_info["lane"]
        return await answer(c.Clear(lane=lane, what=x.what, when=x.when), request)

    async def randomise(request: web.Request, x: RandomiseBody) -> VariedAnswer:
        command = c.Randomise(
            lane=request.match_info["lane"], amount=x.amount, seed=x.seed, what=x.what, when=x.when
        )
        return await answer(command, request)

    lane, errors = {"lane": "name of a lane"}, (404, 409, 429)
    return [
        Route(
            "POST",
            "/api/lanes/{lane}/copy",
            "copyLane",
            "Gives another lane this one's pattern and settings; makes it when it is new.",
            copy,
            answer=VariedAnswer,
            body=CopyBody,
            errors=errors,
            params=lane,
        ),
        Route(
            "POST",
            "/api/lanes/{lane}/clear",
            "clearLane",
            "Rests in place of the pattern, or the settings as they are unless told.",
            clear,
            answer=VariedAnswer,
            body=ClearBody,
            optional=True,
            errors=errors,
            params=lane,
        ),
        Route(
            "POST",
            "/api/lanes/{lane}/randomise",
            "randomiseLane",
            "Moves pattern or settings by chance, within musical bounds.",
            randomise,
            answer=VariedAnswer,
            body=RandomiseBody,
            errors=errors,
            params=lane,
        ),
    ]
