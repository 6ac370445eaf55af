"""The harness finds the highest good place with few questions."""

import pytest

from harness.search import NONE_GOOD, highest_good, most_questions


def asked(count, best):
    """Search among `count` places, good up to `best`; return the answer and the questions."""
    questions = []

    def good(place):
        questions.append(place)
        return place <= best

    return highest_good(count, good), questions


@pytest.mark.parametrize("count", [1, 2, 3, 7, 8, 9, 71, 100])
def test_finds_the_highest_good_place_wherever_it_is(count):
    most = 0
    for best in range(-1, count):
        found, questions = asked(count, best)
        assert found == best
        assert len(set(questions)) == len(questions) <= most_questions(count)
        most = max(most, len(questions))
    assert most == most_questions(count)


def test_asks_once_where_all_is_good():
    assert asked(1000, 999) == (999, [999])


def test_finds_none_among_none():
    assert asked(0, 5) == (NONE_GOOD, [])
    assert most_questions(0) == 0


def test_what_it_returns_was_good_and_the_place_above_it_bad_even_where_good_comes_and_goes():
    for pattern in range(1 << 9):
        heard = {}

        def good(place, pattern=pattern, heard=heard):
            heard[place] = bool(pattern >> place & 1)
            return heard[place]

        found = highest_good(9, good)
        assert found == NONE_GOOD or heard[found]
        assert found == 8 or not heard[found + 1]
