"""Random layouts and random days on them, in one place.

Law of this file: a new feature of the layout file is not done until these can
make it. Layouts come as TOML texts, so that what is made is what a user could
have written.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import frozen
from hypothesis import strategies as st

from signalling.layout.words import KINDS, Device, Report
from signalling.table.table import Table

HEADS = {
    "uk": (
        "aspects = 2",
        "aspects = 3",
        "aspects = 4",
        "aspects = 2, head = 'two-yellow'",
        "aspects = 3, head = 'three-flashing'",
        "aspects = 4, head = 'four-flashing'",
    ),
    "house": ("aspects = 2", "aspects = 3", "aspects = 4"),
    "ks": ("aspects = 2", "aspects = 3", "aspects = 3, announces = [4]"),
    "us": ("aspects = 3", "aspects = 4", "aspects = 3, head = 'junction'"),
}
"""What a layout may write for a signal's head, by practice."""

SPEEDS = {"uk": ("slow", "medium", "fast", "full"), "ks": ("restricted",), "us": ("medium",)}

DISTANTS = {"uk": "aspects = 2", "ks": "aspects = 2, announces = [4]"}
"""What a layout may write for a distant signal's head, by practice."""

SECONDS = st.sampled_from([0.0, 0.1, 0.5, 1.0, 1.4, 1.5, 2.0, 5.0, 31.0])


@st.composite
def layouts(draw: st.DrawFn) -> str:
    """A ring with, by chance, a branch, a crossing, a siding back and forth, and every option."""
    practice = draw(st.sampled_from(list(HEADS)))
    count = draw(st.integers(3, 7))
    ring = [f"r{index}" for index in range(count)]
    blocks = list(ring)
    lines: dict[str, str] = {}
    turnouts: dict[str, str] = {}
    junction = ring[0]
    branch = draw(st.booleans())
    cross = draw(st.booleans())
    shown = [f"{junction}[t normal]" if branch and name == junction else name for name in ring]
    lines["main"] = " > ".join([*shown, shown[0].split("[")[0]])
    if branch:
        blocks += ["q1", "q2"]
        lines["quay"] = f"{ring[-1]} > {junction}[t reverse] > q1 > q2"
        turnouts["t"] = draw(
            st.sampled_from(
                [
                    "block = '%s'",
                    "block = '%s', moved_by = 'us'",
                    "block = '%s', lock = true",
                    "block = '%s', lock = true, lever = true",
                ]
            )
        ) % (junction,)
    if cross:
        blocks += ["x1", "x2", "x3"]
        lines["across"] = f"x1 > x2 > {ring[1]} > x3"
    joints = [(ring[index - 1], ring[index]) for index in range(count)]
    chosen = draw(st.lists(st.sampled_from(joints), min_size=1, unique=True))
    if branch and (ring[-1], junction) not in chosen:
        chosen.append((ring[-1], junction))
    if draw(st.booleans()):
        chosen.append(draw(st.sampled_from(joints))[::-1])
    if branch and draw(st.booleans()):
        chosen.append(("q1", "q2"))
    if cross:
        chosen.append(("x2", ring[1]))
    signals = {}
    stops = {}
    for rear, ahead in dict.fromkeys(chosen):
        name = f"S{len(signals)}"
        splits = branch and (rear, ahead) == (ring[-1], junction)
        signals[name] = _signal(draw, practice, rear, ahead, branch=splits)
        proved = draw(st.sampled_from(["false", "true", "true, proved_within = 4"]))
        stops[f"P{name}"] = f"signal = '{name}', proved = {proved}"
    if practice in DISTANTS and draw(st.booleans()):
        rear, ahead = draw(st.sampled_from(joints))
        mains = draw(st.sampled_from(["true", str(list(signals))]))
        # By itself or below a main signal, as the joints were drawn.
        signals["D"] = f"at = '{rear} > {ahead}', distant = {mains}, {DISTANTS[practice]}"
    detectors = _detectors(draw, ring)
    danger = {}
    for name, press in (("switch", "false"), ("press", "true")):
        if draw(st.booleans()):
            held = draw(st.lists(st.sampled_from(list(signals)), min_size=1, unique=True))
            danger[name] = f"signals = {held}, press = {press}"
    buttons = {}
    if draw(st.booleans()):
        lamp = f"lamp = {draw(st.sampled_from(['true', 'false']))}"
        buttons = {
            "begin": f"entry = '{draw(st.sampled_from(list(signals)))}', within = 2.5, {lamp}",
            "end": f"exit = '{draw(st.sampled_from([*signals, *ring]))}'",
            "take-back": "cancel = true",
            "halt": f"ask = 'hold all', {lamp}",
        }
    settings = {
        "name": "'Somewhere'",
        "practice": repr(practice),
        "hold_off": draw(st.sampled_from([0.0, 1.5])),
        "sequence": draw(st.sampled_from(["true", "false"])),
        "minimum_on": draw(st.sampled_from([0.0, 4.0])),
        "approach_time": draw(st.sampled_from([1.0, 10.0])),
        "describer": draw(st.sampled_from(["true", "false"])),
    }
    readers = {
        "gate": f"at = '{ring[0]} > {ring[1]}'",
        "shed": f"block = '{ring[-1]}', reads = {{ '04:A1' = '1A23' }}",
    }
    parts = ["[layout]", *(f"{key} = {value}" for key, value in settings.items())]
    tables = {
        "blocks": dict.fromkeys(blocks, ""),
        "turnouts": turnouts,
        "signals": signals,
        "detectors": detectors,
        "danger": danger,
        "buttons": buttons,
        "stops": stops,
        "readers": readers if settings["describer"] == "true" and draw(st.booleans()) else {},
    }
    parts += ["[lines]", *(f'{name} = "{text}"' for name, text in lines.items())]
    for table, entries in tables.items():
        if entries:
            parts += [f"[{table}]", *(f"{name} = {{ {text} }}" for name, text in entries.items())]
    return "\n".join(parts)


