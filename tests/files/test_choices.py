"""What the manual says that a musician would choose by default is what the program starts with."""

from __future__ import annotations

from bridge.files import reference
from bridge.music.model import SETTINGS, Drive, Lane, Logic, Macro, SetSpec
from bridge.music.scale import TRIAD
from bridge.protocol.gestures import Drop
from bridge.protocol.performing import Mute, RecallSection

DRIVE = Drive(out="main.level-1")
STARTS = {name: setting.start for name, setting in SETTINGS.items()}
WRITTEN = {
    "An accent goes all the way to 1, from a level of 0.8": STARTS["accent"] == 1
    and STARTS["level"] == 0.8,
    "A gate is half a step long": STARTS["gate"] == 0.5,
    "A fill plays half of the rests": STARTS["fill_share"] == 0.5,
    "A walk moves by a tenth of its range at most": STARTS["walk_step"] == 0.1
    and (STARTS["low"], STARTS["high"]) == (0, 1),
    "Drift is off, and at most four steps of a pattern may differ": STARTS["drift"] == 0
    and STARTS["drift_bound"] == 4,
    "A drive without a depth goes over the whole range": DRIVE.depth == 1,
    "A macro jumps to where it is put": Macro("m").slew_ms == 0,
    "Sections come on the bar line, mutes at once": Mute(lane="a", muted=True).when == "now"
    and RecallSection(section="b").when == "bar",
    "A drop lasts four bars and ends on a line": Drop(group="drums").return_bars == 4,
    "Swing bends sixteenths, and 54 percent is a usual beginning": SetSpec("s").swing_step == 240,
    "Lanes read their sources after their mutes": Lane("a", Logic("b")).reads == "after-mute",
    "An arpeggio without a chord plays the triad": TRIAD == (1, 3, 5),
}


def test_each_choice_that_is_a_number_is_the_one_that_is_made() -> None:
    text = reference.markdown()
    chapter = text[text.index("## Choices made by default") :].partition("\n# ")[0]
    for choice, made in WRITTEN.items():
        assert f"| `{choice}` |" in chapter, choice
        assert made, choice
