"""What players come from: one is had at once, whatever happens, and none is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from support.patience import PATIENCE_S

from bridge.supervisor.ahead import Child, Players, begun_ahead, start_player, start_reader
from bridge.supervisor.fork_server import ForkServer
from bridge.supervisor.player_child import PlayerChild

LITTLE, MUCH = 512 << 20, 2 << 30

HEAVY = (
    "pydantic",
    "yaml",
    "aiohttp",
    "annotated_types",
    "typing_extensions",
    "bridge.files.document",
    "bridge.music",
    "bridge.music.model",
    "bridge.player",
    "bridge.player.start",
    "bridge.voltage.profile",
)


def children_of(pid: int) -> set[int]:
    """The children of a process (proc(5), task/TID/children)."""
    found = Path(f"/proc/{pid}/task").glob("*/children")
    return {int(word) for file in found for word in file.read_text().split()}


def loaded_by(*words: str) -> list[str]:
    """What of `HEAVY` a run of Python has loaded, which writes the names of its modules last."""
    run = subprocess.run(
        [sys.executable, *words], capture_output=True, text=True, check=True, timeout=PATIENCE_S
    )
    modules = set(run.stdout.splitlines()[-1].split())
    return [name for name in HEAVY if name in modules]


@pytest.fixture(params=[LITTLE, MUCH], ids=["little memory", "much"])
def players(request: pytest.FixtureRequest) -> Iterator[Players]:
    """Where players come from on a computer with so much memory."""
    made = Players(request.param)
    yield made
    made.close()


def end(child: Child) -> None:
    child.kill()
    child.wait()
    for pipe in (child.stdin, child.stdout, child.stderr):
        assert pipe is not None
        pipe.close()


def test_what_is_not_made_use_of_has_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    for memory in (LITTLE, MUCH):
        monkeypatch.setattr("bridge.supervisor.ahead.memory_bytes", lambda memory=memory: memory)
        before = children_of(os.getpid())
        with begun_ahead() as ahead:
            assert len(children_of(os.getpid()) - before) == 2
        assert children_of(os.getpid()) <= before
        assert ahead.reader.stdin is not None
        assert ahead.reader.stdin.closed


@pytest.mark.parametrize("begin", [start_player, start_reader])
def test_it_ends_by_itself_when_who_began_it_has_gone(begin: Callable[[], Child]) -> None:
    ends_by_itself(begin())


def test_so_does_one_that_was_forked(players: Players) -> None:
    ends_by_itself(players.take())


def ends_by_itself(child: Child) -> None:
    assert child.stdin is not None
    child.stdin.close()  # as the system does for a process that was killed
    assert child.wait() == 1
    for pipe in (child.stdout, child.stderr):
        if pipe is not None:
            pipe.close()


def test_each_player_is_another_and_a_child_of_this_process(players: Players) -> None:
    first, second = players.take(), players.take()
    try:
        assert first.pid != second.pid
        assert {first.pid, second.pid} <= children_of(os.getpid())
        assert [child.poll() for child in (first, second)] == [None, None]
    finally:
        end(first)
        end(second)
    assert {first.pid, second.pid} & children_of(os.getpid()) == set()


def test_one_that_has_ended_meanwhile_is_not_taken() -> None:
    before = children_of(os.getpid())
    players = Players(LITTLE)
    (begun,) = children_of(os.getpid()) - before
    os.kill(begun, signal.SIGKILL)
    os.waitid(os.P_PID, begun, os.WEXITED | os.WNOWAIT)
    child = players.take()
    assert child.pid != begun
    assert child.poll() is None
    end(child)


def test_what_players_come_from_is_kept_where_there_is_memory() -> None:
    little, much = Players(LITTLE), Players(MUCH)
    for players in (little, much):
        player = PlayerChild(lambda text: None, lambda: None, players)
        player._word("ready")
        player.look(time.monotonic() + 40.0)
    assert little.server is None
    assert much.server is not None
    assert much.server.there
    server = much.server.pid
    end(much.take())
    assert much.server.pid == server, "one is enough for many players"
    player.end_next()
    assert much.server is None
    assert server not in children_of(os.getpid())
    little.close()


def test_another_one_comes_when_that_has_died(players: Players) -> None:
    """A player is had all the same, and later there is one again that comes at once."""
    player = PlayerChild(lambda text: None, lambda: None, players)
    if players.server is not None:
        os.kill(players.server.pid, signal.SIGKILL)
    child = players.take()
    assert child.poll() is None
    end(child)
    was = players.server
    assert was is None
    player._word("ready")
    player.look(time.monotonic() + 40.0)
    if players.keeps:
        server = players.server
        assert server is not None
        os.kill(server.pid, signal.SIGKILL)
        os.waitid(os.P_PID, server.pid, os.WEXITED | os.WNOWAIT)
        player.look(time.monotonic() + 80.0)
        assert players.server is not server
        assert players.server is not None
        assert players.server.there


def test_one_that_hangs_is_not_waited_for() -> None:
    players = Players(MUCH)
    end(players.take())  # it has loaded everything now
    assert players.server is not None
    os.kill(players.server.pid, signal.SIGSTOP)
    players.server._sock.settimeout(0.05)  # what it has by now
    child = players.take()
    assert players.server is None
    assert child.poll() is None
    end(child)


def test_a_computer_that_starts_no_more_processes_plays_on(monkeypatch: pytest.MonkeyPatch) -> None:
    players = Players(MUCH)
    players.close()

    def refuse(*, shares: bool) -> ForkServer:
        raise OSError("Resource temporarily unavailable")

    monkeypatch.setattr("bridge.supervisor.ahead.ForkServer", refuse)
    player = PlayerChild(lambda text: None, lambda: None, players)
    player._word("ready")
    for now in (1e9, 2e9):
        assert player.look(now) == ""
    assert players.server is None


def test_the_next_player_waits_for_what_the_dead_one_has_left_but_not_for_long(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock = [100.0]
    players = Players(LITTLE)
    players.close()
    monkeypatch.setattr("bridge.supervisor.player_child.time.monotonic", lambda: clock[0])
    for gone_s, begins_s in ((0.0, 0.0), (0.3, 0.3), (60.0, 1.0)):
        player = PlayerChild(lambda text: None, lambda: None, players)
        assert not player.due(clock[0], lambda: False), "nobody has died"
        begin = clock[0]
        gone = begin + gone_s

        def left_behind(gone: float = gone) -> bool:
            return clock[0] < gone

        player.again(slowly=False)
        while not player.due(clock[0], left_behind):
            clock[0] += 0.005
        assert begins_s <= clock[0] - begin + 1e-9 <= begins_s + 0.02


def test_what_must_be_quick_loads_nothing_heavy() -> None:
    names = "import sys; print(*sys.modules)"
    light = ["bridge.player"]  # a room of which it needs a light module
    assert loaded_by("-c", f"import bridge.supervisor.ahead; {names}") == light
    assert loaded_by("-c", f"import bridge.supervisor.__main__; {names}") == []
    helped = "import sys, bridge.cli as c; c.main(['--help'], standalone_mode=False)"
    assert loaded_by("-c", f"{helped}; print(*sys.modules)") == []


def test_what_watches_all_night_loads_nothing_heavy() -> None:
    """Its memory is a fifth of all that the program takes."""
    names = "import sys, bridge.supervisor.supervise; print(*sys.modules)"
    kinds = "'bridge.protocol.state' not in sys.modules or sys.exit('types of the state')"
    subprocess.run(
        [sys.executable, "-c", f"import sys, bridge.supervisor.supervise; {kinds}"], check=True
    )
    light = {"bridge.music", "bridge.player"}  # rooms of which it needs a light module
    assert set(loaded_by("-c", names)) <= light
