"""What hosts, cables and computers do to a clock: seeded cases, each with its tolerance.

The three kinds of lateness are those of `support.clocks`. Where a tolerance is not from a
requirement it is what the follower keeps with some room: a change that makes it worse fails here.
"""

from __future__ import annotations

import statistics

import pytest
from support.band import Band
from support.clocks import (
    MODELS,
    MS,
    Heard,
    Late,
    both_ways,
    clock,
    clocks_to_follow,
    deviation,
    exact,
    gauss,
    period,
    ramp,
    ratio,
    rough_frames,
    stamps,
    steady,
    tails,
)

SEEDS = range(3)
models = pytest.mark.parametrize("late", MODELS.values(), ids=MODELS.keys())


class TestSteady:
    @pytest.mark.parametrize(
        ("late", "least"), [(MODELS["gauss"], 8), (MODELS["frames"], 10), (MODELS["tails"], 20)]
    )
    @pytest.mark.parametrize("seed", SEEDS)
    def test_predictions_are_steadier_than_the_stamps_and_not_biased(
        self, late: Late, least: float, seed: int
    ) -> None:
        gain, bias = ratio(128, late, seed, count=1000, skip=500)
        assert gain >= least
        assert abs(bias) <= 0.3

    @pytest.mark.parametrize("seed", SEEDS)
    def test_a_late_sender_behind_usb_frames(self, seed: int) -> None:
        """The early edge is soft here: the hardest case for a line along it."""
        gain, bias = ratio(128, rough_frames, seed, count=1000, skip=600)
        assert gain >= 7
        assert abs(bias) <= 0.1

    @models
    @pytest.mark.parametrize("bpm", [20, 63, 240, 400])
    def test_at_the_ends_of_the_range(self, late: Late, bpm: float) -> None:
        times = steady(bpm, 700)
        heard = Heard().feed(stamps(times, late, 1))
        # At 20 bpm a clock is 125 frames and a little: lateness creeps through a whole frame.
        limit = 1.1 if late is MODELS["frames"] and bpm == 20 else 0.3
        assert max(map(abs, heard.errors_ms(times, 400))) < limit
        assert heard.follower.index == 700
        assert heard.follower.bpm == pytest.approx(bpm, abs=0.05)

    @pytest.mark.parametrize("seed", SEEDS)
    def test_jitter_both_ways(self, seed: int) -> None:
        """With +-2 ms at the input, at most 0.7 ms RMS at the output, reading +-0.2 bpm."""
        times = steady(120, 1000)
        heard = Heard().feed(stamps(times, both_ways, seed))
        assert deviation(heard.errors_ms(times, 100)) <= 0.7
        assert all(abs(bpm - 120) <= 0.2 for bpm in heard.shown[96:])

    def test_locked_after_six_clocks(self) -> None:
        heard = Heard()
        times = stamps(steady(128, 7), gauss, 0)
        states = []
        for ns in times:
            heard.feed([ns])
            states.append(heard.follower.state(ns))
        assert states == ["waiting"] * 5 + ["locked"] * 2

    @models
    @pytest.mark.parametrize("bpm", [60, 128, 200])
    def test_a_bad_beginning_costs_no_clock(self, late: Late, bpm: float) -> None:
        """The first intervals may be half as long as they should: the count holds, and the line
        is right within half a beat. (Seeds 84 and 113: one of the first three is 8 ms late.)"""
        times = steady(bpm, 30)
        for seed in (*range(15), 84, 113):
            heard = Heard().feed(stamps(times, late, seed))
            assert heard.steps == [1] * 30
            assert max(map(abs, heard.errors_ms(times, 12))) < 2.5


