"""The moment that a run before has left, read back: `moment` writes it, only a start reads it."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from bridge.files.read import read_bytes
from bridge.supervisor.moment import Moments, unsealed

MOST_BYTES = 4 << 20

Real = float | int


class Moment(BaseModel):
    """`rig` and `set` are the files of the start, `run` its random name; `ended`: in good order."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)

    format: Literal[1] = 1
    rig: str
    set: str
    run: str
    ended: bool
    playing: bool
    tick: Real = Field(ge=0)
    bar: int = Field(ge=1)
    beat: int = Field(ge=1)
    tempo: Real = Field(gt=0)
    source: str
    offset_ms: Real
    performance: dict[str, Any]


def decode(raw: bytes) -> Moment:
    """Raises ValueError when it is not whole, or not ours."""
    body = unsealed(raw)
    try:
        return Moment.model_validate_json(body)
    except (ValidationError, RecursionError) as error:
        raise ValueError("it is not as we write it") from error


def last(moments: Moments) -> tuple[Moment | None, str]:
    """The moment that was kept last for these files, and a line when there is one that cannot be
    used."""
    try:
        found = decode(read_bytes(moments.path, MOST_BYTES))
    except FileNotFoundError:
        return None, ""
    except (OSError, ValueError) as error:
        return None, f"the last performance cannot be restored from {moments.path}: {error}"
    return (found if (found.rig, found.set) == moments.files else None), ""
