// Made by `python -m bridge.protocol.declarations`; do not edit.

/** Where the song is. `at_ms` is the monotonic time of `tick`, in milliseconds. */
export interface TransportState {
  state: "stopped" | "armed" | "running" | "lost";
  tick: number;
  bar: number;
  beat: number;
  tempo: number;
  at_ms: number;
}

/** Whose clock it is. `tempo` is None until it is known; `block_ms` is the length of the blocks in which its clocks arrive; `two` has both tempos when two senders seem to be mixed; `others` counts clocks by the names of inputs that are not followed. */
export interface ClockState {
  source: string;
  state: "internal" | "waiting" | "locked" | "alone" | "lost";
  tempo: number | null;
  jitter_ms: number | null;
  block_ms: number;
  two: number[];
  offset_ms: number;
  others: Record<string, number>;
}

/** A mute that waits for its line. `back`: the tick when it returns by itself; `auto`: no hand asked for it at that tick. */
export interface PendingMute {
  muted: boolean;
  tick: number;
  bar: number;
  text: string;
  back: number | null;
  auto: boolean;
}

/** `muted`: out by its mute or by a hand that holds it; `under` is the mute itself, whatever is held. `heard`: whether it reaches its output, which the solo of other lanes prevents too. `filling`: it plays some of its rests, since a hand or the running order asks for that. `hand` has the settings moved by hand, `settings` the values that hold. */
export interface LaneState {
  kind: string;
  out: string | null;
  muted: boolean;
  under: boolean;
  pending: PendingMute | null;
  held: boolean;
  holds: Record<string, boolean>;
  solo: boolean;
  heard: boolean;
  filling: boolean;
  freeze: boolean;
  groups: string[];
  settings: Record<string, number>;
  hand: Record<string, number>;
}

/** `glide`, while it moves: start, end, first tick, ticks. */
export interface MacroState {
  value: number;
  drives: string[];
  glide?: number[];
}

/** A section to come. `by`: a hand or the running order. */
export interface SectionPending {
  section: string;
  tick: number;
  bar: number;
  morph_bars: number;
  mutes_at: number;
  by: "hand" | "order";
}

/** What lanes are made of: as the section `section` writes them (None: as the set does), and as `next` does from `tick` on, where that waits (tick None: nothing waits). */
export interface FormState {
  section: string | null;
  next: string | null;
  tick: number | null;
}

/** The running order: the entry that plays, the one after it, and the tick of the change (None while it runs: it waits for the performer to go on). `ends`: where the entry would end by itself, when a hand has asked to go on before that. `time`: which time of an entry that chooses plays, from 0; `begun`: entries begun since the order was run. */
export interface OrderState {
  running: boolean;
  entry: number | null;
  next: number | null;
  tick: number | null;
  ends: number | null;
  time: number;
  begun: number;
}

export interface MorphState {
  tick: number;
  ticks: number;
  from: ((string | number)[])[];
}

/** A port of an interface: the name of the MIDI port, whether it is open, whether it has never been there so far, the kind of link. */
export interface PortState {
  port: string;
  open: boolean;
  waiting: boolean;
  link: string;
}

/** How late messages left, in microseconds; `since` in monotonic ms; `left_out_ms`: how much of the song was left out because there was too much to play in time; rows of the histogram are the upper bound of a bucket and its count. */
export interface LatenessState {
  count: number;
  p50_us: number;
  p99_us: number;
  worst_us: number;
  since: number;
  left_out_ms: number;
  histogram: number[][];
}

/** The player's process. `present`: the service can talk to it; while it is away the rest of the state is its last (the service says this). */
export interface ProcessState {
  pid: number;
  realtime: boolean;
  restarts: number;
  present?: boolean;
}

/** What the player's process knows and the player itself does not. `inputs`: whether each MIDI input that is wanted is there. */
export interface ProcessAbout {
  version: string;
  rig: string;
  ports: Record<string, PortState>;
  inputs: Record<string, boolean>;
  player: ProcessState;
}

