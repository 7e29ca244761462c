"""Types of the state, from the player to the page.

The player builds a `PlayerReport` and sends it as JSON; the service adds what it knows, which makes
a `State`; pages get that as it is. The page's types, the schema of ``GET /api/state`` and the test
doubles are made from here, so that a member is named once.
"""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict, cast

from bridge.protocol.limits import Coding, Target

TransportWord = Literal["stopped", "armed", "running", "lost"]
Said = Literal["yes", "no", "skip"]
"""What a person answers about an output in the soundcheck."""
ClockWord = Literal["internal", "waiting", "locked", "alone", "lost"]


class TransportState(TypedDict):
    """Where the song is. `at_ms` is the monotonic time of `tick`, in milliseconds."""

    state: TransportWord
    tick: float
    bar: int
    beat: int
    tempo: float
    at_ms: float


class ClockState(TypedDict):
    """Whose clock it is. `tempo` is None until it is known; `block_ms` is the length of the blocks
    in which its clocks arrive; `two` has both tempos when two senders seem to be mixed; `others`
    counts clocks by the names of inputs that are not followed."""

    source: str
    state: ClockWord
    tempo: float | None
    jitter_ms: float | None
    block_ms: float
    two: list[float]
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
    """`muted`: out by its mute or by a hand that holds it; `under` is the mute itself, whatever is
    held. `heard`: whether it reaches its output, which the solo of other lanes prevents too.
    `filling`: it plays some of its rests, since a hand or the running order asks for that.
    `hand` has the settings moved by hand, `settings` the values that hold."""

    kind: str
    out: str | None
    muted: bool
    under: bool
    pending: PendingMute | None
    held: bool
    holds: dict[str, bool]
    solo: bool
    heard: bool
    filling: bool
    freeze: bool
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


class FormState(TypedDict):
    """What lanes are made of: as the section `section` writes them (None: as the set does), and as
    `next` does from `tick` on, where that waits (tick None: nothing waits)."""

    section: str | None
    next: str | None
    tick: int | None


class OrderState(TypedDict):
    """The running order: the entry that plays, the one after it, and the tick of the change (None
    while it runs: it waits for the performer to go on). `ends`: where the entry would end by
    itself, when a hand has asked to go on before that. `time`: which time of an entry that chooses
    plays, from 0; `begun`: entries begun since the order was run."""

    running: bool
    entry: int | None
    next: int | None
    tick: int | None
    ends: int | None
    time: int
    begun: int


MorphState = TypedDict("MorphState", {"tick": int, "ticks": int, "from": list[list[str | float]]})
"""Settings that glide to a section's values: since `tick`, over `ticks`; `from` has rows of lane,
setting and the value where it began."""


class PortState(TypedDict):
    """A port of an interface: the name of the MIDI port, whether it is open, whether it has never
    been there so far, the kind of link."""

    port: str
    open: bool
    waiting: bool
    link: str


class LatenessState(TypedDict):
    """How late messages left, in microseconds; `since` in monotonic ms; `left_out_ms`: how much of
    the song was left out because there was too much to play in time; rows of the histogram are the
    upper bound of a bucket and its count."""

    count: int
    p50_us: float
    p99_us: float
    worst_us: float
    since: int
    left_out_ms: int
    histogram: list[list[float]]


class ProcessState(TypedDict):
    """The player's process. `present`: the service can talk to it; while it is away the rest of
    the state is its last (the service says this)."""

    pid: int
    realtime: bool
    restarts: int
    present: NotRequired[bool]


class ProcessAbout(TypedDict):
    """What the player's process knows and the player itself does not. `inputs`: whether each MIDI
    input that is wanted is there."""

    version: str
    rig: str
    ports: dict[str, PortState]
    inputs: dict[str, bool]
    player: ProcessState


