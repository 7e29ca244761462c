"""Steps, sweeps and the two stacks."""

from __future__ import annotations

from typing import Any

from bridge.control.history import MERGE_S, STEPS_MOST, History, Step, TextChange


def change(text: str) -> TextChange:
    return TextChange(text, "low-tide.yaml")


def step(label: str, at: float = 0.0, client: str = "page 1", sweep: Any = None) -> Step:
    return Step(label, client, at, (change(f"not {label}"),), (change(label),), sweep)


def test_undo_goes_back_in_order_and_redo_forward() -> None:
    history = History()
    for label in "abc":
        history.add(step(label))
    assert [s.label for s in (history.take_undo(), history.take_undo()) if s] == ["c", "b"]
    assert history.summary() == {"undo": 1, "redo": 2, "undo_label": "a", "redo_label": "b"}
    again = history.take_redo()
    assert again is not None
    assert again.redo == (change("b"),)


def test_labels_begin_with_the_step_that_is_next() -> None:
    history = History()
    for label in "abcd":
        history.add(step(label))
    history.take_undo()
    history.take_undo()
    assert history.labels() == (["b", "a"], ["c", "d"])


def test_something_new_forgets_what_was_undone() -> None:
    history = History()
    history.add(step("a"))
    history.take_undo()
    history.add(step("b"))
    assert history.take_redo() is None
    assert history.summary()["undo"] == 1


def test_at_least_a_hundred_steps_are_kept_and_not_without_end() -> None:
    history = History()
    for number in range(1000):
        history.add(step(str(number)))
    assert history.summary()["undo"] == STEPS_MOST >= 100


def test_a_sweep_is_one_step_back_to_where_it_began() -> None:
    history = History()
    for number in range(30):
        history.add(step(f"m {number}", at=number * 0.05, sweep=("macro", "m")))
    assert history.summary()["undo"] == 1
    taken = history.take_undo()
    assert taken is not None
    assert (taken.undo, taken.redo) == ((change("not m 0"),), (change("m 29"),))


def test_a_pause_another_hand_or_another_control_ends_a_sweep() -> None:
    history = History()
    history.add(step("a", at=0, sweep=("macro", "m")))
    history.add(step("b", at=MERGE_S + 0.1, sweep=("macro", "m")))
    history.add(step("c", at=MERGE_S + 0.2, sweep=("macro", "m"), client="page 2"))
    history.add(step("d", at=MERGE_S + 0.3, sweep=("macro", "n"), client="page 2"))
    assert history.summary()["undo"] == 4


def test_after_an_undo_a_move_does_not_melt_into_the_step_before() -> None:
    history = History()
    history.add(step("a", at=0, sweep=("macro", "m")))
    history.take_undo()
    history.take_redo()
    history.add(step("b", at=0.1, sweep=("macro", "m")))
    assert history.summary()["undo"] == 2


def test_a_step_that_never_can_be_taken_is_forgotten() -> None:
    history = History()
    history.add(step("a"))
    history.add(step("b"))
    taken = history.take_undo()
    assert taken is not None
    history.drop(taken, undone=True)
    assert history.summary() == {"undo": 1, "redo": 0, "undo_label": "a", "redo_label": ""}
    history.take_undo()
    taken = history.take_redo()
    assert taken is not None
    history.drop(taken, undone=False)
    assert history.summary()["undo"] == 0


def test_a_step_that_could_not_be_taken_goes_back_where_it_was() -> None:
    history = History()
    history.add(step("a"))
    taken = history.take_undo()
    assert taken is not None
    history.put_back(taken, undone=True)
    assert history.summary() == {"undo": 1, "redo": 0, "undo_label": "a", "redo_label": ""}
    history.take_undo()
    taken = history.take_redo()
    assert taken is not None
    history.put_back(taken, undone=False)
    assert history.summary()["redo"] == 1


def test_a_step_that_was_taken_does_not_return_on_top_of_what_was_done_since() -> None:
    history = History()
    history.add(step("a"))
    taken = history.take_undo()
    assert taken is not None
    history.add(step("b"))
    history.put_back(taken, undone=True)
    history.drop(taken, undone=True)
    assert history.labels() == (["b"], [])
