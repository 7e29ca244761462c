"""What the page says is so: lateness, previews, other editors, the chart to its edge, forced colours."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support.program import MakeScreen, Running, Until

pytestmark = pytest.mark.real

CROWDED = (Path(__file__).parents[1] / "support/crowded.yaml").read_text(encoding="utf-8")


def lane(demo: Running, name: str) -> dict[str, Any]:
    written: dict[str, Any] = demo.get("set/plain")["data"]["lanes"][name]
    return written


# --- lateness -----------------------------------------------------------------------------------

LATE = """async (nights) => {
  const { RecentLateness } = await import('./js/late.js');
  const { healthSign } = await import('./js/signs.js');
  const recent = new RecentLateness(), said = [];
  for (const [second, since, buckets] of nights) {
    const histogram = Object.entries(buckets).map(([upper, n]) => [Number(upper), n]);
    const count = histogram.reduce((sum, [, n]) => sum + n, 0);
    const worst_us = Math.max(...histogram.map(([upper]) => upper));
    recent.add({ since, histogram, count, worst_us, p99_us: worst_us }, second * 1000);
    said.push(healthSign({ lateness: { p99_us: worst_us } }, null, false, recent.figures()));
  }
  return said; }"""


def test_lateness_is_judged_by_the_last_half_minute(screen: MakeScreen, demo: Running) -> None:
    """Twenty messages a second, worked out by hand. A stall of 40 messages is shouted for half a
    minute and then forgotten; it is shouted as soon after a clean hour; another count (the player
    came back) begins anew."""
    one = screen().open(demo.url)
    rows: list[tuple[int, int, dict[int, int]]] = []
    good = late = 0
    for second in range(3700):
        stall = second in (10, 3650)
        good, late = good + (0 if stall else 20), late + (40 if stall else 0)
        rows.append((second, 0, {64: good, **({90000: late} if late else {})}))
    rows += [(3700, 9, {64: 20}), (3701, 9, {64: 40, 8000: 1})]
    said = one.page.evaluate(LATE, rows)
    loud = [second for second, (level, _) in enumerate(said) if level == "loud"]
    assert loud == [*range(10, 40), *range(3650, 3680)]
    assert said[10][1] == "late by 90 ms"
    assert {tuple(s) for s in said[40:3650]} == {("good", "on time")}
    assert said[3700] == ["good", "on time"]
    assert said[3701] == ["note", "one was 8 ms late"], "one alone is a word and no alarm"


def test_the_worst_of_the_night_stands_inside(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    one.page.click("[data-sign=health]")
    until(lambda: "last half minute" in one.page.inner_text("#panel"))
    until(lambda: "worst tonight" in one.page.inner_text("#panel"))


# --- previews -----------------------------------------------------------------------------------


def test_a_preview_goes_on_as_long_as_it_is_looked_at(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """Eight bars on, it still shows the bars to come."""
    demo.send("PUT", "tempo", {"bpm": 300})
    try:
        one = screen().open(demo.url, "set")
        one.choose("clap")
        one.page.locator(".logic").fill("kick or rim")
        note = one.page.locator(".trial")
        until(lambda: "would play" in note.inner_text())
        bar = demo.state["transport"]["bar"]
        until(lambda: demo.state["transport"]["bar"] >= bar + 8)
        # The trial belongs to the editor, which the model's listeners keep: its strip shows it.
        ahead = """() => { const { pen } = lanebridge.app;
            return window.trial.to - pen.at(performance.now()); }"""
        one.page.evaluate(
            """() => { const add = lanebridge.app.ink.constructor.prototype.add;
            lanebridge.app.ink.constructor.prototype.add = function (...all) {
              if (this !== lanebridge.app.ink) window.trial = this;
              return add.apply(this, all); }; }"""
        )
        until(lambda: one.page.evaluate("'trial' in window"), what="it asks for more")
        until(lambda: one.page.evaluate(ahead) > 3840)
        hits = one.page.evaluate("window.trial.traces.get('clap').hits.map(mark => mark.t)")
        now = one.page.evaluate("lanebridge.app.pen.at(performance.now())")
        assert max(hits) > now, "hits after the pen"
        assert "would play" in note.inner_text()
    finally:
        demo.send("PUT", "tempo", {"bpm": 126})


# --- two editors --------------------------------------------------------------------------------


def test_a_finger_on_one_note_keeps_what_another_editor_does_to_the_next(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "set")
    one.choose("bassline")
    before = lane(demo, "bassline")["notes"]
    column = one.page.locator(".column").nth(0)
    column.scroll_into_view_if_needed()
    box = one.box(column)
    one.down(1, box["x"] + 20, box["y"] + 100)
    one.move(1, box["x"] + 20, box["y"] + 60)
    theirs = [*before[:3], "G2", *before[4:]]
    demo.send(
        "POST",
        "set/edits",
        {"edits": [{"path": ["lanes", "bassline", "notes"], "value": theirs}], "when": "step"},
    )
    until(lambda: one.page.evaluate("lanebridge.app.model.data.lanes.bassline.notes[3]") == "G2")
    one.up(1)
    until(lambda: lane(demo, "bassline")["notes"][0] != before[0])
    after = lane(demo, "bassline")["notes"]
    assert after[1:] == theirs[1:], "the other editor's note stands"


def test_the_same_note_of_two_editors_is_said(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url, "set")
    one.choose("bassline")
    before = lane(demo, "bassline")["notes"]
    column = one.page.locator(".column").nth(0)
    column.scroll_into_view_if_needed()
    box = one.box(column)
    one.down(1, box["x"] + 20, box["y"] + 100)
    one.move(1, box["x"] + 20, box["y"] + 60)
    theirs = ["D3", *before[1:]]
    demo.send(
        "POST",
        "set/edits",
        {"edits": [{"path": ["lanes", "bassline", "notes"], "value": theirs}], "when": "step"},
    )
    until(lambda: one.page.evaluate("lanebridge.app.model.data.lanes.bassline.notes[0]") == "D3")
    one.up(1)
    until(lambda: "Another editor" in one.page.inner_text("#say"))
    until(lambda: one.page.locator(".column").nth(0).inner_text() == "D3")
    assert lane(demo, "bassline")["notes"] == theirs


def test_edits_name_the_text_they_were_made_on(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """RFC 9110, 13.1.1: If-Match, answered 412 when that text is no longer the one: the page loads
    what is newer and makes its edit on that."""
    one = screen()
    named: list[str | None] = []

    def edits(route: Any) -> None:
        named.append(route.request.headers.get("if-match"))
        if len(named) == 1:  # somebody else is quicker
            notes = lane(demo, "lantern")["notes"]
            change = {"path": ["lanes", "lantern", "notes"], "value": [*notes[:-1], "A4"]}
            demo.send("POST", "set/edits", {"edits": [change], "when": "step"})
        route.continue_()

    one.page.route("**/api/set/edits", edits)
    one.open(demo.url, "set")
    one.choose("lantern")
    before = lane(demo, "lantern")["notes"]
    column = one.page.locator(".column").nth(0)
    column.focus()
    one.page.keyboard.press("ArrowUp")
    until(lambda: one.page.evaluate("true") and len(named) == 2)  # a call lets the routes answer
    until(lambda: lane(demo, "lantern")["notes"][0] != before[0])
    assert lane(demo, "lantern")["notes"][-1] == "A4", "both changes are in"
    assert named[0] is not None
    assert named[1] is not None
    assert named[0] != named[1]
    until(lambda: "both changes" in one.page.inner_text("#say"))
    one.page.unroute_all(behavior="ignoreErrors")
    one.forgive(412)


# --- the chart ----------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [1024, 1600, 1920, 2560])
def test_the_chart_is_known_to_its_right_edge(
    screen: MakeScreen, demo: Running, until: Until, width: int
) -> None:
    one = screen(width, 900).open(demo.url)
    one.page.evaluate("import('./js/chart.js').then(chart => { window.chart = chart; })")
    known = """() => { const { ink, pen, play, store } = lanebridge.app, { scaleOf, aheadOf } = window.chart;
        const { width } = play.banks.all[0], bar = store.state.meter[0] * 3840 / store.state.meter[1];
        const edge = pen.at(performance.now()) + aheadOf(width, bar, false);
        const pixels = width * 0.7 / scaleOf(width, bar); // the pen stands at 30 %
        return [ink.to - edge, Math.abs(pixels - aheadOf(width, bar, false))]; }"""
    # Over several bars: right after a bar line is when the least is known.
    until(lambda: one.page.evaluate(known)[0] >= 0)
    bar = demo.state["transport"]["bar"]
    least = one.page.evaluate(
        """async (known) => { const f = eval(known); let least = Infinity, enough = 0;
        const { pen } = lanebridge.app, end = pen.at(performance.now()) + 2 * 3840;
        while (pen.at(performance.now()) < end) { least = Math.min(least, f()[0]);
          await new Promise(done => setTimeout(done, 20)); } return least; }""",
        known,
    )
    assert least >= -480, f"from bar {bar}"  # half a beat: a chart may come late on a busy machine
    assert one.page.evaluate(known)[1] < 1


def test_a_line_of_values_ends_where_nothing_is_known(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """The page's own drawing on a canvas that only notes what is asked of it."""
    one = screen().open(demo.url)
    reach = one.page.evaluate(
        """async () => {
        const { Chart, scaleOf } = await import('./js/chart.js'), { Ink } = await import('./js/ink.js');
        const chart = new Chart(document.createElement('canvas'));
        chart.lanes = ['line']; chart.row = 80; chart.size(1000, 200);
        const ink = new Ink();
        ink.add({from: 0, to: 3840, lanes: {line: {values: [[0, 1], [960, 3], [1920, 2]]}}}, 0, []);
        const lane = {kind: 'levels', muted: false, heard: true, pending: null};
        chart.draw({tick: 1920, running: true, ink, state: {lanes: {line: lane}}, still: false, bar: 3840, beat: 960});
        const known = 300 + (3840 - 1920) * scaleOf(1000, 3840);
        // Light ink of the trace, above the baseline; the grid is darker.
        const y = chart.ruler + chart.row - Math.max(8, chart.row * 0.16), ratio = chart.canvas.width / 1000;
        const { data, width } = chart.g.getImageData(0, 0, chart.canvas.width, chart.canvas.height);
        const row = (x) => { let n = 0;
          for (let up = 8; up < 60; up++) {
            const i = 4 * (Math.round((y - up) * ratio) * width + Math.round(x * ratio));
            if (data[i + 3] > 60 && data[i] + data[i + 1] + data[i + 2] > 330) n++; } return n; };
        const near = [], far = [];
        for (let x = 310; x < known - 6; x += 13) near.push(row(x));
        for (let x = known + 6; x < 990; x += 13) far.push(row(x));
        return {known, near, far}; }"""
    )
    assert reach["known"] < 900
    assert sum(n > 0 for n in reach["near"]) > len(reach["near"]) * 0.8, "the line is there"
    grid = sum(n > 20 for n in reach["far"])  # bar lines and beats stand from top to bottom
    assert sum(n > 0 for n in reach["far"]) <= grid, "and nothing goes on after it"


