"""Faults of messages by MQTT, of nodes and of foreign devices.

Law of this file: each does one thing to messages or to a node, for a while, and
then undoes it. Messages are altered on their way. What
only somebody who means harm would do is not done.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterable
from random import Random

from attrs import evolve

from tests.faults.befall import PATIENCE, Befalling, during, out_of_order, twice, until_done
from tests.faults.fault import (
    ALL_NODES,
    FOREIGN,
    LINK,
    NOBODY,
    POOR,
    Fault,
    relying,
    seconds,
    standing_on,
)
from tests.faults.post import MemorySession, Message, Trouble, altered
from tests.faults.railway import Railway
from tests.mixed.tern import BELL, COIL
from tests.mqtt_node import PyNode
from transports.mqtt.own.codec import NodeOrder, NodeReport, decode, encode

OWN, PLAIN = "tern/", "yard/"
_CLASSES: dict[str, type[NodeReport | NodeOrder]] = {"report": NodeReport, "order": NodeOrder}


def untrue(message: Message) -> Message:
    return evolve(message, says={})


class Befalls(Befalling[Message]):
    """Something that befalls messages of our own schema."""

    def __call__(
        self, message: Message, _: MemorySession
    ) -> Iterable[tuple[float, Message]] | None:
        return self.befall(message) if message.topic.startswith(OWN) else None


def at_broker(railway: Railway, trouble: Trouble) -> contextlib.AbstractContextManager[None]:
    """Return a trouble at the broker, for a while."""
    return during(railway.post.troubles, trouble)


async def befall(railway: Railway, befalls: Befalls, within: float = PATIENCE) -> None:
    """Let messages suffer until it is done, or for so long."""
    with at_broker(railway, befalls):
        await until_done(railway, befalls, within)


def recorded(railway: Railway) -> list[Message]:
    return [each for each in railway.post.passed if each.topic.startswith(OWN)]


def some_of(railway: Railway, random: Random) -> Callable[[Message], bool]:
    """Choose one topic, one node, or everything."""
    topic = random.choice(recorded(railway)[-60:]).topic
    kind = random.randrange(4)
    if kind == 0:
        node = topic.rpartition("/")[0]
        return lambda message: message.topic.startswith(node)
    if kind == 1:
        return lambda _: True
    return lambda message: message.topic == topic


# -- bits, bytes, messages


def flips(count: int) -> Fault:
    async def make(railway: Railway, random: Random) -> frozenset[str]:
        def become(message: Message) -> list[tuple[float, Message]]:
            payload = bytearray(message.payload)
            for bit in random.sample(range(8 * len(payload)), count):
                payload[bit // 8] ^= 1 << bit % 8
            return [(0.0, altered(message, bytes(payload)))]

        times = random.choice((1, 1, 1, 2, 6))
        await befall(railway, Befalls(some_of(railway, random), become, times))
        return NOBODY

    return Fault(name=f"MQTT: {count} bit{'s' * (count > 1)} flipped", make=make, weight=4)


async def stick(railway: Railway, random: Random) -> frozenset[str]:
    """In every message on a topic, the same one or two bits are wrong for a while."""
    topic = random.choice(recorded(railway)[-60:]).topic
    length = max(len(each.payload) for each in recorded(railway)[-60:] if each.topic == topic)
    bits = random.sample(range(8 * length), random.choice((1, 2)))

    def become(message: Message) -> list[tuple[float, Message]]:
        payload = bytearray(message.payload)
        wrong = [bit for bit in bits if bit < 8 * len(payload)]
        for bit in wrong:
            payload[bit // 8] ^= 1 << bit % 8
        return [(0.0, altered(message, bytes(payload)) if wrong else message)]

    with at_broker(railway, Befalls(lambda message: message.topic == topic, become)):
        await asyncio.sleep(seconds(random))
    return NOBODY


async def lose(railway: Railway, random: Random) -> frozenset[str]:
    times = random.choice((1, 2, 3, 5, 12))
    await befall(railway, Befalls(some_of(railway, random), lambda _: (), times), 3.0)
    return NOBODY


async def lose_by_chance(railway: Railway, random: Random) -> frozenset[str]:
    share = random.uniform(0.1, 0.6)
    await befall(railway, Befalls(lambda _: random.random() < share, lambda _: ()), seconds(random))
    return NOBODY


async def duplicate(railway: Railway, random: Random) -> frozenset[str]:
    become = twice(random, untrue, (0.0, 0.01, 0.26, 1.2))
    await befall(railway, Befalls(some_of(railway, random), become, random.choice((1, 3, 20))))
    await asyncio.sleep(1.2)
    return NOBODY


async def reorder(railway: Railway, random: Random) -> frozenset[str]:
    late = out_of_order(random)
    await befall(railway, Befalls(some_of(railway, random), late, random.choice((2, 5, 20))))
    await asyncio.sleep(0.6)
    return NOBODY


async def delay(railway: Railway, random: Random) -> frozenset[str]:
    """Everything on some topics comes later, in its order."""
    later = random.choice((0.2, 0.6, 0.9, 1.5, 3.0))
    befalls = Befalls(some_of(railway, random), lambda message: [(later, message)])
    with at_broker(railway, befalls):
        await asyncio.sleep(seconds(random))
    await asyncio.sleep(later)
    return NOBODY


async def replay(railway: Railway, random: Random) -> frozenset[str]:
    """Messages that were recorded come again, some in a row, from any time."""
    past = recorded(railway)
    first = random.choice(past)
    same = [each for each in past if each.topic == first.topic]
    at = same.index(first)
    for message in same[at : at + random.choice((1, 1, 2, 6))]:
        for session in list(railway.post.sessions):
            if message.topic in session.topics:
                railway.post.deliver(untrue(message), session)
        await asyncio.sleep(random.choice((0.0, 0.001, 0.1)))
    return NOBODY


async def cripple(railway: Railway, random: Random) -> frozenset[str]:
    """Payloads that are too short, too long, empty, or something else."""

    def become(message: Message) -> list[tuple[float, Message]]:
        payload = random.choice(
            (
                message.payload[: random.randrange(len(message.payload))],
                message.payload + random.randbytes(random.choice((1, 40))),
                message.payload * 40,
                b"",
                random.randbytes(200),
                b'{"seq":' + b"[" * 500,
            )
        )
        return [(0.0, altered(message, payload))]

    await befall(railway, Befalls(some_of(railway, random), become, random.choice((1, 1, 2, 5))))
    return NOBODY


async def misaddress(railway: Railway, random: Random) -> frozenset[str]:
    """A message arrives on the topic of another node, or names another one itself."""
    other = random.choice(ALL_NODES)
    kind = random.choice(list(_CLASSES))

    def become(message: Message) -> list[tuple[float, Message]]:
        topic = f"tern/v1/node/{other}/{kind}"
        named = message.topic == topic or random.random() < 0.5
        payload = message.payload
        if named:
            cls = _CLASSES[kind]
            payload = encode(evolve(decode(cls, payload), node=other))
        for session in railway.post.sessions:
            if topic in session.topics:
                wrong = Message(topic, payload)
                railway.post.deliver(wrong, session, troubled=False)
        return []

    def chosen(message: Message) -> bool:
        return message.topic.endswith(f"/{kind}") and f"/{other}/" not in message.topic

    await befall(railway, Befalls(chosen, become, random.choice((1, 2, 6))))
    return NOBODY


async def count_no_more(railway: Railway, random: Random) -> frozenset[str]:
    """The numbers of a node, or of the controller, stand at one that the other end has heard of."""
    kind, other = random.choice((("report", "order"), ("order", "report")))
    name = random.choice(ALL_NODES)
    topic = f"tern/v1/node/{name}/{kind}"
    stood = [
        heard.seq
        for each in recorded(railway)
        if each.topic == f"tern/v1/node/{name}/{other}"
        and (heard := decode(_CLASSES[other], each.payload).heard) is not None
    ][-1]

    def become(message: Message) -> list[tuple[float, Message]]:
        said = decode(_CLASSES[kind], message.payload)
        return [(0.0, altered(message, encode(evolve(said, seq=stood))))]

    befalls = Befalls(lambda message: message.topic == topic, become)
    with at_broker(railway, befalls):
        await asyncio.sleep(seconds(random))
    return relying(nodes=[name]) if kind == "report" else standing_on(nodes=[name])


async def retain(railway: Railway, random: Random) -> frozenset[str]:
    """The broker has kept what somebody once retained, and says it to whoever connects."""
    post = railway.post
    for message in random.sample(recorded(railway), 8):
        post.retained[message.topic] = message.payload
    post.retained[COIL], post.retained[BELL] = b'{"on": false}', b"up"
    railway.foreign = random.random() < 0.5
    some = random.sample(["shed", *ALL_NODES], random.choice((0, 1, 4)))
    # The foreign devices' connection mostly: our own schema has nothing retained.
    for name in [*some, "yard"] if random.random() < 0.8 else some:
        session = railway.session(name)
        if session is not None:
            post.cut(session, None)
    await asyncio.sleep(random.choice((0.05, 0.7, 2.0, 3.0)) * random.uniform(0.8, 1.2))
    silent, railway.foreign = not railway.foreign, True
    post.retained.clear()
    return FOREIGN if silent else NOBODY


# -- nodes and devices


def any_node(random: Random) -> str:
    return random.choice(ALL_NODES)


async def replace(railway: Railway, name: str, after: float) -> None:
    """Let a node's power go, and come back after a while."""
    before = railway.nodes[name]
    await before.vanish()
    railway.nodes[name] = node = railway.make_node(name)
    node.end.reports = before.end.reports
    railway.look()
    await asyncio.sleep(after)
    await node.__aenter__()
    railway.at_the_end(node)


