"""The command line. Thin: each command imports what it needs when it is called.

What they exit with stands in `bridge.errors.Exit`.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import importlib.util
import io
import json
import logging
import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge import __version__
from bridge.commands import sounding
from bridge.commands.older_options import renamed_option
from bridge.commands.serving import Surface, serving
from bridge.commands.talk import least, note, talking
from bridge.errors import BridgeError, Exit, InputError, printable

if TYPE_CHECKING:
    from bridge.music.model import SetSpec
    from bridge.paper.course import Course
    from bridge.paper.output_table import PlannedOutput

# Commands with a module of their own: its `command` is loaded when it is called for.
MODULES = {
    "align": "bridge.commands.align",
    "clockcheck": "bridge.commands.clockcheck",
    "ctl": "bridge.commands.ctl",
    "diff": "bridge.commands.diff",
    "doctor": "bridge.commands.doctor",
    "fit": "bridge.commands.fit",
    "form": "bridge.commands.form",
    "history": "bridge.commands.history",
    "init": "bridge.commands.init",
    "man": "bridge.commands.man",
    "install-service": "bridge.commands.install",
    "open": "bridge.commands.open",
    "pack": "bridge.commands.pack",
    "profile": "bridge.commands.profile",
    "remove-service": "bridge.commands.remove",
    "scope": "bridge.commands.scope",
    "sheet": "bridge.commands.sheet",
    "soundcheck": "bridge.commands.soundcheck",
    "takes": "bridge.commands.takes",
    "tune": "bridge.commands.tune",
}
FILE = click.Path(path_type=Path)
OF_NAMES = (errno.ENAMETOOLONG, errno.ENOENT, errno.ENOTDIR, errno.EISDIR, errno.ELOOP)
"""What the system answers when the name that was written is wrong (POSIX, errno.h)."""
log = logging.getLogger(__name__)


class Commands(click.Group):
    """Finds commands in their modules, and turns our errors into lines and exit codes."""

    def list_commands(self, context: click.Context) -> list[str]:
        return sorted({*super().list_commands(context), *(n for n in MODULES if _exists(n))})

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name in MODULES and _exists(name):
            command = importlib.import_module(MODULES[name]).command
            if not isinstance(command, click.Command):
                raise TypeError(f"{MODULES[name]}.command is not a command")
            return talking(command)
        found = super().get_command(context, name)
        return None if found is None else talking(found)

    def main(self, *args: Any, **options: Any) -> Any:
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                # A name that this terminal cannot show is spelt out rather than an error.
                stream.reconfigure(errors="backslashreplace")
        try:
            return super().main(*args, **options)
        except OSError as error:  # a full disk, say; what is known before is said where it is known
            from bridge.files.read import reason

            said = printable(str(error.filename)) if error.filename else "the output"
            _complain([f"{said}  cannot be read or written: {reason(error)}"])
            _drop_unwritten()
            sys.exit(Exit.WRONG if error.errno in OF_NAMES else Exit.MACHINE)

    def invoke(self, context: click.Context) -> object:
        try:
            return super().invoke(context)
        except BridgeError as error:
            log.debug("this is where it comes from:", exc_info=True)
            problems = error.problems if isinstance(error, InputError) else None
            _complain(map(str, problems) if problems is not None else str(error).splitlines())
            code = error.exit
        except (click.Abort, KeyboardInterrupt):
            click.echo(err=True)  # a prompt may stand there
            code = Exit.INTERRUPTED
        context.exit(code)


def _complain(lines: Iterable[str]) -> None:
    with contextlib.suppress(OSError):  # where errors cannot be said either, the exit code must do
        for line in lines:
            click.echo(printable(line), err=True)


def _drop_unwritten() -> None:
    """Drops what could not be printed: the interpreter would try again at its end."""
    try:
        sys.stdout.flush()
    except OSError:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)


def _exists(name: str) -> bool:
    try:
        return importlib.util.find_spec(MODULES[name]) is not None
    except ModuleNotFoundError:
        return False


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Plays a small modular rig live from short patterns, through a MIDI-to-CV interface.",
)
@click.version_option(__version__, prog_name="lanebridge")
def main() -> None:
    pass


talking(main)


@main.command(
    help="Plays a copy of the demo set at once, with no hardware; it can be edited and saved."
)
@click.option("--idea", metavar="NAME", help="Play the small set that shows one idea instead.")
@click.option("--ideas", is_flag=True, help="List the ideas, and play nothing.")
@renamed_option(
    "--as-shipped",
    "--fresh",
    "fresh",
    is_flag=True,
    help="As it came; what you saved in it is kept as a dated copy.",
)
@serving
def demo(idea: str | None, ideas: bool, fresh: bool, surface: Surface) -> None:
    from bridge import demo as sets
    from bridge.commands import grid

    if ideas:
        grid.show(("idea", "what it shows"), list(sets.ideas().items()))
        return
    from bridge.demo import working
    from bridge.supervisor import folders

    rig, set_file, lines = working.files(folders.state_folder(), idea, fresh=fresh)
    for line in lines:
        with contextlib.suppress(OSError):  # a terminal that has gone ends nothing
            note(f"lanebridge: {line}", err=True)
    surface.play(rig, set_file, start=True, fresh=fresh)


@main.command(help="Plays SET on RIG. Waits for a start: page, OSC, HTTP, or the clock it follows.")
@click.argument("rig", type=FILE)
@click.argument("set", type=FILE)
@serving
@click.option("--start", is_flag=True, help="Play at once instead of waiting for a start.")
@renamed_option(
    "--from-files",
    "--fresh",
    "fresh",
    is_flag=True,
    help="Begin with the files, also after a power cut; unsaved edits are kept as a dated copy.",
)
def play(rig: Path, set: Path, surface: Surface, start: bool, fresh: bool) -> None:
    surface.play(rig, set, start=start, fresh=fresh)


@main.command(help="Explains every mistake in RIG and SET.")
@click.argument("rig", type=FILE)
@click.argument("set", type=FILE, required=False)
@click.option("--json", "as_json", is_flag=True, help="As one JSON object, for programs.")
@click.option("--rewrite", is_flag=True, help="Write older spellings anew; keeps a copy.")
@click.pass_context
def check(
    context: click.Context, rig: Path, set: Path | None, as_json: bool, rewrite: bool
) -> None:
    from bridge.paper import plan

    if rewrite:
        _rewrite(rig, set)
    if not as_json:
        quiet = least() == "warning"
        for line in plan.warned(rig, set) if quiet else plan.checked(rig, set, _drawn):
            click.echo(line)
        return
    try:
        facts = plan.facts(*plan.read_both(rig, set))
    except InputError as error:
        wrong = [plan.problem_facts(problem) for problem in error.problems]
        facts = {"good": False, "problems": wrong}
    click.echo(json.dumps(facts, indent=2))
    context.exit(Exit.GOOD if facts["good"] else Exit.WRONG)


def _rewrite(rig: Path, set: Path | None) -> None:
    """Writes the older spellings of files that are good as they are written today."""
    from bridge.commands.outfile import save_out
    from bridge.files import older
    from bridge.files.document import Document
    from bridge.paper import plan

    read, document = plan.read_both(rig, set)
    found = [(rig, read.text, Document.parse(read.text, str(rig)).data, older.of_rig)]
    if set is not None and document is not None:
        found.append((set, document.text, document.document.data, older.older))
    for path, before, data, finds in found:
        text = older.rewritten(before, data, finds)
        if text == before:
            note(f"{path}: no older spelling stands in it")
        else:
            copy = save_out(path, text)
            note(f"{path}: written anew; as it was it is kept as {copy}")


def _drawn(rows: list[PlannedOutput]) -> list[str]:
    """The table of outputs, fitted to the terminal."""
    from bridge.commands import grid
    from bridge.paper import output_table

    table = grid.lines(output_table.HEADS, output_table.cells(rows), headed=True)
    return [*table, output_table.free_words(rows)]


@main.command(
    help=(
        "Writes what SET plays on RIG, offline: a MIDI file, a table of events, or sound.\n\n"
        f"As it opens, unless --section or --order says otherwise. {sounding.HELP}"
    )
)
@click.argument("rig", type=FILE)
@click.argument("set", type=FILE)
@click.option(
    "--bars", type=click.IntRange(1, 100_000), help="How many bars; with --order all of them."
)
@click.option("--out", required=True, type=FILE, help="FILE.mid, .csv or .wav; - prints the table.")
@click.option("--section", metavar="NAME", help="This section, instead of the set as it opens.")
@click.option("--order", is_flag=True, help="The running order, section after section.")
@click.option("--all", "everything", is_flag=True, help="Lanes without an output too (.csv only).")
def render(
    rig: Path,
    set: Path,
    bars: int | None,
    out: Path,
    section: str | None,
    order: bool,
    everything: bool,
) -> None:
    from bridge.commands import outfile, progress
    from bridge.commands.outfile import check_out, write_out
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.paper import csv_rows
    from bridge.paper.course import counted

    kind = ".csv" if outfile.is_stdout(out) else out.suffix.lower()
    check_out(out, (".mid", ".csv", ".midi", ".wav"), (rig, set), prints=True)
    if kind == sounding.ENDING:
        sounding.insist()
    if everything and kind != ".csv":
        raise click.BadParameter("is for .csv; a MIDI file holds what is sent", param_hint="--all")
    if order and section is not None:
        raise click.UsageError("write either --section or --order")
    if bars is None and not order:
        raise click.UsageError("--bars is needed; only --order has a length of its own")
    wired = load_rig(rig)
    spec = load_set(set, wired).spec
    if order:
        spec = counted(spec)
    course = _course(spec, section, order, bars)
    bars = bars or course.bars
    with progress.shown("Rendering", bars) as done:
        if kind == ".csv":
            data: str | bytes = csv_rows.text(spec, wired, bars, everything, course, done)
        elif kind == sounding.ENDING:
            from bridge.paper import voices

            notes, seconds = voices.of_set(spec, wired, bars, course, done)
        else:
            from bridge.paper import smf

            data = smf.render(spec, wired, bars, course, done)
    if kind == sounding.ENDING:
        sounding.write(out, notes, seconds)
    else:
        write_out(out, data)
    of = f", section {section}" if section is not None else ", the running order" if order else ""
    outfile.written(out, f"{bars} bar{'s' if bars > 1 else ''} of {spec.name}{of}")


def _course(spec: SetSpec, section: str | None, order: bool, bars: int | None) -> Course:
    """What is asked for, or a usage error that says what there is."""
    from bridge.errors import did_you_mean
    from bridge.paper import course

    if order:
        try:
            return course.of_order(spec, bars)
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="--order") from None
    if section is None:
        return course.as_written(spec)
    names = [known.name for known in spec.sections]
    if section not in names:
        there = did_you_mean(section, names) or f"; there are: {', '.join(names) or 'none'}"
        raise click.BadParameter(f"there is no section {section}{there}", param_hint="--section")
    return course.of_section(spec, section)


@main.command(help="Lists MIDI ports by name.")
@click.option("--json", "as_json", is_flag=True, help="As one JSON list, for programs.")
def ports(as_json: bool) -> None:
    from bridge.commands import grid
    from bridge.ports import list_ports

    found = list_ports()
    if as_json:
        told = [{"way": p.way, "name": p.name, "usable": p.usable, "why": p.why} for p in found]
        click.echo(json.dumps(told, indent=2))
        return
    rows = [(port.way, port.name, "" if port.usable else f"({port.why})") for port in found]
    grid.show(("way", "name", "note"), rows)
    if not found:
        click.echo("no MIDI ports; a rig may use `port: simulated`")


@main.command("import", help="Makes lanes of the drums in a standard MIDI FILE, one lane per note.")
@click.argument("file", type=FILE)
@renamed_option(
    "--from-bar",
    "--bar",
    "bar",
    default=1,
    show_default=True,
    type=click.IntRange(1, 10_000),
    help="The first bar that is taken.",
)
@click.option(
    "--bars",
    default=1,
    show_default=True,
    type=click.IntRange(1, 64),
    help="How many bars make the pattern (4 at most), or are heard for the groove.",
)
@click.option("--groove", is_flag=True, help="Only the timing, as a line of a set.")
@click.option("--out", type=FILE, help="The set file to write; printed when left out.")
def import_(file: Path, bar: int, bars: int, groove: bool, out: Path | None) -> None:
    from bridge.commands import progress
    from bridge.commands.outfile import check_new, write_out
    from bridge.paper import midi_import

    if groove:
        if out is not None:
            raise click.UsageError("--groove is one line for a set; it has no --out")
        with progress.working(f"reading {file.name}"):
            groove_ = midi_import.groove_text(file, bar, bars)
        click.echo(groove_, nl=False)
        return
    if bars > 4:
        raise click.BadParameter("a pattern has 4 bars at most", param_hint="--bars")
    if out is not None:
        check_new(out, (".yaml", ".yml"), (file,))
    with progress.working(f"reading {file.name}"):
        text = midi_import.set_text(file, bar, bars)
    if out is None:
        click.echo(text, nl=False)
        return
    write_out(out, text)
    note(f"{out}: written; `lanebridge check` it with your rig")


if __name__ == "__main__":
    main()