def test_threads_come_from_the_other_bank_too(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """A derived lane stands beside the last of its sources; of those in the other bank it says the
    names."""
    demo.send("PUT", "set", {"text": CROWDED, "when": "step"})
    until(lambda: len(demo.state["macros"]) == 12)
    lanes = list(demo.state["lanes"])
    first, last = lanes[0], lanes[-1]
    demo.send(
        "POST",
        "set/edits",
        {
            "edits": [{"path": ["lanes", last, "logic"], "value": f"{first} or bell"}],
            "when": "step",
        },
    )
    one = screen(1024, 768).open(demo.url)
    until(lambda: one.page.evaluate("lanebridge.app.play.banks.all.length") == 2)
    until(
        lambda: one.page.evaluate(
            "([a, b]) => lanebridge.app.ink.traces.get(b)?.hits.some(m => m.c.includes(a))",
            [first, last],
        )
    )
    said = one.painter().evaluate(
        """async () => {
        const of = OffscreenCanvasRenderingContext2D.prototype, words = [], fill = of.fillText;
        of.fillText = function (text, ...at) { words.push(text); return fill.call(this, text, ...at); };
        await new Promise(done => setTimeout(done, 300));
        of.fillText = fill;
        return words; }"""
    )
    assert first in said


# What is drawn in the ink of the theme, and the colours of the page.
COLOURS = """async () => {
const { inksOfTheme } = await import('./js/chart.js'), inks = inksOfTheme();
const probe = (colour) => { const el = document.createElement('canvas'), g = el.getContext('2d');
  document.body.append(el); g.fillStyle = colour; g.fillRect(0, 0, 1, 1);
  const d = [...g.getImageData(0, 0, 1, 1).data]; el.remove(); return d; };
const canvas = document.querySelector('.sheet canvas'), copy = new OffscreenCanvas(canvas.width, canvas.height).getContext('2d');
copy.drawImage(canvas, 0, 0);
const { data } = copy.getImageData(0, 0, canvas.width, canvas.height);
const seen = (colour) => { const [r, g, b] = probe(colour); let n = 0;
  for (let i = 0; i < data.length; i += 4) n += data[i] === r && data[i + 1] === g && data[i + 2] === b && data[i + 3] === 255;
  return n; };
const ground = getComputedStyle(document.body).backgroundColor;
const head = document.querySelector('.head[data-look=in]');
return {ink: probe(inks.ink), ground: probe(ground), accent: probe(inks.accent),
  drawn: seen(inks.ink),
  fill: probe(getComputedStyle(document.querySelector('.macro u')).backgroundColor)}; }"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_forced_colours_keep_the_chart_and_what_is_drawn(
    screen: MakeScreen, demo: Running, until: Until, scheme: str
) -> None:
    """Ink of the chart against the ground of the page: at least 3:1 (WCAG 2.2, 1.4.11), whatever
    our own theme would have been."""
    for theme in ("day", "night"):
        one = screen(forced_colors="active", color_scheme=scheme).open(demo.url, theme=theme)
        until(lambda one=one: one.page.evaluate("lanebridge.app.ink.to > 0"))
        until(lambda one=one: one.page.evaluate(COLOURS)["drawn"] > 500, what="ink in the chart")
        found = one.page.evaluate(COLOURS)
        for what in ("ink", "accent", "fill"):
            assert contrast(found[what], found["ground"]) >= 3, (what, found)


def contrast(one: list[int], other: list[int]) -> float:
    """WCAG 2.2, definitions of relative luminance and contrast ratio."""

    def luminance(colour: list[int]) -> float:
        parts = [c / 255 for c in colour[:3]]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