class TestTempo:
    @pytest.mark.slow
    @models
    @pytest.mark.parametrize(("low", "high"), [(128, 138), (128, 118)])
    def test_a_jump_of_ten_is_followed_within_eight_clocks(
        self, late: Late, low: float, high: float
    ) -> None:
        """To within 3 ms, for good, whatever the seed."""
        worst = max(clocks_to_follow(low, high, late, seed) for seed in range(40))
        assert worst <= 8

    @models
    @pytest.mark.parametrize(
        ("low", "high"), [(60, 70), (70, 60), (180, 190), (190, 180), (100, 160), (160, 100)]
    )
    def test_other_jumps_within_half_a_beat(self, late: Late, low: float, high: float) -> None:
        worst = max(clocks_to_follow(low, high, late, seed) for seed in range(5))
        assert worst <= 12

    @models
    @pytest.mark.parametrize(("low", "high"), [(64, 128), (128, 64), (80, 120), (120, 80)])
    def test_another_beat_altogether_keeps_the_count(
        self, late: Late, low: float, high: float
    ) -> None:
        """Half and double look like lost and doubled clocks at first: the count must hold.

        (With seed 35 a late stamp hides the new beat until the line has found it by itself.)"""
        times = clock([low] * 200 + [high] * 99)
        for seed in (*SEEDS, 35):
            heard = Heard().feed(stamps(times, late, seed))
            assert heard.follower.index == 300
            assert heard.follower.bpm == pytest.approx(high, rel=0.01)

    @models
    @pytest.mark.parametrize(("low", "high"), [(120, 140), (140, 120)])
    def test_a_ramp_over_eight_bars(self, late: Late, low: float, high: float) -> None:
        times = clock([low] * 500 + ramp(low, high, 768) + [high] * 200)
        for seed in SEEDS:
            heard = Heard().feed(stamps(times, late, seed))
            errors = heard.errors_ms(times, 500)
            assert max(map(abs, errors)) < 3.2
            assert statistics.fmean(map(abs, errors)) < 0.6
            assert heard.follower.index == len(times)

    @models
    @pytest.mark.parametrize(("low", "high"), [(120, 160), (160, 120)])
    def test_a_steep_ramp_over_two_bars(self, late: Late, low: float, high: float) -> None:
        times = clock([low] * 300 + ramp(low, high, 192) + [high] * 200)
        for seed in SEEDS:
            errors = Heard().feed(stamps(times, late, seed)).errors_ms(times, 300)
            assert max(map(abs, errors)) < 4.5
            assert statistics.fmean(map(abs, errors)) < 0.6

    @models
    def test_the_reading_settles_on_a_new_tempo(self, late: Late) -> None:
        times = clock([128] * 400 + [138] * 199)
        heard = Heard().feed(stamps(times, late, 3))
        assert heard.shown[399] == pytest.approx(128, abs=0.2)
        assert heard.shown[400 + 48] == pytest.approx(138, abs=1)
        assert heard.shown[400 + 96] == pytest.approx(138, abs=0.2)


class TestFaults:
    @models
    @pytest.mark.parametrize("change", [-1, 1])
    def test_a_single_clock_too_few_or_too_many_is_never_made_up(
        self, late: Late, change: int
    ) -> None:
        """Hosts count, and no transport loses single clocks: each stamp is the next clock. The
        line is one clock away then, and found again within two beats."""
        for seed in SEEDS:
            times = steady(128, 600)
            arrivals = stamps(times, late, seed)
            if change < 0:
                del arrivals[400]
            else:
                arrivals.insert(401, arrivals[400] + 300_000)
            heard = Heard().feed(sorted(arrivals))
            assert heard.follower.index == heard.follower.pulses == 600 + change
            assert heard.follower.lost_clocks == 0
            moved = [t - change * period(128) for t in times]
            errors = [
                (guess - moved[due - 1]) / MS
                for due, guess in heard.next[448:]
                if due <= len(moved)
            ]
            assert max(map(abs, errors)) < 0.6

    @pytest.mark.parametrize("count", [3, 6, 12])
    def test_a_burst_after_a_pause_moves_nothing(self, count: int) -> None:
        """A computer that stalls and then delivers all at once."""
        for seed in SEEDS:
            times = steady(128, 600)
            arrivals = stamps(times, gauss, seed)
            arrivals[400 : 400 + count] = [
                arrivals[400 + count - 1] + i * 100_000 for i in range(count)
            ]
            heard = Heard().feed(arrivals)
            assert heard.follower.index == 600
            assert max(map(abs, heard.errors_ms(times, 401))) < 0.6

    def test_every_clock_doubled_is_one_clock(self) -> None:
        """Two cables, one clock: pairs 3 ms apart."""
        times = steady(128, 400)
        arrivals = sorted(stamps(times, exact, 0) + [round(t + 3 * MS) for t in times])
        heard = Heard().feed(arrivals)
        assert heard.follower.bpm == pytest.approx(128, abs=0.1)


def host_clock(band: Band, times: list[int]) -> None:
    for ns in times:
        band.host(ns, "pulse")


