"""Learning: which of the controls that are touched is the one that is meant."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field

from bridge.desk.knobs import Key, Touched, steps_of
from bridge.files.rig import Binding
from bridge.protocol.limits import USUAL_STEPS
from bridge.protocol.state import Coding, Target

LEARN_S = 20.0
TURNED = 3  # a knob that is learned has moved this far: worn ones flicker by one or two
HEARD_MOST = 4


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be learned: `target` is macro, mute, section or transport, `name` which one.
    `controller` None: any. `replace`: also a control that does something else already."""

    target: Target
    name: str
    controller: str | None = None
    pickup: bool = True
    feedback: bool = False
    fine: bool = False
    latch: bool = False
    encoder: Coding | None = None
    steps: int = USUAL_STEPS
    replace: bool = False
    within_s: float = LEARN_S

    def binding(self, kind: str, number: int, channel: int) -> Binding:
        """The wish as a control of the rig file."""
        return Binding(
            "cc" if kind == "cc" else "note",
            number,
            channel,
            pickup=self.pickup,
            feedback=self.feedback,
            fine=self.fine and kind == "cc",
            latch=self.latch,
            encoder=self.encoder,
            steps=self.steps,
            **{self.target: self.name},
        )


@dataclass(slots=True)
class Learning:
    """A wish whose control has not been found yet."""

    wish: Wish
    client: str
    touched: asyncio.Future[Touched]
    _first: dict[Key, int] = field(default_factory=dict)
    _heard: deque[Touched] = field(default_factory=lambda: deque(maxlen=HEARD_MOST))

    def hear(self, touched: Touched) -> None:
        """A control of a controller that is meant was touched."""
        if self.touched.done():
            return
        self._heard.append(touched)
        if self._is_it(touched):
            self.touched.set_result(touched)

    def _is_it(self, touched: Touched) -> bool:
        wish = self.wish
        if wish.target != "macro" or touched.kind != "cc":
            return touched.pressed and wish.encoder is None
        if wish.encoder is not None:
            turned = self._first.get(touched.key, 0) + steps_of(wish.encoder, touched.value)
            self._first[touched.key] = turned
            return abs(turned) >= TURNED
        first = self._first.setdefault(touched.key, touched.value)
        return abs(touched.value - first) >= TURNED

    def why_none(self) -> str:
        """What to say when time is over."""
        within = f"within {self.wish.within_s:g} s"
        knobs = [touched for touched in self._heard if touched.kind == "cc"]
        if self.wish.target != "macro" or not knobs:
            return f"no control was touched {within}"
        last = knobs[-1]
        values = ", ".join(str(touched.value) for touched in knobs if touched.key == last.key)
        what = f"cc {last.number} on channel {last.channel} last sent {values}"
        if self.wish.encoder is not None:
            return f"no encoder was turned by {TURNED} steps {within}; {what}"
        return (
            f"no knob was turned far enough {within}; {what}. If it has no ends it is an encoder: "
            "say so, with its coding, for its messages do not tell"
        )
