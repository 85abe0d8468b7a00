"""Two controllers on one broker agree on the single line between them."""

from __future__ import annotations

import pytest

from signalling.controller.controller import Controller
from signalling.core.words import CancelRoute, SetRoute
from signalling.layout.words import Device
from tests.conftest import Broker, until
from tests.rig import table_from
from transports.loopback import LoopbackBench
from transports.mqtt.transport import MqttTransport
from transports.transport import Transport, TransportSettings

END = """
[layout]
name = "One Well"
approach_time = 0.5
hold_off = 0.1
[blocks]
x0 = {{}}
x1 = {{}}
{near} = {{}}
{far} = {{}}
[lines]
out = "x0 > x1 > {near} > {far}"
[signals]
X = {{ at = "x1 > {near}", controlled = true }}
[single_lines]
well = {{ blocks = ["{near}", "{far}"], other_end = "theirs", goes_first = {first} }}
[transports.bench]
kind = "loopback"
[transports.club]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
refresh = 0.2
[[bindings]]
device = "*"
transport = "bench"
[[bindings]]
device = "agreement well"
transport = "club"
report = {{ topic = "well/{theirs}" }}
order = {{ topic = "well/{ours}" }}
fresh = 1.0
"""


Shown = dict[Device, str]
"""What each device was ordered last."""


def end(port: int, *, first: bool) -> tuple[Controller, Shown]:
    """One end: its own hardware on a bench, and the agreement on the broker."""
    near, far = ("s1", "s2") if first else ("s2", "s1")
    table = table_from(
        END.format(
            near=near,
            far=far,
            first=str(first).lower(),
            port=port,
            ours="west" if first else "east",
            theirs="east" if first else "west",
        )
    )
    bench = LoopbackBench()
    for name in table.layout.detectors:
        bench.report(Device("detector", name), "clear")

    def carried(settings: TransportSettings) -> Transport:
        return MqttTransport(settings)

    return Controller(table, {"bench": bench, "club": carried}), bench.orders


X = Device("signal", "X")


@pytest.mark.usefixtures("no_task_left")
async def test_two_controllers_agree_over_a_broker(broker: Broker) -> None:
    (west, of_west), (east, of_east) = (end(broker.port, first=f) for f in (True, False))
    said = await broker.listen("well/#")
    async with west:
        async with east:
            await until(lambda: set(said.latest.values()) == {"idle"}, "both idle", said.latest)
            west.request(SetRoute("X/out", wait=True))
            await until(lambda: of_west[X] == "caution", "the west end sends", said.latest)
            assert said.latest == {"well/west": "asked", "well/east": "given"}
            east.request(SetRoute("X/out", wait=True))
            assert of_east[X] == "danger"
            west.request(CancelRoute("X/out"))
            await until(lambda: of_east[X] == "caution", "the east end sends", said.latest)
            assert of_west[X] == "danger"
            broker.freeze()
            await until(lambda: of_east[X] == "danger", "not heard: danger")
            broker.thaw()
            await until(lambda: of_east[X] == "caution", "the east end sends again")
        west.request(SetRoute("X/out", wait=True))
        await until(lambda: said.latest["well/east"] == "starting", "the east end has gone")
        assert of_west[X] == "danger"
