"""Warnings of what is written in a rig and has no effect, alone or with a set.

A rig serves many sets, so a cable whose output this set does not play is no mistake; a played
output without a cable is one, and so is a control that moves nothing.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator

from bridge.errors import Problem, did_you_mean
from bridge.files import older
from bridge.files.document import Document
from bridge.files.phrases import listed
from bridge.files.rig import Rig
from bridge.music.model import SetSpec

CLOCKED = ("clock", "reset", "run")
"""Kinds of output that the transport drives, and no lane."""
ALIKE = 0.8  # share of letters in common from which a word is taken for a slip of the keyword


def rig_warnings(rig: Rig, spec: SetSpec | None = None) -> Iterator[Problem]:
    """What in a rig file has no effect, with its place there.

    Args:
        rig: its `text` is read anew, for the places.
        spec: the set that plays on it; None: only what the rig alone tells.

    Raises:
        InputError: the rig has no text that can be read.
    """
    written = Document.parse(rig.text, str(rig.path or "rig.yaml"))
    yield from _keywords(rig, written)
    yield from older.notes_of(written, older.of_rig)
    yield from _no_clock(rig, written)
    if spec is not None:
        yield from _no_cable(rig, spec, written)
        yield from _controls(rig, spec, written)


def drivers(rig: Rig, spec: SetSpec | None) -> dict[str, list[str]]:
    """For every output of the rig, what moves it.

    Args:
        rig: its clock says which outputs follow the transport.
        spec: the set that plays on it; None: none, and the transport alone moves outputs.

    Returns:
        By full name of the output: the names of the lanes that play it; ``lane NAME`` and
        ``macro NAME`` for what drives it; ``clock`` or ``transport``. A list is empty where
        nothing moves the output.
    """
    found: dict[str, list[str]] = {name: [] for name in rig.wired}
    for name, wired in rig.wired.items():
        out = wired.output
        # What comes of the real-time bytes comes only where they are sent.
        if out.kind in CLOCKED and (out.address.by != "clock" or wired.port in rig.clock.send_to):
            found[name].append("clock" if out.kind == "clock" else "transport")
    if spec is None:
        return found
    for lane in spec.lanes:
        if lane.out in found:
            found[lane.out].append(lane.name)
    for word, owners in (("lane", spec.lanes), ("macro", spec.macros)):
        for owner in owners:
            for drive in owner.drives:
                if drive.out in found and f"{word} {owner.name}" not in found[drive.out]:
                    found[drive.out].append(f"{word} {owner.name}")
    return found


def without_cable(rig: Rig, spec: SetSpec) -> dict[str, list[str]]:
    """Outputs that a set plays or drives and that have no cable; those of the transport (`CLOCKED`)
    are not among them.

    Args:
        rig: says which outputs have cables.
        spec: the set.

    Returns:
        What moves each of them (see `drivers`), by full name of the output.
    """
    return {
        name: who
        for name, who in drivers(rig, spec).items()
        if who and not rig.wired[name].cable and rig.wired[name].output.kind not in CLOCKED
    }


def without_driver(rig: Rig, spec: SetSpec) -> list[str]:
    """Outputs that have a cable and that nothing plays or drives.

    Args:
        rig: says which outputs have cables.
        spec: the set.

    Returns:
        Their full names, in the order of the rig.
    """
    driven = drivers(rig, spec)
    return [name for name, wired in rig.wired.items() if wired.cable and not driven[name]]


def _keywords(rig: Rig, written: Document) -> Iterator[Problem]:
    if _slip(rig.clock.follow, "internal"):
        message = (
            f"the rig waits for the clock of a MIDI input called {rig.clock.follow}; "
            "did you mean internal?"
        )
        yield written.problem(("clock", "follow"), message)
    ports = [(("interfaces", x.name, "port"), x.port) for x in rig.interfaces.values()]
    ports += [(("controllers", x.name, "port"), x.port) for x in rig.controllers.values()]
    for keys, port in ports:
        if _slip(port, "simulated"):
            message = f"looks for a MIDI port called {port}; did you mean simulated?"
            yield written.problem(keys, message)


def _slip(word: str, keyword: str) -> bool:
    if word == keyword:
        return False
    small = word.lower()
    cut_short = len(small) >= 3 and keyword.startswith(small)
    return cut_short or difflib.SequenceMatcher(None, small, keyword).ratio() >= ALIKE


def _no_clock(rig: Rig, written: Document) -> Iterator[Problem]:
    for name, wired in rig.wired.items():
        out = wired.output
        if out.address.by == "clock" and wired.cable and wired.port not in rig.clock.send_to:
            message = (
                f"{name} never moves: {wired.port} gets no clock; write send_to: [{wired.port}] "
                "under clock"
            )
            yield written.problem(("interfaces", wired.port, "cables", out.name), message)


def _no_cable(rig: Rig, spec: SetSpec, written: Document) -> Iterator[Problem]:
    """One line for each interface."""
    missing = without_cable(rig, spec)
    for interface in rig.interfaces:
        rows = [
            f"{name} ({listed(who)})"
            for name, who in missing.items()
            if rig.wired[name].port == interface
        ]
        if rows:
            verb = "is" if len(rows) == 1 else "are"
            message = f"{listed(rows)} {verb} played, but no cable is written down"
            keys: tuple[str, ...] = ("interfaces", interface, "cables")
            at = keys if keys in written.places else keys[:2]
            yield written.problem(at, message, at_key=True)


def _controls(rig: Rig, spec: SetSpec, written: Document) -> Iterator[Problem]:
    names: dict[str, Iterable[str]] = {
        "macro": [macro.name for macro in spec.macros],
        "mute": [lane.name for lane in spec.lanes],
        "section": [section.name for section in spec.sections],
    }
    for controller in rig.controllers.values():
        for place, binding in enumerate(controller.bindings):
            for key, known in names.items():
                wanted = getattr(binding, key)
                if wanted is None or wanted in known:
                    continue
                what = "lane" if key == "mute" else key
                keys = ("controllers", controller.name, "controls", place, key)
                yield written.problem(
                    keys, f"the set has no {what} {wanted}{did_you_mean(wanted, known)}"
                )