def _signal(draw: st.DrawFn, practice: str, rear: str, ahead: str, *, branch: bool) -> str:
    options = [f"at = '{rear} > {ahead}'", draw(st.sampled_from(HEADS[practice]))]
    if draw(st.integers(0, 3)) == 0:
        options.append("lamps_proved = true")
    if draw(st.integers(0, 3)) == 0 and not branch:
        options.append(f"overlap = '{ahead}'")
    if draw(st.integers(0, 3)) == 0:
        options.append("splitting = 'main'")
    if ahead in {"q2", "r1"} and draw(st.booleans()):
        options.append("hidden = true")
    if branch and draw(st.booleans()):
        special = [f"release_after = {draw(SECONDS)}"]
        if practice != "us":  # which has no indicators
            special.append("indicator = 4")
            if draw(st.booleans()):
                special.append("indicator_proved = true")
            if draw(st.booleans()):
                special.append("override = true")
        speeds = SPEEDS.get(practice, ())
        if speeds and (practice != "us" or "junction" in options[1]) and draw(st.booleans()):
            special.append(f"speed = '{draw(st.sampled_from(speeds))}'")
        if draw(st.booleans()):
            release = draw(st.sampled_from(["free", "from-danger", "from-caution"]))
            special.append(f"release = '{release}'")
        options.append(f"routes = {{ quay = {{ {', '.join(special)} }} }}")
    return ", ".join(options)


def _detectors(draw: st.DrawFn, ring: list[str]) -> dict[str, str]:
    """Two detectors in one block, and beams instead of a detector for another, by chance."""
    detectors = {}
    if draw(st.booleans()):
        detectors |= {"r0a": "block = 'r0'", "r0b": "block = 'r0'"}
    if draw(st.booleans()) and len(ring) > 3:
        beyond = ring[4 % len(ring)]
        detectors |= {"in": "at = 'r2 > r3'", "out": f"at = 'r3 > {beyond}'"}
        # The blocks on the other sides of the beams have detectors of their own.
        detectors |= {"r2": "block = 'r2'"}
        if beyond != "r0" or "r0a" not in detectors:
            detectors |= {beyond: f"block = '{beyond}'"}
    return detectors


@frozen
class Event:
    """Something that happens ``after`` s, or nothing but time."""

    after: float
    reports: tuple[Report, ...]


def vocabulary(table: Table) -> Mapping[Device, tuple[str, ...]]:
    """Every device that the equations listen to, with all it may say."""
    heard: dict[Device, set[str]] = {}
    for name in table.graph.names:
        what, equals, value = name.rpartition("=")
        kind, _, thing = what.partition(" ")
        if equals and kind in KINDS:
            heard.setdefault(Device(kind, thing), set(KINDS[kind].reports)).add(value)
    return {device: tuple(sorted(values)) for device, values in sorted(heard.items())}


def restful(table: Table) -> tuple[Report, ...]:
    """Reports under which nothing restricts: all clear, all normal, all lamps lit."""
    calm = {
        "detector": "clear",
        "turnout": "normal",
        "danger": "free",
        "override": "auto",
        "lamps": "lit",
        "indicator": "dark",
        "lock": "idle",
        "stop": "applied",
    }
    return tuple(Report(device, calm[device.kind]) for device in vocabulary(table))


@st.composite
def days(draw: st.DrawFn, table: Table, *, events: int = 25) -> list[Event]:
    """A day of reports in any order, mostly sensible ones, after a calm or a cold start."""
    words = vocabulary(table)
    devices = list(words)
    happenings = [Event(0.0, restful(table)), Event(60.0, ())] if draw(st.booleans()) else []
    for _ in range(draw(st.integers(1, events))):
        told = draw(st.lists(st.sampled_from(devices), max_size=3, unique=True))
        reports = tuple(
            Report(device, draw(st.sampled_from([*words[device], None]))) for device in told
        )
        happenings.append(Event(draw(SECONDS), reports))
    return happenings
