"""The example of a guarded broker: TLS, passwords, and a list of who may say what.

A real Mosquitto runs with the files of examples/mosquitto, on a port of this
test's own. Mosquitto's own clients try what they may not.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import shutil
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from attrs import evolve

from signalling.controller import Controller
from signalling.errors import LinkError
from signalling.layout.words import Device
from tests.conftest import Broker, Listener, _tool, until
from tests.mqtt_node import PyNode
from transports.link import LinkState
from transports.mqtt import MqttTransport
from transports.mqtt.own.addresses import Addresses
from transports.mqtt.own.codec import (
    AllDanger,
    AskerOutcome,
    AskerRequest,
    Heard,
    Listening,
    NodeOrder,
    NodeReport,
    decode,
    encode,
)
from transports.transport import TransportSettings

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

EXAMPLE = Path(__file__).parents[4] / "examples" / "mosquitto"
USERS = ("signaller", "page", "panel", "automation", "hardware", "east", "west")

LAYOUT = """
[layout]
name = "Gannet Point"
hold_off = 0.1
sequence = false
[blocks]
d1 = {}
d2 = {}
[lines]
main = "d1 > d2"
[signals]
M1 = { at = "d1 > d2", aspects = 3 }
[transports.club]
kind = "mqtt"
port = PORT
base = "gannet"
schema = 1
within = 30
ca_file = "ca.pem"
username_file = "signaller.user"
password_file = "signaller.word"
[[bindings]]
device = "detector *"
transport = "club"
report = { node = "east" }
[[bindings]]
device = "signal *"
transport = "club"
order = { node = "west" }
"""

AT_REST = {"signal": {"M1": {"aspect": "danger"}}}


class Guarded(Broker):
    """A Mosquitto with the example's files, and users whose passwords are known here."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.folder = folder
        self._marks = 0
        run = subprocess.run
        for user in USERS:
            new = [] if (folder / "passwords").exists() else ["-c"]
            command = ["mosquitto_passwd", "-b", *new, str(folder / "passwords")]
            run([*command, user, f"{user}-s3cret"], check=True)
            (folder / f"{user}.user").write_text(user)
            (folder / f"{user}.word").write_text(f"{user}-s3cret\n")
        openssl = shutil.which("openssl")
        assert openssl, "these tests make a certificate; on Debian: apt-get install openssl"
        command = f"{openssl} req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"
        names = "-subj /CN=127.0.0.1 -addext subjectAltName=IP:127.0.0.1 -days 2"
        files = f"-keyout {folder}/broker.key -out {folder}/ca.pem"
        run(f"{command} {names} {files}".split(), check=True, capture_output=True)
        # The user as whom it runs, and where it listens, are this test's own.
        head = [line for line in self._config.read_text().splitlines() if line.startswith("user ")]
        text = (EXAMPLE / "mosquitto.conf").read_text("utf-8")
        for old, new_text in (
            ("listener 8883", f"listener {self.port} 127.0.0.1"),
            ("/etc/mosquitto/certs/broker.pem", f"{folder}/ca.pem"),
            ("/etc/mosquitto/certs/broker.key", f"{folder}/broker.key"),
            ("password_file /etc/mosquitto/", f"password_file {folder}/"),
            ("acl_file /etc/mosquitto/acl", f"acl_file {EXAMPLE}/acl"),
        ):
            assert text.count(f"\n{old}") + text.count(f" {old}") >= 1, old
            text = text.replace(old, new_text)
        self._config.write_text("\n".join([*head, "log_dest stderr", text]))

    def as_user(self, user: str) -> tuple[str, ...]:
        """Options of a foreign client."""
        return ("--cafile", f"{self.folder}/ca.pem", "-u", user, "-P", f"{user}-s3cret")

    def options(self, user: str) -> dict[str, object]:
        """Options of a transport's table."""
        return {
            "port": self.port,
            "ca_file": f"{self.folder}/ca.pem",
            "username_file": f"{self.folder}/{user}.user",
            "password_file": f"{self.folder}/{user}.word",
        }

    async def hear(self, user: str, topic: str) -> Listener:
        """A ``mosquitto_sub`` of a user that may listen to plain reports too."""
        listener = Listener()
        self._listeners.append(listener)
        listener.probe = "gannet/report/probe"
        command = (_tool("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(self.port), "-q", "1")
        await listener.start(*command, "-t", topic, *self.as_user(user))
        while not listener.ready.is_set():
            await self.publish(listener.probe, "probe", *self.as_user("hardware"))
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.1):
                    await listener.ready.wait()
        return listener

    async def heard_by(self, listener: Listener) -> None:
        """Wait until everything has been heard that was said until now."""
        self._marks += 1
        mark = f"mark {self._marks}"
        await self.publish("gannet/report/mark", mark, *self.as_user("hardware"))
        await listener.until("gannet/report/mark", mark)


@pytest.fixture
async def guarded(tmp_path: Path) -> AsyncIterator[Guarded]:
    broker = Guarded(tmp_path)
    broker.start()
    yield broker
    await broker.stop()


pytestmark = pytest.mark.real_time


async def test_the_list_lets_each_say_its_own_and_nothing_else(guarded: Guarded) -> None:
    listener = await guarded.hear("page", "gannet/#")
    allowed = {
        "signaller": (
            "v1/node/east/order",
            "v1/node/east/identify",
            "v1/all-danger",
            "order/signal/M1",
            "controller",
            "v1/asker/panel/outcome",
            "v1/listening",
            "outcome",
            "listening",
        ),
        "panel": ("v1/asker/panel/request",),
        "automation": ("request",),
        "east": ("v1/node/east/report", "v1/node/east/gone"),
        "hardware": ("report/detector/d1",),
        "page": (),
    }
    topics = {topic for some in allowed.values() for topic in some}
    topics |= {"v1/node/west/report", "v1/node/west/gone", "v1/asker/page/request", "elsewhere"}
    for user, some in allowed.items():
        for topic in sorted(topics):
            listener.lines.clear()
            said = f"{user} says this"
            await guarded.publish(f"gannet/{topic}", said, *guarded.as_user(user))
            await guarded.heard_by(listener)
            heard = (f"gannet/{topic}", said) in listener.lines
            assert heard == (topic in some), (user, topic)


async def test_nodes_hear_their_own_orders_and_no_others(guarded: Guarded) -> None:
    # A subscription that is refused ends the client; this one is accepted, and hears nothing.
    everything = await guarded.hear("page", "gannet/#")
    node = Listener()
    guarded._listeners.append(node)
    command = (_tool("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(guarded.port), "-q", "1")
    await node.start(*command, "-t", "gannet/#", *guarded.as_user("east"))
    while len(node.latest) < 2:  # until it listens, and has heard what it may
        for each in ("node/east/order", "node/west/order", "node/west/report", "all-danger"):
            user = "west" if each.endswith("report") else "signaller"
            await guarded.publish(f"gannet/v1/{each}", each, *guarded.as_user(user))
    # Once more, now that it certainly listens.
    for each in ("node/west/order", "node/west/report"):
        user = "west" if each.endswith("report") else "signaller"
        await guarded.publish(f"gannet/v1/{each}", each, *guarded.as_user(user))
    await guarded.heard_by(everything)
    await guarded.publish("gannet/v1/all-danger", "last", *guarded.as_user("signaller"))
    await node.until("gannet/v1/all-danger", "last")
    assert set(node.latest) == {"gannet/v1/node/east/order", "gannet/v1/all-danger"}


async def test_orders_of_nodes_and_reports_of_pages_have_no_effect(guarded: Guarded) -> None:
    file = guarded.folder / "layout.toml"
    file.write_text(LAYOUT.replace("PORT", str(guarded.port)))
    east, west = (
        PyNode("gannet", name, f"GP-{name}", at_rest, **guarded.options(name))
        for name, at_rest in (("east", {}), ("west", AT_REST))
    )
    controller = Controller(file)
    async with east, west, controller:
        east.report("detector", d1="clear", d2="occupied")
        detector = Device("detector", "d2")
        links = controller.status

        def known() -> str | None:
            return links().links[0].heard[detector].value

        await until(lambda: known() == "occupied", "the report", links())
        await until(lambda: west.end.obeying, "the order", west.end.rejected)
        assert west.shown == AT_REST

        # What would be believed if it could be said: newer numbers, to the sessions of today.
        now = decode(NodeOrder, west.ordered[-1])
        clear = {"signal": {"M1": {"aspect": "clear"}}}
        forged = encode(evolve(now, seq=now.seq + 50, orders=clear))
        for user in ("east", "west", "hardware", "page"):
            topic = "gannet/v1/node/west/order"
            await guarded.publish(topic, forged, *guarded.as_user(user))
        report = decode(NodeReport, east.said[-1][1])
        states = {"detector": {"d1": "clear", "d2": "clear"}}
        lie = encode(evolve(report, seq=report.seq + 50, reports=states))
        for user in ("page", "west", "hardware"):
            topic = "gannet/v1/node/east/report"
            await guarded.publish(topic, lie, *guarded.as_user(user))
        danger = encode(AllDanger(session="f" * 16))
        await guarded.publish("gannet/v1/all-danger", danger, *guarded.as_user("page"))
        # The node and the controller have gone on talking, and nothing of this was heard.
        count = len(west.said)
        await until(lambda: len(west.said) > count + 2, "more reports", west.said)
        assert forged not in west.ordered
        assert known() == "occupied"
        assert west.shown == AT_REST
        assert west.end.rejected["late"] == 0
        assert controller.transports["club"].counters.rejected["late"] == 0

        # The controller's have.
        east.report("detector", d2="clear")
        await until(
            lambda: west.shown["signal"]["M1"]["aspect"] != "danger", "an order", west.end.rejected
        )
        # And whoever has the controller's password could have said it.
        topic = "gannet/v1/node/west/order"
        await guarded.publish(topic, forged, *guarded.as_user("signaller"))
        await until(lambda: forged in west.ordered, "the same, allowed")
    assert links().links[0].state is LinkState.CLOSED


def transport(guarded: Guarded, **changes: object) -> MqttTransport:
    options = {**guarded.options("signaller"), "schema": 1, "base": "gannet", **changes}
    return MqttTransport(
        TransportSettings(
            name="club",
            options={key: value for key, value in options.items() if value is not None},
            devices=(),
        )
    )


async def test_without_the_password_or_the_certificate_nobody_comes_in(guarded: Guarded) -> None:
    good = transport(guarded)
    await good.open(lambda _: None)
    await good.close()
    nobody = {"username_file": None, "password_file": None}
    wrong = {"password_file": f"{guarded.folder}/page.word"}
    for changes in (nobody, wrong):
        with pytest.raises(LinkError, match=r"cannot connect.*[Nn]ot authori"):
            await transport(guarded, **changes).open(lambda _: None)
    with pytest.raises(LinkError, match=r"cannot connect.*certificate"):
        await transport(guarded, ca_file=None, tls=True).open(lambda _: None)
    with pytest.raises(LinkError, match="cannot connect"):
        await transport(guarded, ca_file=None).open(lambda _: None)


def test_the_example_is_as_its_comments_say() -> None:
    settings = dict(
        line.split(" ", 1)
        for line in (EXAMPLE / "mosquitto.conf").read_text("utf-8").splitlines()
        if line and not line.startswith("#")
    )
    assert settings["set_tcp_nodelay"] == "true"
    assert settings["allow_anonymous"] == "false"
    acl = (EXAMPLE / "acl").read_text("utf-8")
    assert set(re.findall(r"^user (\w+)$", acl, re.MULTILINE)) == {
        "signaller",
        "page",
        "panel",
        "automation",
        "hardware",
    }


async def test_who_may_ask_is_heard_and_others_are_not(guarded: Guarded) -> None:
    file = guarded.folder / "layout.toml"
    file.write_text(
        LAYOUT.replace("PORT", str(guarded.port)).replace(
            "schema = 1", "schema = 1\nrequests = true"
        )
    )
    listener = await guarded.hear("page", "gannet/#")
    addresses = Addresses("gannet")
    mine, answers = addresses.of(AskerRequest, "panel"), addresses.of(AskerOutcome, "panel")

    async def ask(user: str, name: str) -> None:
        latest = decode(Listening, listener.latest[addresses.of(Listening)].encode())
        heard = Heard(session=latest.session, seq=latest.seq)
        request = AskerRequest(
            asker="panel", session="7" * 16, id=name, heard=heard, request="hold M1"
        )
        await guarded.publish(mine, encode(request), *guarded.as_user(user))

    async with Controller(file) as controller:
        await until(lambda: addresses.of(Listening) in listener.latest, "that it listens")
        for user in ("page", "hardware", "automation", "east"):
            await ask(user, f"by-{user}")
        await ask("panel", "by-panel")
        await until(lambda: answers in listener.latest, "an outcome")
        outcome = decode(AskerOutcome, listener.latest[answers].encode())
        assert (outcome.id, outcome.outcome, outcome.asked_in) == ("by-panel", "taken", "7" * 16)
        assert [topic for topic, _ in listener.lines].count(answers) == 1
        assert not controller.transports["club"].counters.rejected["another-asker"]
