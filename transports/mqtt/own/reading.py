"""What a message of our own schema says, told to one who listens.

Law of this file: no connection and no clock; a message in, an arrival out.
Nothing is believed here: whether a report is fresh is known to the controller
alone whose number it repeats. What can be said is whether its node hears any.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from signalling.errors import RejectedInputError
from signalling.layout.words import Report
from transports.listen import Arrival, Meaning
from transports.mqtt.own.addresses import ADDRESSES
from transports.mqtt.own.codec import (
    NAMES,
    AllDanger,
    AskerOutcome,
    AskerRequest,
    Gone,
    Identify,
    Listening,
    Message,
    NodeOrder,
    NodeReport,
    decode,
)
from transports.mqtt.own.schema import NODE
from transports.mqtt.reading import unbound

if TYPE_CHECKING:
    from signalling.layout.words import Device
    from transports.mqtt.own.bindings import NodeBinding
    from transports.mqtt.own.conversation import OwnBindings
    from transports.transport import LinkCounters, Sink

__all__ = ["OwnReader", "own_topics"]

_UNHEARD = "its node hears no controller"
_ASKING = (AskerRequest, AskerOutcome, Listening)
"""Messages between us and those who make requests."""


def own_topics(bindings: OwnBindings) -> tuple[str, ...]:
    """Return every topic on which a bound node says something or is told something."""
    of = bindings.addresses.of
    ours = [of(cls, node) for node in bindings.nodes for cls in NAMES if cls not in _ASKING]
    if bindings.requests:
        ours += [of(cls, "+") for cls in _ASKING]
    return tuple(dict.fromkeys(ours))


class OwnReader:
    """One opening of a link, read by somebody who only listens."""

    next_deadline = None

    def __init__(self, bindings: OwnBindings, sink: Sink, counters: LinkCounters) -> None:
        self._nodes = bindings.nodes
        self._sink = sink
        self._rejected = counters.rejected
        base = re.escape(bindings.addresses.base)
        who = f"(?P<who>{NODE.removeprefix('^').removesuffix('$')})"
        self._topics = {
            cls: re.compile(ADDRESSES[name].format(base=base, node=who, asker=who))
            for cls, name in NAMES.items()
        }

    def check(self, _now: float) -> None:
        """Do nothing: nothing is believed."""

    def read(self, topic: str, payload: bytes, _now: float, *, retained: bool) -> Arrival:
        """Return what a message says."""
        for cls, pattern in self._topics.items():
            match = pattern.fullmatch(topic)
            if match is not None:
                named = match.groupdict().get("who")
                return self._read(topic, payload, cls, named, retained=retained)
        return unbound(topic, payload, retained=retained)

    def _read(
        self, topic: str, payload: bytes, cls: type[Message], named: str | None, *, retained: bool
    ) -> Arrival:
        values: Mapping[str, Any] = {}
        meanings: tuple[Meaning, ...] = ()
        unbound: tuple[str, ...] = ()
        content: object = payload
        reason = ""
        try:
            message = decode(cls, payload)
            if named is not None and _about(message) != named:
                another = "another-asker" if cls in _ASKING else "another-node"
                raise RejectedInputError(another, _about(message) or "all")  # noqa: TRY301 - told below
            if retained:
                raise RejectedInputError("retained")  # noqa: TRY301 - told below
            values = _values(message)
            content = repr(values)
            meanings = self._meanings(message)
            unbound = self._unbound(message)
        except RejectedInputError as error:
            self._rejected[error.reason] += 1
            reason = str(error)
        for meaning in meanings:
            if not meaning.order:
                self._sink(Report(meaning.device, None if meaning.reason else meaning.value))
        return Arrival(
            place=topic,
            raw=payload,
            text=True,
            kept=retained,
            message=NAMES[cls],
            values=values,
            meanings=meanings,
            unbound=unbound,
            known=named is None or named in self._nodes or cls in _ASKING,
            reason=reason,
            content=content,
        )

    def _meanings(self, message: Message) -> tuple[Meaning, ...]:
        binding = self._nodes.get(_about(message) or "")
        if binding is None:
            return ()
        match message:
            case NodeReport(heard=heard, reports=reports):
                why = "" if heard is not None else _UNHEARD
                return tuple(
                    _said(device, reports.get(kind, {}).get(name), why)
                    for (kind, name), device in binding.reports.items()
                )
            case NodeOrder(orders=orders):
                return tuple(_ordered(binding, orders))
            case _:
                return ()

    def _unbound(self, message: Message) -> tuple[str, ...]:
        """Return what is said of devices to which nothing is bound, by the names in ``values``."""
        binding = self._nodes.get(_about(message) or "")
        match message:
            case NodeReport(reports=said):
                taken = set() if binding is None else set(binding.reports)
            case NodeOrder(orders=said):
                places = () if binding is None else binding.orders.values()
                taken = {(place.section, place.name) for place in places}
            case _:
                return ()
        return tuple(
            f"{kind} {name}"
            for kind, section in said.items()
            if isinstance(section, Mapping)
            for name in section
            if (kind, name) not in taken
        )


def _about(message: Message) -> str | None:
    """Return the node or the asker that a message is from or for; ``None`` for all."""
    match message:
        case AskerRequest(asker=asker) | AskerOutcome(asker=asker):
            return asker
        case Listening():
            return None
        case _:
            return message.node


def _said(device: Device, value: str | None, why: str) -> Meaning:
    return Meaning(device=device, value=value, reason=why if value is not None else "not known")


def _ordered(binding: NodeBinding, orders: Mapping[str, Any]) -> list[Meaning]:
    found = []
    for device, place in binding.orders.items():
        value = orders.get(place.section, {}).get(place.name)
        if place.member is not None and value is not None:
            value = value.get(place.member)
        reason = "" if value is not None else "not named"
        found.append(Meaning(device=device, order=True, value=value, reason=reason))
    return found


def _values(message: Message) -> dict[str, Any]:
    """Return what a message says, without what only shows that it is a new one."""
    match message:
        case NodeReport(status=status, reports=reports):
            flags = ("orders_lost", "supply_low", "output_fault")
            faults = [name for name in flags if getattr(status, name)]
            return {
                "serial": status.serial,
                "firmware": status.firmware,
                **({"faults": faults} if faults else {}),
                **_flat(reports),
            }
        case NodeOrder(orders=orders):
            return _flat(orders)
        case Identify(serial=serial, seconds=seconds):
            return {"serial": serial, "seconds": seconds}
        case Gone(session=session):
            return {"session": session}
        case AllDanger(node=node):
            return {"node": node}
        case AskerRequest(id=name, request=request):
            return {"id": name, "request": request}
        case AskerOutcome(id=name, request=request, outcome=outcome, reason=reason):
            return {"id": name, "request": request, "outcome": outcome, "reason": reason}
        case Listening(session=session):
            return {"session": session}


def _flat(sections: Mapping[str, Any]) -> dict[str, Any]:
    """Return each word under the kind and the name of its device."""
    return {
        f"{kind} {name}": word
        for kind, section in sections.items()
        if isinstance(section, Mapping)
        for name, word in section.items()
    }