class PerformanceState(TypedDict):
    """Everything that a performer has set. Glides are start, end, first tick, ticks. `solo_until`:
    the tick at which all solos end by themselves. `fills`: who holds a fill, and of what, as a
    command `fill` has it; a group has ``group:`` before its name, and all lanes are empty."""

    lanes: dict[str, LaneState]
    macros: dict[str, MacroState]
    sections: list[str]
    section: str | None
    form: FormState
    section_pending: SectionPending | None
    order: OrderState
    solo_until: int | None
    fills: list[list[str]]
    morph: MorphState | None
    tempo: float
    tempo_glide: list[float] | None


class PlayerReport(ProcessAbout, PerformanceState):
    """All that the player says. `revision`: that of the set which plays."""

    set: str
    revision: int
    meter: list[int]
    transport: TransportState
    clock: ClockState
    lateness: LatenessState
    warnings: list[str]


# --- what the service adds ----------------------------------------------------------------------


NOT_YET = cast(PlayerReport, {})
"""The state before the player has said hello for the first time: no member is there."""


class HistoryState(TypedDict):
    """How many steps can be undone and redone, and what the next of each is."""

    undo: int
    redo: int
    undo_label: str
    redo_label: str


class HistoryList(HistoryState):
    """Also what each step is: those that can be undone, the last first, and those that can be
    redone, the next first."""

    done: list[str]
    undone: list[str]


class DocumentState(TypedDict):
    """The file that the set came from, and whether it holds what plays. `outside`: somebody else
    has changed the file. `notes`: what went wrong with reading or keeping it."""

    file: str
    saved: bool
    outside: NotRequired[bool]
    notes: NotRequired[list[str]]


class LinksState(TypedDict):
    """Who is connected, and what became of what arrived. `pages`: how many are connected;
    `dropped`: how many did not read; `osc`: messages by what became of them; `forbidden`: requests
    that were not let in; `too_many`: commands refused because their client's budget was spent;
    `lost`: OSC datagrams that the kernel dropped; `echoing`: hosts that send our feedback back;
    `turned_away`: HTTP connections by reason."""

    pages: int
    dropped: int
    subscribers: int
    osc: dict[str, int]
    forbidden: int
    too_many: int
    lost: int
    echoing: list[str]
    turned_away: dict[str, int]


class ControlState(TypedDict):
    """A knob or button that does something. `known`: the set has what it is for; `value` 0..1 as
    the control stands, None before it was moved and for an encoder (`encoder`: how it counts);
    `waiting`: it must meet `goal` first."""

    kind: Literal["cc", "note"]
    number: int
    channel: int
    target: Target
    name: str
    pickup: bool
    feedback: bool
    pair: bool
    latch: bool
    encoder: Coding | None
    steps: int
    known: bool
    value: float | None
    waiting: bool
    goal: float | None


class ControlRow(ControlState):
    """The same in a list of all controls."""

    controller: str


class ControllerState(TypedDict):
    """A MIDI controller of the rig; its controls by kind, number and channel (``cc-21-1``)."""

    port: str
    open: bool
    controls: dict[str, ControlState]


class LearningState(TypedDict):
    """What the next control that is touched will do, and for which client."""

    target: Target
    name: str
    client: str


class TunedOutput(TypedDict):
    """A pitch output; `made` is empty while it is untuned, `points` are the readings that it was
    made from."""

    output: str
    cable: str
    law: str
    made: str
    points: int


class TuningNote(TypedDict):
    """A note of the ladder: its reading as it was typed, and in volts (None: not read yet)."""

    note: int
    name: str
    text: str
    volts: float | None


class TuningRow(TypedDict):
    """One reading and its error in cents, before and after the correction. `missed`: the part of
    `after` that the output cannot reach."""

    note: float
    name: str
    asked: float
    measured: float
    before: float
    after: float
    missed: float
    left_out: bool