/** Everything that a performer has set. Glides are start, end, first tick, ticks. `solo_until`: the tick at which all solos end by themselves. `fills`: who holds a fill, and of what, as a command `fill` has it; a group has ``group:`` before its name, and all lanes are empty. */
export interface PerformanceState {
  lanes: Record<string, LaneState>;
  macros: Record<string, MacroState>;
  sections: string[];
  section: string | null;
  form: FormState;
  section_pending: SectionPending | null;
  order: OrderState;
  solo_until: number | null;
  fills: string[][];
  morph: MorphState | null;
  tempo: number;
  tempo_glide: number[] | null;
}

/** All that the player says. `revision`: that of the set which plays. */
export interface PlayerReport {
  version: string;
  rig: string;
  ports: Record<string, PortState>;
  inputs: Record<string, boolean>;
  player: ProcessState;
  lanes: Record<string, LaneState>;
  macros: Record<string, MacroState>;
  sections: string[];
  section: string | null;
  form: FormState;
  section_pending: SectionPending | null;
  order: OrderState;
  solo_until: number | null;
  fills: string[][];
  morph: MorphState | null;
  tempo: number;
  tempo_glide: number[] | null;
  set: string;
  revision: number;
  meter: number[];
  transport: TransportState;
  clock: ClockState;
  lateness: LatenessState;
  warnings: string[];
}

/** How many steps can be undone and redone, and what the next of each is. */
export interface HistoryState {
  undo: number;
  redo: number;
  undo_label: string;
  redo_label: string;
}

/** Also what each step is: those that can be undone, the last first, and those that can be redone, the next first. */
export interface HistoryList {
  undo: number;
  redo: number;
  undo_label: string;
  redo_label: string;
  done: string[];
  undone: string[];
}

/** The file that the set came from, and whether it holds what plays. `outside`: somebody else has changed the file. `notes`: what went wrong with reading or keeping it. */
export interface DocumentState {
  file: string;
  saved: boolean;
  outside?: boolean;
  notes?: string[];
}

/** Who is connected, and what became of what arrived. `pages`: how many are connected; `dropped`: how many did not read; `osc`: messages by what became of them; `forbidden`: requests that were not let in; `too_many`: commands refused because their client's budget was spent; `lost`: OSC datagrams that the kernel dropped; `echoing`: hosts that send our feedback back; `turned_away`: HTTP connections by reason. */
export interface LinksState {
  pages: number;
  dropped: number;
  subscribers: number;
  osc: Record<string, number>;
  forbidden: number;
  too_many: number;
  lost: number;
  echoing: string[];
  turned_away: Record<string, number>;
}

/** A knob or button that does something. `known`: the set has what it is for; `value` 0..1 as the control stands, None before it was moved and for an encoder (`encoder`: how it counts); `waiting`: it must meet `goal` first. */
export interface ControlState {
  kind: "cc" | "note";
  number: number;
  channel: number;
  target: "macro" | "mute" | "section" | "transport";
  name: string;
  pickup: boolean;
  feedback: boolean;
  pair: boolean;
  latch: boolean;
  encoder: "twos-complement" | "offset" | "sign-bit" | null;
  steps: number;
  known: boolean;
  value: number | null;
  waiting: boolean;
  goal: number | null;
}

/** The same in a list of all controls. */
export interface ControlRow {
  kind: "cc" | "note";
  number: number;
  channel: number;
  target: "macro" | "mute" | "section" | "transport";
  name: string;
  pickup: boolean;
  feedback: boolean;
  pair: boolean;
  latch: boolean;
  encoder: "twos-complement" | "offset" | "sign-bit" | null;
  steps: number;
  known: boolean;
  value: number | null;
  waiting: boolean;
  goal: number | null;
  controller: string;
}

/** A MIDI controller of the rig; its controls by kind, number and channel (``cc-21-1``). */
export interface ControllerState {
  port: string;
  open: boolean;
  controls: Record<string, ControlState>;
}

/** What the next control that is touched will do, and for which client. */
export interface LearningState {
  target: "macro" | "mute" | "section" | "transport";
  name: string;
  client: string;
}

