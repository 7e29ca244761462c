"""Learning: which of the controls that are touched is the one that is meant."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field

from bridge.desk.knobs import Key, Touched, steps_of
from bridge.files.rig import Binding
from bridge.protocol.asking import Learn

TURNED = 3  # a knob that is learned has moved this far: worn ones flicker by one or two
HEARD_MOST = 4


def binding_of(wish: Learn, kind: str, number: int, channel: int) -> Binding:
    """What is wished of a control, as it stands in the rig file.

    Args:
        wish: what it shall do.
        kind: ``cc`` or ``note``.
        number: controller or note number.
        channel: MIDI channel from 1.
    """
    return Binding(
        "cc" if kind == "cc" else "note",
        number,
        channel,
        pickup=wish.pickup,
        feedback=wish.feedback,
        pair=wish.pair and kind == "cc",
        latch=wish.latch,
        encoder=wish.encoder,
        steps=wish.steps,
        **{wish.target: wish.name},
    )


@dataclass(slots=True)
class Learning:
    """A wish whose control has not been found yet."""

    wish: Learn
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
