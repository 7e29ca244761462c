"""The types for the page: TypeScript, read by its own compiler."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Literal, NotRequired

import pytest

from bridge.protocol.declarations import declarations, typescript

TSC = Path(__file__).parents[2] / ".ci/cache/node_modules/typescript/bin/tsc"
# What a page writes: the first compiles, each of the others has one mistake.
USE = """
import type { Command, State } from "./made";
const right: Command = { do: "mute", lane: "kick", muted: true };
function tempo(state: State): number | undefined { return state.transport?.tempo; }
"""
WRONG = [
    'const one: Command = { do: "mute", lane: "kick" };',
    'const one: Command = { do: "mute", lane: "kick", muted: "yes" };',
    'const one: Command = { do: "fly" };',
    "const one: State = { revision: null };",
]


@pytest.mark.parametrize(
    ("hint", "said"),
    [
        (bool, "boolean"),
        (int | None, "number | null"),
        (int | float, "number"),
        (list[str], "string[]"),
        (list[str | None], "(string | null)[]"),
        (dict[str, list[float]], "Record<string, number[]>"),
        (Literal["a", "b"], '"a" | "b"'),
        (NotRequired[int], "number"),
    ],
)
def test_types_are_written_as_typescript_has_them(hint: object, said: str) -> None:
    assert typescript(hint) == said


def test_the_compiler_takes_what_is_right_and_refuses_what_is_not(
    tmp_path: Path, needs: Callable[..., None]
) -> None:
    needs("node", "typescript")
    (tmp_path / "made.d.ts").write_text(declarations(), encoding="utf-8")
    (tmp_path / "right.ts").write_text(USE, encoding="utf-8")
    for number, line in enumerate(WRONG):
        text = f'import type {{ Command, State }} from "./made";\n{line}\n'
        (tmp_path / f"wrong{number}.ts").write_text(text, encoding="utf-8")
    done = subprocess.run(
        ["node", TSC, "--noEmit", "--strict", "--pretty", "false", *sorted(tmp_path.glob("*.ts"))],
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    files = {line.partition("(")[0] for line in done.stdout.splitlines() if "error TS" in line}
    assert files == {f"wrong{number}.ts" for number in range(len(WRONG))}, done.stdout
