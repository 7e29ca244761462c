"""`lanebridge fit`: a set that was made for another rig, on this one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.files.fitting import Fit
    from bridge.files.rig import Rig
    from bridge.files.set import SetDocument

FILE = click.Path(path_type=Path)


@click.command(
    "fit",
    help=(
        "Says where the outputs of SET go on RIG, a rig that SET was not made for, and what would "
        "do for those that are missing. With --out it writes the set for this rig."
    ),
)
@click.argument("rig", type=FILE)
@click.argument("set_file", metavar="SET", type=FILE)
@click.option("--from", "source", type=FILE, help="The rig that SET was made for.")
@click.option(
    "--put",
    "puts",
    multiple=True,
    metavar="OLD=NEW",
    help="NEW in the place of OLD; none leaves it out.",
)
@click.option("--accept", is_flag=True, help="Take what is suggested.")
@click.option("--out", type=FILE, help="The set file to write.")
def command(
    rig: Path,
    set_file: Path,
    source: Path | None,
    puts: tuple[str, ...],
    accept: bool,
    out: Path | None,
) -> None:
    from bridge.commands.outfile import check_new, write_out
    from bridge.files import fitting
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set, parse_set

    if out is not None:
        check_new(out, (".yaml", ".yml"), (rig, set_file))
    loaded, document = load_rig(rig), load_set(set_file)
    made_for = None if source is None else load_rig(source)
    found = asked(document, loaded, said_of(puts), made_for, accept=accept)
    left = [fit for fit in found if fit.open]
    if left:
        click.echo(
            "say where the others go with --put OLD=NEW (none leaves one out); "
            "--accept takes what is suggested"
        )
    if out is None or left:
        raise SystemExit(1 if left else 0)
    text = fitting.fitted(document, found)
    parse_set(text, out.name, loaded)
    write_out(out, text)
    click.echo(f"{out}: {document.spec.name}, for {loaded.name}")


def said_of(puts: Iterable[str]) -> dict[str, str]:
    """``OLD=NEW`` as a mapping. click.BadParameter for anything else."""
    found = {}
    for put in puts:
        old, sign, new = put.partition("=")
        if not sign or not old.strip() or not new.strip():
            raise click.BadParameter(f"{put!r} is not OLD=NEW", param_hint="--put")
        found[old.strip()] = new.strip()
    return found


def asked(
    document: SetDocument, rig: Rig, said: Mapping[str, str], source: Rig | None, *, accept: bool
) -> list[Fit]:
    """Where the outputs of a set go, printed one a line; what a person has said now is kept beside
    the rig. With `accept` what is suggested counts as said."""
    from bridge.files import fitting

    name = fitting.ELSEWHERE if source is None else source.name
    fitting.check_said(said, document.spec, rig)
    known = {**fitting.load_said(rig, name), **said}
    found = fitting.fits(document.spec, rig, known, source)
    if accept:
        said = {**said, **{f.out: f.to for f in found if f.how == "suggested" and f.to is not None}}
        found = fitting.fits(document.spec, rig, {**known, **said}, source)
    for fit in found:
        click.echo(fitting.words(fit))
    path = fitting.keep_said(rig, name, said, datetime.now())
    if path is not None:
        click.echo(f"{path}: kept for other sets of {name}")
    return found
