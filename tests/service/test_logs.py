"""The log is no flood: of one kind of line a few, then how many more."""

from __future__ import annotations

import io
import logging

from bridge.service import logs


def made() -> tuple[logging.Logger, logs.Summary, io.StringIO, list[float]]:
    now = [0.0]
    out = io.StringIO()
    summary = logs.Summary(clock=lambda: now[0])
    handler = logging.StreamHandler(out)
    handler.addFilter(summary)
    log = logging.Logger("some")
    log.addHandler(handler)
    return log, summary, out, now


def test_ten_thousand_lines_become_a_few_and_a_count() -> None:
    log, summary, out, now = made()
    for turn in range(10_000):
        log.warning("odd datagram %d", turn)
        if turn == 5000:
            log.error("the one that matters")
    lines = out.getvalue().splitlines()
    assert len(lines) == logs.BURST + 1
    assert "the one that matters" in lines
    assert summary.missed() == []  # not before the window is over
    now[0] += logs.WINDOW_S
    assert summary.missed() == [("test_logs", 10_000 - logs.BURST)]
    assert summary.missed() == []


def test_the_next_line_says_how_many_there_were() -> None:
    log, _, out, now = made()
    for second in (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, logs.WINDOW_S):
        now[0] += second
        log.warning("slow")
    assert out.getvalue().splitlines()[-1] == "slow (and 2 more like this before)"


def test_an_exception_is_told_in_full_a_few_times_only() -> None:
    log, _, out, _ = made()
    for _ in range(100):
        try:
            raise ValueError("bad")
        except ValueError:
            log.exception("failed")
    assert out.getvalue().count("Traceback") == logs.BURST


def test_an_osc_parser_that_complains_of_each_datagram_is_not_heard() -> None:
    _, summary, _, _ = made()
    record = logging.LogRecord(
        "root", logging.WARNING, "/x/pythonosc/osc_message.py", 85, "Unhandled", None, None
    )
    assert not summary.filter(record)
