"""The page for everybody and anywhere: keys, labels, contrast, sizes, weight, a soak.

Held against the rules of axe-core and Web Content Accessibility Guidelines 2.2: 2.1.1 (keyboard),
2.5.5 and 2.5.8 (targets of 44 and 24 CSS px), 1.4.3 (contrast 4.5:1 for text).
"""

from __future__ import annotations

import json
import re
import urllib.request
from typing import Any, Literal

import pytest
from support import boxes
from support.page_pictures import SHOTS, SHOWN, show, shown
from support.patience import PATIENCE_S
from support.program import MakeScreen, Needs, Running, Until
from support.screen import VIEWS

pytestmark = pytest.mark.real

FIRST_LOAD_BYTES = 157_000  # the drawing of the chart, which a worker does, included
SIZES = ((1024, 768), (768, 1024), (360, 640), (640, 360))
PARTS = {
    "rig": (
        "outputs",
        "tuning",
        "soundcheck",
        "align",
        "clock",
        "controllers",
        "devices",
        "osc",
        "print",
        "moments",
    ),
    "files": ("file", "sets", "done", "takes", "moments", "pack", "text"),
}
SOAK_BARS, SOAK_BPM = 30, 300  # half a minute
HEAP_GROWTH_BYTES = 6e6


def muted(demo: Running, lane: str) -> bool:
    return bool(demo.state["lanes"][lane]["muted"])


# --- keys ---------------------------------------------------------------------------------------


def test_the_playing_view_by_keys(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url)
    one.page.focus(".head[data-lane=bell]")
    one.page.keyboard.press("Space")
    until(lambda: muted(demo, "bell") and one.look("bell") == "out")
    one.page.keyboard.press("Enter")
    until(lambda: not muted(demo, "bell"))
    one.page.focus("[data-macro=drizzle]")
    one.page.keyboard.press("Home")
    until(lambda: demo.state["macros"]["drizzle"]["value"] == 0)
    one.page.keyboard.press("ArrowRight")
    until(lambda: demo.state["macros"]["drizzle"]["value"] == pytest.approx(0.01))
    one.page.get_by_role("button", name="Stop", exact=True).focus()
    one.page.keyboard.press("Enter")
    until(lambda: demo.state["transport"]["state"] == "stopped")


FOCUSED = "document.activeElement.dataset.lane ?? document.activeElement.localName"


