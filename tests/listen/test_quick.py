"""The sound file of a quick listen, read by scipy and measured by its spectrum and its energy."""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray
from scipy.io import wavfile
from support.taped import DEMO, Evening

from bridge.cli import main
from bridge.commands import sounding
from bridge.listen import quick
from bridge.listen.quick import FADE_S, RATE, TAIL_S, Note

FULL = 32768.0
TUNE = """
set: Two tides
tempo: 120
lanes:
  kick: {steps: "x...x...x...x...", out: main.gate-1}
  bass: {steps: "x.......x.......", gate: 4, out: main.gate-5}
  line: {notes: [A3, E4], advance: bass, out: main.pitch-1}
"""


def read(source: Path | io.BytesIO) -> NDArray[np.float64]:
    """Samples from -1 to 1."""
    rate, samples = wavfile.read(source)
    assert rate == RATE
    assert samples.dtype == np.int16
    assert samples.ndim == 1
    found: NDArray[np.float64] = samples / FULL
    return found


def sounded(notes: list[Note], seconds: float) -> NDArray[np.float64]:
    file = io.BytesIO()
    quick.write(file, notes, seconds)
    return read(io.BytesIO(file.getvalue()))


def strongest(samples: NDArray[np.float64], begin_s: float, length_s: float = 0.4) -> float:
    """The frequency with the most energy, in Hz; a bin is 1 / length, refined by padding."""
    part = samples[round(begin_s * RATE) : round((begin_s + length_s) * RATE)]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), RATE * 8))
    return float(np.argmax(spectrum)) / 8


@pytest.mark.parametrize("hertz", [55.0, 220.0, 329.63, 1760.0])
def test_a_pitch_is_what_its_spectrum_says(hertz: float) -> None:
    samples = sounded([Note(3.0, 0, hertz, 0.8, 1.0)], 4.0)
    assert strongest(samples, 3.01) == pytest.approx(hertz, rel=0.003, abs=0.6)


def test_onsets_fall_where_the_hits_are() -> None:
    """The first sample that is louder than a hundredth of the loudest, after silence."""
    times = [2.5, 3.125, 4.0, 4.75]
    for note in (Note(0, 0, None, 1.0), Note(0, 7, None, 0.5), Note(0, 0, 440.0, 0.5, 0.1)):
        samples = np.abs(sounded([note._replace(at_s=at) for at in times], 5.0))
        loud = np.flatnonzero(samples > samples.max() / 100) / RATE
        onsets = [loud[0], *(b for a, b in pairwise(loud) if b - a > 0.1)]
        assert onsets == pytest.approx(times, abs=0.002)


def test_nothing_is_above_the_peak_however_much_sounds_at_once() -> None:
    crowd = [Note(2.5 + 0.01 * n, n % 5, None, 1.0) for n in range(200)]
    crowd += [Note(2.5, 0, 110.0 * n, 1.0, 1.0) for n in range(1, 30)]
    samples = np.abs(sounded(sorted(crowd, key=lambda note: note.at_s), 5.0))
    assert 0.2 < samples.max() <= 10 ** (-12 / 20)


def test_it_begins_quietly_and_rises() -> None:
    notes = [Note(n / 20, n % 3, None, 1.0) for n in range(80)]
    samples = np.abs(sounded(notes, 4.0))
    assert samples[: RATE // 20].max() < 10 ** (-50 / 20)  # the first 50 ms
    halves = [samples[round(at * RATE) :][: RATE // 2].max() for at in (0.0, 0.5, 1.0, 1.5, 3.0)]
    assert halves == sorted(halves)
    assert FADE_S == 2.0


def test_it_has_the_length_of_what_is_played_and_a_tail() -> None:
    for seconds in (0.0, 0.5, 3.0):
        assert len(sounded([], seconds)) == round((seconds + TAIL_S) * RATE)


def test_levels_are_heard() -> None:
    loud, soft = (np.abs(sounded([Note(3.0, 1, None, x)], 4.0)).max() for x in (0.8, 0.2))
    assert 3.0 < loud / soft < 4.2  # four times, a little bent


def test_render_writes_the_notes_of_the_set(tmp_path: Path) -> None:
    """At 120 BPM a bar lasts 2 s: A3 (220 Hz) on its first beat, E4 (329.63 Hz) on its third."""
    (tmp_path / "set.yaml").write_text(TUNE, encoding="utf-8")
    out = tmp_path / "x.wav"
    words = ["render", str(DEMO / "rig.yaml"), str(tmp_path / "set.yaml"), "--bars", "3"]
    done = CliRunner().invoke(main, [*words, "--out", str(out)])
    assert done.exit_code == 0, done.output
    samples = read(out)
    assert len(samples) / RATE == pytest.approx(3 * 2.0 + TAIL_S, abs=0.01)
    assert strongest(samples, 4.1) == pytest.approx(220.0, rel=0.01)
    assert strongest(samples, 5.1) == pytest.approx(329.63, rel=0.01)


def test_a_take_is_heard_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    evening = Evening(tmp_path / "lanebridge")
    evening.do("start")
    evening.run(3000)
    evening.stop()
    evening.recorder.end(evening.now / 1e9)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    out = tmp_path / "x.wav"
    done = CliRunner().invoke(main, ["takes", "export", "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert "simulated voices of Low tide" in done.output
    samples = read(out)
    assert len(samples) / RATE == pytest.approx(3.0 + TAIL_S, abs=0.2)
    assert np.abs(samples[2 * RATE :]).max() > 0.05


def test_what_is_missing_or_too_long_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "x.wav"
    words = ["render", *map(str, (DEMO / "rig.yaml", DEMO / "set.yaml")), "--out", str(out)]
    monkeypatch.setattr(sounding, "MOST_S", 1)
    done = CliRunner().invoke(main, [*words, "--bars", "2"])
    assert (done.exit_code, "too long" in done.output) == (1, True)
    monkeypatch.setattr(sounding, "find_spec", lambda name: None)
    done = CliRunner().invoke(main, [*words, "--bars", "2"])
    assert "pip install 'lanebridge[listen]'" in done.output
    assert done.exit_code == 3
    assert list(tmp_path.iterdir()) == []
