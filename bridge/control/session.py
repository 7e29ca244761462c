"""The session: the one owner of what is loaded and of what was done to it.

Rig, set, document and history stand here and nowhere else; whoever needs them asks for them each
time, or listens to the stream. Everything that goes to the player goes through here, and what the
player says is read here.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from pathlib import Path

from bridge.control.edits import Text
from bridge.control.history import History
from bridge.control.movers import Movers
from bridge.control.player_client import PlayerLink
from bridge.control.stream import (
    DocumentChanged,
    HistoryChanged,
    MoversChanged,
    RigChanged,
    ScoreChanged,
)
from bridge.errors import PlayerError
from bridge.files.rig import Rig
from bridge.files.set import SetDocument
from bridge.music.scale import SHARPS
from bridge.music.score import Score
from bridge.music.spelling import names_for
from bridge.player.messages import Swap
from bridge.protocol.command import Command
from bridge.protocol.state import DocumentState, PlayerReport


@dataclass(frozen=True, slots=True)
class Playing:
    """A text, what became of it, and the revision under which the player has it."""

    text: str
    path: Path
    document: SetDocument
    score: Score
    revision: int


class Session:
    """What is loaded. `rig` and `playing` are None until they have been read; `playing` is the
    newest text, which may still wait for its bar line. `document` says which file it came from."""

    def __init__(self, link: PlayerLink) -> None:
        self._link = link
        self.stream = link.stream
        self.history = History(lambda: self.stream.tell(HistoryChanged()))
        self.movers = Movers(lambda: self.stream.tell(MoversChanged()))
        self.rig: Rig | None = None
        self.playing: Playing | None = None
        self.document: DocumentState = {"file": "", "saved": True}

    # --- what is loaded -----------------------------------------------------------------------

    def use_rig(self, rig: Rig) -> None:
        """This rig counts from now on."""
        before, self.rig = self.rig, rig
        self.stream.tell(RigChanged(before, rig))

    def use_set(self, playing: Playing) -> None:
        """This text counts from now on; it sounds when the player says so (`sounds`)."""
        self.playing = playing

    def sounds(self, score: Score) -> None:
        """This score is what the player plays now."""
        self.stream.tell(ScoreChanged(score))

    def show_document(self, document: DocumentState) -> None:
        """This is what surfaces say of the set's file."""
        self.document = document
        self.stream.tell(DocumentChanged())

    def the_rig(self) -> Rig:
        """Raises `PlayerError` before it has been read."""
        if self.rig is None:
            raise PlayerError("the rig has not been read yet")
        return self.rig

    def loaded(self) -> tuple[Rig, Playing]:
        """Rig and set. Raises `PlayerError` before they have been read."""
        if self.rig is None or self.playing is None:
            raise PlayerError("the set has not been read yet")
        return self.rig, self.playing

    @property
    def outputs(self) -> frozenset[str]:
        """The names of the rig's outputs; none before it has been read."""
        return frozenset() if self.rig is None else frozenset(self.rig.wired)

    def text(self) -> Text | None:
        """The text that counts, None before it has been read."""
        return None if self.playing is None else Text(self.playing.revision, self.playing.text)

    def note_names(self) -> list[str]:
        """What the twelve notes from C are called in the key that plays."""
        names = self.section_note_names()
        form = self.state.get("form")
        return names.get((form and form["section"]) or "", names[""])

    def section_note_names(self) -> dict[str, list[str]]:
        """The same in the key of the set, under an empty name, and of each section that has one of
        its own."""
        if self.playing is None:
            return {"": list(SHARPS)}
        spec = self.playing.document.spec
        names = {"": list(names_for(spec))}
        for section in spec.sections:
            if section.key_name:
                names[section.name] = list(names_for(spec.within(section)))
        return names

    # --- the player ---------------------------------------------------------------------------

    @property
    def state(self) -> PlayerReport:
        """The player's newest state; without any member before it has said hello once. To be read
        only."""
        return self._link.state

    @property
    def present(self) -> bool:
        """Whether the player is there."""
        return self._link.present

    @property
    def origin(self) -> dict[str, object]:
        """What the player said at its hello of the set that it plays."""
        return self._link.origin

    @property
    def memory(self) -> object | None:
        """Where the player's renderer was in the score that it plays, not long ago; for
        `Renderer.recall`."""
        kept = self._link.memory
        return kept[1] if kept is not None and kept[0] == self.state.get("revision") else None

    def send(self, command: Command, client: str = "") -> asyncio.Future[None]:
        """As `PlayerLink.send`; for the door alone."""
        answer = self._link.send(command, client)
        self.movers.note(command, client)
        return answer

    async def swap(self, swap: Swap) -> asyncio.Future[None]:
        """As `PlayerLink.swap`; for the set book alone."""
        return await self._link.swap(swap)

    def look(self, who: object, looks: bool, *, hits: bool = False) -> None:
        """As `PlayerLink.look`."""
        self._link.look(who, looks, hits=hits)

    async def reach(self, revision: int, within_s: float) -> None:
        """As `PlayerLink.reach`."""
        await self._link.reach(revision, within_s)
