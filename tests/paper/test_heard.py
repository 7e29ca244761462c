"""The picture of a tuning that was heard."""

from __future__ import annotations

import re
from pathlib import Path

from bridge.paper.heard import CHECKED, HERTZ, heard_tuning


def test_it_shows_every_reading_and_every_checked_note() -> None:
    made = heard_tuning()
    assert made.count("<circle") == len(HERTZ) + len(CHECKED)
    before = [float(cents) for cents in re.findall(r": ([+-][\d.]+) cents</title>", made)]
    # Worked out by hand: F#4, note 66, is 369.994 Hz (equal temperament, A4 = 440 Hz, ISO 16);
    # 382.0221 Hz are 1200 log2(382.0221 / 369.994) = 55.4 cents above. The output's own step there
    # (0.59 cents) is counted as asked for.
    assert abs(before[list(HERTZ).index(66)] - 55.4) < 0.3
    assert "worst 82.8 cents" in made
    assert "worst 0.30 cents" in made


def test_the_picture_of_the_readme_is_the_same() -> None:
    """Made by ``python -m bridge.paper.heard > bridge/files/tuning-heard.svg``."""
    kept = Path(__file__).parents[2] / "bridge" / "files" / "tuning-heard.svg"
    assert kept.read_text(encoding="utf-8") == heard_tuning() + "\n"
    readme = kept.parents[2] / "README.md"
    assert "(bridge/files/tuning-heard.svg)" in readme.read_text(encoding="utf-8")
