"""Options that were called otherwise are read as before, and said."""

from __future__ import annotations

import click
import pytest
from click.testing import CliRunner

from bridge.commands.older_options import renamed_option


@click.command()
@renamed_option("--from-bar", "--bar", "bar", default=1, type=click.IntRange(1, 9), help="First.")
@renamed_option("--anew", "--fresh", "anew", is_flag=True, help="From the files.")
def command(bar: int, anew: bool) -> None:
    click.echo(f"{bar!r} {anew}")


@pytest.mark.parametrize(
    ("words", "out", "err"),
    [
        ([], "1 False", ""),
        (["--from-bar", "3", "--anew"], "3 True", ""),
        (["--bar", "3"], "3 False", "--bar is an older spelling; write --from-bar\n"),
        (["--fresh"], "1 True", "--fresh is an older spelling; write --anew\n"),
        # The one of today wins.
        (
            ["--bar", "3", "--from-bar", "4"],
            "4 False",
            "--bar is an older spelling; write --from-bar\n",
        ),
    ],
)
def test_both_spellings_are_read(words: list[str], out: str, err: str) -> None:
    done = CliRunner().invoke(command, words)
    assert (done.exit_code, done.stdout, done.stderr) == (0, f"{out}\n", err)


def test_the_older_one_has_the_same_limits_and_no_line_in_the_help() -> None:
    wrong = CliRunner().invoke(command, ["--bar", "10"])
    assert wrong.exit_code == 2
    assert "10 is not in the range 1<=x<=9" in wrong.stderr
    told = CliRunner().invoke(command, ["--help"]).stdout
    assert "--from-bar" in told
    assert "--anew" in told
    assert "--bar " not in told
    assert "--fresh" not in told
