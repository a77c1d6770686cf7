"""Independent work side by side."""

import threading

import pytest

from calibration.side_by_side import side_by_side


def test_results_stand_in_the_order_of_what_they_are_made_from():
    first_waits = threading.Event()

    def work(number):
        if number == 0:
            assert first_waits.wait(10)
        if number == 1:
            first_waits.set()
        return 2 * number

    assert side_by_side(work, range(5)) == [0, 2, 4, 6, 8]


def test_one_thing_is_done_where_it_is_asked_for():
    assert side_by_side(lambda _: threading.current_thread(), [1]) == [threading.current_thread()]
    assert side_by_side(str, []) == []


def test_an_error_reaches_the_caller():
    with pytest.raises(ZeroDivisionError):
        side_by_side(lambda number: 1 / number, [1, 0, 2])
