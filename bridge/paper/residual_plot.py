"""How far a pitch output is off at each note, before its tuning and in the check after it."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.music.scale import note_name
from bridge.paper import svg
from bridge.paper.drawings import INK, MARK, PALE, RULE
from bridge.protocol.state import TuningRow

Points = Sequence[tuple[float, float]]
"""Notes and cents."""
WIDTH, TALL, LEFT, RIGHT, HEAD, GAP = 900.0, 170.0, 74.0, 24.0, 52.0, 48.0
STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1200.0)


def drawing(title: str, rows: Sequence[TuningRow], checked: Points = ()) -> str:
    """An SVG of two strips, each with its own scale in cents.

    Args:
        title: stands above it.
        rows: the readings; those that were left out are drawn hollow.
        checked: notes that were heard once more with the tuning, and their cents. Where there are
            none, the second strip has what the readings leave by the tuning's own account.

    Returns:
        The drawing; it needs nothing else.
    """
    before = [(row["note"], row["before"]) for row in rows]
    hollow = {i for i, row in enumerate(rows) if row["left_out"]}
    after = list(checked) or [(row["note"], row["after"]) for row in rows if not row["left_out"]]
    words = "checked: heard with the tuning" if checked else "after: what the readings leave"
    notes = [note for note, _ in (*before, *after)] or [60.0, 72.0]
    low, high = min(notes), max(max(notes), min(notes) + 1.0)
    height = HEAD + 2.0 * (TALL + GAP)
    parts = [
        svg.element("rect", width=WIDTH, height=height, fill="#ffffff"),
        svg.text(10.0, 20.0, title, fill=INK, font_size=15),
    ]
    said = f"before, worst {_worst(before, hollow)} cents"
    parts += _strip(HEAD, said, before, hollow, (low, high))
    below = HEAD + TALL + GAP
    said = f"{words}, worst {_worst(after, set())} cents"
    parts += _strip(below, said, after, set(), (low, high))
    return svg.picture(
        WIDTH, height, parts, f"{title}: cents off at each note", font_family="sans-serif"
    )


def _worst(points: Points, hollow: set[int]) -> str:
    most = max((abs(cents) for i, (_, cents) in enumerate(points) if i not in hollow), default=0.0)
    return f"{most:.2f}" if most < 10.0 else f"{most:.1f}"


def _strip(
    top: float, words: str, points: Points, hollow: set[int], span: tuple[float, float]
) -> list[str]:
    low, high = span
    most = max((abs(cents) for _, cents in points), default=0.0)
    reach = next((step for step in STEPS if most <= step), most)

    def x(note: float) -> float:
        return LEFT + 12.0 + (WIDTH - LEFT - RIGHT - 24.0) * (note - low) / (high - low)

    def y(cents: float) -> float:
        return top + TALL * (reach - cents) / (2.0 * reach)

    parts = [svg.text(LEFT, top - 5.0, words, fill=PALE, font_size=12)]
    for cents in (-reach, 0.0, reach):
        stroke = INK if cents == 0.0 else RULE
        parts.append(svg.line(LEFT, y(cents), WIDTH - RIGHT, y(cents), stroke=stroke))
        label = "0" if cents == 0.0 else f"{cents:+g}".replace("-", "−")
        parts.append(
            svg.text(LEFT - 8.0, y(cents) + 4.0, label, fill=PALE, font_size=12, text_anchor="end")
        )
    kept = [(x(n), y(c)) for i, (n, c) in enumerate(points) if i not in hollow]
    if len(kept) > 1:
        parts.append(svg.path(kept, stroke=MARK, stroke_width=1.2))
    for i, (note, cents) in enumerate(points):
        parts.append(
            svg.element(
                "circle",
                svg.element("title", f"{note_name(round(note))}: {cents:+.2f} cents"),
                cx=x(note),
                cy=y(cents),
                r=4.0,
                fill="none" if i in hollow else MARK,
                stroke=MARK,
            )
        )
    for note in range(int(-(-low // 12) * 12), int(high) + 1, 12):
        parts.append(
            svg.text(
                x(note),
                top + TALL + 16.0,
                note_name(note),
                fill=PALE,
                font_size=12,
                text_anchor="middle",
            )
        )
    return parts
