"""Compiled scores on their way to the player, until one of them is what it plays."""

from __future__ import annotations

import asyncio

from bridge.control.history import TextChange
from bridge.control.session import Playing, Session
from bridge.control.stream import PresenceChanged, StateChanged
from bridge.errors import UnansweredError
from bridge.music.score import Score
from bridge.player.messages import Place, Swap

SWAP_S = 3.0  # a compiled score is larger than a command; the player unpacks it between two steps


class Swapping:
    """Sends scores, and tells the session which one sounds."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._coming: dict[int, Score] = {}
        session.stream.on(PresenceChanged, self._presence)
        session.stream.on(StateChanged, self._state)

    def expects(self, revision: int) -> bool:
        """Whether a score of that revision was sent and does not sound yet."""
        return revision in self._coming

    async def send(
        self,
        playing: Playing,
        when: str,
        change: TextChange | None = None,
        place: Place | None = None,
    ) -> None:
        """Sends what is to be played, `place`: from where; returns when the player has it. Raises
        `CommandError`, `PlayerError`."""
        self._coming[playing.revision] = playing.score
        renamed, parts = ({}, {}) if change is None else (change.renamed, change.parts)
        swap = Swap(
            score=playing.score,
            revision=playing.revision,
            when=when,
            text=playing.text,
            file=str(playing.path),
            renamed={what: dict(names) for what, names in renamed.items()},
            parts=dict(parts),
            place=place,
        )
        answer = await self._session.swap(swap)
        try:
            await asyncio.wait_for(asyncio.shield(answer), SWAP_S)
        except TimeoutError:
            raise UnansweredError(f"the player did not take the set within {SWAP_S:g} s") from None

    def _presence(self, event: PresenceChanged) -> None:
        if event.present:
            self._coming.clear()

    def _state(self, event: StateChanged) -> None:
        if "revision" not in event.keys:
            return
        revision = self._session.state["revision"]
        score = self._coming.get(revision)
        # One that another overtook within the same step is never told of: it goes as well, or each
        # such edit would leave a whole score in memory.
        for known in [known for known in self._coming if known <= revision]:
            del self._coming[known]
        if score is not None:
            self._session.sounds(score)
