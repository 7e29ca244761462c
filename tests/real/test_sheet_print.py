"""The patch sheet on paper: printed by a real browser on A4 and Letter."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
from support.program import Needs

from bridge.files.rig import load_rig, parse_rig
from bridge.files.set import load_set, parse_set
from bridge.paper.sheet import sheet_html

pytestmark = pytest.mark.real
DEMO = Path(__file__).parent.parent.parent / "bridge/demo"
# Points: ISO 216 A4 is 210 x 297 mm; Letter is 8.5 x 11 in (ANSI/ASME Y14.1). 72 points an inch.
PAPERS = {"A4": (595.3, 841.9), "Letter": (612.0, 792.0)}


@pytest.mark.parametrize("paper", PAPERS)
def test_it_prints(tmp_path: Path, needs: Needs, paper: str) -> None:
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
    count = int(pages[1])
    assert 3 <= count <= 8
    sheets = [
        subprocess.run(
            ["pdftotext", "-layout", "-f", str(n), "-l", str(n), str(pdf), "-"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for n in range(1, count + 1)
    ]
    for number, sheet in enumerate(sheets, 1):
        assert f"{number} of {count}" in sheet
        assert "Quay rack, Low tide, 2026-03-01" in sheet
    # The patch card: every output that is played or cabled, on the first page alone.
    for name, wired in rig.wired.items():
        assert name in sheets[0]
        assert wired.cable.split(",")[0] in sheets[0]
    assert "BPM" not in sheets[0]
    # No interface is split: all of its addresses stand on one page of the full sheet.
    whole = [n for n, sheet in enumerate(sheets[1:]) if all(o in sheet for o in rig.wired)]
    assert len(whole) == 1
    text = subprocess.run(
        ["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True
    ).stdout
    for lane in document.spec.lanes:
        assert lane.name in text
    assert "1 V/oct input" in text


LONG = "the-longest-name-there-can-be-x"  # names have at most 32 letters
CUT = """() => [...document.querySelectorAll("span, td, th, dd, b, small, text")].filter(e => {
  const box = e.getBoundingClientRect(), edge = document.body.getBoundingClientRect()
  return box.right > edge.right + 1 || box.left < edge.left - 1
}).map(e => e.textContent)"""
OVERLAP = """() => [...document.querySelectorAll(".cable")].filter(row => {
  const cells = [...row.children].map(cell => cell.getBoundingClientRect())
  return cells.some((cell, i) => i > 0 && cell.left < cells[i - 1].right - 0.5)
      || [...row.querySelectorAll("span")].some(cell => cell.scrollWidth > cell.clientWidth + 1)
}).map(row => row.textContent)"""


@pytest.mark.parametrize("paper", PAPERS)
def test_a_large_rig_with_long_names_is_not_cut(tmp_path: Path, needs: Needs, paper: str) -> None:
    """Two interfaces, 24 outputs, ten sections: nothing overlaps, leaves the page or is split."""
    needs("chromium", "python:playwright")
    from playwright.sync_api import sync_playwright

    lines = ["rig: A rack whose name needs more room than most of them do", "interfaces:"]
    for name in (LONG, "right"):
        lines += [f"  {name}:", "    profile: eight-gates-four-cv", "    cables:"]
        lines += [
            f"      gate-{i}: voice {i}, the trigger input on its left side, by the red cable"
            for i in range(1, 8)
        ]
    rig = parse_rig("\n".join(lines) + "\n")
    text = "set: S\nlanes:\n" + "".join(
        f"  {LONG[:28]}-{i}: {{steps: x..., out: {LONG}.gate-{i}}}\n" for i in range(1, 9)
    )
    text += "sections:\n" + "".join(f"  {LONG[:28]}-{i}: {{play: all}}\n" for i in range(10))
    source = tmp_path / "sheet.html"
    source.write_text(sheet_html(rig, parse_set(text, "set.yaml", rig), date(2026, 3, 1)))
    width = {"A4": 186, "Letter": 192}[paper]  # mm between the margins
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        page = browser.new_page(viewport={"width": round(width * 96 / 25.4), "height": 1000})
        page.emulate_media(media="print")
        page.goto(source.as_uri())
        cut, overlap = page.evaluate(CUT), page.evaluate(OVERLAP)
        tallest = page.evaluate(
            "Math.max(...[...document.querySelectorAll('svg, tr, .cable, .photo')]"
            ".map(e => e.getBoundingClientRect().height))"
        )
        browser.close()
    assert cut == []
    assert overlap == []
    assert tallest < 252 * 96 / 25.4, "something is taller than a page and would be split"


SMALL_TYPE = """() => [...document.querySelectorAll('body *')].filter(el =>
  [...el.childNodes].some(node => node.nodeType === 3 && node.textContent.trim()))
  .map(el => [el.closest('svg')?.getScreenCTM().a ?? 1, el])
  .map(([scale, el]) => [0.75 * scale * parseFloat(getComputedStyle(el).fontSize), el])
  .filter(([points, el]) => points < (el.closest('.card') ? 11.9 : 9.9) && el.tagName !== 'title')
  .map(([points, el]) => `${points} ${el.textContent}`)"""


def test_no_type_is_smaller_than_ten_points(tmp_path: Path, needs: Needs) -> None:
    """Ten points on the sheet, 14 on the card and 12 for its second lines: our own choice."""
    needs("chromium", "python:playwright")
    from playwright.sync_api import sync_playwright

    rig = load_rig(DEMO / "rig.yaml")
    source = tmp_path / "sheet.html"
    page_text = sheet_html(rig, load_set(DEMO / "set.yaml", rig), date(2026, 3, 1))
    source.write_text(page_text, encoding="utf-8")
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": round(186 * 96 / 25.4), "height": 1000})
        page.emulate_media(media="print")
        page.goto(source.as_uri())
        small = page.evaluate(SMALL_TYPE)
        card = page.evaluate(
            "0.75 * parseFloat(getComputedStyle(document.querySelector('.card b')).fontSize)"
        )
        ticks = page.locator(".card .tick").count()
        browser.close()
    assert small == []
    assert card == pytest.approx(14, abs=0.1)
    assert ticks == len(rig.wired)


def test_the_command_writes_a_pdf(tmp_path: Path, needs: Needs) -> None:
    needs("chromium", "pdftotext")
    out = tmp_path / "sheet.pdf"
    words = ["sheet", str(DEMO / "rig.yaml"), str(DEMO / "set.yaml"), "--out", str(out)]
    subprocess.run([sys.executable, "-m", "bridge.cli", *words], check=True, capture_output=True)
    assert out.read_bytes().startswith(b"%PDF-")  # ISO 32000-1, 7.5.2
    text = subprocess.run(
        ["pdftotext", "-layout", str(out), "-"], capture_output=True, text=True, check=True
    ).stdout
    assert "kick voice, trigger input" in text
    bare = {**os.environ, "PATH": str(tmp_path)}
    refused = subprocess.run(
        [sys.executable, "-m", "bridge.cli", *words],
        capture_output=True,
        text=True,
        check=False,
        env=bare,
    )
    assert refused.returncode == 3
    assert "install the package chromium" in refused.stderr
