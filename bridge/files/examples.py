"""An example for every key of the files. They are shown in the reference, and read by the tests.

Examples of lanes stand in a set that also has hits `kick`, `rim` and values `line`, `swell`.
"""

from __future__ import annotations

import yaml

from bridge.files.yaml_text import render
from bridge.music.model import KINDS, Setting

EXAMPLES: dict[str, str] = {
    # the set
    "set.set": "set: Low tide",
    "set.tempo": "tempo: 126",
    "set.swing": "swing: 54",
    "set.swing_of": "swing_of: 1/8",
    "set.groove": "groove: [0, 8, -3, 12]",
    "set.key": "key: {root: A, scale: minor}",
    "set.seed": "seed: 7",
    "set.meter": "meter: 7/8",
    "set.lanes": "lanes: {kick: {euclid: {hits: 4, steps: 16}}}",
    "set.macros": "macros: {flotsam: {drives: [{lane: kick, setting: chance, depth: -0.4}]}}",
    "set.sections": "sections: {shallow: {play: [kick]}}",
    "set.order": "order: [{section: shallow, bars: 8}]",
    "set.after_order": "after_order: again",
    "set.order_starts": "order_starts: with-start",
    "key.root": "{root: Bb}",
    "key.scale": "{root: D, scale: dorian}",
    # sources of lanes
    **{f"lane.{kind.name}": kind.example for kind in KINDS.values()},
    "euclid.hits": "{euclid: {hits: 3, steps: 8}}",
    "euclid.steps": "{euclid: {hits: 3, steps: 8}}",
    "euclid.rotate": "{euclid: {hits: 3, steps: 8, rotate: -1}}",
    "euclid.fill": "{euclid: {hits: 3, steps: 8, fill: {hits: 4, length: 4}}}",
    "fill.hits": "{euclid: {hits: 3, steps: 8, fill: {hits: 2, length: 4}}}",
    "fill.length": "{euclid: {hits: 3, steps: 8, fill: {hits: 2, length: 3}}}",
    "fill.every": "{euclid: {hits: 3, steps: 8, fill: {hits: 2, length: 4, every: 8}}}",
    # keys of lanes
    "lane.compare": "{logic: kick and rim, compare: gates}",
    "lane.reads": "{logic: kick and rim, reads: before-mute}",
    "lane.feel": "{every: 2, advance: kick, feel: grid}",
    "lane.rate": "{every: 1, rate: 1/8T}",
    "lane.advance": "{notes: [A1, C2, E2], advance: kick}",
    "lane.direction": "{notes: [A1, C2, E2], direction: back-and-forth}",
    "lane.reset": "{notes: [A1, C2, E2], reset: 4}",
    "lane.muted": "{every: 2, muted: true}",
    "lane.out": "{every: 2, out: main.gate-1}",
    "lane.share": "{every: 2, out: main.gate-1, share: true}",
    "lane.groups": "{every: 2, groups: [drums]}",
    "lane.accents": '{every: 1, accents: "X..x"}',
    "lane.passes": '{steps: "x..x", passes: {on: [1, 3], of: 4}}',
    "passes.on": '{steps: "x..x", passes: {on: [2], of: 2}}',
    "passes.of": '{steps: "x..x", passes: {on: [8], of: 8}}',
    "lane.gate": "{every: 4, gate: tie}",
    "lane.freeze": '{steps: "x..x", drift: 0.2, freeze: true}',
    "lane.quantise": "{walk: true, quantise: key}",
    "lane.chord": "{arpeggio: line, chord: [1, 3, 5, 7]}",
    "lane.octave": "{notes: [^1, ^5, ^b7, ^3-], octave: 2}",
    "lane.octaves": "{shape: random-steps, quantise: key, octaves: [2, 3]}",
    "lane.transpose_by": "{notes: [A1, C2], transpose_by: swell}",
    "lane.drives": "{shape: sine, rate: 4/1, drives: [{lane: rim, setting: chance, depth: -0.5}]}",
    # drives, macros, sections, order
    "drive.out": "{out: main.level-1}",
    "drive.lane": "{lane: rim, setting: chance}",
    "drive.setting": "{lane: rim, setting: density, depth: 0.5}",
    "drive.depth": "{out: main.level-1, depth: -0.5}",
    "drive.curve": "{lane: kick, setting: chance, depth: -0.4, curve: 0.5}",
    "drive.from": "{out: main.level-1, from: 0, to: 5}",
    "drive.to": "{out: main.level-1, from: 5, to: 1}",
    "macro.start": "{start: 0.3}",
    "macro.curve": "{curve: 0.5}",
    "macro.slew_ms": "{slew_ms: 200}",
    "macro.drives": "{drives: [{out: main.level-1, depth: 0.5}]}",
    "section.play": "{play: [kick, rim]}",
    "section.macros": "{macros: {brightness: 0.8}}",
    "section.lanes": '{lanes: {rim: {chance: 0.4, steps: "x..x ..x."}}}',
    "section.tempo": "{tempo: 96}",
    "section.swing": "{swing: 62}",
    "section.key": "{key: {root: D, scale: dorian}}",
    "entry.section": "{section: shallow, bars: 8}",
    "entry.choose": "{choose: {shallow: 3, flood: 1}, bars: 4, times: 6}",
    "entry.fill": "{section: shallow, bars: 8, fill: 1}",
    "entry.bars": "{section: shallow, bars: open}",
    "entry.times": "{section: shallow, bars: 4, times: 2}",
    # the rig
    "rig.rig": "rig: Quay rack",
    "rig.interfaces": "interfaces: {main: {profile: eight-gates-four-cv}}",
    "rig.clock": "clock: {follow: internal}",
    "rig.timing": "timing: {lead_ms: 3}",
    "rig.controllers": "controllers: {desk: {port: Knobs, controls: [{cc: 20, macro: flotsam}]}}",
    "rig.resume": "resume: playing",
    "interface.profile": "{profile: four-voices}",
    "interface.port": "{profile: four-voices, port: Rack}",
    "interface.link": "{profile: four-voices, link: din}",
    "interface.latency_ms": "{profile: four-voices, latency_ms: 2.5}",
    "interface.cables": "{profile: eight-gates-four-cv, cables: {gate-1: kick voice}}",
    "cable.to": "{to: kick voice}",
    "cable.colour": "{to: kick voice, colour: red}",
    "cable.notes": "{to: kick voice, notes: decay at a third}",
    "cable.photo": "{to: kick voice, photo: kick.jpg}",
    "cable.latency_ms": "{to: kick voice, latency_ms: 4.2}",
    "clock.follow": "{follow: Recorder}",
    "clock.offset_ms": "{offset_ms: -4.5}",
    "clock.send_to": "{send_to: [main]}",
    "timing.lead_ms": "{lead_ms: 0}",
    "timing.retrigger_gap_ms": "{retrigger_gap_ms: 8}",
    "timing.trigger_ms": "{trigger_ms: 5}",
    "controller.port": "{port: Knobs}",
    "controller.controls": "{port: Knobs, controls: [{note: 36, mute: kick}]}",
    "control.cc": "{cc: 20, macro: flotsam}",
    "control.note": "{note: 36, mute: kick}",
    "control.channel": "{cc: 20, channel: 10, macro: flotsam}",
    "control.macro": "{cc: 21, macro: brightness}",
    "control.mute": "{note: 40, mute: rim}",
    "control.section": "{note: 41, section: shallow}",
    "control.transport": "{note: 42, transport: start}",
    "control.pickup": "{cc: 20, macro: flotsam, pickup: false}",
    "control.feedback": "{note: 36, mute: kick, feedback: true}",
    "control.pair": "{cc: 20, macro: flotsam, pair: true}",
    "control.latch": "{cc: 64, mute: kick, latch: true}",
    "control.encoder": "{cc: 20, macro: flotsam, encoder: twos-complement}",
    "control.steps": "{cc: 20, macro: flotsam, encoder: offset, steps: 400}",
    # profiles
    "profile.profile": "profile: quay-box",
    "profile.description": 'description: "two gates and a pitch, built on the quay"',
    "profile.link": "link: din",
    "profile.latency_ms": "latency_ms: 1.5",
    "profile.max_messages_per_s": "max_messages_per_s: 500",
    "profile.outputs": "outputs: {gate-1: {kind: gate, by: note, number: C2}}",
    "output.kind": "{kind: trigger, by: note, number: 36}",
    "output.by": "{kind: level, by: cc14, number: 16}",
    "output.channel": "{kind: gate, by: note, number: 36, channel: 10}",
    "output.number": "{kind: gate, by: note, number: C2}",
    "output.low": "{kind: level, by: cc, number: 20, low: -5}",
    "output.high": "{kind: level, by: cc, number: 20, high: 8}",
    "output.rest": "{kind: level, by: cc, number: 20, low: -5, rest: -1}",
    "output.bits": "{kind: level, by: cc14, number: 16, bits: 12}",
    "output.law": (
        "{kind: pitch, by: cc14, number: 16, law: hz/v, reference_note: A2, reference_volts: 1, "
        "low: 0.1, high: 8}"
    ),
    "output.reference_note": "{kind: pitch, by: cc14, number: 16, reference_note: C1}",
    "output.reference_volts": "{kind: pitch, by: cc14, number: 16, reference_volts: 1}",
    "output.volts_per_octave": "{kind: pitch, by: cc14, number: 16, volts_per_octave: 1.2}",
    "output.bend_semitones": "{kind: pitch, by: note-pitch, bend_semitones: 12}",
    "output.set_bend_range": (
        "{kind: pitch, by: note-pitch, bend_semitones: 12, set_bend_range: true}"
    ),
    "output.pulse_ms": "{kind: trigger, by: note, number: 36, pulse_ms: 5}",
    "output.gap_ms": "{kind: trigger, by: note, number: 36, gap_ms: 2}",
    "output.inverted": "{kind: gate, by: note, number: 36, inverted: true, low: 5, high: 0}",
    "output.voice": "{kind: pitch, by: note-pitch, voice: bass}",
    "output.excludes": "{kind: level, by: cc, number: 20, excludes: [b]}",
    "output.ppqn": "{kind: clock, by: clock, ppqn: 4}",
    "output.description": '{kind: gate, by: note, number: 36, description: "the jack on the left"}',
}

