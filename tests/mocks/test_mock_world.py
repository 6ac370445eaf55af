import pytest

from mocks.world import World


def test_mock_lets_events_happen_in_order_of_time_then_of_planning() -> None:
    world, seen = World(), []
    for due_ns, name in ((5, "late"), (3, "first"), (3, "second"), (9, "never")):
        world.at(due_ns, seen.append, name)
    world.run(5)
    assert seen == ["first", "second", "late"]
    assert (world.now_ns, world.due_ns()) == (5, 9)


def test_mock_tells_an_event_its_own_time_and_takes_what_it_plans() -> None:
    world, seen = World(), []

    def again(left: int) -> None:
        seen.append(world.now_ns)
        if left:
            world.at(world.now_ns + 10, again, left - 1)

    world.at(0, again, 3)
    world.run(25)
    assert seen == [0, 10, 20]
    assert world.now_ns == 25


def test_mock_time_never_goes_back() -> None:
    world = World()
    world.run(10)
    world.run(4)
    assert world.now_ns == 10
    with pytest.raises(AssertionError):
        world.at(9, print, None)
