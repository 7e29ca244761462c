"""The page on stage: what is seen at arm's length, what is safe under a thumb, what is told.

Sizes of targets and contrast: Web Content Accessibility Guidelines 2.2 (2.5.5: 44 CSS px; 1.4.11: 3:1
for parts of controls; 1.4.10 and 1.4.4: zoom). The other sizes (marks of 6 px, values of 16 px) are
our own choice for arm's length: no source.
"""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from pythonosc.osc_message_builder import OscMessageBuilder
from support import boxes
from support.program import MakeScreen, Running, Until
from support.screen import VIEWS

pytestmark = pytest.mark.real

CROWDED = (Path(__file__).parents[1] / "support/crowded.yaml").read_text(encoding="utf-8")
PARTS = {
    "rig": ("outputs", "soundcheck", "tuning", "clock", "controllers", "print"),
    "files": ("file", "sets", "done", "text"),
}


def muted(demo: Running, lane: str) -> bool:
    return bool(demo.state["lanes"][lane]["muted"])


def crowd(demo: Running, until: Until) -> None:
    """Long names, fourteen lanes, twelve macros, six sections."""
    demo.send("PUT", "set", {"text": CROWDED, "when": "step"})
    until(lambda: len(demo.state["macros"]) == 12)


# --- two players --------------------------------------------------------------------------------


