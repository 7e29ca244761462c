"""The demo: a rig with nothing plugged in, a whole set, and one small set for each idea.

An idea may bring a rig of its own, ``NAME.rig.yaml`` beside its set.
"""

from __future__ import annotations

from pathlib import Path

from bridge.errors import BridgeError, did_you_mean

FOLDER = Path(__file__).parent
IDEAS = FOLDER / "ideas"


def names() -> list[str]:
    """The ideas, sorted."""
    return sorted(p.stem for p in IDEAS.glob("*.yaml") if not p.stem.endswith(".rig"))


def ideas() -> dict[str, str]:
    """Every idea by name, with the first line of its file, which says what to listen for."""
    found = {}
    for name in names():
        with (IDEAS / f"{name}.yaml").open(encoding="utf-8") as file:
            found[name] = file.readline().removeprefix("#").strip()
    return found


def files(idea: str | None = None) -> tuple[Path, Path]:
    """Rig and set of an idea, or of the whole demo.

    Raises:
        BridgeError: there is no such idea.
    """
    if idea is None:
        return FOLDER / "rig.yaml", FOLDER / "set.yaml"
    known = names()
    if idea not in known:
        hint = did_you_mean(idea, known) or f"; there are: {', '.join(known)}"
        raise BridgeError(f"no idea is called {idea!r}{hint}")
    own = IDEAS / f"{idea}.rig.yaml"
    return (own if own.exists() else FOLDER / "rig.yaml"), IDEAS / f"{idea}.yaml"
