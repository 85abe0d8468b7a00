"""What ``signalling listen`` prints, as text and as JSON objects.

Law of this file: from what has arrived to words; nothing is printed here. What
strangers send goes to a terminal only with its control characters spelt out.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from signalling.cli.links import link_event, link_line
from signalling.cli.printable import printable
from signalling.controller.listen import Line, LinkChanged, Listening, Missed, New, News, Settled
from signalling.layout.words import Device
from transports.listen import Arrival, Meaning

__all__ = [
    "as_events",
    "as_lines",
    "begun",
    "begun_event",
    "in_order",
    "raw",
    "said",
    "summary_events",
    "summary_lines",
    "where",
]

Event = dict[str, Any]

_SHOWN = 200
"""Characters of a payload that stand in a line."""
_SAID = 2000
"""Characters of what it says that stand in a line: what is to be bound must be found there."""
_WIDEST = 60
"""Characters of a place for which columns make room."""


# -- for people


def begun(listening: Listening, name: str) -> str:
    """Return the line that it begins with."""
    deaf = f" {', '.join(listening.deaf)} cannot be listened to." if listening.deaf else ""
    return f"{name}: listening to {', '.join(listening.names)}, without a word.{deaf}"


def as_lines(news: Iterable[News]) -> Iterator[str]:
    """Yield a line for each piece of news."""
    for each in news:
        at = f"{each.at:10.3f}  "
        match each:
            case New(transport=transport, arrival=arrival, count=count, changes=changes):
                says = said(arrival, changes)
                told = f"{transport}  {where(arrival)}  {raw(arrival, _SHOWN)}  {says}"
                yield f"{at}{count:5} x  {told}"
            case Settled(report=report):
                yield f"{at}{report.device}: {report.value or 'not known any more'}"
            case LinkChanged(link=link):
                yield at + printable(link_line(link_event(each.at, link)))
            case Missed(count=count):
                yield f"{at}{count} lines before these were left out: more came than was read"


def summary_lines(listening: Listening) -> Iterator[str]:
    """Yield what was heard, place by place, how often, and what was not heard."""
    lines = in_order(listening)
    if lines:
        width = max(len(line.transport) for line in lines)
        places = min(max(len(where(line.arrival)) for line in lines), _WIDEST)
        yield ""
        for line in lines:
            place = f"{line.transport:{width}}  {where(line.arrival):{places}}"
            yield f"{line.count:7} x  {place}  {_cut(said(line.arrival), _SHOWN)}"
    if listening.passed_over:
        yield f"{listening.passed_over:7} x  at more places than can be remembered"
    yield "" if lines else "Nothing arrived."
    unheard = [f"{device} ({transport})" for device, transport in listening.unheard()]
    if unheard:
        yield f"Nothing was heard of: {', '.join(unheard)}."
    for name, rejected in listening.counters.items():
        counts = ", ".join(f"{reason} {count}" for reason, count in sorted(rejected.items()))
        if counts:
            yield f"Turned away on {name}: {counts}."


def in_order(listening: Listening) -> list[Line]:
    """Return everything that arrived: what is bound first, each in the order of its places."""
    return sorted(
        listening.lines.values(),
        key=lambda line: (
            not line.arrival.bound,
            line.transport,
            line.arrival.place,
            line.arrival.part,
        ),
    )


def where(arrival: Arrival) -> str:
    """Return where something arrived."""
    return printable(f"{arrival.place} {arrival.part}" if arrival.part else arrival.place)


def raw(arrival: Arrival, longest: int) -> str:
    """Return what arrived, as it stands on a line."""
    return _cut(printable(_raw(arrival)) or "(empty)", longest)


def said(arrival: Arrival, changes: Iterable[str] = ()) -> str:
    """Return what something says, in a sentence's worth of words; what has changed first."""
    told = [_meaning(meaning) for meaning in arrival.meanings]
    if arrival.reason:
        told.insert(0, f"turned away ({arrival.reason})")
    if not arrival.meanings and arrival.message:
        told.append(_pairs(arrival.message, arrival, arrival.values, changes))
    if arrival.meanings and arrival.unbound:
        told.append(_pairs("bound to nothing:", arrival, arrival.unbound, changes))
    elif not arrival.bound and not arrival.reason:
        told.append("bound to nothing")
    if arrival.kept and not arrival.meanings:
        told.append("retained")
    return _cut(printable("; ".join(told)), _SAID)


