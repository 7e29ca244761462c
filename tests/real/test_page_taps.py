"""What is wanted most on stage is at most three taps away from the playing view, on a phone; and the
whole language of logic is within reach of a finger.

Three taps are our own choice: no source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from support.program import MakeScreen, Running, Until
from support.screen import VIEWS, Screen

pytestmark = pytest.mark.real

MOST_TAPS = 3


class Thumb:
    """One thumb that counts how often it comes down."""

    def __init__(self, screen: Screen) -> None:
        self.screen = screen
        self.taps = 0

    def tap(self, what: str) -> None:
        self.taps += 1
        self.screen.page.locator(what).first.tap()

    def view(self, name: str) -> None:
        self.tap(f"#views [href='#{name}']")
        self.screen.page.wait_for_selector(f"#view-{name}:not([hidden]) .entry")

    def pick(self, name: str) -> None:
        """A lane in the row of the Set view: where it lies outside, a swipe brings it in."""
        self.tap(f"#view-set .entry:has(span:text-is('{name}'))")

    def drag(self, what: str, by: tuple[float, float]) -> None:
        self.taps += 1
        target = self.screen.page.locator(what).first
        target.scroll_into_view_if_needed()
        self.screen.swipe(self.screen.spot(target), by)

    def hold(self, what: str) -> None:
        self.taps += 1
        self.screen.down(1, *self.screen.spot(what))


class Keys(Thumb):
    """The same without a finger: what is wanted has the focus, and a key does it."""

    def tap(self, what: str) -> None:
        self._press(what, "Enter")

    def drag(self, what: str, by: tuple[float, float]) -> None:
        self._press(what, "ArrowUp" if by[1] < 0 else "ArrowDown")

    def hold(self, what: str) -> None:
        self._focus(what)
        self.screen.page.keyboard.down("Space")

    def _focus(self, what: str) -> None:
        target = self.screen.page.locator(what).first
        target.focus()
        assert target.evaluate("el => el === document.activeElement"), f"{what} takes no focus"

    def _press(self, what: str, key: str) -> None:
        self._focus(what)
        self.screen.page.keyboard.press(key)


def plain(demo: Running) -> Any:
    return demo.get("set/plain")["data"]


def lane(demo: Running, name: str) -> Any:
    return demo.state["lanes"][name]


def task_mute(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    thumb.tap(".head[data-lane=rim]")
    return lambda: lane(demo, "rim")["muted"]


def task_mute_at_the_bar(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    thumb.tap(".choice [aria-label='on the next bar']")
    thumb.tap(".head[data-lane=rim]")
    return lambda: lane(demo, "rim")["pending"] or lane(demo, "rim")["muted"]


def task_hold(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    thumb.tap(".choice [aria-label='only while held']")
    thumb.hold(".head[data-lane=rim]")
    return lambda: lane(demo, "rim")["held"]


def task_section(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    thumb.tap("[data-section=shallow]")
    return lambda: (
        demo.state["section"] == "shallow"
        or (demo.state["section_pending"] or {}).get("section") == "shallow"
    )


def task_all_out(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    thumb.tap(".out-all")
    return lambda: all(one["muted"] for one in demo.state["lanes"].values())


def task_one_more_hit(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    thumb.view("set")
    thumb.pick("rim")
    before = plain(demo)["lanes"]["rim"]["euclid"]["hits"]
    thumb.tap("article[aria-label='Lane rim'] [aria-label='Hits: more']")
    return lambda: plain(demo)["lanes"]["rim"]["euclid"]["hits"] == before + 1


def task_a_note(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    before = plain(demo)["lanes"]["bassline"]["notes"]
    thumb.view("set")
    thumb.pick("bassline")
    thumb.drag("article[aria-label='Lane bassline'] .column", (0, -40))
    return lambda: plain(demo)["lanes"]["bassline"]["notes"] != before


def task_a_step(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    before = plain(demo)["lanes"]["shaker"]["steps"]
    thumb.view("set")
    thumb.pick("shaker")
    thumb.tap("article[aria-label='Lane shaker'] .step")
    return lambda: plain(demo)["lanes"]["shaker"]["steps"] != before


def task_logic(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    before = plain(demo)["lanes"]["clap"]["logic"]
    thumb.view("set")
    thumb.pick("clap")
    thumb.tap("article[aria-label='Lane clap'] button:text-is('Invert')")
    return lambda: plain(demo)["lanes"]["clap"]["logic"] == f"not ({before})"


def task_add_a_lane(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    before = set(plain(demo)["lanes"])
    thumb.view("set")
    thumb.tap(".add-toggle")
    thumb.tap("form.add [type=submit]")
    return lambda: set(plain(demo)["lanes"]) - before == {"euclid-1"}


def task_keep_a_section(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    thumb.view("set")
    thumb.pick("whole set")
    thumb.tap("button:text-is('Keep what plays now')")
    return lambda: "section-1" in plain(demo)["sections"]


def task_undo(thumb: Thumb, demo: Running) -> Callable[[], Any]:
    before = plain(demo)["lanes"]["rim"]
    edits = [{"path": ["lanes", "rim", "euclid", "hits"], "value": 9}]
    demo.send("POST", "set/edits", {"edits": edits, "when": "step"})
    thumb.view("set")
    thumb.screen.page.wait_for_selector(".pair button:text-is('Undo'):not([aria-disabled=true])")
    thumb.tap(".pair button:text-is('Undo')")
    return lambda: plain(demo)["lanes"]["rim"] == before


TASKS = {
    "mute": task_mute,
    "mute at the bar": task_mute_at_the_bar,
    "hold": task_hold,
    "section": task_section,
    "all out": task_all_out,
    "Euclid +1": task_one_more_hit,
    "a note": task_a_note,
    "a step": task_a_step,
    "logic": task_logic,
    "add a lane": task_add_a_lane,
    "keep a section": task_keep_a_section,
    "undo": task_undo,
}


@pytest.mark.parametrize("task", TASKS)
def test_a_phone_does_it_in_three_taps(
    screen: MakeScreen, demo: Running, until: Until, task: str
) -> None:
    one = screen(390, 844, is_mobile=True).open(demo.url)
    one.page.wait_for_selector(".head[data-lane=rim]")
    thumb = Thumb(one)
    until(TASKS[task](thumb, demo), what=task)
    if one.fingers:
        one.up(1)
    print(f"{task}: {thumb.taps}")
    assert thumb.taps <= MOST_TAPS


def test_keys_alone_do_it_too(screen: MakeScreen, demo: Running, until: Until) -> None:
    """One task after the other, with the colours of the system and no motion. What was chosen by
    keys keeps the focus while the edit that was made there comes back."""
    one = screen(640, 400).open(demo.url)
    one.page.emulate_media(forced_colors="active", reduced_motion="reduce")
    one.page.wait_for_selector(".head[data-lane=rim]")
    keys = Keys(one)
    for name, task in TASKS.items():
        until(task(keys, demo), what=name)
        if name == "hold":
            one.page.keyboard.up("Space")
            until(lambda: not lane(demo, "rim")["held"], what="let go")
    entry = "#view-set .entry:has(span:text-is('euclid-1'))"
    note = one.page.locator(f"{entry} small")
    keys.tap(entry)
    told = note.text_content()
    path = ["lanes", "euclid-1"]
    edits = [{"path": [*path, "euclid"]}, {"path": [*path, "steps"], "value": "x..."}]
    demo.send("POST", "set/edits", {"edits": edits, "when": "step"})
    until(lambda: note.text_content() != told, what="another kind of lane")
    assert "euclid-1" in str(one.page.evaluate("document.activeElement.textContent"))


def test_small_screens_cut_nothing(screen: MakeScreen, demo: Running) -> None:
    """Also a tablet of 1280x800 or 1024x768 at 200 % (Web Content Accessibility Guidelines 2.2,
    1.4.4 and 1.4.10): nothing goes beyond the side, and Mute all is within the window."""
    one = screen(320, 568, is_mobile=True).open(demo.url)
    one.page.wait_for_selector(".head[data-lane=rim]")
    for view in VIEWS:
        one.page.locator(f"#views [href='#{view}']").tap()
        one.page.wait_for_selector(f"#view-{view}:not([hidden]) button")
        for width, height in ((320, 568), (568, 320), (640, 400), (512, 384)):
            one.page.set_viewport_size({"width": width, "height": height})
            where = f"{view} at {width}x{height}"
            wide = one.page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
            assert wide[0] <= wide[1] == width, where
            box = one.box(".out-all")
            assert 0 <= box["x"] <= width - box["width"], where
            assert 0 <= box["y"] <= height - box["height"], where
            assert min(box["width"], box["height"]) >= 24, "2.5.8"


def test_the_row_of_lanes_stays_and_the_editor_scrolls_below(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen(360, 640, is_mobile=True).open(demo.url, "set")
    one.choose("kick")
    picker = one.box(".picker")
    assert picker["height"] < 52, "one row"
    fader = one.page.locator(".fader").first
    fader.scroll_into_view_if_needed()
    value = fader.get_attribute("aria-valuenow")
    one.swipe(one.spot(fader), (2, -90))
    until(lambda: one.page.evaluate("document.querySelector('#view-set').scrollTop") > 40)
    assert fader.get_attribute("aria-valuenow") == value, "it let the page scroll"
    assert one.box(".picker") == picker, "the row stays"
    for name in ("Undo", "Mute kick"):
        box = one.box(one.page.get_by_role("button", name=name, exact=True))
        assert box["y"] < 240
    one.page.get_by_role("button", name="Mute kick").tap()
    until(lambda: lane(demo, "kick")["muted"])
    one.page.get_by_role("button", name="Mute kick").tap()
    until(lambda: not lane(demo, "kick")["muted"])


def test_every_word_of_logic_is_a_chip_that_works(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """What each chip puts in can be played as it stands, in a set whose lanes have other names."""
    text = """
