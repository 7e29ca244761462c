"""``python -m bridge.supervisor OPTIONS``: the program, as `bridge.supervisor.replacing` starts it.

What takes longest to load is begun before anything else is imported.
"""

from __future__ import annotations

import sys

from bridge.late import SELDOM, load_late


def main() -> int:
    """Plays until it is ended; the exit code."""
    from bridge.supervisor.ahead import begun_ahead

    with begun_ahead(shares=True) as ahead:
        from bridge.supervisor import supervise
        from bridge.supervisor.replacing import from_words

        return supervise.run(from_words(sys.argv[1]), ahead)


if __name__ == "__main__":
    load_late(*SELDOM)
    try:
        code = main()
    except KeyboardInterrupt:  # before it plays, and takes that for an end
        from bridge.errors import Exit

        code = Exit.INTERRUPTED
    sys.exit(code)