class TuningResult(TypedDict):
    """What the readings say so far: offset in mV, table of note and cents, worst errors in cents;
    `octaves` that an oscillator was away."""

    offset_mv: float
    gain: float
    table: list[list[float]]
    worst_before: float
    worst_after: float
    octaves: int
    warnings: list[str]
    doubts: list[str]
    rows: list[TuningRow]


class AudioInput(TypedDict):
    """An audio input of the service's computer; `rate` in samples a second."""

    name: str
    system: str
    channels: int
    rate: float
    default: bool


class CheckedNote(TypedDict):
    """A note that was heard once more with the correction, and how far off it was."""

    note: int
    name: str
    cents: float


class EarState(TypedDict):
    """Listening: `says` is how it ended, `complete` whether with a tuning that was checked,
    `noticed` what a person should know, `drift` in cents a minute (null: not known yet)."""

    input: str
    running: bool
    says: str
    complete: bool
    noticed: list[str]
    drift: float | None
    checked: list[CheckedNote]


class TuningState(TypedDict):
    """The output that is being tuned. `says`: why there is no result yet; `ear` is null where
    nobody has listened."""

    output: str
    cable: str
    law: str
    notes: list[TuningNote]
    sounding: int | None
    says: str
    result: TuningResult | None
    ear: EarState | None


class SoundcheckOutput(TypedDict):
    """An output of the soundcheck: what should be heard or seen, and what the person answered."""

    output: str
    kind: str
    says: str
    cable: str
    answer: Said | None


class HeardOutput(TypedDict):
    """What an audio input has heard of an output, in words; `good` when nothing is to be looked
    at."""

    output: str
    good: bool
    says: str


class ListeningState(TypedDict):
    """A soundcheck by ear. `summary` comes at its end; `complete`: all outputs were listened to;
    `kept`: its sounds are those that the next one is compared with."""

    input: str
    running: bool
    heard: list[HeardOutput]
    summary: list[str]
    complete: bool
    kept: bool


class SoundcheckState(TypedDict):
    """The soundcheck so far, the output that plays, and what an audio input has heard."""

    outputs: list[SoundcheckOutput]
    playing: str | None
    loud: bool
    listening: ListeningState | None


Hearing = Literal["voices", "click"]


class AlignState(TypedDict):
    """Lining up by an audio input. `hears`: what is listened to; `heard`: how late each voice was;
    `says`: how it ended; `proposed`: what would be written, in words; `before_ms` and `after_ms`:
    how far apart hits fall; `offset`: whether the click was heard; `complete`: all voices were
    listened to; `changes`: whether anything would be written; `applied`: it was."""

    input: str
    running: bool
    hears: Hearing
    heard: list[HeardOutput]
    says: list[str]
    proposed: list[str]
    before_ms: float | None
    after_ms: float | None
    offset: bool
    complete: bool
    changes: bool
    applied: bool


class MovedBy(TypedDict):
    """Who is moving something: the client's name, and that in words."""

    client: str
    says: str


class FieldLimits(TypedDict, total=False):
    """The smallest and the largest value of a command's field, and what it is when left out."""

    low: float
    high: float
    default: bool | float | str | None


class State(PlayerReport):
    """Everything that a surface needs to draw itself. `note_names`: the twelve notes from C in the
    key that plays, `section_note_names` in that of the set (under an empty name) and those of the
    sections that have one of their own; `limits`: those of commands, by word and field; `moved_by`:
    who moved what just now, by ``lane/NAME``, ``macro/NAME``, ``section/NAME``, ``group/NAME``,
    ``transport``, ``tempo``, ``clock``, ``order`` or ``all lanes``."""

    history: HistoryState
    document: DocumentState
    links: LinksState
    controllers: dict[str, ControllerState]
    learning: LearningState | None
    tuning: TuningState | None
    soundcheck: SoundcheckState | None
    align: AlignState | None
    note_names: list[str]
    section_note_names: dict[str, list[str]]
    limits: dict[str, dict[str, FieldLimits]]
    moved_by: dict[str, MovedBy]
