"""To which devices orders do not get through, as the nodes of a connection say."""

from __future__ import annotations

from signalling.layout.words import BoundDevice, Device
from tests.mqtt_node import NodeEnd
from transports.mqtt.options import Options
from transports.mqtt.own.codec import NodeOrder, decode, encode
from transports.mqtt.own.conversation import OwnBindings
from transports.transport import LinkCounters, TransportSettings

M1, M2, S1 = Device("signal", "M1"), Device("signal", "M2"), Device("stop", "S1")
DEVICES = (
    BoundDevice(device=M1, orders=("danger", "clear"), order={"node": "shed"}),
    BoundDevice(device=S1, orders=("applied", "lifted"), order={"node": "shed"}),
    BoundDevice(device=M2, orders=("danger", "clear"), order={"node": "quay"}),
)
LIMITS = {"port": 1883, "base": "gannet", "schema": 1}


class Railway:
    """A controller's side of a connection, and two nodes that hear what it says."""

    def __init__(self) -> None:
        self.now = 100.0
        self.said: list[frozenset[Device]] = []
        settings = TransportSettings(name="club", options=LIMITS, devices=DEVICES)
        self.controller = OwnBindings(settings, Options.read(settings)).converse(
            lambda _: None, LinkCounters(), lambda: None, reach=self.said.append
        )
        self.nodes = {
            "shed": NodeEnd("shed", "GP-1", {"signal": {"M1": {"aspect": "danger"}}}),
            "quay": NodeEnd("quay", "GP-2", {"signal": {"M2": {"aspect": "danger"}}}),
        }
        self.deaf: set[str] = set()
        self.mute: set[str] = set()
        self.controller.opening(self.now)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.05)):
            self.now += 0.05
            self.controller.check(self.now)
            if round(self.now / 0.05) % 5 == 0:
                self.controller.orders((), self.now)
                for name, node in self.nodes.items():
                    topic = f"gannet/v1/node/{name}/report"
                    if name not in self.mute:
                        said = encode(node.report(self.now))
                        self.controller.receive(topic, said, self.now, retained=False)
            for told in self.controller.turn(self.now):
                name = told.topic.split("/")[3]
                if told.topic.endswith("/order") and name not in self.deaf:
                    assert decode(NodeOrder, told.payload).node == name
                    self.nodes[name].take_order(told.payload, self.now)


def test_at_first_they_get_through_to_none() -> None:
    railway = Railway()
    assert railway.said == [{M1, M2, S1}]
    railway.run(2)
    assert railway.said[-1] == set()


def test_a_node_that_hears_nothing_any_more_says_so() -> None:
    railway = Railway()
    railway.run(2)
    railway.deaf.add("quay")
    railway.run(1.3)
    assert railway.said[-1] == {M2}
    railway.deaf.clear()
    railway.run(2)
    assert railway.said[-1] == set()


def test_a_node_that_falls_silent_is_out_of_reach() -> None:
    railway = Railway()
    railway.run(2)
    railway.mute.add("shed")
    railway.run(1.0)
    assert railway.said[-1] == {M1, S1}
