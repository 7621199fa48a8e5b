"""Answers are found out once, and the one asked for longest ago goes first."""

from __future__ import annotations

from dashboards.kept import Kept


def test_an_answer_is_found_out_once_until_too_many_others_were_asked_for() -> None:
    found = []

    def ask(kept: Kept, question: str) -> str:
        return kept.of(question, lambda: found.append(question) or question.upper())

    kept = Kept(2)
    assert [ask(kept, q) for q in "aabab"] == list("AABAB")
    assert found == ["a", "b"]
    ask(kept, "c")  # "a" was asked for before "b"
    ask(kept, "b")
    assert found == ["a", "b", "c"]
    ask(kept, "a")
    assert found == ["a", "b", "c", "a"]


def test_nothing_is_an_answer_too_and_a_fault_is_none() -> None:
    kept, times = Kept(5), []
    for _ in range(2):
        assert kept.of("none", lambda: times.append(1)) is None
    assert times == [1]
    for _ in range(2):
        try:
            kept.of("fault", lambda: 1 / 0)
        except ZeroDivisionError:
            times.append(2)
    assert times == [1, 2, 2]
