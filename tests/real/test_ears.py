"""Tuning by ear from end to end: MIDI over a JACK server to a rack that is not ours, its sound back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support.jack_tune import BENT, BLEED, LEVEL, NOISE, rack, tuned, tuning
from support.patience import PATIENCE_S
from support.program import Needs, Record

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]


@pytest.mark.parametrize(
    ("wave", "around", "cents"),
    [("saw", {"hum": 0.003, "hiss": NOISE, "bleed": BLEED}, 2.0), ("sine", {"hiss": NOISE}, 1.0)],
    ids=["saw with bleed, hum and noise", "sine"],
)
def test_a_bent_voice_is_tuned(
    tmp_path: Path,
    needs: Needs,
    record_property: Record,
    wave: str,
    around: dict[str, Any],
    cents: float,
) -> None:
    needs("jackd", "python:jack", "python:sounddevice")
    voice = {"wave": wave, "level": LEVEL, **BENT}
    told = {"pitched": {"16": voice}, **around}
    with rack(tmp_path, told) as (env, _):
        run = tuning(tmp_path, env)
        said = run.communicate(timeout=PATIENCE_S)[0]
    assert run.returncode == 0, said
    assert "other notes are off by" in said
    off = tuned(tmp_path)
    record_property("worst_cents", round(max(map(abs, off.values())), 3))
    assert max(map(abs, off.values())) <= cents, off
    assert "checked: heard with the tuning" in (tmp_path / "residual.svg").read_text()


def test_what_was_heard_is_kept_and_not_applied_when_the_voice_is_pulled_out(
    tmp_path: Path, needs: Needs
) -> None:
    needs("jackd", "python:jack", "python:sounddevice")
    voice = {"level": LEVEL, **BENT}
    with rack(tmp_path, {"pitched": {"16": voice}, "hiss": NOISE}) as (env, process):
        run = tuning(tmp_path, env)
        assert run.stdout is not None
        before = []
        for line in run.stdout:
            before.append(line)
            if line.startswith("    C"):  # the first reading
                break
        assert process.stdin is not None
        process.stdin.write('{"pull": true}\n')
        process.stdin.flush()
        said = "".join(before) + run.communicate(timeout=PATIENCE_S)[0]
    assert run.returncode == 1, said
    assert "brings digital silence, not even noise: is it muted or pulled out" in said
    assert "main.pitch-1: nothing was changed" in said
    assert not (tmp_path / "rig.tuning.yaml").exists()
    text = (tmp_path / "rig.main.pitch-1.readings.txt").read_text()
    assert "broken off, not applied" in text
    assert text.count(" Hz\n") >= 1
