"""What waits for the recorder: every message once and in order, sizes that end at nothing."""

from hypothesis import given
from hypothesis import strategies as st

from rig.record.backlog import BLOCK, Backlog
from rig.record.wire import Unpacker, pack


def sent(backlog: Backlog) -> list[tuple[int, str]]:
    """Take all that is to be sent; return the numbers and methods."""
    found = []
    while (message := backlog.next_unsent()) is not None:
        number, method, _ = Unpacker().feed(message)[0]
        found.append((number, method))
    return found


def filled(count: int, start: int = 0) -> Backlog:
    backlog = Backlog(start)
    for number in range(start + 1, start + count + 1):
        backlog.add(pack((number, "event", ("text",))))
    return backlog


@given(
    st.lists(st.integers(0, 3 * BLOCK), max_size=5),
    st.integers(0, 3 * BLOCK),
    st.sampled_from([0, 1, BLOCK - 1, BLOCK, 2 * BLOCK + 7]),
)
def test_what_is_not_durable_is_sent_again_in_order_and_the_rest_is_freed(
    durable: list[int], count: int, start: int
) -> None:
    backlog = filled(count, start)
    assert sent(backlog) == [(n, "event") for n in range(start + 1, start + count + 1)]
    for number in durable:
        backlog.acknowledge(start + min(number, count))
        backlog.let_go()
    backlog.send_again()
    reached = start + min(max(durable, default=0), count)
    assert sent(backlog) == [(n, "event") for n in range(reached + 1, start + count + 1)]
    backlog.acknowledge(start + count)
    while backlog.let_go():
        pass
    assert backlog.size == 0


def test_a_step_of_letting_go_frees_a_block_at_the_most() -> None:
    backlog = filled(10 * BLOCK)
    before = backlog.size
    backlog.acknowledge(10 * BLOCK)
    assert backlog.size == before
    sizes = [backlog.size]
    while sizes[-1]:
        backlog.let_go()
        sizes.append(backlog.size)
    assert len(sizes) == 11


def test_of_messages_that_replace_each_other_only_the_newest_of_each_kind_is_sent() -> None:
    backlog = Backlog()
    for number in range(1, 9):
        kind = "status" if number % 3 == 0 else "restart_point"
        backlog.add(pack((number, kind, (bytes(1000),))), replaces=kind)
    assert backlog.size < 4000
    newest = [(6, "status"), (7, "nothing"), (8, "restart_point")]
    assert sent(backlog) == [(n, "nothing") for n in range(1, 6)] + newest


def test_an_emptied_message_keeps_its_number_and_a_durable_one_is_left_alone() -> None:
    backlog = filled(3)
    backlog.acknowledge(1)
    backlog.empty(1)
    backlog.empty(2)
    assert sent(backlog) == [(2, "nothing"), (3, "event")]
