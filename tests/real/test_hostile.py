"""The program with ``--lan`` on a network with a stranger in it, who does what strangers do.

Two network namespaces and a plain link between them; the program with few file descriptors in one,
friend and stranger in the other (support/hostile.py, bare sockets).
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support.patience import PATIENCE_S

pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]

SUPPORT = Path(__file__).parent.parent / "support"
ROOT = Path(__file__).parent.parent.parent
RIG_SPACE, PEER_SPACE = f"lbr{os.getpid()}", f"lbp{os.getpid()}"
RIG = "10.78.0.1"
# The friend, the stranger, the one whose address is forged, the guest and the guesser.
HOSTS = FRIEND, *_ = [f"10.78.0.{number}" for number in range(2, 7)]
HTTP, OSC = 8420, 8421
DESCRIPTORS = 256


def ip(*args: str) -> None:
    subprocess.run(["ip", *args], check=True, capture_output=True)


@pytest.fixture
def network(needs: Callable[..., None]) -> Iterator[None]:
    needs("ip", "prlimit", "root")
    made = []
    try:
        for name in (RIG_SPACE, PEER_SPACE):
            ip("netns", "add", name)
            made.append(name)
            ip("-n", name, "link", "set", "lo", "up")
        ends = f"va{os.getpid()}", f"vb{os.getpid()}"
        ip("link", "add", ends[0], "netns", RIG_SPACE, "type", "veth", "peer", "name", ends[1])
        ip("link", "set", ends[1], "netns", PEER_SPACE)
        for space, end, addresses in ((RIG_SPACE, ends[0], [RIG]), (PEER_SPACE, ends[1], HOSTS)):
            for address in addresses:
                ip("-n", space, "address", "add", f"{address}/24", "dev", end)
            ip("-n", space, "link", "set", end, "up")
        yield
    finally:
        for name in made:
            ip("netns", "delete", name)


class Program:
    """`lanebridge demo --lan` inside the namespace; `lines` is what it has said."""

    def __init__(self, state_home: Path, *options: str) -> None:
        command = ["ip", "netns", "exec", RIG_SPACE]
        command += ["prlimit", f"--nofile={DESCRIPTORS}:{DESCRIPTORS}"]
        command += [sys.executable, "-m", "bridge.cli", "demo", *options]
        command += ["--port", str(HTTP), "--osc-port", str(OSC)]
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            cwd=ROOT,
            env={**os.environ, "XDG_STATE_HOME": str(state_home), "PYTHONUNBUFFERED": "1"},
        )
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)

    def token(self) -> str:
        return self.says(rf"http://{RIG}:{HTTP}/\?token=(\S+)")[1]

    def says(self, pattern: str) -> re.Match[str]:
        """Waits for what it says at its start."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            found = re.search(pattern, "".join(self.lines))
            if found:
                return found
            assert self.process.poll() is None, "".join(self.lines)
            time.sleep(0.05)
        pytest.fail("no address: " + "".join(self.lines))

    def service(self) -> int:
        for folder in Path("/proc").iterdir():
            with contextlib.suppress(OSError, ValueError):
                words = (folder / "cmdline").read_bytes().split(b"\0")
                parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
                if b"bridge.service" in words and parent == self.process.pid:
                    return int(folder.name)
        pytest.fail("there is no service")

    def end(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self._reader.join()
        assert self.process.stdout is not None
        self.process.stdout.close()


def test_a_stranger_changes_nothing_and_a_friend_plays_on(network: None, tmp_path: Path) -> None:
    program = Program(tmp_path, "--lan")
    try:
        token = program.token()
        arguments = [RIG, str(HTTP), str(OSC), token, *HOSTS]
        peer = subprocess.Popen(
            [
                "ip",
                "netns",
                "exec",
                PEER_SPACE,
                sys.executable,
                str(SUPPORT / "hostile.py"),
                *arguments,
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert peer.stdout is not None
            assert peer.stdin is not None
            found: dict[str, Any] = json.loads(peer.stdout.readline())
            assert peer.stdout.readline() == "kill\n"
            remembered = tmp_path / "lanebridge" / "network.json"
            end = time.monotonic() + PATIENCE_S
            while FRIEND not in str(json.loads(remembered.read_text())["subscribers"]):
                assert time.monotonic() < end, "the subscription is never kept"
                time.sleep(0.05)
            os.kill(program.service(), signal.SIGKILL)
            peer.stdin.write("done\n")
            peer.stdin.flush()
            after = json.loads(peer.stdout.readline())
        finally:
            peer.kill()
            peer.communicate()
            print("".join(program.lines)[-8000:])
        strangers = found["strangers"]
        assert (strangers["no token"], strangers["odd bytes"]) == (401, 401)
        print(found, after)  # a failure is to say all of it
        assert strangers["person"].startswith("text/html")
        assert not strangers["muted by a stranger"]
        assert strangers["forbidden"] > 0
        assert strangers["dropped"] == 0  # nothing of a stranger's got as far as the budget
        assert found["elsewhere"] == {"foreign page": 403, "foreign socket": 403, "rebound": 421}
        assert found["answers"] == []
        guest = found["guest"]
        secret, by_socket = guest.pop("secret"), guest.pop("by socket")
        assert (by_socket["type"], by_socket["problem"]["kind"]) == ("refused", "role")
        assert guest == {
            "watches": 200,
            "changes": 403,
            "code again": 401,
            "flags": True,
            "by OSC": False,
            "shut out": 401,
        }
        assert found["player"] == {
            "heard in a flood": True,
            "beside a guesser": [200, 429],
            "saves": 403,
            "written elsewhere": [],
        }
        assert found["printed"] == {
            "status": 200,
            "passed on": "no-referrer",
            "cookie": True,
            "token in it": False,
        }
        assert found["codes"] == {"differ": [], "in": False, "friend": True}
        assert not found["guessed by osc"]
        kept_files = [path for path in tmp_path.rglob("*") if path.is_file()]
        assert remembered in kept_files
        assert not [path for path in kept_files if secret.encode() in path.read_bytes()]
        assert secret not in "".join(program.lines)
        assert found["ended"] == [True, True]
        guesses = found["guesses"]
        assert guesses["statuses"][0] == 401
        assert guesses["statuses"][-1] == 429
        assert 1 <= guesses["wait"] <= 6
        assert guesses["right"] == 429, "a right guess is not told from a wrong one"
        assert set(found["forged"]["heard"]) == {"/confirm"}
        assert 1 <= len(found["forged"]["heard"]) <= 4, "one each second at most"
        assert found["forged"]["subscribers"] == 0
        assert found["crowd"]["saved"] == "crowded.yaml"
        assert found["crowd"]["drawn"] == 200  # a process and its files
        assert found["crowd"]["turned away"] > 0
        assert after == {"heard": True, "muted": True}
        assert len(program.lines) < 200, "the log is no flood"
        assert "Traceback" not in "".join(program.lines)
    finally:
        program.end()
    kept = tmp_path / "lanebridge" / "token"
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    again = Program(tmp_path, "--lan")
    try:
        assert again.token() == token  # tablets stay let in
    finally:
        again.end()
    alone = Program(tmp_path)
    try:
        alone.says(rf"http://127\.0\.0\.1:{HTTP}/")
        # ECONNREFUSED: nobody listens there. By OSC nothing can be told from silence, so the
        # program is asked of its sockets too.
        tries = f"import socket; socket.create_connection(('{RIG}', {HTTP}), 10)"
        reached = subprocess.run(
            ["ip", "netns", "exec", PEER_SPACE, sys.executable, "-c", tries],
            capture_output=True,
            text=True,
            check=False,
        )
        assert "ConnectionRefusedError" in reached.stderr
        listens = subprocess.run(
            ["ip", "netns", "exec", RIG_SPACE, "ss", "-Hlntu"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()
        own = [line.split()[4] for line in listens if f":{HTTP} " in line or f":{OSC} " in line]
        assert own
        assert all(address.startswith(("127.0.0.1:", "[::1]:")) for address in own), own
    finally:
        alone.end()
