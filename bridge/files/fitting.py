"""A set from another rig: which of its outputs this rig has, what would do instead, and what the
person has said.

Nothing is guessed in silence: an output that is here under the same name and of a fitting kind is
taken, what was said before is kept beside the rig (``rig.outputs.yaml``), and all else is only
suggested.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from bridge.errors import InputError, Problem, did_you_mean
from bridge.files import edit
from bridge.files.document import MAX_BYTES, Document, decode, in_order
from bridge.files.read import read_input
from bridge.files.rig import Rig
from bridge.files.set import SetDocument
from bridge.files.store import save
from bridge.files.strict import Reads, Strict, Text, check
from bridge.files.tuning import OutputName, read_output
from bridge.music.model import Lane, SetSpec, kind_of

ELSEWHERE = "another rig"
"""Where a set comes from when nothing says it."""

NOWHERE = "none"
"""Said of an output that is to be left out: what plays it goes on for other lanes, unheard."""

How = Literal["same", "said", "suggested", "none"]


@dataclass(frozen=True, slots=True)
class Fit:
    """One output that a set names.

    Attributes:
        out: as the set has it.
        users: lanes and macros that play or drive it.
        kinds: the kinds of output that would do.
        to: the output of this rig; None when none would do, or it is left out.
        how: ``same``: it is here under its name; ``said``: a person has said so; ``suggested``:
            only proposed; ``none``: nothing here would do.
        wrong: why it is not the one of its name.
        why: why this one is proposed.
        others: other outputs of this rig that would do and that nothing else of the set takes.
    """

    out: str
    users: tuple[str, ...]
    kinds: tuple[str, ...]
    to: str | None
    how: How
    wrong: str = ""
    why: str = ""
    others: tuple[str, ...] = ()

    @property
    def open(self) -> bool:
        """Whether a person has to say something first."""
        return self.how in ("suggested", "none")


def suits(lane: Lane) -> frozenset[str]:
    """The kinds of output that a lane can play: hits open gates, notes are pitch, all other values
    are levels, or pitch where they are quantised."""
    outputs = frozenset(kind_of(lane.source).outputs)
    return outputs - {"pitch"} if "level" in outputs and not lane.quantise else outputs


def fits(
    spec: SetSpec, rig: Rig, said: Mapping[str, str] | None = None, source: Rig | None = None
) -> list[Fit]:
    """Every output that a set names, in its order, and where it goes on a rig.

    Args:
        spec: a set, read without a rig.
        rig: the rig that it is to be played on.
        said: outputs of the set and those of the rig that a person has put in their place.
        source: the rig that the set was made for, when it is known: its cables say what is meant.
    """
    needs = dict(_needs(spec))
    said = said or {}
    fixed: dict[str, tuple[str | None, How]] = {}
    for out, (_, kinds) in needs.items():
        if said.get(out) == NOWHERE:
            fixed[out] = (None, "said")
            continue
        chosen: tuple[tuple[str, How], ...] = ((said.get(out, ""), "said"), (out, "same"))
        for to, how in chosen:
            if to in rig.ranges and rig.ranges[to].kind in kinds and to not in dict(fixed.values()):
                fixed[out] = (to, how)
                break
    taken = {to for to, _ in fixed.values()}
    found = []
    for out, (users, kinds) in needs.items():
        free = [n for n, r in rig.ranges.items() if r.kind in kinds and n not in taken]
        if out in fixed:
            found.append(Fit(out, users, kinds, *fixed[out], others=tuple(free)))
            continue
        wrong = _wrong(out, rig)
        if not free:
            found.append(Fit(out, users, kinds, None, "none", wrong))
            continue
        nearest, why = _nearest(out, free, rig, source)
        taken.add(nearest)
        others = tuple(name for name in free if name != nearest)
        found.append(Fit(out, users, kinds, nearest, "suggested", wrong, why, others))
    return found


def _needs(spec: SetSpec) -> Iterator[tuple[str, tuple[tuple[str, ...], tuple[str, ...]]]]:
    """Every output of a set with what uses it and the kinds that would do for all of these."""
    users: dict[str, list[str]] = {}
    kinds: dict[str, frozenset[str]] = {}

    def note(out: str | None, user: str, wanted: frozenset[str]) -> None:
        if out is not None:
            users.setdefault(out, [])
            if user not in users[out]:
                users[out].append(user)
            kinds[out] = kinds.get(out, wanted) & wanted

    for lane in spec.lanes:
        note(lane.out, lane.name, suits(lane))
    drives = [(lane.name, lane.drives) for lane in spec.lanes]
    drives += [(macro.name, macro.drives) for macro in spec.macros]
    for name, rows in drives:
        for drive in rows:
            note(drive.out, name, frozenset(("level",)))
    for out, names in users.items():
        yield out, (tuple(names), tuple(sorted(kinds[out])))


def _wrong(out: str, rig: Rig) -> str:
    if out in rig.ranges:
        return f"{out} is a {rig.ranges[out].kind} output here, or taken already"
    return f"this rig has no {out}"


def _nearest(out: str, free: list[str], rig: Rig, source: Rig | None) -> tuple[str, str]:
    """What of the free outputs is most likely meant, and why."""
    cable = source.wired[out].cable if source is not None and out in source.wired else ""
    for name in free:
        if cable and rig.wired[name].cable == cable:
            return name, f'whose cable goes to "{cable}" as well'
    jack = out.partition(".")[2]
    for name in free:
        if name.partition(".")[2] == jack:
            return name, "which has that name on another interface"
    if source is not None and out in source.ranges:
        kind = source.ranges[out].kind
        for name in free:
            if rig.ranges[name].kind == kind:
                return name, f"the first free {kind} output"
    return free[0], f"the first free {rig.ranges[free[0]].kind} output"


def fitted(document: SetDocument, found: list[Fit]) -> str:
    """The set's text with the outputs of this rig; all else as it was written.

    Args:
        document: the set, as it was read without a rig.
        found: what `fits` says of each of its outputs.

    Raises:
        InputError: an output is still open; nothing is guessed.
    """
    left = [fit for fit in found if fit.open]
    if left:
        raise InputError([Problem(words(fit), file=document.spec.name) for fit in left])
    moved = {fit.out: fit.to for fit in found if fit.to != fit.out}
    if not moved:
        return document.text
    data: dict[str, Any] = document.document.data
    changes = []
    for kind in ("lanes", "macros"):
        for name, owner in (data.get(kind) or {}).items():
            if owner.get("out") in moved:
                changes.append(edit.Change((kind, name, "out"), moved[owner["out"]]))
            rows = owner.get("drives")
            if rows and any(row.get("out") in moved for row in rows):
                new = [
                    {**row, "out": moved[row["out"]]} if row.get("out") in moved else row
                    for row in rows
                ]
                heard = [row for row in new if row.get("out", "") is not None]
                changes.append(edit.Change((kind, name, "drives"), heard))
    return edit.apply(document.text, changes)


def words(fit: Fit) -> str:
    """One output in a line."""
    who = f"{fit.out} ({', '.join(fit.users)})"
    if fit.how == "same":
        return f"{who}: the same here"
    if fit.how == "said":
        return f"{who}: goes {f'to {fit.to}' if fit.to else 'nowhere'}, as you said"
    if fit.how == "none":
        wanted = " or ".join(fit.kinds) or "kind of output that all of them could use"
        return f"{who}: {fit.wrong}, and no free {wanted} output"
    more = f"; or {', '.join(fit.others[:4])}" if fit.others else ""
    return f"{who}: {fit.wrong}; suggested: {fit.to}, {fit.why}{more}"


# --- what was said, beside the rig --------------------------------------------------------------


def _place(value: object) -> str:
    return NOWHERE if value == NOWHERE else read_output(value)


Place = Annotated[str, Reads(_place, "INTERFACE.OUTPUT, or `none`")]


class SaidFile(Strict):
    called: ClassVar[str] = "a file of outputs"

    outputs: dict[Text, dict[OutputName, Place]] = Field(default_factory=dict)
    """by the rig that a set comes from: its outputs, and those of this rig in their place"""


def said_path(rig: Path) -> Path:
    """`rig.outputs.yaml` beside `rig.yaml`."""
    return rig.with_name(f"{rig.stem}.outputs.yaml")


def load_said(rig: Rig, source: str = ELSEWHERE) -> dict[str, str]:
    """What was said of sets from another rig.

    Args:
        rig: the own rig; the file stands beside its file.
        source: the name of the rig that the sets were written for; `ELSEWHERE`: nothing tells it.

    Returns:
        Outputs of the own rig (or `NOWHERE`) by those of the other; none when there is no file.

    Raises:
        InputError: the file cannot be read or is wrong; with every problem of it.
    """
    if rig.path is None or not said_path(rig.path).exists():
        return {}
    model, problems, _ = check(SaidFile, Document.read(said_path(rig.path)))
    if problems or model is None:
        raise InputError(in_order(problems))
    return dict(model.outputs.get(source, {}))


def check_said(said: Mapping[str, str], spec: SetSpec, rig: Rig) -> None:
    """Refuse what a person says when it cannot be.

    Args:
        said: outputs of the rig, or `NOWHERE`, by those that the set names.
        spec: the set.
        rig: the rig that it is to be played on.

    Raises:
        InputError: the set or the rig has no such output, or it is of no kind that would do; with
            every one of them.
    """
    needs = dict(_needs(spec))
    wrong = []
    for out, to in said.items():
        if out not in needs:
            wrong.append(Problem(f"the set plays no {out}{did_you_mean(out, needs)}"))
        elif to == NOWHERE:
            continue
        elif to not in rig.ranges:
            wrong.append(Problem(f"{rig.name} has no output {to}{did_you_mean(to, rig.ranges)}"))
        elif rig.ranges[to].kind not in needs[out][1]:
            kinds = " or ".join(needs[out][1])
            wrong.append(Problem(f"{to} is a {rig.ranges[to].kind} output; {out} needs a {kinds}"))
    if wrong:
        raise InputError(wrong)


def keep_said(rig: Rig, source: str, said: Mapping[str, str], now: datetime) -> Path | None:
    """Put into the file beside the rig what a person has said, for the next set from there. What
    stands in it stays as it is written, and a dated copy is kept.

    Args:
        rig: the own rig.
        source: the name of the rig that the set was written for.
        said: outputs of the own rig, by those of the other.
        now: the date of the copy.

    Returns:
        The file's path; None when there was nothing to keep.

    Raises:
        InputError: the file that is there cannot be read or is wrong; it stays.
        OSError: it cannot be written.
    """
    before = load_said(rig, source)
    new = {out: to for out, to in said.items() if before.get(out) != to}
    if rig.path is None or not new:
        return None
    path = said_path(rig.path)
    text = decode(read_input(path, MAX_BYTES), str(path)) if path.exists() else _HEAD
    if before:
        changes = [edit.Change(("outputs", source, out), to) for out, to in new.items()]
        text = edit.apply(text, changes)
    else:
        text = edit.append_block(text, ("outputs", source), new)
    save(path, text, now)
    return path


_HEAD = """\
# Where outputs of sets from other rigs go on this one, as you have said.
outputs:
"""
