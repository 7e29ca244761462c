"""Who draws the playing view: a worker, so that the page's own thread is left to fingers, or the page
itself where a browser cannot, and what is seen is the same."""

from __future__ import annotations

import re
import time
from typing import Any

import pytest
from support.program import MakeScreen, Running, Until
from support.screen import Screen

pytestmark = pytest.mark.real

# As browsers without canvases for workers have it.
OWN = "delete HTMLCanvasElement.prototype.transferControlToOffscreen"
PIXELS = """window.pixels = (where) => {
  const canvas = document.querySelector(where), { width, height } = canvas;
  const copy = document.createElement('canvas');
  Object.assign(copy, { width, height });
  const g = copy.getContext('2d', { willReadFrequently: true });
  g.drawImage(canvas, 0, 0);
  return g.getImageData(0, 0, width, height);
};
// The same for the same picture.
window.picture = (where) => pixels(where).data.reduce((sum, byte, i) => (sum * 31 + byte + i) % 1e9, 7);"""
CHART = ".sheet canvas"


def stand(demo: Running, until: Until) -> None:
    """The music stands, for everyone who looks at the same place."""
    demo.send("POST", "transport/stop")
    until(lambda: demo.state["transport"]["state"] == "stopped")


def shows_ink(one: Screen) -> bool:
    return bool(
        one.page.evaluate(
            "where => { const { data } = pixels(where); let n = 0;"
            " for (let i = 3; i < data.length; i += 4) n += data[i] === 255; return n > 500; }",
            CHART,
        )
    )


def unlike(one: list[int], other: list[int]) -> int:
    """How many of the bytes of two pictures are far from each other."""
    return sum(abs(a - b) > 40 for a, b in zip(one, other, strict=False))


def alike(one: Screen, other: Screen) -> bool:
    """Letters may be smoothed in another way; a picture that is one pixel off differs far more."""
    mine, its = (each.page.evaluate(f"[...pixels('{CHART}').data]") for each in (one, other))
    row = 4 * one.page.evaluate(f"document.querySelector('{CHART}').width")
    return len(mine) == len(its) and unlike(mine, its) < unlike(its, its[row:]) / 4


def moves(one: Screen) -> bool:
    """Whether the chart is another one a moment later."""
    before = one.page.evaluate("picture('.sheet canvas')")
    one.page.wait_for_timeout(100)
    return bool(one.page.evaluate("picture('.sheet canvas')") != before)


def hide(one: Screen, hidden: bool) -> None:
    """What a page is told when it goes behind another tab, or comes back."""
    one.page.evaluate(
        "hidden => { Object.defineProperty(document, 'hidden', {get: () => hidden, configurable: true});"
        " document.dispatchEvent(new Event('visibilitychange')); }",
        hidden,
    )


