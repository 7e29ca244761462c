"""The playing view under a thumb: every size of screen, swipes, solo, holds that nobody ends.

Fingers are real touches of the browser's own input (Chrome DevTools Protocol). Sizes of targets:
Web Content Accessibility Guidelines 2.2, 2.5.5 (44 CSS px); 1.4.10 and 1.4.4 (zoom of 200 %).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from support import boxes
from support.program import MakeScreen, Running, Until

pytestmark = pytest.mark.real

CROWDED = (Path(__file__).parents[1] / "support/crowded.yaml").read_text(encoding="utf-8")
PHONES = ((320, 568), (360, 640), (390, 844))
TABLETS = ((700, 900), (768, 1024), (820, 1180), (834, 1194), (1024, 768), (1280, 800))
# The last one is 1024 by 768 at a zoom of 200 %.
SHORT = ((640, 360), (568, 320), (844, 390), (512, 384))


def muted(demo: Running, lane: str) -> bool:
    return bool(demo.state["lanes"][lane]["muted"])


def crowd(demo: Running, until: Until) -> None:
    """Long names, fourteen lanes, twelve macros, six sections."""
    demo.send("PUT", "set", {"text": CROWDED, "when": "step"})
    until(lambda: len(demo.state["macros"]) == 12)


# --- sizes --------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [*PHONES, *TABLETS, *SHORT], ids=lambda s: f"{s[0]}x{s[1]}")
def test_every_control_is_large_in_reach_and_legible(
    screen: MakeScreen, demo: Running, until: Until, size: tuple[int, int]
) -> None:
    """Also with the longest names, and with every button of the rail that comes and goes."""
    for theme, text in (("day", None), ("night", CROWDED)):
        if text:
            crowd(demo, until)
        one = screen(*size).open(demo.url, theme=theme)
        one.page.wait_for_selector(".head[data-lane=bell]")
        assert boxes.faults(one.page) == {}
        one.page.evaluate("document.querySelectorAll('.bank').forEach(b => b.scrollTo(0, 0))")
        assert boxes.mutes(one.page) >= (2 if size[0] <= 320 else 3), "mutes in sight"
        demo.send("PUT", "lanes/bell/solo", {"on": True})
        one.page.get_by_role("button", name="Mute all").tap()
        one.page.get_by_role("button", name="Bring back").wait_for()
        one.page.get_by_role("button", name="End solo").wait_for()
        assert boxes.faults(one.page) == {}
        one.page.get_by_role("button", name="Bring back").tap()
        one.page.get_by_role("button", name="End solo").tap()
        until(lambda: not any(x["muted"] or x["solo"] for x in demo.state["lanes"].values()))


def test_the_measure_sees_what_hidden_overflow_hides(screen: MakeScreen, demo: Running) -> None:
    """The width of the document does not: each of these leaves it as it was."""
    one = screen().open(demo.url)
    assert boxes.faults(one.page) == {}
    width = one.page.evaluate("document.documentElement.scrollWidth")
    for rule, what in (
        (".out-all { position: relative; left: 60px }", "out of reach"),
        (".head { width: 40px !important; min-width: 0 !important }", "small"),
        (".head .name { width: 20px }", "cut"),
        (".deck { transform: translateY(-200px); z-index: 2; background: red }", "covered"),
    ):
        one.page.evaluate(  # as a sheet: the page's own policy forbids styles in its markup
            """rule => { window.extra = new CSSStyleSheet(); extra.replaceSync(rule);
            document.adoptedStyleSheets = [extra]; }""",
            rule,
        )
        assert what in boxes.faults(one.page)
        assert one.page.evaluate("document.documentElement.scrollWidth") == width
        one.page.evaluate("document.adoptedStyleSheets = []")
    assert boxes.faults(one.page) == {}


# --- swipes -------------------------------------------------------------------------------------


def test_a_swipe_along_the_sections_plays_none(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    crowd(demo, until)
    one = screen(390, 844).open(demo.url)
    one.page.wait_for_selector("[data-section=calm]")
    before = demo.state
    for start in ("[data-group=drums]", "[data-section=shallow]", "[data-section=rising]"):
        one.page.evaluate("document.querySelector('.strip').scrollTo(0, 0)")
        one.swipe(one.spot(start), (-120, 3))
        until(lambda: one.page.evaluate("document.querySelector('.strip').scrollLeft > 60"))
    after = demo.state
    assert after["section_pending"] is None
    assert after["section"] == before["section"]
    assert not any(lane["muted"] for lane in after["lanes"].values())


def test_a_waiting_section_is_taken_back_by_a_second_touch(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    section = demo.state["section"]
    other = "shallow" if section != "shallow" else "rising"
    spot = f"[data-section={other}]"
    bar = demo.state["transport"]["bar"]
    until(lambda: demo.state["transport"]["bar"] > bar)
    demo.send("PUT", "tempo", {"bpm": 20})  # the next bar line is twelve seconds away
    try:
        one.page.tap(spot)
        until(lambda: (demo.state["section_pending"] or {}).get("section") == other)
        one.page.wait_for_selector(f"{spot}[data-pending]")
        assert "take it back" in (one.page.get_attribute(spot, "aria-label") or "")
        one.page.tap(spot)
        until(lambda: demo.state["section_pending"] is None)
        until(lambda: one.page.get_attribute(spot, "data-pending") is None)
        assert demo.state["section"] == section
    finally:
        demo.send("PUT", "tempo", {"bpm": 126})


@pytest.mark.parametrize("size", [(360, 640), (390, 844), (640, 360), (568, 320)])
def test_each_of_twelve_macros_is_reached_by_a_thumb(
    screen: MakeScreen, demo: Running, until: Until, size: tuple[int, int]
) -> None:
    """By swipes up, which move none of them; then each one is turned."""
    crowd(demo, until)
    one = screen(*size).open(demo.url)
    one.page.wait_for_selector("[data-macro=gull]")
    before = {name: macro["value"] for name, macro in demo.state["macros"].items()}
    one.page.wait_for_selector(".deck[data-scrolls]")
    in_sight = """name => { const el = document.querySelector(`[data-macro=${name}]`);
        const box = el.getBoundingClientRect();
        const over = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
        return el.contains(over) }"""
    for name in before:
        for _ in range(14):
            if one.page.evaluate(in_sight, name):
                break
            deck = one.box(".macros")
            seen = [n for n in before if one.page.evaluate(in_sight, n)]
            start = one.spot(f"[data-macro={seen[-1]}]") if seen else None
            x, y = start or (deck["x"] + 40, deck["y"] + 20)
            one.swipe((x, y), (2, -60))
            one.page.wait_for_timeout(150)  # until the list stands
        assert one.page.evaluate(in_sight, name), name
    assert {n: m["value"] for n, m in demo.state["macros"].items()} == before
    one.page.locator("[data-macro=gull]").scroll_into_view_if_needed()
    one.swipe(one.spot("[data-macro=gull]"), (40, 2))
    until(lambda: demo.state["macros"]["gull"]["value"] > before["gull"] + 0.1)


def test_a_vertical_swipe_edits_no_fader_and_scrolls(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen(390, 844).open(demo.url, "set")
    one.choose("kick")
    before = demo.get("set/plain")["data"]["lanes"]["kick"]
    top = "document.querySelector('#view-set').scrollTop"
    for caption in ("chance", "density", "level"):
        fader = one.page.locator(f".fader[aria-label={caption}]")
        fader.scroll_into_view_if_needed()
        one.page.wait_for_timeout(100)
        was = one.page.evaluate(top)
        box = one.box(fader)
        one.swipe((box["x"] + box["width"] / 2, box["y"] + 20), (14, 90))
        until(lambda was=was: one.page.evaluate(top) < was - 30, what="it scrolls")
    one.page.wait_for_timeout(300)
    assert demo.get("set/plain")["data"]["lanes"]["kick"] == before


def test_a_drag_on_a_fader_leaves_the_page_where_it_is(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen(390, 844).open(demo.url, "set")
    one.page.locator("#view-set .entry", has_text="kick").tap()  # the focus stays up there
    one.page.wait_for_selector("article[aria-label='Lane kick']")
    fader = one.page.locator(".fader[aria-label=level]")
    fader.scroll_into_view_if_needed()
    top = "document.querySelector('#view-set').scrollTop"
    was = one.page.evaluate(top)
    assert was > 100
    one.swipe(one.spot(".fader[aria-label=level]", 0.8), (-60, 0))
    until(lambda: demo.get("set/plain")["data"]["lanes"]["kick"]["level"] < 0.9)
    until(lambda: one.page.evaluate("lanebridge.app.model.busy") == 0)
    one.page.wait_for_timeout(200)
    assert abs(one.page.evaluate(top) - was) < 4


@pytest.mark.parametrize("size", [(360, 640), (390, 844), (768, 1024), (1024, 768)])
@pytest.mark.parametrize("lane", ["bassline", "swell", "percussion-upper-harbour-wall-3", "bell"])
def test_the_editor_keeps_its_width(
    screen: MakeScreen, demo: Running, until: Until, size: tuple[int, int], lane: str
) -> None:
    """Seven and sixteen notes, levels, steps: every field within reach of a thumb."""
    crowd(demo, until)
    one = screen(*size).open(demo.url, "set")
    one.choose(lane)
    assert boxes.faults(one.page) == {}
    if lane == "bassline":
        row = "document.querySelector('.columns')"
        last = f"{row}.lastElementChild.getBoundingClientRect().right <= innerWidth"
        notes = demo.get("set/plain")["data"]["lanes"][lane]["notes"]
        one.page.locator(".columns").scroll_into_view_if_needed()
        for _ in range(12):
            if one.page.evaluate(last):
                break
            box = one.box(".columned .columns")
            one.swipe((box["x"] + box["width"] * 0.7, box["y"] + 90), (-120, 2))
            one.page.wait_for_timeout(150)
        assert one.page.evaluate(last), "the last note comes into reach by swipes"
        assert demo.get("set/plain")["data"]["lanes"][lane]["notes"] == notes


# --- solo ---------------------------------------------------------------------------------------


def test_solo_says_what_is_heard(screen: MakeScreen, demo: Running, until: Until) -> None:
    """Hits alone: solo of hits leaves the melodies running, and every head says which it is."""
    one = screen().open(demo.url)
    one.page.get_by_role("radio", name="solo").tap()
    one.page.tap(".head[data-lane=kick]")
    until(lambda: demo.state["lanes"]["kick"]["solo"])
    until(lambda: one.look("rim") == "out")
    state = demo.state["lanes"]
    for name, lane in state.items():
        words = one.page.inner_text(f".head[data-lane={name}] .st")
        hits = name not in ("bassline", "roots", "lantern", "swell", "moon", "lagoon")
        assert words == ("solo" if name == "kick" else "not in solo" if hits else "on"), name
        assert lane["heard"] == (name == "kick" or not hits), name
        assert not lane["muted"], "what is silenced by a solo is not out"
        pressed = one.page.get_attribute(f".head[data-lane={name}]", "aria-pressed")
        assert pressed == ("true" if lane["heard"] else "false"), name


def test_a_touch_during_solo_is_heard(screen: MakeScreen, demo: Running, until: Until) -> None:
    """It joins the solo or leaves it, and mutes nothing underneath."""
    one = screen().open(demo.url)
    demo.send("PUT", "lanes/kick/solo", {"on": True})
    until(lambda: one.look("rim") == "out")
    one.page.tap(".head[data-lane=rim]")
    until(lambda: demo.state["lanes"]["rim"]["heard"] and one.look("rim") == "in")
    one.page.tap(".head[data-lane=rim]")
    until(lambda: not demo.state["lanes"]["rim"]["heard"] and one.look("rim") == "out")
    one.page.get_by_role("radio", name="only while held").tap()
    one.page.tap(".head[data-lane=rim]")
    until(lambda: "not in the solo" in one.page.inner_text("#say"))
    one.page.get_by_role("button", name="End solo").tap()
    until(lambda: all(lane["heard"] for lane in demo.state["lanes"].values()))
    assert not any(lane["muted"] for lane in demo.state["lanes"].values())
    until(lambda: not one.page.get_by_role("button", name="End solo").is_visible())


def test_a_melody_is_muted_as_ever_while_hits_are_solo(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    demo.send("PUT", "lanes/kick/solo", {"on": True})
    until(lambda: one.look("rim") == "out")
    one.page.tap(".head[data-lane=bassline]")
    until(lambda: muted(demo, "bassline") and one.look("bassline") == "out")
    assert not demo.state["lanes"]["bassline"]["solo"]


# --- transport ----------------------------------------------------------------------------------


def test_start_while_it_runs_needs_a_second_touch(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen(390, 844).open(demo.url)
    start = one.page.locator("#rail .start")
    until(lambda: demo.state["transport"]["bar"] > 2)
    start.tap()
    until(lambda: start.inner_text() == "Bar 1?")
    one.page.wait_for_timeout(300)
    assert demo.state["transport"]["bar"] > 2, "one touch changes nothing"
    until(lambda: start.inner_text() == "Start", what="the question goes by itself")
    assert demo.state["transport"]["bar"] > 2
    start.tap()
    until(lambda: start.inner_text() == "Bar 1?")
    one.page.wait_for_timeout(300)
    start.tap()
    until(lambda: demo.state["transport"]["bar"] <= 2)
    one.page.get_by_role("button", name="Stop", exact=True).tap()
    until(lambda: demo.state["transport"]["state"] == "stopped")
    start.tap()
    until(lambda: demo.state["transport"]["state"] == "running", what="one touch starts")


# --- holds --------------------------------------------------------------------------------------


def test_lifting_a_finger_lifts_that_one(screen: MakeScreen, demo: Running, until: Until) -> None:
    """Of this file's own fingers: the other one still holds."""
    one = screen().open(demo.url)
    one.page.get_by_role("radio", name="only while held").tap()
    one.down(1, *one.spot(".head[data-lane=bass]"))
    one.down(2, *one.spot(".head[data-lane=hat]"))
    until(lambda: one.look("bass") == one.look("hat") == "held-out")
    one.up(1)
    until(lambda: one.look("bass") == "in")
    one.page.wait_for_timeout(700)
    assert one.look("hat") == "held-out"
    one.up(2)
    until(lambda: one.look("hat") == "in")