/** A pitch output; `made` is empty while it is untuned, `points` are the readings that it was made from. */
export interface TunedOutput {
  output: string;
  cable: string;
  law: string;
  made: string;
  points: number;
}

/** A note of the ladder: its reading as it was typed, and in volts (None: not read yet). */
export interface TuningNote {
  note: number;
  name: string;
  text: string;
  volts: number | null;
}

/** One reading and its error in cents, before and after the correction. `missed`: the part of `after` that the output cannot reach. */
export interface TuningRow {
  note: number;
  name: string;
  asked: number;
  measured: number;
  before: number;
  after: number;
  missed: number;
  left_out: boolean;
}

/** What the readings say so far: offset in mV, table of note and cents, worst errors in cents; `octaves` that an oscillator was away. */
export interface TuningResult {
  offset_mv: number;
  gain: number;
  table: number[][];
  worst_before: number;
  worst_after: number;
  octaves: number;
  warnings: string[];
  doubts: string[];
  rows: TuningRow[];
}

/** An audio input of the service's computer; `rate` in samples a second. */
export interface AudioInput {
  name: string;
  system: string;
  channels: number;
  rate: number;
  default: boolean;
}

/** A note that was heard once more with the correction, and how far off it was. */
export interface CheckedNote {
  note: number;
  name: string;
  cents: number;
}

/** Listening: `says` is how it ended, `complete` whether with a tuning that was checked, `noticed` what a person should know, `drift` in cents a minute (null: not known yet). */
export interface EarState {
  input: string;
  running: boolean;
  says: string;
  complete: boolean;
  noticed: string[];
  drift: number | null;
  checked: CheckedNote[];
}

/** The output that is being tuned. `says`: why there is no result yet; `ear` is null where nobody has listened. */
export interface TuningState {
  output: string;
  cable: string;
  law: string;
  notes: TuningNote[];
  sounding: number | null;
  says: string;
  result: TuningResult | null;
  ear: EarState | null;
}

/** An output of the soundcheck: what should be heard or seen, and what the person answered. */
export interface SoundcheckOutput {
  output: string;
  kind: string;
  says: string;
  cable: string;
  answer: "yes" | "no" | "skip" | null;
}

/** What an audio input has heard of an output, in words; `good` when nothing is to be looked at. */
export interface HeardOutput {
  output: string;
  good: boolean;
  says: string;
}

/** A soundcheck by ear. `summary` comes at its end; `complete`: all outputs were listened to; `kept`: its sounds are those that the next one is compared with. */
export interface ListeningState {
  input: string;
  running: boolean;
  heard: HeardOutput[];
  summary: string[];
  complete: boolean;
  kept: boolean;
}

/** The soundcheck so far, the output that plays, and what an audio input has heard. */
export interface SoundcheckState {
  outputs: SoundcheckOutput[];
  playing: string | null;
  loud: boolean;
  listening: ListeningState | null;
}

/** Lining up by an audio input. `hears`: what is listened to; `heard`: how late each voice was; `says`: how it ended; `proposed`: what would be written, in words; `before_ms` and `after_ms`: how far apart hits fall; `offset`: whether the click was heard; `complete`: all voices were listened to; `changes`: whether anything would be written; `applied`: it was. */
export interface AlignState {
  input: string;
  running: boolean;
  hears: "voices" | "click";
  heard: HeardOutput[];
  says: string[];
  proposed: string[];
  before_ms: number | null;
  after_ms: number | null;
  offset: boolean;
  complete: boolean;
  changes: boolean;
  applied: boolean;
}

/** Who is moving something: the client's name, and that in words. */
export interface MovedBy {
  client: string;
  says: string;
}

/** The smallest and the largest value of a command's field, and what it is when left out. */
export interface FieldLimits {
  low?: number;
  high?: number;
  default?: boolean | number | string | null;
}