COMMANDS: dict[str, str] = {
    "demo [--idea NAME] [--ideas] [--as-shipped] [--port N] [--osc-port N] [--lan] [--log KIND]": "plays the demo, or the set of a single idea, with no hardware; `--ideas` lists them",
    "play RIG SET [--start] [--from-files] [--port N] [--osc-port N] [--lan] [--log KIND]": "plays; waits for a start (page, OSC, HTTP, the clock it follows) unless `--start`; after a power cut it brings back what was played unless `--from-files`; `--log json` writes one JSON object a line",
    "check RIG [SET] [--json] [--rewrite]": "says every mistake with file, line and column, warns of what has no effect, and shows what drives each output; `--json` says it as one object for programs; `--rewrite` writes older spellings of SET anew, and keeps a copy",
    "init [FOLDER] [--profile NAME]": "writes a rig and a set to begin with; what is there is never written over",
    "render RIG SET --out FILE [--bars N] [--section NAME] [--order] [--all]": "writes a standard MIDI file (`.mid`), a table of events (`.csv`) or a quick listen by simulated voices (`.wav`, quiet at first; turn monitors down all the same): the set as it opens, one section, or the running order",
    "form RIG SET [--out FILE] [--bars N] [--row BARS]": "shows how a set goes over its running order (without one, section after section): hits a bar, register, how much is distinct, what repeats or never sounds; `--out FILE.svg` (`.html`, `.pdf`, `.png`) draws it over its bars, on A4. Bars are compared by which lanes hit where on the grid and by the notes that sound, not by levels, volts or feel",
    "doctor [RIG] [SET] [--address ADDRESS] [--bundle FILE]": "looks at everything that usually goes wrong (rights, ports, clock, disk, time, network, processor) and says what to do; `--bundle FILE.zip` writes it down for somebody who helps, without the token",
    "install-service RIG SET [--user NAME] [--lan] [--write] [--root FOLDER]": "starts RIG and SET at boot under systemd: shows every file it would write and every command it would run; `--write` does it",
    "remove-service [--write] [--root FOLDER]": "takes that back; rigs and sets stay",
    "import FILE [--from-bar N] [--bars N] [--groove] [--out FILE]": "makes lanes of the drums in a standard MIDI file; with `--groove` only the line `groove` of a set, with the timing that was played",
    "sheet RIG SET --out FILE [--bars N]": "writes the patch sheet, one printable HTML file (or a PDF, where Chromium is installed); `--out -` prints the HTML",
    "scope RIG SET --out FILE [--bars N] [--idle]": "draws the volts of every output, decoded from the MIDI that leaves",
    "fit RIG SET [--from RIG] [--put OLD=NEW] [--accept] [--out FILE]": "says where the outputs of a set that was made for another rig go on this one, and what would do for those that are missing; what you say (`--put`, `--accept`) is kept beside the rig, and `--out` writes the set for it",
    "pack RIG SET --out FILE [--tuning] [--take FILE]": "puts a set, its rig, their profiles and the sheet into one file (`.zip`) to hand on; tunings and takes only when told",
    "open FILE [--into FOLDER] [--rig RIG [--put OLD=NEW] [--accept]] [--check] [--start] [--port N] [--osc-port N] [--lan] [--log KIND]": "plays such a file: checks everything in it, puts it into a new folder, simulates MIDI ports that are not here and says so, or fits it onto a rig of yours (`--rig`); `--check` writes nothing",
    "history FILE [--show MOMENT] [--back MOMENT]": "lists the saved moments of a set, rig, tuning, soundcheck or sheet with what each save changed; prints one, or brings it back (what is there is kept)",
    "diff A [B]": "says in words what differs between two versions or files; `FILE@1` is the newest saved moment of FILE, and without B it is compared with that",
    "ports [--json]": "lists MIDI ports by name",
    "soundcheck RIG [SET] [--only OUTPUT] [--all] [--report FILE.txt] [--listen INPUT [--channel N]] [--loop INPUT [--interface NAME]]": "tries every output that has a cable, one at a time; turn monitors down first. With `--listen` an audio input says what it hears, and whose voice it sounds like",
    "align RIG --listen INPUT [--channel N] [--click INPUT [--click-channel N]] [--only OUTPUT] [--hits N] [--seconds N] [--apply]": "measures by an audio input how late each voice sounds, and makes all of them fall together; with `--click` also with the click of the host whose clock the rig follows",
    "takes list|export|name|picture|remove|replay|star": "lists what was recorded of each performance, writes a take as a file, draws it, plays one again and compares, names, stars and removes takes",
    "tune RIG [OUTPUT] [--readings FILE] [--listen INPUT] [--channel N] [--all] [--every SEMITONES] [--plot FILE.svg] [--yes] [--undo]": "tunes a pitch output from readings, or by listening to its voice (`--all`: one after the other)",
    "ctl COMMAND [--address URL]": "plays on a running service from the shell: `mute`, `macro`, `section`, `transport`, `state`, `watch` and others (`ctl --help` lists them); the address stands before the command",
    "clockcheck RIG [--seconds N] [--from PORT]": "listens to a MIDI clock: tempo, jitter, missing and doubled pulses",
    "man [--out FILE]": "shows the manual page of all commands (`--out FILE.1` writes it, `--out -` prints its source)",
    "profile list|show|check|schema|new": "lists, shows, checks, describes and writes profiles",
}
"""Every command with its options, and what it does."""

