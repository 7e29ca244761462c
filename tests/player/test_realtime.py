"""What the system is asked for: given or refused, playing goes on. Looked at in processes of their
own, since it cannot be taken back."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from bridge.player import realtime


def run(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_priority_is_given_or_refused_in_words() -> None:
    out = run(
        "import os\nfrom bridge.player.realtime import *\n"
        "said = schedule_first(7)\n"
        "fifo = os.sched_getscheduler(0) == os.SCHED_FIFO\n"
        "print(said, fifo, os.sched_getparam(0).sched_priority)"
    )
    assert out == "True 7" or out.startswith("real-time priority refused")


def test_a_refusal_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr("os.sched_setscheduler", refuse)
    said = realtime.schedule_first()
    assert "refused" in said
    assert "\n" not in said


def test_memory_is_locked_or_refused_in_words() -> None:
    said = run("from bridge.player.realtime import *; print(lock_memory())")
    assert said == "" or said.startswith("memory lock refused")


@pytest.mark.skipif(sys.platform != "linux", reason="proc(5)")
def test_what_is_shared_stays_shared_where_memory_is_locked() -> None:
    """Of 32 MB that a process shares with the one that forked it, locking copies none; and what it
    writes afterwards is locked too (proc(5): smaps_rollup, status)."""
    out = run(
        "import os\nfrom bridge.player.realtime import *\n"
        "def kb(name, file='smaps_rollup'):\n"
        "    rows = open(f'/proc/self/{file}').read().splitlines()\n"
        "    return next(int(row.split()[1]) for row in rows if row.startswith(name + ':'))\n"
        "held = bytearray(os.urandom(1 << 16)) * 512\n"
        "if os.fork():\n"
        "    os.wait()\n"
        "else:\n"
        "    before = kb('Private_Dirty')\n"
        "    said = lock_memory()\n"
        "    own = kb('Private_Dirty') - before\n"
        "    more = bytearray(os.urandom(1 << 23))\n"
        "    print(said or (own < 8192, kb('VmLck', 'status') > 32768, kb('Locked') > 24576))\n"
    )
    assert out == "(True, True, True)" or out.startswith("memory lock refused")


def test_memory_is_read_in_where_it_is_not_resident() -> None:
    """A file that is mapped and not read yet is resident afterwards (mincore(2) by proc(5))."""
    out = run(
        "import mmap, os, sys, tempfile\nfrom bridge.player.realtime import *\n"
        "file = tempfile.TemporaryFile(); file.truncate(1 << 24)\n"
        "held = mmap.mmap(file.fileno(), 1 << 24, mmap.MAP_PRIVATE, mmap.PROT_READ)\n"
        "def resident():\n"
        "    rows = open('/proc/self/smaps_rollup').read().splitlines()\n"
        "    return next(int(row.split()[1]) for row in rows if row.startswith('Rss:'))\n"
        "before = resident(); said = lock_memory()\n"
        "print(said or resident() - before >= 1 << 14)"
    )
    assert out == "True" or out.startswith("memory lock refused")


def test_nothing_is_collected_afterwards() -> None:
    out = run(
        "import gc, sys\nfrom bridge.player.realtime import *\nsettle_interpreter()\n"
        "print(gc.isenabled(), gc.get_freeze_count() > 1000, sys.getswitchinterval())"
    )
    assert out == "False True 0.0005"


@pytest.mark.real
def test_a_child_ends_with_its_parent(tmp_path: Path) -> None:
    """The grandchild leaves a word when it gets SIGTERM, which comes when its parent has gone."""
    word = tmp_path / "word"
    child = (
        "import pathlib, signal, sys\n"
        "from bridge.player.realtime import die_with_parent\n"
        "def told(*_):\n"
        f"    pathlib.Path({str(word)!r}).write_text('told')\n"
        "    sys.exit()\n"
        "signal.signal(signal.SIGTERM, told)\n"
        "die_with_parent()\n"
        "print('ready', flush=True)\n"
        "signal.pause()\n"
    )
    out = run(
        "import os, subprocess, sys\n"
        f"child = subprocess.Popen([sys.executable, '-c', {child!r}], stdout=subprocess.PIPE)\n"
        "print(child.stdout.readline().decode().strip(), flush=True)\n"
        "os._exit(0)\n"
    )
    assert out == "ready"
    for _ in range(500):
        if word.exists() and word.read_text():
            break
        time.sleep(0.01)
    assert word.read_text() == "told"


def test_a_module_runs_as_a_child() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "bridge.supervisor.child", "json.tool", "--help"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "usage" in done.stdout
