"""Python without docstrings (`-OO`) gives the same help, reference and manual."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def output(*words: str) -> str:
    done = subprocess.run(
        [sys.executable, *words], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("-m", "bridge.cli", "--help"),
        ("-m", "bridge.cli", "tune", "--help"),
        ("-m", "bridge.cli", "profile", "--help"),
        ("-m", "bridge.files.reference"),
        ("-c", "from bridge.paper.manual import manual_html; print(manual_html())"),
    ],
    ids=["help", "help of a command", "help of a group", "reference", "manual"],
)
def test_the_words_for_people_do_not_stand_in_docstrings(words: tuple[str, ...]) -> None:
    plain = output(*words)
    assert len(plain) > 100
    assert output("-OO", *words) == plain