def _meaning(meaning: Meaning) -> str:
    reason = f" ({meaning.reason})" if meaning.reason else ""
    return f"{'order to ' if meaning.order else ''}{meaning.device}: {meaning.value or '?'}{reason}"


def _pairs(title: str, arrival: Arrival, names: Iterable[str], changes: Iterable[str]) -> str:
    names, changes = list(names), set(changes)
    changed = [name for name in names if name in changes]
    same = [name for name in names if name not in changes]
    words = [title, *(_pair(arrival, name) for name in changed)]
    # What has changed is what a user looks for.
    words += ["- as before:"] if changed and same else []
    return " ".join((*words, *(_pair(arrival, name) for name in same)))


def _pair(arrival: Arrival, name: str) -> str:
    value = _plain(arrival.values[name])
    return f"{name}={value if isinstance(value, str) else json.dumps(value)}"


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else f"{text[: longest - 3]}..."


def _raw(arrival: Arrival) -> str:
    if arrival.text:
        return arrival.raw.decode(errors="backslashreplace")
    return arrival.raw.hex(" ").upper()


# -- for programs


def begun_event(listening: Listening, name: str) -> Event:
    """Return the object that it begins with."""
    event = {"at": 0.0, "event": "started", "layout": name}
    return event | {"transports": listening.names, "deaf": listening.deaf}


def as_events(news: Iterable[News]) -> Iterator[Event]:
    """Yield an object for each piece of news."""
    for each in news:
        at = round(each.at, 6)
        match each:
            case New(transport=transport, arrival=arrival, count=count, changes=changes):
                event = {"at": at, "event": "arrival", "transport": transport}
                yield event | _as_json(arrival) | {"changes": list(changes), "count": count}
            case Settled(report=report):
                event = {"at": at, "event": "device", **_device(report.device)}
                yield event | {"value": report.value}
            case LinkChanged(link=link):
                yield link_event(at, link)
            case Missed(count=count):
                yield {"at": at, "event": "missed", "count": count}


def summary_events(listening: Listening, at: float) -> Iterator[Event]:
    """Yield an object for each place, and one of the end."""
    at = round(at, 6)
    for line in in_order(listening):
        event = {"at": at, "event": "total", "transport": line.transport}
        last = {"count": line.count, "last": round(line.at, 6)}
        yield event | _as_json(line.arrival) | last
    yield {
        "at": at,
        "event": "stopped",
        "unheard": [
            {"transport": transport, **_device(device)} for device, transport in listening.unheard()
        ],
        "turned_away": listening.counters,
        "passed_over": listening.passed_over,
    }


def _as_json(arrival: Arrival) -> Event:
    return {
        "place": arrival.place,
        "part": arrival.part,
        "raw": _raw(arrival),
        "length": arrival.length,
        "kept": arrival.kept,
        "message": arrival.message,
        "values": _plain(arrival.values),
        "devices": [
            {
                **_device(meaning.device),
                "order": meaning.order,
                "value": meaning.value,
                "reason": meaning.reason,
            }
            for meaning in arrival.meanings
        ],
        "unbound": list(arrival.unbound),
        "bound": arrival.bound,
        "reason": arrival.reason,
    }


def _plain(value: Any) -> Any:
    """Return a value as JSON can say it: what it has no word for, such as NaN, as text."""
    match value:
        case None | bool() | int() | str():
            return value
        case float() if math.isfinite(value):
            return value
        case Mapping():
            return {str(key): _plain(each) for key, each in value.items()}
        case list() | tuple():
            return [_plain(each) for each in value]
        case _:
            return str(value)


def _device(device: Device) -> Event:
    return {"kind": device.kind, "name": device.name}
