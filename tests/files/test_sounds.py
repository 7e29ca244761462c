"""The sounds of the last good soundcheck: read as they are written, and refused in words."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from bridge.errors import InputError
from bridge.files.sounds import Known, load_sounds, save_sounds, sounds_path
from bridge.listen.sound import Sound

KNOWN = Known(
    "2026-05-04T21:30:00",
    3.2,
    Sound(-12.5, (-30.0, -1.5, -6.0, -12.0, -20.0, -30.0, -30.0, -30.0, -30.0, -30.0), 61.2, 180.0),
)


def test_what_is_kept_is_read_again(tmp_path: Path) -> None:
    rig = tmp_path / "rig.yaml"
    assert load_sounds(rig) == {}
    save_sounds(rig, {"main.gate-1": KNOWN}, datetime(2026, 5, 4))
    assert load_sounds(rig) == {"main.gate-1": KNOWN}
    save_sounds(rig, {}, datetime(2026, 5, 5))
    assert load_sounds(rig) == {}
    assert len(list((tmp_path / "backups").iterdir())) == 1


@pytest.mark.parametrize(
    ("was", "now", "said"),
    [
        ("bands: [", "bands: [3, ", "bands: must be a list of 10 numbers"),
        ("-30.0, -1.5", "-30.0, 1.5", "bands: must be shares in dB, from -200 to 0"),
        ("decay_ms: 180.0", "decay_ms: 0", "decay_ms: must be from 0.01 to 10000 ms, not 0"),
        ('made: "2026-05-04T21:30:00"', "made: spring", "made: must be a date"),
        ("main.gate-1", "kick", "must be an output, as in main.pitch-1"),
    ],
)
def test_a_file_that_was_edited_is_refused_with_its_place(
    tmp_path: Path, was: str, now: str, said: str
) -> None:
    rig = tmp_path / "rig.yaml"
    save_sounds(rig, {"main.gate-1": KNOWN}, datetime(2026, 5, 4))
    path = sounds_path(rig)
    path.write_text(path.read_text().replace(was, now))
    with pytest.raises(InputError) as error:
        load_sounds(rig)
    assert said in str(error.value)
    assert path.name in str(error.value)
