"""A real player process and this test's end of its socket, without a supervisor or a service."""

from __future__ import annotations

import pickle
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from support.patience import PATIENCE_S

from bridge.player.frames import pack, pack_json, pack_start
from bridge.player.messages import Swap
from bridge.player.start import Start
from bridge.supervisor.watch import Watch

ROOT = Path(__file__).parent.parent.parent


class PlayerProcess:
    """Starts the player; `ready` is False when it ended instead (then see `errors`)."""

    def __init__(self, start: Start, folder: Path, env: Mapping[str, str]) -> None:
        self.socket = str(folder / "p.sock")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "bridge.player"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**env, "PYTHONPATH": str(ROOT)},
        )
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        begin = pickle.dumps(replace(start, socket=self.socket))
        self.process.stdin.write(pack_start(begin))
        self.process.stdin.close()
        self.ready = self.process.stdout.readline() == b"ready\n"
        self.watch = Watch()
        self.answers: dict[int, str] = {}
        self._number = 0
        if self.ready:
            self.watch.connect(self.socket, 0)
            take = self.watch._take

            def answered(kind: str, payload: bytes) -> None:
                import json

                if kind == "J":
                    frame = json.loads(payload)
                    self.answers |= dict.fromkeys(frame.get("acks", ()), "")
                    self.answers |= {seq: text for seq, _, text in frame.get("refused", ())}
                take(kind, payload)

            self.watch._take = answered  # type: ignore[method-assign]

    def errors(self) -> str:
        assert self.process.stderr is not None
        self.process.wait(PATIENCE_S)
        return self.process.stderr.read().decode()

    def until(self, done: Callable[[], object], seconds: float, what: str) -> float:
        """Reads until `done()` is true; how many seconds it took."""
        begin = time.monotonic()
        while time.monotonic() < begin + seconds:
            self.watch.read(0)
            if done():
                return time.monotonic() - begin
            time.sleep(0.005)
        raise TimeoutError(f"waited {seconds} s for {what}; state: {self.watch.state}")

    def do(self, do: str, **fields: Any) -> str:
        """Sends a command and waits for its answer: "" or why it was refused."""
        return self._send(lambda seq: pack_json({"do": do, "seq": seq, **fields}))

    def swap(self, score: Any, revision: int, when: str) -> str:
        return self._send(lambda seq: pack("P", pickle.dumps(Swap(score, revision, when, seq=seq))))

    def _send(self, frame: Callable[[int], bytes]) -> str:
        self._number += 1
        number = self._number
        assert self.watch.sock is not None
        self.watch.sock.setblocking(True)
        self.watch.sock.sendall(frame(number))
        self.watch.sock.setblocking(False)
        self.until(lambda: number in self.answers, 5, "an answer")
        return self.answers[number]

    def stop(self) -> int:
        """Asks it to end; its exit code."""
        self.watch.close()
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return self.process.wait()
        finally:
            for pipe in (self.process.stdout, self.process.stderr):
                if pipe is not None:
                    pipe.close()
