"""A random user for long: hands by HTTP and OSC, kills, and what must hold after each step.

    python tests/bench/bench_user.py [--nights 20] [--steps 50] [--seed 1]

Hypothesis chooses what is done (`tests/support/random_user.py`), and looks for the shortest way to
whatever does not hold.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1]), str(HERE.parents[2])]

from hypothesis import HealthCheck, seed, settings  # noqa: E402
from hypothesis.stateful import run_state_machine_as_test  # noqa: E402
from support.random_user import RandomUser  # noqa: E402


def measure(nights: int, steps: int, begin: int) -> list[str]:
    """Lines of Markdown; raises what does not hold, with the steps that lead to it."""
    started = time.monotonic()
    made: list[RandomUser] = []

    class Night(RandomUser):
        def __init__(self) -> None:
            super().__init__()
            made.append(self)
            print(f"night {len(made)}", file=sys.stderr, flush=True)

    run_state_machine_as_test(
        seed(begin)(Night),
        settings=settings(
            max_examples=nights,
            stateful_step_count=steps,
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
    kills = ", ".join(f"{count} of the {who}" for who, count in Night.kills.items())
    return [
        f"A random user: {len(made)} nights of {steps} steps at most, kills: {kills}; everything "
        f"held. {time.monotonic() - started:.0f} s."
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--steps", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print("\n".join(measure(given.nights, given.steps, given.seed)))


if __name__ == "__main__":
    main()
