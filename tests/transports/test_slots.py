from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from signalling.layout.words import BoundDevice, Device, Order
from transports.slots import OrderSlots

M1, M2 = Device("signal", "M1"), Device("signal", "M2")
S1 = Device("stop", "S1")
T1 = Device("turnout", "t1")
I1 = Device("indicator", "M1")

ASPECTS = ("danger", "caution", "preliminary-caution", "clear")
DEVICES = (
    BoundDevice(device=M1, orders=ASPECTS),
    BoundDevice(device=M2, orders=ASPECTS),
    BoundDevice(device=S1, orders=("applied", "lifted")),
    BoundDevice(device=T1, reports=("normal",), orders=("normal", "reverse")),
    BoundDevice(device=I1, orders=("dark", "4")),
    BoundDevice(device=Device("detector", "d1"), reports=("clear", "occupied")),
)


def sent(*orders: Order) -> OrderSlots:
    """Slots from which everything has gone out."""
    slots = OrderSlots(DEVICES)
    slots.post(orders)
    slots.take(100)
    return slots


def test_at_first_everything_is_most_restrictive_and_stops_go_first() -> None:
    slots = OrderSlots(DEVICES)
    assert slots.take(100) == (
        Order(S1, "applied"),
        Order(M1, "danger"),
        Order(M2, "danger"),
        Order(I1, "dark"),
    )
    assert slots.take(100) == ()


def test_a_signal_that_is_never_at_danger_has_its_own_most_restrictive_order() -> None:
    distant = Device("signal", "D1")
    slots = OrderSlots((BoundDevice(device=distant, orders=("caution", "clear")),))
    assert slots.take(100) == (Order(distant, "caution"),)
    slots.post([Order(distant, "clear")])
    slots.seal()
    assert slots.take(100) == (Order(distant, "caution"),)


def test_a_turnout_is_not_ordered_before_somebody_asks() -> None:
    slots = sent()
    slots.post([Order(T1, "reverse")])
    assert slots.take(100) == (Order(T1, "reverse"),)
    assert Order(T1, "reverse") not in slots.restrictive()


def test_the_latest_order_wins() -> None:
    slots = sent()
    slots.post([Order(M1, "clear")])
    slots.post([Order(M1, "caution")])
    assert slots.take(100) == (Order(M1, "caution"),)


def test_what_restricts_goes_before_what_relaxes() -> None:
    slots = sent(Order(M1, "clear"), Order(S1, "lifted"))
    slots.post([Order(M2, "clear")])
    slots.post([Order(M1, "caution"), Order(S1, "applied")])
    assert slots.take(100) == (Order(S1, "applied"), Order(M1, "caution"), Order(M2, "clear"))


def test_a_stop_is_lifted_after_its_signal_and_a_signal_clears_after_its_indicator() -> None:
    slots = sent()
    slots.post([Order(S1, "lifted"), Order(M1, "clear"), Order(I1, "4"), Order(T1, "reverse")])
    assert [order.device for order in slots.take(100)] == [T1, I1, M1, S1]


def test_only_so_many_go_at_once_and_a_new_danger_does_not_wait_for_the_rest() -> None:
    slots = sent()
    slots.post([Order(M1, "clear"), Order(M2, "clear"), Order(S1, "lifted")])
    assert slots.take(1) == (Order(M1, "clear"),)
    slots.post([Order(M1, "danger")])
    assert slots.take(1) == (Order(M1, "danger"),)
    assert slots.waiting == 2


def test_an_order_that_was_given_before_does_not_go_again() -> None:
    slots = sent(Order(M1, "clear"))
    slots.post([Order(M1, "clear")])
    assert slots.waiting == 0


def test_after_a_loss_everything_goes_again() -> None:
    slots = sent(Order(M1, "clear"), Order(S1, "lifted"))
    slots.link_lost()
    assert slots.take(100) == (
        Order(M2, "danger"),
        Order(I1, "dark"),
        Order(M1, "clear"),
        Order(S1, "lifted"),
    )


def test_a_refresh_takes_the_devices_in_turn() -> None:
    slots = sent(Order(M1, "clear"))
    seen = []
    for _ in range(4):
        slots.refresh(1)
        seen += [order.device for order in slots.take(100)]
    assert sorted(seen) == sorted([M1, M2, S1, I1])


def test_orders_for_other_links_are_passed_over() -> None:
    slots = sent()
    slots.post([Order(Device("signal", "elsewhere"), "clear")])
    assert slots.waiting == 0


def test_sealed_slots_take_nothing_more() -> None:
    slots = sent(Order(M1, "clear"), Order(S1, "lifted"))
    slots.seal()
    slots.post([Order(M1, "clear")])
    assert slots.take(100) == (Order(S1, "applied"), Order(M1, "danger"))


ORDERS = [Order(bound.device, value) for bound in DEVICES for value in bound.orders]


@given(
    st.lists(
        st.one_of(
            st.lists(st.sampled_from(ORDERS), max_size=5),
            st.integers(1, 4),
            st.sampled_from(["lost", "refresh"]),
        )
    )
)
def test_whatever_happens_the_other_end_hears_the_latest_and_nothing_queues(
    steps: list[list[Order] | int | str],
) -> None:
    slots, heard = OrderSlots(DEVICES), dict[Device, Order]()
    posted = {order.device: order for order in slots.restrictive()}
    for step in steps:
        match step:
            case list():
                slots.post(step)
                posted |= {order.device: order for order in step}
            case int():
                heard |= {order.device: order for order in slots.take(step)}
            case "lost":
                slots.link_lost()
                heard.clear()
            case _:
                slots.refresh(2)
        assert slots.waiting <= len(DEVICES)
    heard |= {order.device: order for order in slots.take(100)}
    assert heard == posted