def assert_in_step(band: Band, times: list[float], within_ms: float, first: int = 0) -> None:
    """Every sixteenth once and in order, each at the time of its clock."""
    assert band.steps == list(range(first, first + len(band.steps)))
    for step, ns in band.played:
        if step * 6 < len(times):
            assert abs(ns - times[step * 6]) <= within_ms * MS, f"step {step}"


@pytest.mark.slow
class TestDropOut:
    @models
    @pytest.mark.parametrize("gone_s", [0.2, 1.0, 8.0])
    def test_the_cable_falls_out_and_comes_back(self, late: Late, gone_s: float) -> None:
        """Freewheel, then in phase again; no step left out or played twice."""
        for seed in (0, 1):
            times = steady(128, 1500)
            arrivals = stamps(times, late, seed)
            gone = [
                i for i, ns in enumerate(arrivals) if not 0 <= ns - arrivals[600] < gone_s * 1e9
            ]
            band = Band()
            band.host(arrivals[0] - MS, "start")
            host_clock(band, [arrivals[i] for i in gone])
            assert band.states == ["waiting", "locked", "alone", "locked"]
            assert_in_step(band, times, 3)
            assert len(band.steps) >= 249

    @models
    def test_the_host_stalls_and_goes_on_in_another_phase(self, late: Late) -> None:
        """The clock stands still for 2.37 s and goes on: half a clock off our own count at most,
        and in its phase within a bar (96 clocks)."""
        for seed in (0, 1):
            before = steady(128, 600)
            after = steady(128, 600, before[-1] + 2.37e9)
            arrivals = stamps(before + after, late, seed)
            band = Band()
            band.host(arrivals[0] - MS, "start")
            host_clock(band, arrivals)
            assert band.steps == list(range(len(band.steps)))
            follower = band.follower
            ahead = follower.time_of_clock(follower.index + 1) - (after[-1] + period(128))
            assert abs(ahead) < 0.5 * MS
            settled = [ns for _, ns in band.played if ns > after[96]]
            off = [((ns - after[0]) / period(128) + 0.5) % 1 - 0.5 for ns in settled]
            assert max(map(abs, off)) * period(128) < 1 * MS

    @pytest.mark.parametrize("late", [MODELS["gauss"], MODELS["frames"]], ids=["gauss", "frames"])
    @pytest.mark.parametrize("gap_s", [0.3, 0.5021, 2.37])
    def test_a_new_phase_is_taken_at_once(self, late: Late, gap_s: float) -> None:
        """From the second clock after the return on, whatever the phase."""
        for seed in SEEDS:
            before = steady(128, 300)
            after = steady(128, 60, before[-1] + gap_s * 1e9)
            heard = Heard().feed(stamps(before + after, late, seed))
            for k in range(2, 60):
                _, guess = heard.next[300 + k - 1]
                off = ((guess - after[k]) / period(128) + 0.5) % 1 - 0.5
                assert abs(off * period(128)) < 2 * MS

    @models
    def test_it_comes_back_with_another_tempo(self, late: Late) -> None:
        for seed in (0, 1):
            before = steady(128, 400)
            after = steady(122, 400, before[-1] + 1.5e9)
            band = Band()
            arrivals = stamps(before + after, late, seed)
            band.host(arrivals[0] - MS, "start")
            host_clock(band, arrivals)
            assert band.steps == list(range(len(band.steps)))
            assert band.follower.bpm == pytest.approx(122, abs=0.2)

    def test_lost_after_half_a_minute(self) -> None:
        heard = Heard().feed(stamps(steady(128, 100), gauss, 0))
        last = round(steady(128, 100)[-1])
        state = heard.follower.state
        assert state(last + 50 * MS) == "locked"
        assert state(last + 70 * MS) == "alone"
        assert state(last + 29_000 * MS) == "alone"
        assert state(last + 31_000 * MS) == "lost"