async def restart(railway: Railway, random: Random) -> frozenset[str]:
    await replace(railway, any_node(random), random.choice((0.0, 0.01, 0.3)))
    return NOBODY


async def die(railway: Railway, random: Random) -> frozenset[str]:
    name = any_node(random)
    await replace(railway, name, seconds(random))
    return relying(nodes=[name]) | standing_on(nodes=[name])


async def be_mute(railway: Railway, random: Random) -> frozenset[str]:
    name = any_node(random)
    node = railway.nodes[name]
    node.frozen = True
    await asyncio.sleep(seconds(random))
    node.frozen = False
    return relying(nodes=[name]) | standing_on(nodes=[name])


async def be_deaf(railway: Railway, random: Random) -> frozenset[str]:
    name = any_node(random)
    session = railway.session(name)
    if session is not None:
        session.deaf = True
        await asyncio.sleep(seconds(random))
        session.deaf = False
    return relying(nodes=[name]) | standing_on(nodes=[name])


async def same_name(railway: Railway, random: Random) -> frozenset[str]:
    """Another board has the same name, and reads that all is well."""
    name = any_node(random)
    other: PyNode = railway.make_node(name, serial="TJ-2")
    async with other:
        await asyncio.sleep(seconds(random))
    return NOBODY


async def fall_silent(railway: Railway, random: Random) -> frozenset[str]:
    """The foreign devices say nothing, or what cannot be read."""
    railway.foreign = False
    rubbish = random.choice((None, "", "perhaps", '{"on": 1}', "\x00", "[" * 100))
    until = railway.now + seconds(random)
    while railway.now < until:
        if rubbish is not None:
            railway.say(COIL, rubbish)
            railway.say(BELL, rubbish)
        await asyncio.sleep(0.2)
    railway.foreign = True
    return FOREIGN


