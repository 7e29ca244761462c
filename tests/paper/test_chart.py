"""A take as a picture: what stands in the SVG, held against the take's own rows and its moves."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator

import pytest
from support.taped import BEGIN, Evening

from bridge.files.take import Take
from bridge.music.model import SetSpec
from bridge.paper import chart_pages
from bridge.paper.chart import Chart, Followed, Hits, Line, Span, lanes_of, length_words
from bridge.paper.chart_pages import EDGE, HEIGHT, WIDTH, draw, layout, printed
from bridge.paper.take_chart import chart_of

BAR = 3840
BAR_NS = 240_000_000_000 // 126
"""A bar of 4/4 at the demo's 126 BPM."""


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Take:
    """Eight bars: rim muted from bar 3 to bar 5, brightness to 1 in bar 4, flood from bar 6."""
    evening = Evening(tmp_path_factory.mktemp("state"))
    evening.do("start")
    begin = evening.player.song.time_of(0)

    def until(bar: float) -> None:
        evening.run((begin + bar * BAR_NS - evening.now) / 1e6)

    until(1.5)
    evening.do("mute", lane="rim", muted=True, when="bar")
    until(3.5)
    evening.do("macro", macro="brightness", value=1.0)
    evening.do("mute", lane="rim", muted=False, when="bar")
    until(4.5)
    evening.do("section", section="flood", when="bar")
    until(8)
    evening.now += 20_000_000  # the computer does something else for 20 ms
    evening.run(1)
    evening.stop()
    made = evening.take()
    evening.recorder.end(evening.now / 1e9)
    assert begin > BEGIN
    return made


def texts(picture: str) -> list[str]:
    return [el.text or "" for el in ET.fromstring(picture).iter() if el.tag.endswith("}text")]


def drawn(picture: str, kind: str) -> Iterator[ET.Element]:
    return (el for el in ET.fromstring(picture).iter() if el.get("class") == kind)


def test_every_hit_that_was_recorded_has_a_stroke(take: Take) -> None:
    hits = sum(row[3] == "hit" for row in take.events)
    picture = draw(chart_of(take))
    assert hits > 100
    assert sum(el.attrib["d"].count("M") for el in drawn(picture, "new")) == hits


def test_mutes_macros_and_sections_are_where_hands_put_them(take: Take) -> None:
    chart = chart_of(take, name="First light")
    assert chart.title.startswith("First light: Low tide on Quay rack, 7 March 2026")
    (rim,) = [lane for lane in chart.lanes if lane.name == "rim"]
    assert list(rim.muted) == [Span(2 * BAR, 4 * BAR)]
    assert list(chart.sections) == [(5 * BAR, "flood")]
    (knob,) = [line for line in chart.macros if line.name == "brightness"]
    assert knob.points[0] == (0, 0.3)  # as the set has it
    moved = next(place for place, value in knob.points if value == 1.0)
    assert moved == pytest.approx(3.5 * BAR, abs=10)
    assert knob.points[-1][1] == 0.8  # as the section has it


def test_what_was_late_is_marked_and_said(take: Take) -> None:
    chart = chart_of(take)
    late = [ns for ns in take.late if ns > 6_000_000]
    assert 0 < len(late) == len(chart.late)
    assert f"{len(late)} of {len(take.late)} messages left more than 6 ms late" in chart.about
    assert f"{max(late) / 1e6:.0f} ms" in texts(draw(chart))
    assert next(drawn(draw(chart), "late"), None) is not None


def test_it_is_a4_and_no_letter_is_below_ten_points(take: Take) -> None:
    """ISO 216: A4 is 210 mm by 297 mm; a point is 1/72 of an inch."""
    root = ET.fromstring(draw(chart_of(take)))
    assert (root.get("width"), root.get("height")) == ("297mm", "210mm")
    assert pytest.approx((297 * 72 / 25.4, 210 * 72 / 25.4), abs=0.01) == (WIDTH, HEIGHT)
    sizes = [float(el.attrib["font-size"]) for el in root.iter() if "font-size" in el.attrib]
    assert min(sizes) == 10.0
    strokes = {el.get(at) for el in root.iter() for at in ("fill", "stroke")} - {None, "none"}
    for colour in strokes:  # no hue that a black and white print would lose the meaning of
        assert re.fullmatch(r"#[0-9a-f]{3}|#[0-9a-f]{6}", str(colour))