class TestTransport:
    @models
    def test_clocks_before_start_lock_and_move_nothing(self, late: Late) -> None:
        for seed in SEEDS:
            times = steady(128, 400)
            arrivals = stamps(times, late, seed)
            band = Band()
            host_clock(band, arrivals[:200])
            assert band.played == []
            band.host(arrivals[199] + MS, "start")
            host_clock(band, arrivals[200:])
            assert band.landed == [(0, arrivals[200])]
            assert_in_step(band, times[200:], 1)
            assert band.steps[-1] == 199 // 6

    @models
    @pytest.mark.parametrize("phase", [0.05, 0.3, 0.5, 0.8])
    def test_a_start_with_a_phase_of_its_own(self, late: Late, phase: float) -> None:
        """A host that lets its clock run and restarts it with Start."""
        for seed in SEEDS:
            idle = steady(128, 200)
            times = steady(128, 200, idle[-1] + phase * period(128))
            idle_stamps = stamps(idle, late, seed)
            arrivals = stamps(times, late, seed + 100)
            start = max(idle_stamps[-1], round(times[0]) - MS)
            band = Band()
            host_clock(band, idle_stamps)
            band.host(start, "start")
            host_clock(band, [max(ns, start) for ns in arrivals])
            assert band.landed[0][0] == 0
            assert_in_step(band, times, 8)
            assert_in_step_late(band, times, 0.7, after=16)

    @models
    def test_stop_and_continue(self, late: Late) -> None:
        """Stop after clock 99, the clock runs on, Continue: clock 100 follows."""
        for seed in SEEDS:
            times = steady(128, 500)
            arrivals = stamps(times, late, seed)
            band = Band()
            band.host(arrivals[0] - MS, "start")
            host_clock(band, arrivals[:100])
            band.host(arrivals[99] + 1, "stop")
            host_clock(band, arrivals[100:300])
            assert band.steps[-1] <= 16
            played = len(band.steps)
            band.host(arrivals[299] + 1, "continue")
            host_clock(band, arrivals[300:])
            assert band.landed[1] == (100, arrivals[300])
            shift = times[300] - times[100]
            again = band.played[played:]
            assert [step for step, _ in again] == list(range(17, 17 + len(again)))
            for step, ns in again:
                assert abs(ns - times[step * 6] - shift) < 1 * MS

    def test_song_position_while_stopped(self) -> None:
        times = steady(120, 300)
        arrivals = stamps(times, tails, 5)
        band = Band()
        host_clock(band, arrivals[:100])
        band.host(arrivals[99] + 1, "position", 8)
        band.host(arrivals[99] + 2, "continue")
        host_clock(band, arrivals[100:])
        assert band.landed == [(48, arrivals[100])]
        assert band.steps == list(range(8, 8 + len(band.steps)))
        assert abs(band.played[4][1] - times[124]) < 1 * MS

    @models
    def test_a_host_that_loops(self, late: Late) -> None:
        """Song Position back to bar 1 on every second bar, without a Stop: steps 0..31 again and
        again, each on its clock, the downbeats too."""
        for seed in SEEDS:
            times = steady(128, 192 * 4)
            arrivals = stamps(times, late, seed)
            band = Band()
            band.host(arrivals[0] - MS, "start")
            for i, ns in enumerate(arrivals):
                if i and i % 192 == 0:
                    before_it = max(arrivals[i - 1], round(times[i]) - 3 * MS)
                    band.host(before_it, "position", 0)
                band.host(ns, "pulse")
            assert [c for c, _ in band.landed] == [0, 0, 0, 0]
            assert band.steps == list(range(32)) * 4
            for n, (step, ns) in enumerate(band.played):
                late_ms = (ns - times[n * 6]) / MS
                assert -0.6 < late_ms < (9 if step == 0 else 0.6)

    def test_a_double_start_and_one_while_running(self) -> None:
        times = steady(128, 200)
        arrivals = stamps(times, gauss, 2)
        band = Band()
        band.host(arrivals[0] - 2 * MS, "start")
        band.host(arrivals[0] - MS, "start")
        host_clock(band, arrivals[:50])
        band.host(arrivals[49] + 1, "start")
        host_clock(band, arrivals[50:])
        assert [c for c, _ in band.landed] == [0, 0]
        assert band.steps[:9] == list(range(9))
        assert band.steps[9:] == list(range(len(band.steps) - 9))

    def test_mode_messages_change_nothing(self) -> None:
        times = steady(128, 200)
        arrivals = stamps(times, gauss, 2)
        plain, noisy = Band(), Band()
        for band in (plain, noisy):
            band.host(arrivals[0] - MS, "start")
            for ns in arrivals:
                band.host(ns, "pulse")
                if band is noisy:
                    band.host(ns, "mode", 123)
        assert plain.played == noisy.played


def assert_in_step_late(band: Band, times: list[float], within_ms: float, after: int) -> None:
    late = [(step, ns) for step, ns in band.played if step >= after and step * 6 < len(times)]
    assert late
    for step, ns in late:
        assert abs(ns - times[step * 6]) <= within_ms * MS, f"step {step}"