/** Everything that a surface needs to draw itself. `note_names`: the twelve notes from C in the key that plays, `section_note_names` in that of the set (under an empty name) and those of the sections that have one of their own; `limits`: those of commands, by word and field; `moved_by`: who moved what just now, by ``lane/NAME``, ``macro/NAME``, ``section/NAME``, ``group/NAME``, ``transport``, ``tempo``, ``clock``, ``order`` or ``all lanes``. */
export interface State {
  version: string;
  rig: string;
  ports: Record<string, PortState>;
  inputs: Record<string, boolean>;
  player: ProcessState;
  lanes: Record<string, LaneState>;
  macros: Record<string, MacroState>;
  sections: string[];
  section: string | null;
  form: FormState;
  section_pending: SectionPending | null;
  order: OrderState;
  solo_until: number | null;
  fills: string[][];
  morph: MorphState | null;
  tempo: number;
  tempo_glide: number[] | null;
  set: string;
  revision: number;
  meter: number[];
  transport: TransportState;
  clock: ClockState;
  lateness: LatenessState;
  warnings: string[];
  history: HistoryState;
  document: DocumentState;
  links: LinksState;
  controllers: Record<string, ControllerState>;
  learning: LearningState | null;
  tuning: TuningState | null;
  soundcheck: SoundcheckState | null;
  align: AlignState | null;
  note_names: string[];
  section_note_names: Record<string, string[]>;
  limits: Record<string, Record<string, FieldLimits>>;
  moved_by: Record<string, MovedBy>;
}

export type Command =
  | { do: "alive" }
  | { do: "cancel"; lane?: string | null; section?: string | null; order?: boolean | null }
  | { do: "chart"; bars?: number }
  | { do: "clear"; lane: string; what?: "pattern" | "settings"; when?: "step" | "beat" | "bar" }
  | { do: "continue" }
  | { do: "continue-take"; take: string; bar: number; start?: boolean }
  | { do: "copy"; lane: string; to: string; what?: "pattern" | "settings" | null; when?: "step" | "beat" | "bar" }
  | { do: "drop"; lane?: string | null; group?: string | null; return_bars?: number }
  | { do: "fill"; active: boolean; lane?: string | null; group?: string | null }
  | { do: "follow"; source: string }
  | { do: "freeze"; lane: string; on: boolean }
  | { do: "group"; group: string; muted: boolean; when?: "now" | "beat" | "bar" | number; return_bars?: number | null }
  | { do: "hold"; lane: string; active: boolean; muted?: boolean }
  | { do: "internal-clock" }
  | { do: "keep"; bars: number; name?: string; into?: "section" | "set" }
  | { do: "learn"; target: "macro" | "mute" | "section" | "transport"; name: string; controller?: string | null; pickup?: boolean; feedback?: boolean; pair?: boolean; latch?: boolean; encoder?: "twos-complement" | "offset" | "sign-bit" | null; steps?: number; replace?: boolean; within_s?: number }
  | { do: "learn-cancel" }
  | { do: "macro"; macro: string; value: number }
  | { do: "mute"; lane: string; muted: boolean; when?: "now" | "beat" | "bar" | number; return_bars?: number | null }
  | { do: "mute-all" }
  | { do: "nudge"; ms: number }
  | { do: "offset"; ms: number }
  | { do: "order"; run: boolean; entry?: number | null }
  | { do: "order-next"; when?: "bar" | number }
  | { do: "pace"; pace: number; group?: string | null }
  | { do: "position"; tick: number }
  | { do: "randomise"; lane: string; amount: number; seed?: number | null; what?: "pattern" | "settings"; when?: "step" | "beat" | "bar" }
  | { do: "redo" }
  | { do: "release" }
  | { do: "reset"; lane: string }
  | { do: "scope"; on: boolean }
  | { do: "section"; section: string; when?: "now" | "beat" | "bar" | number; morph_bars?: number; mutes_at?: number | null }
  | { do: "setting"; lane: string; setting: string; value: number | null }
  | { do: "solo"; lane: string; on: boolean }
  | { do: "start"; restart?: boolean }
  | { do: "stop" }
  | { do: "tap" }
  | { do: "tempo"; bpm: number }
  | { do: "try"; output: string; action: "gate" | "pitch" | "level"; value: number; ms?: number | null }
  | { do: "undo" };
