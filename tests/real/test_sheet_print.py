"""The patch sheet on paper: printed by a real browser on A4 and Letter."""

from __future__ import annotations

import re
import subprocess
from datetime import date
from pathlib import Path

import pytest

from bridge.files.rig import load_rig
from bridge.files.set import load_set
from bridge.paper.sheet import sheet_html

pytestmark = pytest.mark.real
DEMO = Path(__file__).parent.parent.parent / "bridge/demo"
# Points: ISO 216 A4 is 210 x 297 mm; Letter is 8.5 x 11 in (ANSI/ASME Y14.1). 72 points an inch.
PAPERS = {"A4": (595.3, 841.9), "Letter": (612.0, 792.0)}


@pytest.mark.parametrize("paper", PAPERS)
def test_it_prints(tmp_path: Path, needs, paper: str) -> None:
    needs("chromium", "pdfinfo", "pdftotext", "python:playwright")
    from playwright.sync_api import sync_playwright

    rig = load_rig(DEMO / "rig.yaml")
    document = load_set(DEMO / "set.yaml", rig)
    source = tmp_path / "sheet.html"
    source.write_text(sheet_html(rig, document, date(2026, 3, 1)), encoding="utf-8")
    pdf = tmp_path / "sheet.pdf"
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        page = browser.new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(source.as_uri())
        page.pdf(path=str(pdf), format=paper)
        wide = page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        browser.close()
    assert asked == [source.as_uri()], "the sheet asked for something else"
    assert wide
    about = subprocess.run(["pdfinfo", str(pdf)], capture_output=True, text=True, check=True).stdout
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", about)
    assert size is not None
    assert (float(size[1]), float(size[2])) == pytest.approx(PAPERS[paper], abs=1.0)
    pages = re.search(r"Pages:\s+(\d+)", about)
    assert pages is not None
    assert 2 <= int(pages[1]) <= 6
    text = subprocess.run(
        ["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True
    ).stdout
    for lane in document.spec.lanes:
        assert lane.name in text
    assert "1 V/oct input" in text
