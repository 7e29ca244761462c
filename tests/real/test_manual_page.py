"""The manual in a real browser: its policy lets its style through, nothing else is asked for,
axe-core (WCAG 2.2 rules) finds nothing by day and by night, and it prints."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Literal

import pytest
from support.program import Needs

from bridge.files import reference
from bridge.files.blocks import Head
from bridge.web.manual_http import made

pytestmark = pytest.mark.real
AXE = Path(__file__).parents[2] / ".ci/cache/node_modules/axe-core/axe.min.js"


@pytest.fixture
def address() -> Iterator[str]:
    """The manual, served with the headers that the service gives it."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            page, policy = made()
            self.send_response(200 if self.path == "/manual" else 404)
            self.send_header("Content-Type", page.media)
            self.send_header("Content-Security-Policy", policy)
            self.end_headers()
            if self.path == "/manual":
                self.wfile.write(page.plain)

        def log_message(self, *args: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Answer)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/manual"
    server.shutdown()
    thread.join()
    server.server_close()


def test_it_is_readable_and_prints(address: str, needs: Needs, tmp_path: Path) -> None:
    needs("chromium", "pdftotext", "axe", "python:playwright")
    from playwright.sync_api import sync_playwright

    pdf = tmp_path / "manual.pdf"
    asked: list[str] = []
    said: list[str] = []
    papers = set()
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        views: tuple[tuple[Literal["light", "dark"], int], ...] = (
            ("light", 1280),
            ("light", 860),
            ("dark", 390),
        )
        for scheme, width in views:
            view = browser.new_context(
                color_scheme=scheme, viewport={"width": width, "height": 844}
            )
            page = view.new_page()
            page.on("request", lambda request: asked.append(request.url))
            page.on("console", lambda message: said.append(message.text))
            page.goto(address)
            papers.add(page.evaluate("getComputedStyle(document.body).backgroundColor"))
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            if width == 860:
                continue
            # The policy stops scripts, this test's too, unless they come through the debugger.
            page.evaluate(AXE.read_text(encoding="utf-8"))
            # Drawings are all of one make: the first three of each chapter stand for all.
            found = page.evaluate("axe.run({exclude: ['figure ~ figure ~ figure ~ figure']})")
            assert found["passes"], "nothing was checked"
            assert [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]] == []
        page = browser.new_page()
        page.goto(address)
        page.pdf(path=str(pdf), format="A4")
        browser.close()
    assert papers == {"rgb(245, 242, 233)", "rgb(11, 21, 25)"}
    assert set(asked) <= {address, address.replace("/manual", "/favicon.ico")}
    assert [line for line in said if "favicon" not in line and "404" not in line] == []
    text = subprocess.run(
        ["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True
    ).stdout
    for block in reference.document():
        if isinstance(block, Head) and block.level <= 3:
            assert block.text in text