set: Sandbar
tempo: 120
lanes:
  plank: {euclid: {hits: 4, steps: 16}}
  gravel: {euclid: {hits: 5, steps: 16}}
  pebble: {steps: "x..x"}
  mist: {shape: sine, rate: 1/1}
  wash: {logic: plank xor gravel}
"""
    demo.send("PUT", "set", {"text": text, "when": "step"})
    until(lambda: "wash" in demo.state["lanes"])
    one = screen().open(demo.url, "set")
    one.choose("wash")
    one.unfold("Functions, with an example each")
    words = demo.get("words")
    chips = one.page.locator("[data-word]")
    shown = chips.evaluate_all("all => all.map(el => el.dataset.word)")
    assert shown == [*words["operators"], *words["functions"]]
    assert len(words["functions"]) >= 13
    field = one.page.locator(".logic")
    for name in words["functions"]:
        field.fill("")
        one.page.locator(f"[data-word={name}]").tap()
        written = field.input_value().strip()
        assert name in written
        edits = [{"path": ["lanes", "wash", "logic"], "value": written}]
        found = demo.send("POST", "set/preview", {"edits": edits, "bars": 1})
        assert found["problems"] == [], written
    field.fill("plank")
    one.page.locator("[data-word=and]").tap()
    one.page.get_by_role("group", name="Lanes").get_by_role("button", name="pebble").tap()
    assert field.input_value().strip() == "plank and pebble"
    one.page.get_by_role("button", name="Use it").tap()
    until(lambda: plain(demo)["lanes"]["wash"]["logic"] == "plank and pebble")
    for logic in ("not (plank and pebble)", "plank and pebble"):
        one.page.get_by_role("button", name="Invert").tap()
        until(lambda logic=logic: plain(demo)["lanes"]["wash"]["logic"] == logic)
