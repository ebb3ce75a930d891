"""Two hearings made into one list of guesses."""

from __future__ import annotations

import math

import pytest

from capture.speech import Recogniser, Word
from capture.speech.guesses import HOPELESS, SECOND_WEIGHT, SHARPNESS, STRANGE, UNNAMED, Way, shares, united
from tests.speech.test_recogniser import SENTENCES, pcm

NAME = "pressure"


def way(text: str, score: float, at: float = 0.0) -> Way:
    return tuple(Word(word, at + 0.3 * i, at + 0.3 * i + 0.25, 1.0) for i, word in enumerate(text.split())), score


def scores(first: list[Way], second: list[Way]) -> dict[str, float]:
    return {guess.text: guess.score for guess in united(first, second)}


def test_both_hearings_are_added_and_what_one_does_not_name_is_worse_than_all_it_names() -> None:
    found = scores(
        [way("two", 400.0), way("ten", 399.0), way("to", 397.0)],
        [way("ten", 90.0), way("two", 89.0), way("tree", 88.0)],
    )
    raw = {
        "two": 0.0 - SECOND_WEIGHT * 1.0,
        "ten": -1.0,
        "to": -3.0 + SECOND_WEIGHT * (-2.0 - UNNAMED),
        "tree": -3.0 - UNNAMED - SECOND_WEIGHT * 2.0,
    }
    top = max(raw.values())
    assert found == pytest.approx({text: score - top for text, score in raw.items()})
    assert list(found) == sorted(raw, key=lambda text: -raw[text])


def test_the_first_hearing_alone_keeps_its_own_order_and_distances() -> None:
    assert scores([way("two", 400.0), way("ten", 398.5)], []) == pytest.approx({"two": 0.0, "ten": -1.5})


def test_sound_that_is_no_word_costs_a_guess_and_becomes_a_doubt() -> None:
    guesses = united([way("two [unk]", 10.0), way("ten", 10.0 - STRANGE / 2)], [])
    assert [(guess.text, len(guess.doubts)) for guess in guesses] == [("ten", 0), ("two", 1)]
    assert guesses[1].doubts[0].kind == "unknown"


def test_that_nothing_was_said_comes_last_and_its_share_counts() -> None:
    guesses = united([way("", 10.0), way("two", 9.5), way("ten", 9.5)], [])
    assert [guess.text for guess in guesses] == ["two", "ten", ""]
    assert guesses[0].score == 0.0
    assert guesses[0].words[0].confidence == pytest.approx(1 / (2 + math.exp(SHARPNESS * 0.5)))


def test_how_little_the_words_fit_better_than_noise_is_the_score_of_nothing_said() -> None:
    guesses = united([way("two", 9.0)], [way("two", 90.0)], 3.0)
    assert [(guess.text, guess.score) for guess in guesses] == [
        ("two", 0.0),
        ("", pytest.approx(-3.0 * (1 + SECOND_WEIGHT))),
    ]


def test_hopeless_guesses_are_left_out() -> None:
    assert list(scores([way("two", 50.0), way("ten", 49.0 - HOPELESS)], [])) == ["two"]


def test_a_word_is_as_sure_as_the_share_of_guesses_that_have_it_there() -> None:
    (first, second) = united([way("two point five", 9.0), way("two point nine", 8.0)], [])
    assert [round(word.confidence, 6) for word in first.words[:2]] == [1.0, 1.0]
    assert first.words[2].confidence + second.words[2].confidence == pytest.approx(1.0)
    assert first.words[2].confidence == pytest.approx(shares([9.0, 8.0])[0])


def test_the_same_word_elsewhere_is_another_word() -> None:
    (first, _) = united([way("five", 9.0), way("five", 9.0, at=5.0)[:1] and way("six five", 9.0, at=5.0)], [])
    assert first.words[0].confidence < 0.9


def test_shares_sum_to_one_whatever_the_size() -> None:
    assert sum(shares([1e6, 1e6 - 3, -1e6])) == pytest.approx(1.0)


def test_a_real_utterance_has_guesses_whose_times_lie_in_its_clip() -> None:
    heard = Recogniser(sentences=SENTENCES).hear(pcm(NAME))
    assert heard
    for one in heard:
        assert one.guesses[0].words == one.words
        for guess in one.guesses:
            for word in guess.words:
                assert one.clip.start_s - 0.1 <= word.start_s <= word.end_s <= one.clip.start_s + one.clip.seconds + 0.1
                assert 0.0 < word.confidence <= 1.0


def test_without_a_second_hearing_there_are_no_guesses() -> None:
    heard = Recogniser(sentences=SENTENCES, two_hearings=False).hear(pcm(NAME))
    assert heard
    assert all(one.guesses == () for one in heard)
