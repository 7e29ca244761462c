"""A command that plays becomes the supervisor."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from support.patience import PATIENCE_S

from bridge.supervisor import replacing
from bridge.supervisor.loading import Options
from bridge.supervisor.voice import LEVELS


@given(
    rig=st.binary(min_size=1, max_size=12).filter(lambda raw: 0 not in raw),
    port=st.integers(0, 65535),
    flags=st.tuples(*[st.booleans()] * 4),
    least=st.sampled_from(LEVELS),
)
def test_what_is_asked_for_arrives(
    rig: bytes, port: int, flags: tuple[bool, ...], least: str
) -> None:
    """File names are bytes that need not be text (POSIX); they arrive all the same."""
    lan, start, fresh, as_json = flags
    options = Options(
        rig=Path(os.fsdecode(rig)),
        set=Path("a folder") / "set.yaml",
        http_port=port,
        osc_port=port,
        lan=lan,
        start=start,
        fresh=fresh,
        log_json=as_json,
        least=least,  # type: ignore[arg-type]
    )
    words = replacing.in_words(options)
    os.fsencode(words)  # or it could be no argument
    assert replacing.from_words(words) == options


def test_its_exit_code_and_its_words_are_those_of_the_supervisor(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "bridge.cli", "play", "no.yaml", "none.yaml"],
        cwd=tmp_path,
        env={
            **os.environ,
            "XDG_STATE_HOME": str(tmp_path),
            "PYTHONPATH": os.pathsep.join(sys.path),
        },
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 1
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert line.startswith("no.yaml")