LOGIC: dict[str, str] = {
    "at-least": "at-least(2, kick, rim, bell)",
    "exactly": "exactly(1, kick, rim, bell)",
    "nth": "nth(rim, 3)",
    "toggle": "rim and toggle(kick)",
    "first": "first(rim, kick)",
    "delay": "delay(rim, 1/8T)",
    "extend": "kick and extend(rim, 1/8)",
    "between": "bell and between(kick, rim)",
    "chance": "chance(rim, 0.5)",
    "edge": "edge(rim, 1/8)",
    "gap": "gap(kick, 1/8)",
    "earlier": "rim xor earlier(kick)",
    "above": "rim and above(swell, 0.5, 0.4)",
    "below": "edge(below(swell, 0.5))",
    "rising": "rim and rising(swell)",
    "falling": "rim or edge(falling(swell))",
    "changed": "changed(swell)",
    "after-mute": "after-mute(kick) or rim",
    "before-mute": "before-mute(kick) and rim",
}
"""An example of each function of logic."""

OPERATORS: dict[str, str] = {
    "and": "kick and rim",
    "or": "kick or rim",
    "xor": "kick xor rim",
    "not": "rim and not kick",
}
"""An example of each operator of logic."""


def of_setting(setting: Setting) -> str:
    """A lane that has this setting, some way from where it starts to its high end (or, when it
    starts there, to its low end)."""
    if setting.name in ("hits", "steps"):
        return "{euclid: {hits: 5, steps: 12}}"
    if setting.name == "degree_shift":
        return "{notes: [^1, ^3, ^5], degree_shift: 2}"
    if setting.name == "low":
        return "{shape: sine, low: -0.5}"
    goal = setting.high if setting.high != setting.start else setting.low
    way = goal - setting.start
    value = setting.start + way / (3 if abs(way) <= 12 else 16 if way < 1000 else 40)
    value = round(value) if setting.whole else round(value, 2)
    kind = setting.kinds[-1] if "euclid" not in setting.kinds else "steps"
    source = yaml.safe_load(KINDS[kind].example)[kind]
    return render({kind: source, setting.name: value})
