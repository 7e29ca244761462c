"""The playing view in a real browser against the real program: fingers, two pages, lost links."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable
from urllib.error import HTTPError

import pytest
from playwright.sync_api import Error, WebSocketRoute
from support.program import MakeScreen, Running, Until

pytestmark = pytest.mark.real


def muted(demo: Running, lane: str) -> bool:
    return bool(demo.state["lanes"][lane]["muted"])


def free(demo: Running, until: Until, macro: str, value: float) -> None:
    """Sets a macro and waits until the hand that did it has let go (others may move it then)."""
    until(lambda: try_macro(demo, macro, value), what=f"{macro} is free")
    until(lambda: abs(demo.state["macros"][macro]["value"] - value) < 1e-6)


def try_macro(demo: Running, macro: str, value: float) -> bool:
    try:
        demo.send("PUT", f"macros/{macro}", {"value": value})
    except HTTPError as refused:
        refused.close()
        return False
    return True


# --- fingers ------------------------------------------------------------------------------------


def test_a_touch_mutes_when_the_finger_comes_down(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    one.down(1, *one.spot(".head[data-lane=rim]"))
    until(lambda: muted(demo, "rim"), what="rim out while the finger is still down")
    until(lambda: one.look("rim") == "out")
    assert one.page.get_attribute(".head[data-lane=rim]", "aria-pressed") == "false"
    assert "muted" in one.page.inner_text(".head[data-lane=rim]")
    one.up(1)
    one.down(1, *one.spot(".head[data-lane=rim]"))
    one.up(1)
    until(lambda: one.look("rim") == "in" and not muted(demo, "rim"))


def test_two_hands_on_macro_and_mutes_at_once(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    free(demo, until, "brightness", 0.2)
    until(lambda: abs(one.macro("brightness") - 20) < 0.2)
    one.page.wait_for_timeout(350)  # until the hand that set it is gone: 300 ms by design
    x, y = one.spot("[data-macro=brightness]", 0.9)
    width = one.box("[data-macro=brightness]")["width"]
    one.down(1, x, y)
    one.down(2, *one.spot(".head[data-lane=kick]"))
    one.down(3, *one.spot(".head[data-lane=shaker]"))
    for i in range(1, 11):
        one.move(1, x - 0.05 * width + i * 0.05 * width, y)
    until(lambda: muted(demo, "kick") and muted(demo, "shaker"))
    # Relative, not a jump: the finger came down at 90 % and moved on by half the width less a step.
    until(lambda: abs(demo.state["macros"]["brightness"]["value"] - 0.65) < 0.03)
    for finger in (1, 2, 3):
        one.up(finger)
    assert muted(demo, "kick")


def test_ten_fingers_at_once(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen(1366, 1024).open(demo.url)
    lanes = list(demo.state["lanes"])[:10]
    for i, lane in enumerate(lanes):
        one.down(i, *one.spot(f".head[data-lane={lane}]"))
    until(lambda: all(muted(demo, lane) for lane in lanes))
    for i in range(10):
        one.up(i)
    assert all(muted(demo, lane) for lane in lanes), "a finger that leaves does nothing"


def test_a_hold_ends_with_the_finger_and_with_a_cancelled_touch(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    one.page.get_by_role("radio", name="only while held").tap()
    ends: tuple[Callable[[], None], ...] = (lambda: one.up(1), one.cancel)
    for end in ends:
        one.down(1, *one.spot(".head[data-lane=bass]"))
        until(lambda: one.look("bass") == "held-out")
        one.page.wait_for_timeout(700)  # longer than the service keeps a hold that is not renewed
        assert muted(demo, "bass")
        end()
        until(lambda: not muted(demo, "bass"))


def test_a_hold_ends_when_the_page_is_hidden_or_gone(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    one.page.get_by_role("radio", name="only while held").tap()
    one.down(1, *one.spot(".head[data-lane=bass]"))
    until(lambda: muted(demo, "bass"))
    one.page.evaluate("window.dispatchEvent(new Event('pagehide'))")
    until(lambda: not muted(demo, "bass"))
    one.up(1)
    one.down(1, *one.spot(".head[data-lane=bass]"))
    until(lambda: muted(demo, "bass"))
    one.page.close()
    until(lambda: not muted(demo, "bass"))


def test_a_fill_ends_with_the_finger_and_a_drop_leaves_a_group(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    fill = one.page.get_by_role("button", name="fill while it is held")
    fill.scroll_into_view_if_needed()
    one.down(1, *one.spot(fill))
    until(lambda: demo.state["lanes"]["rim"]["filling"], what="a fill")
    until(lambda: "fills" in one.page.inner_text(".head[data-lane=rim]"))
    one.up(1)
    until(lambda: not demo.state["lanes"]["rim"]["filling"], what="its end")
    one.page.get_by_role("radio", name="drop: muted for 4 bars").tap()
    group = one.page.get_by_role("button", name="group drums")
    group.tap()
    until(lambda: not demo.state["lanes"]["bass"]["heard"], what="a drop")
    assert demo.state["lanes"]["kick"]["heard"]
    until(lambda: one.look("bass") == "out")
    group.tap()
    until(lambda: demo.state["lanes"]["bass"]["heard"], what="everything back")


def test_a_pace_for_the_whole_set_and_going_on_taken_back(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    pace = one.page.get_by_label("Pace of the whole set")
    pace.select_option("half time")
    until(lambda: demo.state["lanes"]["kick"]["hand"].get("pace") == -1)
    demo.send("PUT", "pace", {"pace": 0})
    pace.blur()
    until(lambda: pace.input_value() == "0", what="the page hears of another's hand")
    one.page.get_by_role("button", name="order: run the sections").tap()
    until(lambda: demo.state["order"]["entry"] == 0, what="the first entry")
    demo.send("PUT", "tempo", {"bpm": 20})
    demo.send("PUT", "transport/position", {"tick": 3840 * 40})  # a bar line: the next is 12 s away
    until(lambda: demo.state["transport"]["bar"] == 41)
    one.page.get_by_role("button", name=re.compile("^go on: the next")).tap()
    until(lambda: demo.state["order"]["tick"] != demo.state["order"]["ends"])
    one.page.get_by_role("button", name=re.compile("^go on: waits")).tap()
    until(lambda: demo.state["order"]["tick"] == demo.state["order"]["ends"])
    assert demo.state["order"]["entry"] == 0


def test_a_waiting_mute_says_when_and_can_be_taken_back(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    one.page.get_by_role("radio", name="in 4 bars").tap()
    one.page.tap(".head[data-lane=hat]")
    until(lambda: one.look("hat") == "wait-out")
    assert re.search(r"muted at bar \d+", one.page.inner_text(".head[data-lane=hat]"))
    assert not muted(demo, "hat")
    one.page.tap(".head[data-lane=hat]")
    until(lambda: one.look("hat") == "in" and demo.state["lanes"]["hat"]["pending"] is None)


def test_all_out_and_back(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url, "rig")
    one.page.get_by_role("button", name="Mute all").tap()
    until(lambda: all(lane["muted"] for lane in demo.state["lanes"].values()))
    one.page.get_by_role("button", name="Bring back").tap()
    until(lambda: not any(lane["muted"] for lane in demo.state["lanes"].values()))


def test_controls_do_not_scroll_zoom_select_or_open_menus(
    screen: MakeScreen, demo: Running
) -> None:
    one = screen().open(demo.url)
    for control in (".head", "[data-macro]", "#rail .k", ".choice .k"):
        style = one.page.evaluate(
            """s => { const c = getComputedStyle(document.querySelector(s));
            return [c.touchAction, c.userSelect] }""",
            control,
        )
        assert style == ["none", "none"], control
        kept = one.page.evaluate(
            """s => document.querySelector(s).dispatchEvent(
            new MouseEvent('contextmenu', {bubbles: true, cancelable: true}))""",
            control,
        )
        assert kept is False, "the menu was not prevented"
    body = one.page.evaluate(
        "(c => [c.overscrollBehaviorY, c.touchAction])(getComputedStyle(document.body))"
    )
    assert body == ["none", "pan-x pan-y"], "pull to refresh and pinch are off"


# --- two pages, lost pages ----------------------------------------------------------------------


def test_two_pages_agree(screen: MakeScreen, demo: Running, until: Until) -> None:
    """That it takes less than half a second is measured over a bad link (`test_lossy`)."""
    one, two = screen().open(demo.url), screen(390, 844).open(demo.url, theme="day")
    one.page.tap(".head[data-lane=clap]")
    until(lambda: two.look("clap") == one.look("clap") == "out")
    two.page.tap(".head[data-lane=clap]")
    until(lambda: two.look("clap") == one.look("clap") == "in")
    free(demo, until, "undertow", 0.77)
    until(lambda: one.macro("undertow") == two.macro("undertow") == 77.0)
    one.page.locator("[data-section=rising]").tap()
    until(lambda: two.page.get_attribute("[data-section=rising]", "aria-pressed") == "true")
    assert demo.state["section"] == "rising"
    demo.send("POST", "sections/flood", {"when": "now"})
    until(lambda: one.page.get_attribute("[data-section=flood]", "aria-pressed") == "true")


def test_the_finger_on_a_macro_owns_it(screen: MakeScreen, demo: Running, until: Until) -> None:
    one = screen().open(demo.url)
    free(demo, until, "flotsam", 0.5)
    until(lambda: one.macro("flotsam") == 50)
    one.page.wait_for_timeout(350)  # until the hand that set it has let go
    x, y = one.spot("[data-macro=flotsam]")
    one.down(1, x, y)
    one.move(1, x + 3, y)
    mine = one.macro("flotsam")
    until(lambda: not try_macro(demo, "flotsam", 0.1), what="no other hand moves it meanwhile")
    two = screen(390, 844).open(demo.url)
    ox, oy = two.spot("[data-macro=flotsam]")
    two.down(1, ox, oy)
    for i in range(5):
        two.move(1, ox + 15 * i, oy)
    two.page.wait_for_timeout(300)
    assert one.macro("flotsam") == pytest.approx(mine, abs=0.2), "it moved under the finger"
    one.up(1)
    two.up(1)
    until(
        lambda: (
            one.macro("flotsam")
            == two.macro("flotsam")
            == round(demo.state["macros"]["flotsam"]["value"] * 100, 1)
        )
    )


def test_a_silent_link_greys_out_and_no_tap_is_played_later(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen()
    silent = False

    held: list[tuple[Callable[[str | bytes], None], str | bytes]] = []

    def between(ws: WebSocketRoute) -> None:
        server = ws.connect_to_server()
        ws.on_message(lambda m: held.append((server.send, m)) if silent else server.send(m))
        server.on_message(lambda m: held.append((ws.send, m)) if silent else ws.send(m))

    one.page.route_web_socket(re.compile(r"/api/live\b"), between)
    one.open(demo.url)
    one.page.evaluate(
        """() => { const link = lanebridge.app.link;
        link.addEventListener('condition', () => {
          if (!link.live) window.quiet ??= performance.now() - link.heard; }) }"""
    )
    silent = True
    one.page.wait_for_selector("body[data-link=lost]")
    assert one.page.evaluate("quiet") < 3000, "grey within three seconds of the last word"
    assert one.page.locator("#veil").is_visible()
    assert one.page.evaluate("document.getElementById('main').inert")
    one.down(1, *one.spot(".head[data-lane=kick]"))
    one.up(1)
    demo.send("PUT", "lanes/rim/mute", {"muted": True})
    silent = False
    for send, message in held:  # a connection that lives on loses nothing (TCP, RFC 9293)
        with contextlib.suppress(Error):  # this one does not
            send(message)
    one.page.wait_for_selector("body[data-link=live]")
    assert one.look("rim") == "out", "the whole state comes before the controls"
    one.page.tap(".head[data-lane=hat]")
    until(lambda: muted(demo, "hat"))  # what came after it has been played, so it never will be
    assert not muted(demo, "kick"), "a tap on a dead page acted on the live rig"


def test_it_asks_again_at_once_after_waking(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """No waiting for the next try: by the time the page has been told, it is connecting again."""
    one = screen()
    live: list[WebSocketRoute] = []

    def between(ws: WebSocketRoute) -> None:
        ws.connect_to_server()
        live.append(ws)

    one.page.route_web_socket(re.compile(r"/api/live\b"), between)
    one.open(demo.url)
    live[-1].close()
    one.page.wait_for_selector("body[data-link=lost]")
    connecting = one.page.evaluate(
        """() => { window.dispatchEvent(new Event('pageshow'));
        const { socket, live } = lanebridge.app.link;
        return live || [WebSocket.CONNECTING, WebSocket.OPEN].includes(socket?.readyState); }"""
    )
    assert connecting
    one.page.wait_for_selector("body[data-link=live]")
    demo.send("PUT", "lanes/rim/mute", {"muted": True})
    until(lambda: one.look("rim") == "out", what="the state comes over the new link")
