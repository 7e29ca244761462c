"""Takes the manual's pictures of the page: ``python tests/support/page_pictures.py``, in the
environment of the tests, after a change of what they show (a test says so).

Kept beside each picture is what stands in it: the texts of its controls, without numbers. That is
compared with the page as it is; pixels are not, since fonts differ between machines.
"""

from __future__ import annotations

import io
import json
import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.program import Running, running, wait_until
from support.screen import ARGS, Screen

from bridge.paper.page_pictures import ENDING, FOLDER

SHOWN = Path(__file__).parents[1] / "reference" / "page_pictures.json"
TEXTS = """el => [...el.querySelectorAll('button:not(.head, .sign), summary, label, .name, .cap, .lab > span, h2, h3')]
  .filter((one) => one.checkVisibility()).map((one) => one.innerText)"""


@dataclass(frozen=True)
class Shot:
    """One picture: the view, the element that is taken, the size of the screen, and what is done
    on the page before."""

    view: str
    element: str
    size: tuple[int, int]
    before: Callable[[Screen, Running], None] = lambda screen, demo: None


def _heads(one: Screen, demo: Running) -> None:
    demo.send("PUT", "tempo", {"bpm": 20})  # a bar of 12 s: what waits goes on waiting
    demo.send("PUT", "lanes/rim/mute", {"muted": True})
    demo.send("PUT", "lanes/shaker/mute", {"muted": True, "when": "bar"})
    wait_until(lambda: one.look("rim") == "out" and one.look("shaker").startswith("wait"))


def _steps(one: Screen, demo: Running) -> None:
    one.choose("shaker")


def _logic(one: Screen, demo: Running) -> None:
    one.choose("spray")
    one.unfold("Functions, with an example each")


SHOTS = {
    "page-play": Shot("play", "body", (1000, 680)),
    "page-steps": Shot("set", "article .source", (720, 900), _steps),
    "page-logic": Shot("set", "article .source", (720, 1300), _logic),
    "page-outputs": Shot("rig", "article", (820, 640)),
    "page-heads": Shot("play", ".bank", (390, 844), _heads),
}


def show(shot: Shot, one: Screen, demo: Running) -> Any:
    """Brings the page to what the picture shows; the element that is taken."""
    one.context.add_init_script("localStorage.setItem('lanebridge.met', 'yes')")
    one.open(demo.url, shot.view, "day")
    shot.before(one, demo)
    element = one.page.locator(
        f"#view-{shot.view} {shot.element}" if shot.element != "body" else "body"
    )
    element.first.wait_for()
    if shot.view == "rig":
        one.page.wait_for_selector("#view-rig .jack")
    return element.first


def shown(element: Any) -> list[str]:
    """What stands in the picture: texts of its controls, without numbers and what lanes do just then."""
    texts = [
        re.sub(r"[\d.:%+−-]+", "", " ".join(text.split())).strip()
        for text in element.evaluate(TEXTS)
    ]
    return sorted({text for text in texts if text})


def main() -> None:
    from PIL import Image
    from playwright.sync_api import sync_playwright

    FOLDER.mkdir(exist_ok=True)
    found = {}
    with (
        tempfile.TemporaryDirectory() as state,
        running(Path(state), "demo") as demo,
        sync_playwright() as play,
    ):
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=ARGS)
        for name, shot in SHOTS.items():
            width, height = shot.size
            context = browser.new_context(
                viewport={"width": width, "height": height}, has_touch=True
            )
            one = Screen(context)
            element = show(shot, one, demo)
            found[name] = shown(element)
            if shot.before is not _heads:  # what waits there does not wait for long
                one.page.wait_for_timeout(2500)  # until the chart has some past
            box = one.box(element)
            floor = height if name == "page-play" else one.box("#rail")["y"]
            clip = box.copy()
            clip["height"] = min(box["height"], floor - box["y"])
            image = Image.open(io.BytesIO(one.page.screenshot(clip=clip))).convert("RGB")
            if name == "page-heads":
                image = image.crop((0, 0, image.width, min(image.height, 226)))
            image.save(FOLDER / f"{name}{ENDING}", lossless=True, quality=100, method=6)
            context.close()
        browser.close()
    SHOWN.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