MQTT_FAULTS = (
    flips(1),
    flips(2),
    Fault(name="MQTT: the same bits wrong for a while", make=stick, promised=LINK, weight=3),
    Fault(name="MQTT: messages lost", make=lose, weight=4),
    Fault(name="MQTT: messages lost by chance", make=lose_by_chance, promised=POOR, weight=2),
    Fault(name="MQTT: messages twice", make=duplicate, weight=2),
    Fault(name="MQTT: messages out of order", make=reorder, weight=2),
    Fault(name="MQTT: messages late", make=delay, promised=POOR, weight=2),
    Fault(name="MQTT: recorded messages again", make=replay, weight=6),
    Fault(name="MQTT: messages too short or too long", make=cripple, weight=4),
    Fault(name="MQTT: messages for another node", make=misaddress, weight=2),
    Fault(name="MQTT: numbers stuck", make=count_no_more),
    Fault(name="MQTT: stale retained messages", make=retain, promised=LINK, weight=2),
    Fault(name="MQTT: node restarted", make=restart, weight=2),
    Fault(name="MQTT: node dead", make=die, promised=LINK),
    Fault(name="MQTT: node says nothing", make=be_mute),
    Fault(name="MQTT: node hears nothing", make=be_deaf),
    Fault(name="MQTT: two boards of one name", make=same_name),
    Fault(name="MQTT: foreign devices silent", make=fall_silent),
)
