"""A page of the real program on one screen, with fingers and keys."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, ConsoleMessage, FloatRect, Locator, Page, Worker

AXE = Path(__file__).parents[2] / ".ci/cache/node_modules/axe-core/axe.min.js"
VIEWS = ("play", "set", "rig", "files")
ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
    "--disable-sync",
    "--disable-component-update",
]


# A page that is closed or loaded anew while its socket is still connecting says so by itself.
SOCKET_CUT = re.compile(
    r"WebSocket connection to .* failed: (WebSocket is closed before|Close rec)"
)
WAIT_MS = 60_000  # waits end by progress; the limit is for machines that are busy


class Screen:
    """One page on one screen. Errors of the page are kept in `errors`."""

    def __init__(self, context: BrowserContext) -> None:
        self.context = context
        self.page: Page = context.new_page()
        self.errors: list[str] = []
        self.fingers: dict[int, dict[str, float]] = {}
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        context.set_default_timeout(WAIT_MS)
        self.page.on("console", self._note)
        self.cdp = context.new_cdp_session(self.page)

    def _note(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning") and not SOCKET_CUT.match(message.text):
            self.errors.append(message.text)

    def open(self, url: str, view: str = "play", theme: str = "night") -> Screen:
        """Opens a view and waits until it is live and has something in it."""
        self.page.goto(f"{url}?theme={theme}#{view}")
        self.page.wait_for_selector("body[data-link=live]")
        self.page.wait_for_selector(f"#view-{view}:not([hidden]) :is(button, .head)")
        return self

    def forgive(self, *statuses: int) -> None:
        """A refusal that was asked for: the browser notes it by itself."""
        said = tuple(f"status of {status}" for status in statuses)
        self.errors = [e for e in self.errors if not any(one in e for one in said)]

    # --- fingers ---

    def box(self, where: str | Locator) -> FloatRect:
        """Where an element stands that must be there."""
        box = (self.page.locator(where) if isinstance(where, str) else where).bounding_box()
        assert box is not None, where
        return box

    def spot(self, where: str | Locator, along: float = 0.5) -> tuple[float, float]:
        box = self.box(where)
        return box["x"] + box["width"] * along, box["y"] + box["height"] / 2

    def down(self, finger: int, x: float, y: float) -> None:
        self._touch("touchStart", {**self.fingers, finger: {"x": x, "y": y}})

    def move(self, finger: int, x: float, y: float) -> None:
        self._touch("touchMove", {**self.fingers, finger: {"x": x, "y": y}})

    def up(self, finger: int) -> None:
        """Lifts one finger: `touchEnd` lists the fingers that leave, not those that stay."""
        gone = self.fingers.pop(finger)
        self._send("touchEnd", {finger: gone})

    def swipe(self, start: tuple[float, float], by: tuple[float, float], steps: int = 8) -> None:
        """One finger comes down, moves by `by` in CSS pixels and leaves."""
        x, y = start
        self.down(9, x, y)
        for step in range(1, steps + 1):
            self.move(9, x + by[0] * step / steps, y + by[1] * step / steps)
            self.page.wait_for_timeout(16)
        self.up(9)

    def cancel(self) -> None:
        self.cdp.send("Input.dispatchTouchEvent", {"type": "touchCancel", "touchPoints": []})
        self.fingers = {}

    def _touch(self, kind: str, fingers: dict[int, dict[str, float]]) -> None:
        self.fingers = fingers
        self._send(kind, fingers)

    def _send(self, kind: str, fingers: dict[int, dict[str, float]]) -> None:
        points = [{"id": i, **at} for i, at in fingers.items()]
        self.cdp.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    # --- what it shows ---

    def painter(self) -> Worker:
        """The worker that draws the charts."""
        made = [one for one in self.page.workers if one.url.endswith("/paint-worker.js")]
        return made[0] if made else self.page.wait_for_event("worker")

    def look(self, lane: str) -> str:
        return self.page.get_attribute(f".head[data-lane={lane}]", "data-look") or ""

    def macro(self, name: str) -> float:
        return float(self.page.get_attribute(f"[data-macro={name}]", "aria-valuenow") or "nan")

    def choose(self, name: str) -> None:
        """A lane, a macro or the whole set on the bench of the set view."""
        self.page.locator("#view-set .entry", has_text=re.compile(rf"^{name}")).first.click()
        self.page.wait_for_selector(f"article[aria-label$=' {name.removeprefix('whole ')}']")

    def part(self, view: str, part: str) -> None:
        """A part of the rig or of the files."""
        self.page.locator(f"#view-{view} [data-part={part}]").click()
        self.page.wait_for_selector(f"#view-{view} [data-part={part}][aria-current]")

    def unfold(self, caption: str) -> None:
        """Opens a fold of the editor, unless it is open."""
        fold = self.page.locator("details", has=self.page.locator("summary", has_text=caption))
        if fold.get_attribute("open") is None:
            fold.locator("summary").click()

    def field(self, label: str) -> Any:
        return self.page.locator("main > :not([hidden])").get_by_label(label, exact=True)

    def wrong(self, label: str) -> str:
        """What is said below a field, or ''."""
        input_ = self.field(label)
        note = input_.get_attribute("aria-describedby")
        if input_.get_attribute("aria-invalid") != "true" or not note:
            return ""
        return self.page.inner_text(f"#{note}")

    def axe(self) -> list[Any]:
        """What the rules of axe-core find, once nothing moves any more."""
        self.page.evaluate("Promise.allSettled(document.getAnimations().map(a => a.finished))")
        if not self.page.evaluate("'axe' in window"):
            self.page.evaluate(AXE.read_text(encoding="utf-8"))
        found = self.page.evaluate("axe.run(document)")
        assert found["passes"], "nothing was checked"
        return [(v["id"], [n["html"][:140] for n in v["nodes"]]) for v in found["violations"]]