LOST = """lane => document.querySelector(`.head[data-lane=${lane}]`).dispatchEvent(
    new PointerEvent('pointerdown', {pointerId: 77, pointerType: 'touch', button: 0, bubbles: true}))"""


def test_a_finger_whose_leaving_nobody_tells_is_let_go_by_the_next_touch(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """Touch events list the fingers on the glass: a pointer that is not among them has gone."""
    one = screen().open(demo.url)
    one.page.get_by_role("radio", name="only while held").tap()
    one.page.evaluate(LOST, "bass")
    until(lambda: one.look("bass") == "held-out")
    one.down(1, *one.spot(".bank:first-child .sheet", 0.8))
    until(lambda: one.look("bass") == "in")
    one.up(1)


def test_a_hold_ends_when_its_head_is_taken_away(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """As when the tablet is turned and the heads are laid out anew under the finger."""
    one = screen().open(demo.url)
    one.page.get_by_role("radio", name="only while held").tap()
    one.down(1, *one.spot(".head[data-lane=bass]"))
    until(lambda: one.look("bass") == "held-out")
    one.page.evaluate("lanebridge.app.play.layout(true)")
    one.up(1)
    until(lambda: one.look("bass") == "in" and not muted(demo, "bass"))


def test_a_hold_by_key_ends_with_its_key_and_no_other(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    keys = one.page.keyboard
    one.page.get_by_role("radio", name="only while held").tap()
    one.page.evaluate("document.activeElement.blur()")
    keys.down("1")
    until(lambda: one.look("kick") == "held-out")
    keys.down("2")
    until(lambda: one.look("rim") == "held-out")
    keys.up("2")
    until(lambda: one.look("rim") == "in")
    assert one.look("kick") == "held-out"
    keys.up("1")
    until(lambda: one.look("kick") == "in")
    keys.down("1")
    until(lambda: one.look("kick") == "held-out")
    one.page.evaluate("window.dispatchEvent(new Event('blur'))")  # another window took the keys
    until(lambda: one.look("kick") == "in" and not muted(demo, "kick"))
    keys.up("1")
