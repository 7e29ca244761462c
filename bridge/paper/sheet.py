"""The patch sheet: one self-contained HTML file from which a person can rebuild the rig.

It has no script, no link and no picture from elsewhere; it prints on A4 and Letter, light on ink
(CSS Paged Media: ``@page``, ``break-inside``). Everything on it comes from the files and from the
score itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from hashlib import sha256
from html import escape
from pathlib import Path

from bridge import __version__
from bridge.files.rig import Rig
from bridge.files.rig_effects import without_cable, without_driver
from bridge.files.set import SetDocument
from bridge.music.model import Entry, SetSpec
from bridge.music.render import events_between
from bridge.music.scale import note_name
from bridge.music.spelling import names_for
from bridge.paper import drawings
from bridge.paper.card import css_text, patch_card, photos
from bridge.paper.words import CAUTIONS, lane_words, section_words

_STYLE = """
@page { size: auto; margin: 16mm 12mm 16mm;
  @top-left { content: PAGE_TITLE; font: 9pt Georgia, serif; color: #52636a }
  @bottom-right { content: counter(page) " of " counter(pages); font: 10pt Georgia, serif } }
* { box-sizing: border-box }
body { margin: 0 auto; max-width: 186mm; color: #16242a; background: #fff;
  font: 10.5pt/1.35 "Source Sans 3", "Segoe UI", system-ui, sans-serif }
h1 { font: 600 20pt/1.1 Georgia, "Iowan Old Style", serif; margin: 0 }
h2 { font: 600 12.5pt/1.2 Georgia, "Iowan Old Style", serif; margin: 6mm 0 2mm;
  border-bottom: 0.5mm solid #16242a; padding-bottom: 0.8mm; break-after: avoid }
svg { width: 100%; height: auto; display: block; font-family: inherit }
h3 { font-size: 10.5pt; margin: 3mm 0 0.5mm; break-after: avoid; break-inside: avoid }
h3 small { font-weight: 400; font-size: 10pt }
dl { display: flex; flex-wrap: wrap; gap: 0.6mm 6mm; margin: 2.5mm 0 0 }
dl div { display: flex; gap: 1.6mm } dt { color: #52636a; white-space: nowrap }
dd { margin: 0; font-weight: 600; font-variant-numeric: tabular-nums; overflow-wrap: anywhere }
.card { break-after: page; font-size: 14pt; line-height: 1.25 }
.card h1 { font-size: 22pt } .card p { margin: 1mm 0 3mm }
.card ol { list-style: none; padding: 0; margin: 0 }
.card h2 { font-size: 14pt; margin: 4mm 0 1mm }
.card li { display: grid; grid-template-columns: 6mm 38% minmax(0, 1fr); gap: 0 3mm; margin: 0;
  padding: 0.7mm 0; border-bottom: 0.2mm solid #cfc8b6; align-items: start }
.card li > span { overflow-wrap: anywhere }
.card small { font-size: 12pt; color: #16242a; display: block }
.tick { width: 4.6mm; height: 4.6mm; border: 0.4mm solid #16242a; margin-top: 0.8mm }
.interface { break-inside: avoid }
.pictures { display: grid; grid-template-columns: 1fr 1fr; gap: 5mm } .pictures img { width: 100%;
  max-height: 90mm; object-fit: contain } figure { margin: 0; break-inside: avoid }
.cable { display: grid; grid-template-columns: 17% 7mm 51% 7mm minmax(0, 1fr); gap: 0 1.5mm;
  align-items: center; padding: 0.45mm 0; font-size: 10pt; line-height: 1.2 }
.cable > span { overflow-wrap: anywhere } .cable > span:first-child { text-align: right }
.cable small { font-size: 10pt; display: block } .control small { display: inline }
.free, .free b { color: #52636a; font-weight: 400 }
.control { grid-template-columns: 38% 10mm minmax(0, 1fr) }
.line { display: inline-block; width: 22mm; height: 3.4mm; border-bottom: 0.3mm solid #52636a }
.sections { table-layout: fixed; margin-bottom: 4mm; font-size: 10pt }
.sections :is(td, th) { text-align: center; padding: 0.5mm 1.5mm; border: 0;
  overflow-wrap: anywhere; vertical-align: middle; color: #16242a; font-weight: 400 }
.sections svg { height: 1.6mm }
.sections thead th { font-weight: 650; vertical-align: bottom }
.sections tr > :first-child { width: 44mm; text-align: right }
.lane, .macro, .cable, tr, li { break-inside: avoid }
.lane { margin: 0 0 2mm } .lane p { margin: 0 0 0.4mm } .lane b, .macro b { font-weight: 650 }
.where, small { color: #52636a }
.macro { display: grid; grid-template-columns: 78mm 1fr; gap: 5mm; align-items: center;
  margin-bottom: 1.5mm }
.macro p { margin: 0 }
table { border-collapse: collapse; width: 100% }
td, th { text-align: left; padding: 1.2mm 2mm 0.8mm 0;
  border-bottom: 0.2mm solid #cfc8b6; vertical-align: bottom }
th { color: #52636a; font-weight: 400 }
td { overflow-wrap: anywhere }
.blank { table-layout: fixed } .blank td { height: 8.5mm }
.blank :is(td, th):first-child { width: 45mm }
.photo { border: 0.4mm dashed #52636a; height: 70mm; display: grid; place-items: center;
  color: #52636a; break-inside: avoid }
ul { margin: 0; padding-left: 4mm } li { margin: 0 0 0.5mm }
.cautions { columns: 2; column-gap: 8mm; font-size: 10pt; line-height: 1.3 }
.mark { font-weight: 650 }
@media screen { body { padding: 10mm } }
"""


def sheet_html(
    rig: Rig,
    document: SetDocument,
    made: date,
    tuning: Mapping[str, str] | None = None,
    bars: int = 2,
) -> str:
    """The whole sheet as one HTML text.

    Args:
        rig: what is patched.
        document: the set.
        made: the date printed on it.
        tuning: how a pitch output was tuned, by its name; one without is marked as not tuned.
        bars: how much of each lane is drawn.
    """
    spec = document.spec
    body = [
        patch_card(rig, spec, made),
        _head(rig, document, made),
        _cautions(),
        "<h2>Cables</h2>",
        drawings.cables(rig, spec),
        _loose_ends(rig, document),
        *(["<h2>Controllers</h2>", drawings.controllers(rig, spec)] if rig.controllers else []),
        f"<h2>Lanes, {bars} bars as written</h2>",
        *_lanes(rig, document, bars),
    ]
    if spec.macros:
        body += ["<h2>Macros</h2>", *_macros(rig, document)]
    if spec.sections:
        body += ["<h2>Sections</h2>", drawings.sections(spec), _variants(spec), _order(document)]
    body += ["<h2>Tuning</h2>", _tuning(rig, tuning or {})]
    body += ["<h2>Knobs</h2>", _knobs(rig)]
    body.append(photos(rig))
    title = f"{rig.name}, {spec.name}"
    style = _STYLE.replace("PAGE_TITLE", css_text(f"{title}, {made.isoformat()}"))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{style}</style></head>\n<body>\n"
        + "\n".join(body)
        + "\n</body></html>\n"
    )


def _head(rig: Rig, document: SetDocument, made: date) -> str:
    spec = document.spec
    clock = rig.clock
    in_use = "internal" if clock.follow == "internal" else f"follows {clock.follow}"
    facts = {
        "rig": rig.name,
        "made": made.isoformat(),
        "key": spec.key_name or "none",
        "tempo": f"{spec.tempo:g} BPM",
        "meter": f"{spec.meter[0]}/{spec.meter[1]}",
        "swing": f"{spec.swing:g} %",
        "seed": str(spec.seed),
        "clock": in_use,
        "clock goes to": ", ".join(clock.send_to) or "nobody",
        "offset": f"{clock.offset_ms:g} ms",
        "pitch leads by": f"{rig.timing.lead_ms:g} ms",
        "triggers": f"{rig.timing.trigger_ms:g} ms",
        "rig file": _stamp(rig.path, rig.text),
        "set file": _stamp(document.path, document.text),
        "lanebridge": __version__,
    }
    listed = "".join(
        f"<div><dt>{escape(k)}</dt><dd>{escape(v)}</dd></div>" for k, v in facts.items()
    )
    return f"<h1>{escape(spec.name)}</h1><dl>{listed}</dl>"


def _stamp(path: Path | None, text: str) -> str:
    """A file's name, and ten digits that change with anything in it."""
    return f"{path.name if path else ''} {sha256(text.encode()).hexdigest()[:10]}".strip()


def _cautions() -> str:
    listed = "".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)
    return f'<h2>Before you plug in</h2><ul class="cautions">{listed}</ul>'


def _loose_ends(rig: Rig, document: SetDocument) -> str:
    missing = without_cable(rig, document.spec)
    unused = without_driver(rig, document.spec)
    lanes = [lane.name for lane in document.spec.lanes if not lane.out and not lane.drives]
    parts = []
    if missing:
        parts.append(
            '<p class="mark">Driven, but no cable is written down: '
            f"{escape(', '.join(missing))}</p>"
        )
    if unused:
        parts.append(f"<p>Cabled, but nothing drives it: {escape(', '.join(unused))}</p>")
    if lanes:
        parts.append(
            f"<p>Lanes without an output (they help others): {escape(', '.join(lanes))}</p>"
        )
    return "".join(parts)


def _lanes(rig: Rig, document: SetDocument, bars: int) -> list[str]:
    spec = document.spec
    score = document.score
    ticks = bars * spec.bar_ticks
    events = events_between(score, 0, ticks)
    names = [lane.name for lane in spec.lanes]
    note_names = names_for(spec)
    rows = []
    for position, lane in enumerate(score.lanes):
        where = f"to {lane.out}" if lane.out else "no output"
        cable = rig.wired[lane.out].cable if lane.out else ""
        where += f", {cable}" if cable else ""
        out = " (starts muted)" if lane.muted else ""
        words = lane_words(lane, names, note_names)
        if lane.drives:
            words += f"; moves {'; '.join(drawings.drive_words(lane.drives, rig))}"
        trace = drawings.lane_trace(spec, lane, position, events, ticks, "V" if lane.out else "")
        rows.append(
            f'<div class="lane"><p><b>{escape(lane.name)}</b>{out} '
            f'<span class="where">{escape(where)}</span><br>{escape(words)}</p>{trace}</div>'
        )
    return rows


def _macros(rig: Rig, document: SetDocument) -> list[str]:
    rows = []
    for macro in document.spec.macros:
        moves = "; ".join(drawings.drive_words(macro.drives, rig)) or "nothing yet"
        if macro.curve:
            moves += f"; curve {macro.curve:g}"
        if macro.slew_ms:
            moves += f"; takes {macro.slew_ms:g} ms"
        rows.append(
            f'<div class="macro">{drawings.macro_scale(macro)}<p><b>{escape(macro.name)}</b> '
            f"starts at {macro.start:.2f}, moves {escape(moves)}</p></div>"
        )
    return rows


def _variants(spec: SetSpec) -> str:
    words = {section.name: section_words(section, spec) for section in spec.sections}
    return "".join(
        f"<p><b>{escape(name)}</b>: {escape(says)}</p>" for name, says in words.items() if says
    )


def _order(document: SetDocument) -> str:
    entries = document.spec.order
    if not entries:
        return ""
    shown = ", ".join(map(_entry, entries))
    again = ", and again from the first" if document.spec.order_again else ""
    return f"<p>Running order: {escape(shown + again)}</p>"


def _entry(entry: Entry) -> str:
    among = ", ".join(f"{name} ({weight:g})" for name, weight in entry.choose)
    return (
        (f"one of {among}: " if among else f"{entry.section} ")
        + ("until you go on" if entry.bars is None else f"{entry.bars} bars")
        + (f" x {entry.times}" if entry.times > 1 else "")
        + (f", filling for the last {entry.fill}" if entry.fill else "")
    )


def _tuning(rig: Rig, tuning: Mapping[str, str]) -> str:
    rows = []
    for name, wired in rig.wired.items():
        if wired.output.kind == "pitch":
            out = wired.output
            note = note_name(out.reference_note)
            law = f"{out.law}, {note} at {out.reference_volts:g} V"
            state = tuning.get(name)
            shown = escape(state) if state else '<span class="mark">not tuned</span>'
            rows.append(f"<tr><td>{escape(name)}</td><td>{escape(law)}</td><td>{shown}</td></tr>")
    if not rows:
        return "<p>No pitch outputs.</p>"
    return (
        "<table><thead><tr><th>output</th><th>law</th><th>correction</th></tr></thead><tbody>"
        + "".join(rows)
        + "</tbody></table>"
    )


def _knobs(rig: Rig) -> str:
    """What stands at the other end of the cables: as far as the rig file says it, with room for
    more."""
    modules: dict[str, list[str]] = {}
    for name, wired in rig.wired.items():
        if wired.cable:
            notes = modules.setdefault(wired.cable.split(",")[0].strip(), [])
            notes += [rig.cables[name].notes] if rig.cables[name].notes else []
    named = "".join(
        f"<tr><td>{escape(name)}</td><td>{escape('; '.join(notes))}</td><td></td></tr>"
        for name, notes in modules.items()
    )
    free = "<tr><td></td><td></td><td></td></tr>" * 4
    return (
        "<table class='blank'><thead><tr><th>voice or module</th><th>knobs and switches</th>"
        f"<th>patched inside the rack</th></tr></thead><tbody>{named}{free}</tbody></table>"
    )
