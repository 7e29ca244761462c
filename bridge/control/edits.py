"""Changes of the set's text, one after the other, each on the text that it was made on.

Whoever changes the text (the editor, copy, clear and randomise, undo, opening a set) comes here and
waits for its turn. A change that was made on an older text goes in when nothing that it touches has
been changed since; otherwise it is refused, so that no change that was acknowledged is lost.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections import Counter, OrderedDict, deque
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from bridge.errors import BridgeError, CommandError, InputError
from bridge.files.document import Document

WAITING_MAX = 64  # changes that wait for their turn
CLIENT_WAITING_MAX = 32  # of one client
TURN_S = 20.0  # a change that did not get its turn in this time is refused
STEPS_MAX = 256  # changes of the text that are remembered
TAGS_MAX = 256  # texts whose tag is known

Path = tuple[str, ...]
EVERYTHING: tuple[Path, ...] = ((),)
T = TypeVar("T")


class ConflictError(BridgeError):
    """A change cannot go in: what it touches has been changed by somebody else.

    `precondition` is true when the client had named the text that it was made on by ``If-Match``.
    """

    def __init__(self, message: str, precondition: bool) -> None:
        self.precondition = precondition
        super().__init__(message)


@dataclass(frozen=True, slots=True)
class Base:
    """The text that a change was made on, as a number of the count of changes.

    `own` is the client whose own changes since then are no conflict: one that did not say on which
    text its change was made.
    """

    position: int
    precondition: bool = False
    own: str | None = None


@dataclass(frozen=True, slots=True)
class Text:
    """The text that plays, and the player's revision of it."""

    revision: int
    text: str

    @property
    def tag(self) -> str:
        """Its entity tag (RFC 9110, section 8.8.3), quotes included."""
        return f'"{self.revision}-{hashlib.sha256(self.text.encode()).hexdigest()[:12]}"'


def changed_paths(before: object, after: object, path: Path = ()) -> set[Path]:
    """The paths of the values that differ. A list counts as one value."""
    if not (isinstance(before, Mapping) and isinstance(after, Mapping)):
        return set() if before == after and type(before) is type(after) else {path}
    found: set[Path] = set()
    for key in before.keys() | after.keys():
        place = (*path, str(key))
        if key not in before or key not in after:
            found.add(place)
        else:
            found |= changed_paths(before[key], after[key], place)
    return found


def overlap(paths: Iterable[Path], others: Iterable[Path]) -> Path | None:
    """A path of `paths` that is, contains or lies in one of `others`."""
    known = list(others)
    for path in paths:
        for other in known:
            shorter = min(len(path), len(other))
            if path[:shorter] == other[:shorter]:
                return path
    return None


def _data(text: str) -> object:
    try:
        return Document.parse(text, "").data
    except InputError:  # a text that is no YAML: it differs from every other as a whole
        return text


class Edits:
    """The turns of all changes. `text_now` gives the text that plays, None before it is read."""

    def __init__(self, text_now: Callable[[], Text | None] = lambda: None) -> None:
        self.text_now = text_now
        self._lock = asyncio.Lock()
        self._waiting: Counter[str] = Counter()
        self._running: set[asyncio.Task[object]] = set()
        self._position = 0
        self._steps: deque[tuple[int, frozenset[Path], str]] = deque(maxlen=STEPS_MAX)
        self._tags: OrderedDict[str | int, int] = OrderedDict()

    # --- which text a change was made on ------------------------------------------------------

    def tag(self) -> str:
        """The tag of the text that plays; it is remembered, so that a change can name it."""
        now = self.text_now()
        if now is None:
            return '"0"'
        for name in (now.tag, now.revision):
            self._tags[name] = self._position
            self._tags.move_to_end(name)
        while len(self._tags) > TAGS_MAX:
            self._tags.popitem(last=False)
        return now.tag

    def base(self, client: str) -> Base:
        """The base of a change whose client does not name it: the text that plays now."""
        return Base(self._position, own=client)

    def base_of_tags(self, tags: Iterable[str]) -> Base:
        """The base that ``If-Match`` names. Raises `ConflictError` when no tag is known."""
        self.tag()
        known = [self._tags[tag] for tag in tags if tag in self._tags]
        if not known:
            raise ConflictError("the set has changed since; load it again", True)
        return Base(max(known), precondition=True)

    def base_of_revision(self, revision: int) -> Base:
        """The base that a revision names. Raises `ConflictError` when it is not known."""
        self.tag()
        if revision not in self._tags:
            raise ConflictError(f"revision {revision} is not known; load the set again", False)
        return Base(self._tags[revision])

    def check(self, base: Base, paths: Iterable[Path]) -> None:
        """Raises `ConflictError` when anything in `paths` has changed since `base`. To be called
        in the change's turn."""
        if base.position == self._position:
            return
        if base.position < self._position - len(self._steps):
            raise ConflictError(
                "the set has changed too often since; load it again", base.precondition
            )
        for position, changed, client in self._steps:
            if position <= base.position or client == base.own:
                continue
            path = overlap(paths, changed)
            if path is not None:
                what = f"'{'.'.join(path)}'" if path else "the set"
                raise ConflictError(
                    f"{what} has been changed by somebody else; load the set again",
                    base.precondition,
                )

    # --- turns --------------------------------------------------------------------------------

    async def run(
        self, client: str, work: Callable[[], Awaitable[T]], then: Callable[[], None] = lambda: None
    ) -> T:
        """Does `work` in its turn and returns what it returns; `then` is called before the turn of
        the next change, when the text is the one that `work` has made.

        A change that has begun is finished even if its client leaves: the player may have it.

        Raises:
            CommandError: kind ``busy``, when too many changes wait or the turn did not come.
        """
        if self._waiting.total() >= WAITING_MAX or self._waiting[client] >= CLIENT_WAITING_MAX:
            raise CommandError("too many changes of the set at once; try again", "busy")
        task = asyncio.ensure_future(self._in_turn(client, work, then))
        self._running.add(task)
        task.add_done_callback(self._running.discard)
        task.add_done_callback(lambda t: t.cancelled() or t.exception())
        return await asyncio.shield(task)

    async def _in_turn(
        self, client: str, work: Callable[[], Awaitable[T]], then: Callable[[], None]
    ) -> T:
        self._waiting[client] += 1
        try:
            async with asyncio.timeout(TURN_S):
                await self._lock.acquire()
        except TimeoutError:
            raise CommandError("other changes of the set take too long", "busy") from None
        finally:
            self._waiting[client] -= 1
            self._waiting += Counter()  # forget clients with nothing waiting
        try:
            before = self.text_now()
            try:
                result = await work()
            finally:
                await self._note(before, client)
            then()
            return result
        finally:
            self._lock.release()

    async def _note(self, before: Text | None, client: str) -> None:
        """Remembers what a change has touched, however it ended."""
        after = self.text_now()
        if before is None or after is None or after.text == before.text:
            return
        old, new = await asyncio.to_thread(lambda: (_data(before.text), _data(after.text)))
        self._position += 1
        self._steps.append((self._position, frozenset(changed_paths(old, new)), client))