def long_chart(bars: int, lanes: int = 16) -> Chart:
    hits = [
        Hits(f"lane-{n}", [(240 * k, 0.5) for k in range(n, bars * 16, n + 1)])
        for n in range(lanes)
    ]
    wave = Line("wave", [(480 * k, float(k % 7)) for k in range(bars * 8)], 0.0, 6.0, "0 to 6 V")
    sections = [(8 * BAR * k, f"part-{k % 5}") for k in range(bars // 8)]
    return Chart("Long", "", BAR, bars, [*hits, wave], [], sections, [(0, 126.0)])


@pytest.mark.parametrize(("bars", "pages"), [(1, 1), (32, 1), (400, 4), (1890, 4), (20_000, 4)])
def test_an_hour_and_more_fits_on_four_pages(bars: int, pages: int) -> None:
    chart = long_chart(bars, 4 if bars > 5000 else 16)
    placed = layout(chart)
    assert len(placed.pages) <= pages
    blocks = [block for page in placed.pages for block in page]
    assert sum(block.bars for block in blocks) == bars
    for page in placed.pages:
        high = sum(placed.block_height(block) for block in page)
        assert high <= HEIGHT - 2 * EDGE - chart_pages.HEAD - chart_pages.FOOT + 1e-6
    picture = draw(chart)
    assert len(picture) < 2_000_000
    for el in ET.fromstring(picture).iter():
        for at in ("x", "x1", "x2"):
            assert -0.01 <= float(el.get(at, "0")) <= WIDTH


def test_more_lanes_than_a_page_has_room_for_go_on_below() -> None:
    placed = layout(long_chart(16, 100))
    names = [line.name for page in placed.pages for block in page for line in block.lines]
    assert sorted(names) == sorted([f"lane-{n}" for n in range(100)] + ["wave"])


def test_bars_in_a_row_can_be_asked_for() -> None:
    assert len(layout(long_chart(64), 8).pages) == 4  # eight rows, two on a page
    assert printed(long_chart(64), 8).count("<svg") == 4


def test_a_section_without_room_for_its_name_is_counted() -> None:
    chart = long_chart(64, 2)
    crowded = [(BAR // 4 * k, f"a-long-name-{k}") for k in range(64)]
    chart = Chart("x", "", BAR, 64, chart.lanes, [], crowded, [(0, 120.0)])
    picture = draw(chart)
    named = {text for text in texts(picture) if text.startswith("a-long-name")}
    (said,) = [text for text in texts(picture) if "names of sections" in text]
    assert re.search(rf"{64 - len(named)} names of sections had no room", said)


def test_names_are_text_and_nothing_else() -> None:
    name = "<script>&"
    chart = Chart(name, name, BAR, 4, [], [], [(0, name)], [(0, 120.0)])
    assert texts(draw(chart))[0] == name
    assert "<script>" not in printed(chart)


def test_lanes_of_another_set_come_after() -> None:
    spec = SetSpec("x")
    rows = [(0, "new", "hit", 1.0), (5, "tune", "pitch", 60.0), (9, "tune", "pitch", 64.0)]
    hits, line = lanes_of(spec, rows, Followed())
    assert isinstance(hits, Hits)
    assert isinstance(line, Line)
    assert (line.scale, line.joined) == ("C4 to E4", False)  # middle C is 60 (MIDI 1.0, p. 10)


def test_lengths_are_said_in_minutes_and_hours() -> None:
    assert length_words(1, 2.0) == "1 bar, 0:02"
    assert length_words(1890, 3725.0) == "1890 bars, 1:02:05"
    assert long_chart(126).seconds(126 * BAR) == pytest.approx(240.0)
