"""Rules for every test: real peers are named here, and under CI a missing one is a failure."""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples on every run: a failure is news about the code and never about luck.
settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")

# A running service for the tests of every room above the player.
pytest_plugins = ["support.service_fixtures"]

REFERENCE = Path(__file__).parent / "reference"
AXE = Path(__file__).parent.parent / ".ci/cache/node_modules/axe-core/axe.min.js"
TSC = Path(__file__).parent.parent / ".ci/cache/node_modules/typescript/bin/tsc"


@pytest.fixture(autouse=True)
def state_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the program remembers, it remembers in a folder of the test's own."""
    if "XDG_STATE_HOME" not in os.environ:
        monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.getbasetemp() / "state-home"))


@pytest.fixture(autouse=True)
def no_other_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """A command that plays becomes another program; here that one runs inside the test instead."""

    def run(_: str, words: list[str]) -> None:
        from bridge.supervisor import supervise
        from bridge.supervisor.replacing import from_words

        assert words[-3:-1] == ["-m", "bridge.supervisor"]
        raise SystemExit(supervise.run(from_words(words[-1])))

    monkeypatch.setattr("os.execv", run)


@pytest.fixture
def reference() -> Path:
    """The folder of published tables."""
    return REFERENCE


def _present(peer: str) -> bool:
    if peer.startswith("python:"):
        return importlib.util.find_spec(peer.removeprefix("python:")) is not None
    if peer == "axe":
        return AXE.exists()
    if peer == "typescript":
        return TSC.exists()
    if peer == "root":
        return os.geteuid() == 0
    return shutil.which(peer, path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin") is not None


@pytest.fixture
def needs() -> Callable[..., None]:
    """`needs("jackd", "python:jack")` skips where a peer is missing, or fails when
    LANEBRIDGE_REQUIRE_PEERS is set (as it is under CI)."""

    def check(*peers: str) -> None:
        missing = [peer for peer in peers if not _present(peer)]
        if not missing:
            return
        message = f"real peer missing: {', '.join(missing)}"
        if os.environ.get("LANEBRIDGE_REQUIRE_PEERS"):
            pytest.fail(message)
        pytest.skip(message)

    return check
