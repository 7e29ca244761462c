"""A player that is begun ahead: it is used once, and never left behind."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import pytest
from support.patience import PATIENCE_S

from bridge.supervisor.ahead import Child, begun_ahead, start_player, start_reader
from bridge.supervisor.player_child import PlayerChild

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


def loaded_by(*words: str) -> list[str]:
    """What of `HEAVY` a run of Python has loaded, which writes the names of its modules last."""
    run = subprocess.run(
        [sys.executable, *words], capture_output=True, text=True, check=True, timeout=PATIENCE_S
    )
    modules = set(run.stdout.splitlines()[-1].split())
    return [name for name in HEAVY if name in modules]


def test_what_is_not_made_use_of_has_ended() -> None:
    with begun_ahead() as ahead:
        assert [child.poll() for child in ahead] == [None, None]
    for child in ahead:
        assert child.returncode is not None
        assert child.stdin is not None
        assert child.stdin.closed


@pytest.mark.parametrize("begin", [start_player, start_reader])
def test_it_ends_by_itself_when_who_began_it_has_gone(begin: Callable[[], Child]) -> None:
    child = begin()
    assert child.stdin is not None
    child.stdin.close()  # as the system does for a process that was killed
    assert child.wait(PATIENCE_S) == 1
    for pipe in (child.stdout, child.stderr):
        if pipe is not None:
            pipe.close()


def test_the_first_player_is_that_one_and_no_other_is() -> None:
    with begun_ahead() as (child, _):
        player = PlayerChild(lambda text: None, lambda: None, child)
        assert player.take_process() is child
        another = player.take_process()
        assert another is not child
        another.kill()
        another.communicate()


def test_one_that_has_ended_meanwhile_is_not_taken() -> None:
    with begun_ahead() as (child, _):
        child.kill()
        child.wait(PATIENCE_S)
        player = PlayerChild(lambda text: None, lambda: None, child)
        another = player.take_process()
        assert another is not child
        another.kill()
        another.communicate()


def test_the_next_player_waits_while_one_plays_and_is_not_left_behind(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock = [100.0]
    monkeypatch.setattr("bridge.supervisor.player_child.time.monotonic", lambda: clock[0])
    begun: list[Child] = []

    def begin() -> Child:
        begun.append(start_player())
        return begun[-1]

    monkeypatch.setattr("bridge.supervisor.player_child.start_player", begin)
    for memory, waits in ((1 << 29, 0), (2 << 30, 1)):
        monkeypatch.setattr("bridge.supervisor.player_child._memory", lambda memory=memory: memory)
        player = PlayerChild(lambda text: None, lambda: None)
        player._word("ready")
        for _ in range(40):
            clock[0] += 1.0
            player.look(clock[0])
        assert len(begun) == waits, "a computer with little memory keeps it"
    assert player.take_process() is begun[0]
    begun[0].kill()
    begun[0].communicate()
    player._word("ready")
    clock[0] += 40.0
    player.look(clock[0])
    assert begun[1].poll() is None
    player.end_spare()
    assert begun[1].returncode is not None
    player.look(clock[0] + 60.0)
    assert len(begun) == 2


def test_a_computer_that_starts_no_more_processes_plays_on(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> Child:
        raise OSError("Resource temporarily unavailable")

    monkeypatch.setattr("bridge.supervisor.player_child.start_player", refuse)
    monkeypatch.setattr("bridge.supervisor.player_child._memory", lambda: 2 << 30)
    player = PlayerChild(lambda text: None, lambda: None)
    player._word("ready")
    for now in (1e9, 2e9):
        assert player.look(now) == ""


def test_the_next_player_waits_for_what_the_dead_one_has_left_but_not_for_long(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock = [100.0]
    monkeypatch.setattr("bridge.supervisor.player_child.time.monotonic", lambda: clock[0])
    for gone_s, begins_s in ((0.0, 0.0), (0.3, 0.3), (60.0, 1.0)):
        player = PlayerChild(lambda text: None, lambda: None)
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
    assert loaded_by("-c", f"import bridge.supervisor.ahead; {names}") == []
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
