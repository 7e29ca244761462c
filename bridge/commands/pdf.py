"""A page on paper: HTML printed into a PDF by whichever browser is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

from bridge.errors import MachineError
from bridge.files.read import read_bytes

BROWSERS = ("chromium", "chromium-browser")
PRINT_S = 120.0
MOST_BYTES = 64 << 20


def pdf_of(page: str) -> bytes:
    """Print a page that stands alone.

    Args:
        page: the HTML text.

    Returns:
        The PDF.

    Raises:
        MachineError: there is no browser that can, or it did not.
    """
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        raise MachineError(
            "a PDF is printed by the browser Chromium, which is not installed: install the package "
            "chromium, or write an .html file and print it from any browser"
        )
    with TemporaryDirectory(prefix="lanebridge-") as folder:
        source, made = Path(folder, "page.html"), Path(folder, "page.pdf")
        source.write_text(page, encoding="utf-8")
        words = [
            browser,
            "--headless",
            "--disable-gpu",
            "--disable-background-networking",
            "--no-first-run",
            f"--user-data-dir={folder}/profile",
            "--no-pdf-header-footer",
            f"--print-to-pdf={made}",
            source.as_uri(),
        ]
        if os.geteuid() == 0:  # its sandbox refuses to run for root; the page is our own
            words.insert(1, "--no-sandbox")
        try:
            done = subprocess.run(
                words, capture_output=True, text=True, timeout=PRINT_S, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise MachineError(f"{browser} did not print the page: {error}") from error
        if done.returncode != 0 or not made.is_file():
            last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
            raise MachineError(f"{browser} did not print the page: {last}")
        return read_bytes(made, MOST_BYTES)