def test_a_switch_keeps_the_focus_when_the_sets_text_comes_after_it(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """The text puts the heads in another order. On a busy machine it comes when keys are in use."""
    one = screen()
    held: list[Any] = []
    one.page.route("**/api/set/plain", lambda route: held.append(route))
    one.open(demo.url)
    until(lambda: one.page.evaluate("1") and held, what="the question for the text")
    one.page.focus(".head[data-lane=bell]")
    order = "[...document.querySelectorAll('.head')].map(head => head.dataset.lane).join()"
    before = one.page.evaluate(order)
    for route in held:
        route.continue_()
    until(lambda: one.page.evaluate(order) != before, what="another order")
    assert one.page.evaluate(FOCUSED) == "bell"
    one.page.keyboard.press("Enter")
    until(lambda: muted(demo, "bell"))


def test_a_control_has_the_focus_again_after_a_gap(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """While the link is lost nothing can be used, so nothing has the focus."""
    one = screen().open(demo.url)
    one.page.wait_for_load_state("networkidle")
    one.page.focus(".head[data-lane=bell]")
    one.page.evaluate("() => { window.link = lanebridge.app.link; link.wake = () => {}; }")
    one.page.evaluate("() => { link.open = () => {}; link.drop(); link.lose(); }")
    until(lambda: one.page.evaluate(FOCUSED) == "body", what="no focus")
    one.page.evaluate("() => { delete link.open; link.open(); }")
    one.page.wait_for_selector("body[data-link=live]")
    assert one.page.evaluate(FOCUSED) == "bell"


def test_every_view_by_keys(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url)

    def go(view: str) -> None:
        one.page.get_by_role("link", name=view.capitalize(), exact=True).focus()
        one.page.keyboard.press("Enter")
        one.page.wait_for_selector(f"#view-{view}:not([hidden]) button")

    def press(role: Literal["button", "slider", "switch"], name: str, key: str = "Enter") -> None:
        one.page.get_by_role(role, name=name, exact=True).focus()
        one.page.keyboard.press(key)

    go("set")
    one.page.locator(".entry", has_text="kick").focus()
    one.page.keyboard.press("Enter")
    one.page.wait_for_selector("article[aria-label='Lane kick']")
    press("button", "Hits: more")

    def kick() -> Any:
        return demo.get("set/plain")["data"]["lanes"]["kick"]

    until(lambda: kick()["euclid"]["hits"] == 5)
    press("slider", "chance", "PageDown")
    until(lambda: kick().get("chance") == pytest.approx(0.9))
    one.choose("shaker")
    press("button", "step 2: rest", "Space")
    until(lambda: demo.get("set/plain")["data"]["lanes"]["shaker"]["steps"][1] == "x")
    go("rig")
    for part in PARTS["rig"]:
        one.page.locator(f"[data-part={part}]").focus()
        one.page.keyboard.press("Enter")
        one.page.wait_for_selector(f"[data-part={part}][aria-current]")
    one.part("rig", "soundcheck")
    press("switch", "Monitors and headphones are down", "Space")
    press("button", "Stop and begin")
    one.page.wait_for_selector("[aria-label='Soundcheck of main.gate-1']")
    press("button", "Yes, it arrives")
    one.page.wait_for_selector("[aria-label='Soundcheck of main.gate-2']")
    focused = "document.activeElement.textContent"
    assert one.page.evaluate(focused) == "Play it", "the next one is at hand"
    go("files")
    one.page.locator("[data-part=done]").focus()
    one.page.keyboard.press("Enter")
    press("button", "Undo")
    until(lambda: demo.get("set/plain")["data"]["lanes"]["shaker"]["steps"][1] == ".")


@pytest.mark.parametrize("view", VIEWS)
def test_tab_reaches_every_control(screen: MakeScreen, demo: Running, view: str) -> None:
    """Forward through the whole view: each control that can be seen and used is met."""
    one = screen().open(demo.url, view)
    one.page.wait_for_load_state("networkidle")
    wanted = one.page.evaluate(
        """view => { let n = 0;
        const radios = new Set();
        for (const el of document.querySelectorAll(`#view-${view} :is(button, a[href], input,
            select, textarea, summary, [role=slider], [role=spinbutton]), #rail :is(button,
            [role=spinbutton])`)) {
          const shown = el.checkVisibility() && !el.disabled;
          const roving = el.getAttribute('role') === 'radio' && el.tabIndex < 0;
          if (shown && !roving) el.dataset.wanted = n++;
        } return n; }""",
        view,
    )
    assert wanted > 10
    seen: set[str] = set()
    for _ in range(wanted + 25):
        one.page.keyboard.press("Tab")
        seen.add(one.page.evaluate("document.activeElement.dataset.wanted ?? ''"))
    missed = one.page.evaluate(
        """seen => [...document.querySelectorAll('[data-wanted]')]
        .filter(el => !seen.includes(el.dataset.wanted)).map(el => el.outerHTML.slice(0, 100))""",
        sorted(seen),
    )
    assert missed == []


# --- eyes and readers ---------------------------------------------------------------------------


@pytest.mark.parametrize("theme", ["day", "night"])
@pytest.mark.parametrize("view", VIEWS)
def test_axe_finds_nothing(
    screen: MakeScreen, demo: Running, until: Until, needs: Needs, view: str, theme: str
) -> None:
    needs("axe")
    one = screen(reduced_motion="reduce").open(demo.url, view, theme)
    assert one.axe() == []
    for part in PARTS.get(view, ()):
        one.part(view, part)
        one.page.wait_for_load_state("networkidle")
        assert one.axe() == [], part
    if view == "rig":
        one.part("rig", "soundcheck")
        one.page.get_by_role("switch", name="Monitors and headphones are down").tap()
        one.page.get_by_role("button", name="Stop and begin").tap()
        one.page.wait_for_selector(".ask")
        assert one.axe() == []
        demo.send("DELETE", "soundcheck")
        demo.send("POST", "tuning/session", {"output": "main.pitch-1", "every": 12})
        one.part("rig", "tuning")
        one.page.wait_for_selector(".ladder")
        assert one.axe() == []
    if view == "set":  # each kind of editor, with its folds open, and a field that is refused
        for name in ("kick", "shaker", "spray", "bassline", "swell", "flotsam", "whole set"):
            one.choose(name)
            one.page.evaluate(
                "document.querySelectorAll('#view-set details').forEach(d => { d.open = true; })"
            )
            assert one.axe() == [], name
        one.choose("kick")
        number = one.page.get_by_role("spinbutton", name="Hits", exact=True)
        number.fill("17")
        number.press("Tab")
        until(lambda: number.get_attribute("aria-invalid") == "true")
        assert one.axe() == []
        one.forgive(422)
    if view == "play":  # each panel, and a lane that is out and one that waits
        one.page.tap(".head[data-lane=rim]")
        one.page.get_by_role("radio", name="in 4 bars").tap()
        one.page.tap(".head[data-lane=hat]")
        one.page.wait_for_selector(".head[data-look=wait-out]")
        assert one.axe() == []
        for sign in ("clock", "health"):
            one.page.click(f"[data-sign={sign}]")
            assert one.axe() == [], sign
            one.page.keyboard.press("Escape")


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (WCAG 2.2, definition of relative luminance)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", ["day", "night"])
def test_ink_stands_out(screen: MakeScreen, demo: Running, theme: str) -> None:
    """Also where axe does not look: on the canvas and in very short labels."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.542, abs=0.001)
    one = screen().open(demo.url, theme=theme)
    colour = one.page.evaluate(
        """() => { const c = getComputedStyle(document.documentElement);
        return Object.fromEntries(['paper','paper2','ink','ink2','accent','on-accent','alarm',
          'on-alarm'].map(n => [n, c.getPropertyValue('--' + n).trim()])) }"""
    )
    for text, ground in (
        ("ink", "paper"),
        ("ink", "paper2"),
        ("ink2", "paper"),
        ("ink2", "paper2"),
        ("on-alarm", "alarm"),
        ("alarm", "paper"),
        ("accent", "paper"),
        ("on-accent", "accent"),
        ("paper", "ink"),
    ):
        assert contrast(colour[text], colour[ground]) >= 4.5, (text, ground)


@pytest.mark.parametrize("size", SIZES)
def test_targets_are_large_and_nothing_hangs_out(
    screen: MakeScreen, demo: Running, size: tuple[int, int]
) -> None:
    one = screen(*size).open(demo.url)
    for n in range(12):  # long lists of what was done
        demo.send("PUT", "macros/drizzle", {"value": n / 12})
        demo.send("PUT", "lanes/kick/mute", {"muted": n % 2 == 0})
    for view in VIEWS:
        one.page.goto(f"{demo.url}#{view}")
        one.page.wait_for_selector(f"#view-{view}:not([hidden]) :is(button, .head)")
        for part in PARTS.get(view, ("",)):
            if part:
                one.part(view, part)
            one.page.wait_for_load_state("networkidle")
            assert boxes.faults(one.page) == {}, (view, part)


def test_mutes_are_far_larger_than_44_px(screen: MakeScreen, demo: Running) -> None:
    one = screen(1366, 1024).open(demo.url)
    box = one.box(".head[data-lane=kick]")
    assert box["height"] >= 44
    assert box["width"] * box["height"] >= 4 * 44 * 44, "with the demo's fourteen lanes in sight"


def test_reduced_motion_is_still_between_beats(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen(reduced_motion="reduce")
    demo.send("POST", "transport/stop")
    demo.send("PUT", "tempo", {"bpm": 30})  # a beat lasts two seconds
    try:
        one.open(demo.url)
        demo.send("POST", "transport/start")
        until(lambda: one.page.evaluate("lanebridge.app.pen.running"))
        seen = one.page.evaluate(
            """async () => {
            const { pen } = lanebridge.app, canvas = document.querySelector('.sheet canvas');
            const beat = () => Math.floor(pen.at(performance.now()) / 960);
            const frame = () => new Promise(requestAnimationFrame);
            for (let first = beat(); beat() === first;) await frame();
            const rows = [];
            for (const last = beat() + 3; beat() < last;) {
              await frame();
              rows.push([beat(), canvas.toDataURL()]);
              await new Promise(done => setTimeout(done, 150));
            }
            let moves = 0;
            for (let i = 1; i < rows.length; i++) moves += rows[i][1] !== rows[i - 1][1];
            return {beats: rows.at(-1)[0] - rows[0][0] + 1, moves, looks: rows.length};
            }"""
        )
        assert seen["looks"] >= 6
        # One picture for each beat; the coming bars may arrive anew once meanwhile.
        assert 1 <= seen["moves"] <= seen["beats"] + 1, seen
    finally:
        demo.send("PUT", "tempo", {"bpm": 126})


def test_the_chart_is_told_in_words(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url)

    def told() -> str:
        return one.page.text_content(".traces + ul") or ""

    until(lambda: re.search(r"kick: \d+ hits, on beats 1", told()))
    words = told()
    assert words.count(":") == len(demo.state["lanes"])


# --- weight -------------------------------------------------------------------------------------


def test_first_load_is_light_and_all_our_own(screen: MakeScreen, demo: Running) -> None:
    one = screen()
    sizes: dict[str, int] = {}
    strangers: list[str] = []

    def took(response: Any) -> None:
        if response.url.startswith(demo.url):
            sizes[response.url] = len(response.body())
        elif not response.url.startswith("data:"):
            strangers.append(response.url)

    one.page.on("requestfinished", lambda request: took(request.response()))
    one.page.on("requestfailed", lambda request: strangers.append(f"failed {request.url}"))
    one.open(demo.url)
    one.page.wait_for_load_state("networkidle")
    assert len(sizes) > 10
    assert sum(sizes.values()) < FIRST_LOAD_BYTES, sizes  # unpacked: the wire carries less
    for view in VIEWS:
        one.page.goto(f"{demo.url}#{view}")
        one.page.wait_for_selector(f"#view-{view}:not([hidden]) :is(button, .head)")
        one.page.wait_for_load_state("networkidle")
    assert strangers == []


def test_it_can_be_installed(screen: MakeScreen, demo: Running) -> None:
    """What W3C's Web Application Manifest asks for, and icons that are there."""
    one = screen().open(demo.url)
    found = one.cdp.send("Page.getAppManifest")
    assert found["errors"] == []
    manifest = json.loads(found["data"])
    assert manifest["name"] == "Lanebridge"
    sizes = {icon["sizes"] for icon in manifest["icons"]}
    assert {"192x192", "512x512"} <= sizes
    for icon in manifest["icons"]:
        with urllib.request.urlopen(demo.url + icon["src"], timeout=PATIENCE_S) as answer:
            assert answer.headers["Content-Type"] == icon["type"]
            data = answer.read()
        if icon["type"] == "image/png":
            assert data[:8] == b"\x89PNG\r\n\x1a\n"
            wide, high = (int.from_bytes(data[i : i + 4], "big") for i in (16, 20))
            assert f"{wide}x{high}" == icon["sizes"]


def test_it_says_where_the_screen_may_sleep(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """Over plain http browsers give no wake lock: a tablet is told so, until it says it knows."""
    one = screen(is_mobile=True)
    one.page.add_init_script("delete Navigator.prototype.wakeLock")
    one.open(demo.url)
    one.page.tap(".head[data-lane=rim]")
    health = one.page.locator("[data-sign=health]")
    # What is louder comes first, and on a busy machine something may be late.
    calm = "lanebridge.app.store.patch({lateness: null})"
    until(lambda: one.page.evaluate(calm) or health.inner_text() == "screen may sleep")
    health.click()
    until(lambda: "auto-lock" in one.page.inner_text("#panel"))
    one.page.get_by_role("button", name="I have switched auto-lock off").tap()
    until(lambda: health.inner_text() != "screen may sleep")


def test_thirty_bars_of_play_leave_memory_flat(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """A soak in short: mutes, macros and views for thirty bars; what stays is measured after the
    browser has collected its garbage. Errors of the console fail it at its end."""
    one = screen().open(demo.url)
    macro = "[data-macro=undertow]"

    def used() -> float:
        one.cdp.send("HeapProfiler.collectGarbage")
        return float(one.cdp.send("Runtime.getHeapUsage")["usedSize"])

    def play(bars: int) -> None:
        end = demo.state["transport"]["bar"] + bars
        turn = 0
        while demo.state["transport"]["bar"] < end:
            turn += 1
            one.page.tap(".head[data-lane=rim]")
            one.page.focus(macro)
            one.page.keyboard.press("PageUp" if turn % 2 else "PageDown")
            if turn % 5 == 0:
                for view in ("set", "rig", "play"):
                    one.page.goto(f"{demo.url}#{view}")
                    one.page.wait_for_selector(f"#view-{view}:not([hidden]) :is(button, .head)")

    demo.send("PUT", "tempo", {"bpm": SOAK_BPM})
    try:
        play(6)
        before = used()
        play(SOAK_BARS)
        assert used() - before < HEAP_GROWTH_BYTES
    finally:
        demo.send("PUT", "tempo", {"bpm": 126})
    assert one.page.evaluate("lanebridge.app.ink.traces.get('kick').hits.length") < 400


# --- the manual's pictures ----------------------------------------------------------------------


@pytest.mark.parametrize("name", SHOTS)
def test_the_manual_shows_the_page_as_it_is(
    screen: MakeScreen, demo: Running, until: Until, name: str
) -> None:
    """A control that is called otherwise, came or went: the pictures are to be taken anew by
    ``python tests/support/page_pictures.py``."""
    shot = SHOTS[name]
    one = screen(*shot.size)
    element = show(shot, one, demo)
    kept = json.loads(SHOWN.read_text(encoding="utf-8"))[name]
    until(lambda: shown(element) == kept, what=f"{shown(element)}, and the picture has {kept}")
    demo.send("PUT", "tempo", {"bpm": 126})