@pytest.fixture(params=["worker", "page"])
def drawn_by(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def opened(screen: MakeScreen, demo: Running, by: str, *size: int, **options: Any) -> Screen:
    one = screen(*size, **options)
    one.context.add_init_script(PIXELS)
    if by == "page":
        one.context.add_init_script(OWN)
    return one.open(demo.url)


ANSWERS = """() => { window.answers = 0;
  lanebridge.app.play.banks.drawing.worker.addEventListener('message', () => { window.answers++; }); }"""
BUSY = "ms => { const end = performance.now() + ms; while (performance.now() < end); }"


def answers(one: Screen, until: Until, count: int) -> None:
    """Waits until the worker has answered so often from now on."""
    one.page.evaluate(ANSWERS)
    until(lambda: one.page.evaluate("answers") >= count, what="answers of the worker")


# --- who draws ----------------------------------------------------------------------------------


def test_a_worker_draws_and_the_pages_own_thread_rests(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """No frame of the page's thread is asked for, and the beat in the header goes on all the same."""
    one = screen()
    one.context.add_init_script(PIXELS)
    one.context.add_init_script(
        "window.asked = 0; const ask = requestAnimationFrame;"
        "window.requestAnimationFrame = f => { window.asked++; return ask(f); };"
    )
    one.open(demo.url)
    until(lambda: shows_ink(one) and moves(one))
    assert len(one.page.workers) == 1
    seen = one.page.evaluate(
        """async () => { const { pen } = lanebridge.app, before = window.asked, rows = [];
        const shown = () => Number(document.querySelectorAll('#place b')[1].textContent);
        const beat = (late) => Math.floor(pen.at(performance.now() - late) / 960) % 4 + 1;
        for (let i = 0; i < 60; i++) {
          await new Promise(done => setTimeout(done, 50));
          rows.push([shown(), beat(0), beat(60)]);
        }
        return { asked: window.asked - before, rows }; }"""
    )
    assert seen["asked"] == 0
    wrong = [row for row in seen["rows"] if row[0] not in row[1:]]
    assert len(wrong) <= 2, wrong  # a timer may come late on a busy machine
    assert len({row[0] for row in seen["rows"]}) == 4, "every beat of the bar was shown"


def test_a_browser_without_such_canvases_draws_by_itself(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = opened(screen, demo, "page")
    until(lambda: shows_ink(one) and moves(one))
    assert one.page.workers == []


@pytest.mark.parametrize(("size", "scroll"), [((1024, 768), 0), ((360, 640), 150)])
def test_the_picture_is_the_same_either_way(
    screen: MakeScreen, demo: Running, until: Until, size: tuple[int, int], scroll: int
) -> None:
    """Scrolled too, where the heads have no room."""
    stand(demo, until)
    two = [opened(screen, demo, by, *size) for by in ("worker", "page")]
    for one in two:
        until(lambda one=one: shows_ink(one))
        until(lambda one=one: not moves(one), what="the picture stands")
        before = one.page.evaluate("picture('.sheet canvas')")
        if scroll:
            one.page.evaluate("top => { document.querySelector('.bank').scrollTop = top; }", scroll)
            until(lambda one=one, was=before: one.page.evaluate("picture('.sheet canvas')") != was)
            assert one.page.evaluate("document.querySelector('.bank').scrollTop") == scroll
    until(lambda: alike(*two), what="the pictures are the same")


def test_a_worker_that_does_not_load_is_done_without(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen()
    one.context.add_init_script(PIXELS)
    one.page.route("**/js/paint-worker.js", lambda route: route.fulfill(status=404))
    one.open(demo.url)
    until(lambda: shows_ink(one) and moves(one))
    assert len(one.errors) == 1
    assert "drawn on the page's own thread" in one.errors.pop()
    demo.send("PUT", "lanes/kick/mute", {"muted": True})
    until(lambda: one.look("kick") == "out")


def test_the_page_goes_on_where_its_worker_fails(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """Theme, mutes and lamps included: it is told everything anew."""
    one = opened(screen, demo, "worker")
    until(lambda: shows_ink(one) and moves(one))
    demo.send("PUT", "lanes/rim/mute", {"muted": True})
    one.painter().evaluate(
        "() => { OffscreenCanvasRenderingContext2D.prototype.clearRect = () => { throw new Error('ink spilt'); }; }"
    )
    until(lambda: one.page.evaluate("lanebridge.app.play.drawsHere"))
    assert one.page.workers == []
    until(lambda: shows_ink(one) and moves(one))
    until(lambda: lit(one)[0] > 0, what="a lamp")
    until(lambda: any("ink spilt" in error for error in one.errors))
    one.errors.clear()
    assert one.look("rim") == "out"
    stand(demo, until)
    until(lambda: not moves(one))
    whole = opened(screen, demo, "page")
    until(lambda: shows_ink(whole) and not moves(whole))
    # Behind the pen each has what it has seen; what comes is the same for both.
    ahead = """() => { const { data, width, height } = pixels('.sheet canvas'), from = Math.ceil(width * 0.32);
      const out = []; for (let y = 0; y < height; y++) for (let x = from; x < width; x++) out.push(data[4 * (y * width + x) + 3]);
      return out; }"""
    first, second = one.page.evaluate(ahead), whole.page.evaluate(ahead)
    assert len(first) == len(second)
    assert sum(abs(a - b) > 40 for a, b in zip(first, second, strict=True)) < len(first) / 500


@pytest.mark.parametrize("way", ["endless", "slow"])
def test_the_page_goes_on_where_its_worker_hangs(
    screen: MakeScreen, demo: Running, until: Until, way: str
) -> None:
    """Nothing is thrown, and nothing is drawn. Whoever plays by keys keeps the focus."""
    one = opened(screen, demo, "worker")
    until(lambda: shows_ink(one) and moves(one))
    answers(one, until, 1)
    one.page.focus(".head[data-lane=bell]")
    one.painter().evaluate(
        "endless => { const work = () => { const end = performance.now() + 7000;"
        " while (endless || performance.now() < end); setTimeout(work); }; setTimeout(work); }",
        way == "endless",
    )
    begin = time.monotonic()
    until(lambda: one.page.evaluate("lanebridge.app.play.drawsHere"))
    assert time.monotonic() - begin < 10, "a few seconds, and some for a busy machine"
    until(lambda: shows_ink(one) and moves(one))
    until(lambda: lit(one)[0] > 0, what="a lamp")
    until(lambda: one.page.evaluate("1") and one.page.workers == [], what="its end")
    assert one.page.evaluate("document.activeElement.dataset.lane") == "bell"
    assert len(one.errors) == 1
    assert "It does not answer" in one.errors.pop()


def test_it_draws_again_where_its_worker_failed_behind_another_view(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = opened(screen, demo, "worker")
    until(lambda: shows_ink(one) and moves(one))
    one.page.evaluate("location.hash = 'files'")
    one.page.wait_for_selector("#view-files:not([hidden]) button")
    one.painter().evaluate("() => { setTimeout(() => { throw new Error('ink spilt'); }); }")
    until(lambda: one.page.evaluate("lanebridge.app.play.drawsHere"))
    one.page.evaluate("location.hash = 'play'")
    until(lambda: shows_ink(one) and moves(one))
    assert any("ink spilt" in error for error in one.errors)
    assert all(re.search("ink spilt|own thread", error) for error in one.errors)
    one.errors.clear()


def test_a_page_whose_own_thread_was_busy_does_not_blame_its_worker(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """Once for longer than the worker has to answer, and again and again for most of the time."""
    one = opened(screen, demo, "worker")
    until(lambda: shows_ink(one) and moves(one))
    one.page.evaluate(BUSY, 9000)
    answers(one, until, 2)
    for _ in range(6):
        one.page.evaluate(BUSY, 1500)
    answers(one, until, 2)
    assert not one.page.evaluate("lanebridge.app.play.drawsHere")
    until(lambda: moves(one))


def test_a_worker_that_stood_while_nobody_looked_is_kept(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """As browsers stop what is hidden, and computers that sleep."""
    one = opened(screen, demo, "worker")
    until(lambda: shows_ink(one) and moves(one))
    answers(one, until, 1)
    hide(one, True)
    one.painter().evaluate(BUSY, 9000)
    hide(one, False)
    answers(one, until, 2)
    assert not one.page.evaluate("lanebridge.app.play.drawsHere")
    until(lambda: moves(one))


# --- when it draws ------------------------------------------------------------------------------


def test_a_page_that_nobody_sees_draws_nothing(
    screen: MakeScreen, demo: Running, until: Until, drawn_by: str
) -> None:
    """In a hidden tab, and on another view."""
    one = opened(screen, demo, drawn_by)
    until(lambda: shows_ink(one) and moves(one))
    hide(one, True)
    until(lambda: not moves(one), what="nothing is drawn")
    hide(one, False)
    until(lambda: moves(one), what="it goes on")
    one.page.evaluate("location.hash = 'files'")
    one.page.wait_for_selector("#view-files:not([hidden]) button")
    until(lambda: not moves(one), what="nothing is drawn")
    one.page.evaluate("location.hash = 'play'")
    until(lambda: moves(one), what="it goes on")


@pytest.mark.parametrize("ratio", [1, 2])
def test_it_is_as_sharp_and_as_large_as_the_screen(
    screen: MakeScreen, demo: Running, until: Until, drawn_by: str, ratio: int
) -> None:
    """The page at 200 % is a screen of half the size with twice the pixels."""
    one = opened(screen, demo, drawn_by, 1024, 768, device_scale_factor=ratio)
    for width, height in ((1024, 768), (512, 384), (768, 1024)):
        one.page.set_viewport_size({"width": width, "height": height})
        until(
            lambda: one.page.evaluate(
                """ratio => { const canvas = document.querySelector('.sheet canvas'), box = canvas.getBoundingClientRect();
                return Math.abs(canvas.width - box.width * ratio) < 2 && Math.abs(canvas.height - box.height * ratio) < 2; }""",
                ratio,
            ),
            what=f"a canvas for {width} by {height}",
        )
        until(lambda: shows_ink(one) and moves(one))


def test_a_theme_is_drawn_at_once(
    screen: MakeScreen, demo: Running, until: Until, drawn_by: str
) -> None:
    """Standing too. The pen line is in the accent of each theme (see base.css)."""
    stand(demo, until)
    one = opened(screen, demo, drawn_by)
    for theme, accent in (("night", (0x43, 0xD6, 0xB5)), ("day", (0x0B, 0x6E, 0x63))):
        until(
            lambda theme=theme: one.page.evaluate("document.documentElement.dataset.theme") == theme
        )
        until(
            lambda accent=accent: one.page.evaluate(
                """([r, g, b]) => { const { data } = pixels('.sheet canvas'); let n = 0;
                for (let i = 0; i < data.length; i += 4) n += data[i] === r && data[i + 1] === g && data[i + 2] === b;
                return n > 50; }""",
                list(accent),
            ),
            what=f"the accent of the {theme}",
        )
        one.page.get_by_role("button", name="Day or night").tap()


# --- lamps --------------------------------------------------------------------------------------


def lit(one: Screen) -> list[int]:
    """For how many pixels of the lamps there is light now, and for how many of them outside the
    places that the heads keep for it."""
    return list(
        one.page.evaluate(
            """() => {
            const canvas = document.querySelector('canvas.lamps'), at = canvas.getBoundingClientRect();
            const { data, width } = pixels('canvas.lamps'), ratio = width / at.width;
            const boxes = [...document.querySelectorAll('.bank:first-child .head > i')].map(el => el.getBoundingClientRect());
            let light = 0, astray = 0;
            for (let i = 3; i < data.length; i += 4) {
              if (!data[i]) continue;
              const px = (i - 3) / 4, x = at.left + (px % width + 0.5) / ratio, y = at.top + (Math.floor(px / width) + 0.5) / ratio;
              light++;
              if (!boxes.some(b => x > b.left - 1 && x < b.right + 1 && y > b.top - 1 && y < b.bottom + 1)) astray++;
            }
            return [light, astray]; }"""
        )
    )


def test_a_hit_lights_the_lamp_of_its_head(
    screen: MakeScreen, demo: Running, until: Until, drawn_by: str
) -> None:
    """In its place on the head, also where the head's border has grown, and dark once nothing sounds."""
    one = opened(screen, demo, drawn_by)
    until(lambda: lit(one)[0] > 100)
    one.page.get_by_role("radio", name="only while held").tap()
    one.down(1, *one.spot(".head[data-lane=rim]"))
    until(lambda: one.look("rim") == "held-out")
    for _ in range(20):
        one.page.wait_for_timeout(40)
        assert lit(one)[1] == 0, "light beside the lamps"
    one.up(1)
    stand(demo, until)
    until(lambda: lit(one)[0] == 0, what="dark")


def test_what_was_muted_when_it_passed_is_known_though_another_thread_drew_it(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """The editing view draws the same hits later, on the page's own thread."""
    one = opened(screen, demo, "worker")
    tick = "lanebridge.app.pen.at(performance.now())"
    demo.send("PUT", "lanes/kick/mute", {"muted": True})
    until(lambda: one.look("kick") == "out")
    begin = one.page.evaluate(tick)
    until(lambda: one.page.evaluate(tick) > begin + 2 * 3840)
    end = one.page.evaluate(tick)
    demo.send("PUT", "lanes/kick/mute", {"muted": False})
    until(lambda: one.look("kick") == "in")
    until(lambda: one.page.evaluate(tick) > end + 2 * 3840)
    silent, sounding = one.page.evaluate(
        """([begin, end, now]) => { const { hits } = lanebridge.app.ink.traces.get('kick');
        const of = (from, to) => hits.filter(m => m.t > from && m.t < to).map(m => m.o);
        return [of(begin, end - 480), of(end + 480, now - 960)]; }""",
        [begin, end, one.page.evaluate(tick)],
    )
    assert len(silent) >= 4
    assert set(silent) == {True}
    assert len(sounding) >= 2
    assert set(sounding) == {False}
