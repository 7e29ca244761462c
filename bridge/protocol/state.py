"""Types of the state, from the player to the page.

The player builds these objects and sends them as JSON; the service adds what it knows; pages get
them as they are. The page's own types are generated from here, so that a member is named once.
Members marked "service" are added by the service.
"""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

TransportWord = Literal["stopped", "armed", "running", "lost"]
ClockWord = Literal["leading", "waiting", "locked", "free", "lost"]


class TransportState(TypedDict):
    """Where the song is. `at_ms` is the monotonic time of `tick`, in milliseconds."""

    state: TransportWord
    tick: float
    bar: int
    beat: int
    tempo: float
    at_ms: float


class ClockState(TypedDict):
    """Whose clock it is. `tempo` is None until it is known; `others` counts clocks by the names of
    inputs that are not followed."""

    source: str
    state: ClockWord
    tempo: float | None
    jitter_ms: float | None
    offset_ms: float
    others: dict[str, int]


class PendingMute(TypedDict):
    """A mute that waits for its line. `back`: the tick when it returns by itself; `auto`: no hand
    asked for it at that tick."""

    muted: bool
    tick: int
    bar: int
    text: str
    back: int | None
    auto: bool


class LaneState(TypedDict):
    """`muted` is what is heard; `under` is the mute itself, whatever is held on the lane. `hand`
    holds settings moved by hand, `settings` the values that hold."""

    kind: str
    out: str | None
    muted: bool
    under: bool
    pending: PendingMute | None
    held: bool
    holds: dict[str, bool]
    solo: bool
    still: bool
    groups: list[str]
    settings: dict[str, float]
    hand: dict[str, float]


class MacroState(TypedDict):
    """`glide`, while it moves: start, end, first tick, ticks."""

    value: float
    drives: list[str]
    glide: NotRequired[list[float]]


class SectionPending(TypedDict):
    """A section to come. `by`: a hand or the running order."""

    section: str
    tick: int
    bar: int
    morph_bars: int
    mutes_at: float
    by: Literal["hand", "order"]


class OrderState(TypedDict):
    """The running order: the entry that plays, the one after it, and the tick of the change."""

    running: bool
    leg: int | None
    next: int | None
    tick: int | None


MorphState = TypedDict("MorphState", {"tick": int, "ticks": int, "from": list[list[str | float]]})
"""Settings that glide to a section's values: since `tick`, over `ticks`; `from` has rows of lane,
setting and the value where it began."""


class PortState(TypedDict):
    """A port of an interface: the name of the MIDI port, whether it is open, the kind of link."""

    port: str
    open: bool
    link: str


class LatenessState(TypedDict):
    """How late messages left, in microseconds; `since` in monotonic ms; rows of the histogram are
    the upper bound of a bucket and its count."""

    count: int
    p50_us: float
    p99_us: float
    worst_us: float
    since: int
    histogram: list[list[float]]


class PlayerState(TypedDict):
    """The player's process. `present`: the service can talk to it (service)."""

    pid: int
    realtime: bool
    restarts: int
    present: NotRequired[bool]


class HistoryState(TypedDict):
    """How many steps can be undone and redone, and what the next of each is (service)."""

    undo: int
    redo: int
    undo_label: str
    redo_label: str


class DocumentState(TypedDict):
    """The file that the set came from, and whether it holds what plays (service)."""

    file: str
    saved: bool


class LinksState(TypedDict):
    """Who is connected, and what became of what arrived (service). `too_many`: commands refused
    because their client's budget was spent; `lost`: OSC datagrams that the kernel dropped;
    `echoing`: hosts that send our feedback back; `turned_away`: HTTP connections by reason."""

    pages: int
    dropped: int
    subscribers: int
    osc: dict[str, int]
    forbidden: int
    too_many: int
    lost: int
    echoing: list[str]
    turned_away: dict[str, int]


class State(TypedDict, total=False):
    """Everything that a surface needs to draw itself."""

    version: str
    rig: str
    set: str
    revision: int
    meter: list[int]
    transport: TransportState
    clock: ClockState
    lanes: dict[str, LaneState]
    macros: dict[str, MacroState]
    sections: list[str]
    section: str | None
    section_pending: SectionPending | None
    order: OrderState
    morph: MorphState | None
    tempo: float
    tempo_glide: list[float] | None
    ports: dict[str, PortState]
    inputs: dict[str, bool]
    lateness: LatenessState
    player: PlayerState
    warnings: list[str]
    history: HistoryState
    document: DocumentState
    links: LinksState
