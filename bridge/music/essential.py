"""What of a performance is kept; apart from `bridge.music.snapshot`, because whoever only writes it
down need not load all of the music for it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_OF_LANE = ("under", "pending", "solo", "freeze", "hand")
_WHOLE = ("section", "section_pending", "order", "solo_until", "morph", "tempo", "tempo_glide")


def essential(state: Mapping[str, Any]) -> dict[str, Any]:
    """What `snapshot.put` needs of a state, without what a surface shows of it, and without fingers
    that are held: whoever held them is gone when it is put back."""
    lanes = {
        name: {**{part: lane[part] for part in _OF_LANE}, "holds": {}}
        for name, lane in state["lanes"].items()
    }
    macros = {
        name: {part: macro[part] for part in ("value", "glide") if part in macro}
        for name, macro in state["macros"].items()
    }
    return {"lanes": lanes, "macros": macros, **{name: state[name] for name in _WHOLE}}