def test_whose_hand_is_on_what_is_written_and_goes_again(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """HTTP, OSC and a second page on one rig; nobody is told of their own hand."""
    one, two = screen(1366, 1024).open(demo.url), screen(390, 844, is_mobile=True).open(demo.url)
    head = ".head[data-lane=kick]"
    two.page.locator(head).tap()
    until(lambda: one.page.inner_text(f"{head} .st") == "muted, page")
    assert two.page.inner_text(f"{head} .st") == "muted"
    demo.send("PUT", "lanes/kick/mute", {"muted": False})
    for each in (one, two):
        until(lambda each=each: each.page.inner_text(f"{head} .st") == "on, HTTP")
    message = OscMessageBuilder("/macro/brightness")
    message.add_arg(0.9)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as osc:
        osc.sendto(message.build().dgram, ("127.0.0.1", demo.osc_port))
    macro = one.page.locator("[data-macro=brightness]")
    until(lambda: "moved by OSC from 127.0.0.1" in macro.inner_text())
    until(lambda: two.page.inner_text("[data-macro=brightness] .by") == "OSC")
    demo.send("PUT", "tempo", {"bpm": 121})
    until(lambda: "Tempo: moved by HTTP from 127.0.0.1." in one.page.inner_text("#say"))
    until(lambda: macro.get_attribute("data-moved") is None, what="the hand has left")
    until(lambda: one.page.inner_text(f"{head} .st") == "on")
    demo.send("PUT", "tempo", {"bpm": 126})


# --- seen at arm's length -----------------------------------------------------------------------

MARK = """() => {
  // The newest hit of the kick that has been drawn: how wide its ink is, halfway up.
  const { app } = lanebridge, { canvas, lanes, width: wide } = app.play.banks.all[0], ratio = canvas.width / wide;
  const { row, ruler, scaleOf } = window.known;
  const now = app.pen.at(performance.now()), hits = app.ink.traces.get('kick')?.hits ?? [];
  const mark = hits.filter(m => m.t < now - 240 && m.o === false).pop();
  if (!mark) return 0;
  const k = scaleOf(wide, 3840), x = wide * 0.3 - (app.pen.at(performance.now()) - mark.t) * k;
  const i = lanes.indexOf('kick');
  const y = ruler + row * (i + 1) - Math.max(8, row * 0.16) - (row - Math.max(15, row * 0.34)) * mark.l / 2;
  const copy = document.createElement('canvas'), width = copy.width = canvas.width;
  copy.height = 1;
  const g = copy.getContext('2d', {willReadFrequently: true});
  g.drawImage(canvas, 0, -Math.round(y * ratio));
  const { data } = g.getImageData(0, 0, width, 1);
  let n = 0;
  for (let px = Math.max(0, Math.round((x - 12) * ratio)); px < Math.min(width, (x + 12) * ratio); px++)
    if (data[4 * px + 1] > 120 && data[4 * px + 3] > 200) n++;
  return n / ratio; }"""


@pytest.mark.parametrize("size", [(390, 844), (1366, 1024)], ids=lambda s: f"{s[0]}x{s[1]}")
def test_what_is_played_is_seen_at_arms_length(
    screen: MakeScreen, until: Until, demo: Running, size: tuple[int, int]
) -> None:
    one = screen(*size).open(demo.url)
    one.page.evaluate(
        """async () => { const bank = getComputedStyle(document.querySelector('.bank')), px = n => parseFloat(bank.getPropertyValue(n));
        window.known = {row: px('--row'), ruler: px('--ruler'), scaleOf: (await import('./js/chart.js')).scaleOf}; }"""
    )
    until(lambda: one.page.evaluate(MARK) >= 6, what="a mark as thick as a pen of 6 px")
    found = one.page.evaluate(
        """() => { const px = s => parseFloat(getComputedStyle(document.querySelector(s)).fontSize);
        return {bar: px('#place b'), tempo: px('.bpm .num'), macro: px('.macro output')}; }"""
    )
    assert found["bar"] >= (36 if size[0] < 640 else 44)
    assert min(found.values()) >= 16
    drawn = one.painter().evaluate(
        """async () => { const of = OffscreenCanvasRenderingContext2D.prototype, sizes = [], fill = of.fillText;
        of.fillText = function (...all) { sizes.push(parseFloat(/[\\d.]+(?=px)/.exec(this.font)[0])); return fill.apply(this, all); };
        await new Promise(done => setTimeout(done, 300)); of.fillText = fill; return sizes; }"""
    )
    assert drawn
    assert min(drawn) >= 16


@pytest.mark.parametrize("theme", ["day", "night"])
def test_the_bar_of_a_macro_is_off_its_name_and_stands_out(
    screen: MakeScreen, demo: Running, theme: str
) -> None:
    """At full turn too, where a name would have been covered."""
    one = screen(768, 1024).open(demo.url, theme=theme)
    one.page.focus("[data-macro=drizzle]")
    one.page.keyboard.press("End")
    found = one.page.evaluate(
        """() => {
        const el = document.querySelector('[data-macro=drizzle]');
        const at = s => el.querySelector(s).getBoundingClientRect();
        const texts = ['.lab span', 'output', '.what'].map(at).filter(b => b.width), bar = at('i');
        const canvas = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
        const light = colour => { canvas.fillStyle = colour; canvas.fillRect(0, 0, 1, 1);
          const [r, g, b] = [...canvas.getImageData(0, 0, 1, 1).data].map(v => { v /= 255;
            return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
          return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
        const ratio = (a, b) => (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
        const fill = light(getComputedStyle(el.querySelector('i')).backgroundColor);
        return {over: texts.filter(b => b.bottom > bar.top + 1 && b.left < bar.right && b.right > bar.left).length,
          texts: texts.length, track: ratio(fill, light(getComputedStyle(el, '::before').backgroundColor)),
          ground: ratio(fill, light(getComputedStyle(el).backgroundColor))}; }"""
    )
    assert found["texts"] == 3
    assert found["over"] == 0
    assert found["track"] >= 3
    assert found["ground"] >= 3


@pytest.mark.parametrize("size", [(360, 640), (568, 320), (1024, 768)], ids=lambda s: f"{s[0]}")
def test_names_that_begin_alike_are_told_apart(
    screen: MakeScreen, demo: Running, until: Until, size: tuple[int, int]
) -> None:
    crowd(demo, until)
    one = screen(*size).open(demo.url)
    one.page.wait_for_selector(".head[data-lane=percussion-upper-harbour-wall-5]")
    for what in (".head .name", ".macro .lab span"):
        shown = one.page.locator(what).all_inner_texts()
        assert len(set(shown)) == len(shown) > 10, what
    assert boxes.cut(one.page) == []
    sizes = one.page.evaluate(
        "[...document.querySelectorAll('.head .name')].map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(sizes) >= 13
    name = "percussion-upper-harbour-wall-5"
    spoken = one.page.get_by_role("button", name=name)
    assert spoken.count() == 1, "who listens hears the whole name"


def test_a_derived_lane_stands_beside_its_sources(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    until(lambda: one.page.evaluate("lanebridge.app.play.sources.size > 0"))
    shown = one.page.evaluate("[...lanebridge.app.play.heads.keys()]")
    written = list(demo.state["lanes"])
    assert sorted(shown) == sorted(written)
    text = demo.get("set/plain")["data"]["lanes"]
    derived = [name for name in written if "logic" in text[name]]
    assert len(derived) == 3
    for name in derived:
        before = shown[shown.index(name) - 1]
        assert before in derived or before in text[name]["logic"]
    plain = [name for name in written if name not in derived]
    assert [name for name in shown if name not in derived] == plain
    order = one.page.evaluate(
        """async () => { const { besideSources } = await import('./js/play.js');
        const sources = new Map([['c', ['a']], ['x', ['y']], ['y', ['x']], ['d', ['c', 'b']]]);
        return [besideSources(['d', 'a', 'b', 'c', 'x', 'y'], sources).join(''),
          besideSources(['a', 'b'], new Map()).join('')]; }"""
    )
    assert order[0].index("c") == order[0].index("a") + 1
    assert order[0].index("d") > max(order[0].index("b"), order[0].index("c"))
    assert sorted(order[0]) == sorted("dabcxy"), "lanes that follow from each other stay too"
    assert order[1] == "ab"


# --- safe ---------------------------------------------------------------------------------------


def test_a_swipe_along_the_switches_scrolls_and_mutes_none(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen(390, 640, is_mobile=True).open(demo.url)
    bank = one.page.locator(".bank[tabindex]")
    bank.wait_for()  # the page has seen that its lanes do not fit: only then do they scroll
    one.page.wait_for_timeout(100)
    one.swipe(one.spot(".head[data-lane=spray]"), (0, -150), steps=12)
    until(lambda: bank.evaluate("el => el.scrollTop") > 30)
    one.page.wait_for_timeout(300)
    assert not any(lane["muted"] for lane in demo.state["lanes"].values())
    one.page.tap(".head[data-lane=bass]")
    until(lambda: muted(demo, "bass"))
    one.page.tap(".head[data-lane=bass]")
    until(lambda: not muted(demo, "bass"))


@pytest.mark.parametrize(
    "size",
    [(568, 320), (512, 384), (284, 160), (195, 422), (320, 256)],
    ids=lambda s: f"{s[0]}x{s[1]}",
)
def test_silence_is_in_reach_on_every_view(
    screen: MakeScreen, demo: Running, size: tuple[int, int]
) -> None:
    """Also zoomed to 200 % on a tablet (512x384), on phones (284x160, 195x422), and to 400 % of
    1280x1024 (320x256): without scrolling the button lies in the window, and nothing on it."""
    one = screen(*size).open(demo.url)
    for view in VIEWS:
        one.page.goto(f"{demo.url}#{view}")
        one.page.wait_for_selector(f"#view-{view}:not([hidden]) :is(button, .head)")
        found = one.page.evaluate(
            """() => { const el = document.querySelector('.out-all'), b = el.getBoundingClientRect();
            const over = document.elementFromPoint((b.left + b.right) / 2, (b.top + b.bottom) / 2);
            return {inside: b.left >= 0 && b.top >= 0 && b.right <= innerWidth && b.bottom <= innerHeight,
              free: over === el || el.contains(over), high: b.height, wide: b.width}; }"""
        )
        assert found["inside"], (view, found)
        assert found["free"], (view, found)
        assert min(found["high"], found["wide"]) >= 43.5


def test_a_button_is_no_lamp_and_there_is_a_clock_to_take_or_none(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    for name in ("Start", "Stop", "Continue"):
        button = one.page.get_by_role("button", name=name, exact=True)
        assert button.get_attribute("aria-pressed") is None
    lamp = one.page.locator(".lamp")
    until(lambda: lamp.get_attribute("aria-label") == "The music is running")
    take = one.page.get_by_role("button", name="Internal clock")
    assert not take.is_visible()
    one.page.evaluate("lanebridge.app.store.patch({clock: {state: 'alone', source: 'studio'}})")
    assert take.is_visible()
    one.page.evaluate(
        "lanebridge.app.store.patch({clock: {state: 'internal', source: 'internal'}})"
    )
    assert not take.is_visible()
    one.page.get_by_role("button", name="Stop", exact=True).tap()
    until(lambda: lamp.get_attribute("aria-label") == "The music is stopped")


def test_a_brush_of_the_tempo_changes_nothing(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen(390, 844).open(demo.url)
    one.page.locator(".bpm").tap()
    dial = one.page.get_by_role("spinbutton", name="Tempo")
    dial.wait_for()
    before = demo.state["transport"]["tempo"]
    one.swipe(one.spot(".dial"), (9, 60))
    one.page.wait_for_timeout(200)
    assert demo.state["transport"]["tempo"] == before
    one.swipe(one.spot(".dial", 0.3), (60, 0), steps=12)
    until(lambda: before + 2 < demo.state["transport"]["tempo"] < before + 6.1)
    until(lambda: one.page.locator(".bpm .num").inner_text() == one.page.inner_text(".dial output"))
    tempo = demo.state["transport"]["tempo"]
    one.page.get_by_role("button", name="Tempo: 1 BPM slower").tap()
    until(lambda: demo.state["transport"]["tempo"] == pytest.approx(tempo - 1, abs=0.06))
    dial.focus()
    one.page.keyboard.press("PageUp")
    until(lambda: demo.state["transport"]["tempo"] == pytest.approx(tempo, abs=0.06))
    demo.send("PUT", "tempo", {"bpm": before})


def test_what_waits_is_taken_back_by_the_same_touch(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """A group that waits for the bar, and a lane that is out for four bars."""
    one = screen().open(demo.url)
    bar = demo.state["transport"]["bar"]
    until(lambda: demo.state["transport"]["bar"] > bar)
    demo.send("PUT", "tempo", {"bpm": 20})  # the next bar line is twelve seconds away
    try:
        one.page.get_by_role("radio", name="on the next bar").tap()
        group = one.page.locator("[data-group=drums]")
        members = [n for n, x in demo.state["lanes"].items() if "drums" in x["groups"]]
        group.tap()
        until(lambda: all(demo.state["lanes"][n]["pending"] for n in members))
        one.page.wait_for_selector("[data-group=drums][data-pending]")
        group.tap()
        until(lambda: not any(demo.state["lanes"][n]["pending"] for n in members))
        one.page.get_by_role("radio", name="drop").tap()
        one.page.tap(".head[data-lane=bell]")
        until(lambda: muted(demo, "bell") and demo.state["lanes"]["bell"]["pending"])
        until(lambda: one.look("bell").startswith("wait"))
        one.page.tap(".head[data-lane=bell]")
        until(lambda: not muted(demo, "bell") and not demo.state["lanes"]["bell"]["pending"])
    finally:
        demo.send("PUT", "tempo", {"bpm": 126})


# --- told ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [(360, 640), (568, 320), (768, 1024)], ids=lambda s: f"{s[0]}")
def test_what_a_touch_does_is_written_in_every_mode(
    screen: MakeScreen, demo: Running, size: tuple[int, int]
) -> None:
    one = screen(*size).open(demo.url)
    told = one.page.locator(".choice .cap")
    said = set()
    for radio in one.page.locator(".choice [role=radio]").all():
        radio.tap()
        assert told.is_visible()
        said.add(told.inner_text())
        box = one.box(told)
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= size[0] + 1
    assert len(said) == 7
    assert all(words.startswith("A touch ") for words in said)
    options = one.page.locator(".deck select option").all_inner_texts()
    assert options[0] == "macros jump"


EXPLAINED = """async () => {
  const { helpFor } = await import('./js/help.js'), bare = [];
  for (const el of document.querySelectorAll("button, a[href]:not(.skip), summary, select, input, textarea, [role=slider], [role=spinbutton]")) {
    if (!el.checkVisibility() || el.closest('#ask')) continue;
    const line = helpFor(el);
    if (line.length < 25 || /undefined|null/.test(line) || !line.endsWith('.') || line.includes('a button; it acts when'))
      bare.push(`${line} <- ${el.outerHTML.slice(0, 110)}`);
  } return bare; }"""


@pytest.mark.parametrize("view", VIEWS)
def test_every_control_has_a_line_of_help(screen: MakeScreen, demo: Running, view: str) -> None:
    one = screen().open(demo.url, view)
    one.page.wait_for_load_state("networkidle")
    for part in PARTS.get(view, ("",)):
        if part:
            one.part(view, part)
        assert one.page.evaluate(EXPLAINED) == [], part


def test_asking_explains_and_plays_nothing(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen(390, 844).open(demo.url)
    ask = one.page.get_by_role("button", name="Explain what I touch")
    say = one.page.locator("#say")
    section = demo.state["section"]
    ask.tap()
    one.page.tap(".head[data-lane=rim]")
    until(lambda: "switch of a lane" in say.inner_text())
    one.page.tap("[data-section=flood]")
    until(lambda: "A section" in say.inner_text())
    one.page.get_by_role("button", name="Stop", exact=True).tap()
    until(lambda: "Stops the music" in say.inner_text())
    one.page.focus(".out-all")
    one.page.keyboard.press("Enter")
    until(lambda: "Mutes every lane" in say.inner_text())
    ask.tap()
    state = demo.state
    assert not any(lane["muted"] or lane["pending"] for lane in state["lanes"].values())
    assert state["transport"]["state"] == "running"
    assert (state["section"], state["section_pending"]) == (section, None)
    one.page.focus(".fine")
    one.page.keyboard.press("?")
    until(lambda: "eight times less" in say.inner_text(), what="a key asks too")
    one.down(1, *one.spot("[data-sign=clock]"))
    until(lambda: "which clock is in use" in say.inner_text(), what="a long press asks too")
    one.up(1)
    assert not one.page.locator("#panel").is_visible(), "and it was no touch"
    one.page.tap(".head[data-lane=rim]")
    until(lambda: muted(demo, "rim"), what="after that a touch plays again")


def test_three_sentences_greet_go_away_and_come_back(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen(360, 640).open(demo.url)
    words = one.page.get_by_role("note", name="In three sentences")
    words.wait_for()
    assert words.locator("p").count() == 3
    assert boxes.covered(one.page) == []
    one.page.get_by_role("button", name="Close the three sentences").tap()
    assert not words.is_visible()
    one.page.reload()
    one.page.wait_for_selector("body[data-link=live]")
    one.page.wait_for_load_state("networkidle")
    assert not words.is_visible(), "on the first visit only"
    ask = one.page.get_by_role("button", name="Explain what I touch")
    ask.tap()
    words.wait_for()
    ask.tap()
    until(lambda: not words.is_visible())


def test_listening_begins_quietly_and_ends_without_a_click(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """A gain that jumps is a click: it climbs from nothing, and is back at nothing before the end."""
    one = screen().open(demo.url)
    one.page.get_by_role("button", name="Listen", exact=True).click()
    panel = one.page.locator("#panel")
    panel.get_by_role("button", name="Listen", exact=True).click()
    gain = "lanebridge.app.listener.master.gain.value"
    until(lambda: one.page.evaluate("lanebridge.app.listener?.audio?.state") == "running")
    assert one.page.evaluate(gain) < 0.03
    until(lambda: one.page.evaluate(gain) > 0.04)
    panel.get_by_role("slider", name="Listening level").wait_for()
    panel.get_by_role("button", name="Stop listening").click()
    until(lambda: one.page.evaluate("lanebridge.app.listener.audio.state") == "suspended")
    assert one.page.evaluate(gain) < 0.001


# --- light --------------------------------------------------------------------------------------


def test_nothing_is_drawn_while_nothing_moves(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """Stopped, the chart rests; a mute, and the music, draw it again."""
    one = screen().open(demo.url)
    one.page.get_by_role("button", name="Stop", exact=True).tap()
    until(lambda: demo.state["transport"]["state"] == "stopped")
    worker = one.painter()
    worker.evaluate(
        """() => { const of = OffscreenCanvasRenderingContext2D.prototype, clear = of.clearRect; self.drawn = 0;
        of.clearRect = function (...all) { if (this.canvas.width > 100) self.drawn++; return clear.apply(this, all); }; }"""
    )
    version = "[lanebridge.app.store.version, lanebridge.app.ink.version]"

    def at_rest() -> bool:
        """Whether a sixth of a second, in which nothing became known, passed without a picture."""
        known, before = one.page.evaluate(version), worker.evaluate("drawn")
        one.page.wait_for_timeout(170)
        return bool(worker.evaluate("drawn") == before and one.page.evaluate(version) == known)

    until(at_rest, what="ten frames without a picture")
    before = worker.evaluate("drawn")
    one.page.tap(".head[data-lane=rim]")
    until(lambda: muted(demo, "rim") and worker.evaluate("drawn") > before)
    before = worker.evaluate("drawn")
    one.page.get_by_role("button", name="Continue", exact=True).tap()
    until(lambda: worker.evaluate("drawn") > before + 10)
    written = one.page.evaluate(
        """async () => { let n = 0;
        const seen = new MutationObserver(all => { n += all.filter(m => m.target.matches('.head, .head *') && m.attributeName === 'style').length; });
        seen.observe(document.querySelector('.traces'), {attributes: true, subtree: true});
        for (let f = 0; f < 30; f++) await new Promise(requestAnimationFrame);
        return n; }"""
    )
    assert written == 0, "lamps of hits are drawn, and no element of a head is touched"
