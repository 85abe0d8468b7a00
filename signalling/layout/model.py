"""The classes that a layout file is read into.

Law of this file: data only, frozen, one class per table of the file, one
sentence per field. The JSON Schema and the reference page are made from these
classes, so a field's sentence and unit are written here once. Nothing here
checks that names exist or fit together; ``read`` does.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from attrs import field, frozen

__all__ = [
    "Binding",
    "Block",
    "Button",
    "DangerInput",
    "Detector",
    "Layout",
    "Reader",
    "Settings",
    "Signal",
    "SignalRoute",
    "SingleLine",
    "Stop",
    "Supply",
    "Train",
    "Turnout",
    "default_hidden",
]

HOLD_OFF = 1.5
"""Seconds a detector must read clear before its block counts as clear (common practice)."""

THROW_TIME = 5.0
"""Seconds that a turnout's motor may take where the file names no figure."""

STOPPED_AFTER = 10.0
"""Seconds after which a train before a signal at danger counts as stopped, without a figure."""

HIDDEN_STEP = 5.0
"""Seconds of one hidden section where the file names no figure."""


def _described(
    sentence: str,
    *,
    unit: str = "",
    least: float | None = None,
    above: float | None = None,
    key: str | None = None,
    any_key: bool = False,
    **options: Any,
) -> Any:
    """Return an attrs field that carries what reader, schema and manual say of it.

    ``least`` is the smallest number allowed, ``above`` one that it must exceed;
    ``key`` is its key in the file where that is not the field's name. With
    ``any_key`` the keys of a table need not be names of things.
    """
    metadata = {
        "sentence": sentence,
        "unit": unit,
        "least": least,
        "above": above,
        "key": key,
        "any_key": any_key,
    }
    return field(metadata=metadata, **options)


@frozen(kw_only=True)
class Settings:
    """``[layout]``: what holds for the whole layout."""

    name: str = _described("The layout's name, for headings.")
    practice: str = _described(
        "The railway's rules of aspects: `uk`, `house`, `ks`, `us`, or the path of a practice file "
        "of your own, ending in `.toml`, beside the layout file.",
        default="uk",
    )
    scale: str = _described("The scale, by its name, such as `00`, `H0` or `N`.", default="00")
    hold_off: float = _described(
        "How long a detector must read clear before its block counts as clear.",
        unit="s",
        default=HOLD_OFF,
        least=0,
    )
    sequence: bool = _described(
        "Whether a train that vanishes keeps its block and the neighbours occupied, on blocks "
        "whose neighbours are all detected. A block can say otherwise for itself.",
        default=True,
    )
    minimum_on: float = _described(
        "How long a signal stays at danger at the least, once it is there.",
        unit="s",
        default=0.0,
        least=0,
    )
    approach_time: float = _described(
        "How long after a signal was put back a train that was approaching it counts as stopped. "
        "It must outlast the stopping time of every train.",
        unit="s",
        default=30.0,
        above=0,
    )
    confirm_within: float = _described(
        "How long after a block was declared empty this can be confirmed.",
        unit="s",
        default=30.0,
        above=0,
    )
    describer: bool | None = _described(
        "Whether the names of trains are kept, and step from block to block. Where it is not "
        "given, they are if there are `[readers]`.",
        default=None,
    )


@frozen(kw_only=True)
class Block:
    """``[blocks]``: a length of track with one occupancy state."""

    length: float | None = _described("Length of track.", unit="mm", default=None, above=0)
    hold_off: float | None = _described(
        "How long its detectors must read clear, where it differs from the layout's.",
        unit="s",
        default=None,
        least=0,
    )
    sequence: bool | None = _described(
        "Whether a train that vanishes here keeps the block occupied, where it differs from the "
        "layout's.",
        default=None,
    )


@frozen(kw_only=True)
class Turnout:
    """``[turnouts]``: points, in a block."""

    block: str = _described("The block that the turnout is in.")
    moved_by: Literal["others", "us"] = _described(
        "Who moves it: `others` (a person or another system; we observe it) or `us` (we order "
        "it on request, when nothing depends on how it lies).",
        default="others",
    )
    lock: bool = _described(
        "Whether others move it only under our lock output, which is given on being asked for "
        "and only when nothing depends on how the turnout lies.",
        default=False,
    )
    lever: bool = _described(
        "Whether a lever or switch reports that the lock is asked for; requests can ask too.",
        default=False,
    )
    throw_time: float = _described(
        "How long its motor may take, where we move it, before the turnout counts as failed.",
        unit="s",
        default=THROW_TIME,
        above=0,
    )
    supply: str | None = _described(
        "The supply that its motor is fed from, where we move it, by its name in `[supplies]`.",
        default=None,
    )


@frozen(kw_only=True)
class Supply:
    """``[supplies]``: what feeds turnout motors, and how many of them it can move at a time."""

    at_once: int = _described("How many turnouts may move at the same time.", default=1, least=1)


@frozen(kw_only=True)
class SignalRoute:
    """``[signals.NAME.routes.LINE]``: what is special about one route from a signal."""

    indicator: int | str | None = _described(
        "The route indicator that is lit for this route: a junction light position, 1 to 6, or "
        "the letter of a stencil indicator.",
        default=None,
    )
    indicator_proved: bool = _described(
        "Whether the indicator reports that it is lit; the signal then waits for the proof.",
        default=False,
    )
    override: bool = _described(
        "Whether a switch can take the indicator out of automatic working.", default=False
    )
    call_on: bool = _described(
        "Whether a second train may be called on into the occupied last block of this route: "
        "the signal must be controlled.",
        default=False,
    )
    shunt: bool = _described(
        "Whether vehicles may be shunted over this route into its occupied last block: the "
        "signal must be controlled.",
        default=False,
    )
    speed: str | None = _described(
        "How fast the route may be run over: one of the speeds of the practice. Where it is not "
        "given, the indicator may stand for one.",
        default=None,
    )
    release: Literal["free", "from-danger", "from-caution"] | None = _described(
        "Approach release: hold the signal at danger or at caution for this route until the "
        "train is close, or `free`. Where it is not given, as the route's speed has it, or `free`.",
        default=None,
    )
    release_after: float = _described(
        "How long the block before the signal must have been occupied before the release.",
        unit="s",
        default=0.0,
        least=0,
    )


@frozen(kw_only=True)
class Signal:
    """``[signals]``: a signal, at a joint, for one direction."""

    at: str = _described("The joint and direction, such as `d2 > j1`.")
    aspects: int = _described("How many aspects its head can show.", default=3, least=2)
    head: str | None = _described(
        "The kind of head, by its name in the practice, where the number of aspects does not "
        "say it.",
        default=None,
    )
    controlled: bool = _described(
        "Whether it shows a proceed aspect only for a route that somebody has asked for; else it "
        "works from detection alone.",
        default=False,
    )
    routes: Mapping[str, SignalRoute] = _described(
        "What is special about single routes, by the line that the route follows.", factory=dict
    )
    distant: tuple[str, ...] | bool = _described(
        "Whether it is a distant signal, which is never at danger: it tells whether the next main "
        "signal is off, and says nothing of the track. Or the main signals that must all be off, "
        "so far as they stand on the way.",
        default=False,
    )
    splitting: str | None = _described(
        "The line for whose route from the next signal this one has a second head, of the same "
        "kind. The device is `signal NAME/LINE`; the first head then speaks of the other routes.",
        default=None,
    )
    announces: tuple[int | str, ...] = _described(
        "The positions of a second indicator, which shows beforehand what the route indicator of "
        "the next signal shows. The device is `indicator NAME/ahead`.",
        default=(),
    )
    overlap: str | tuple[str, ...] | None = _described(
        "Path beyond this signal that is kept clear as a margin while a train runs up to it. Of "
        "several, a route of a controlled signal takes the first that it can have, and swings over "
        "to another when that one is in the way; any other route takes the first.",
        default=None,
    )
    reduced_overlap: str | None = _described(
        "A shorter such path, for routes of controlled signals, where no other overlap can be "
        "had: their signal is held at danger then until the train is close.",
        default=None,
    )
    hidden: tuple[float, ...] | bool | None = _described(
        "For a signal whose route runs out of the described track: the seconds that a train "
        "takes through each hidden section there. `true` stands for as many sections of 5 s as "
        "the head has steps; an empty list for open track on which nothing is waited for.",
        unit="s",
        default=None,
        above=0,
    )
    stopped_after: float = _described(
        "How long a train must have been in the block before it, with the signal at danger, to "
        "count as stopped there: only then is it called on.",
        unit="s",
        default=STOPPED_AFTER,
        above=0,
    )
    lamps_proved: bool = _described(
        "Whether the head reports that its ordered lamps are alight.", default=False
    )
    minimum_on: float | None = _described(
        "How long it stays at danger at the least, where it differs from the layout's.",
        unit="s",
        default=None,
        least=0,
    )
    approach_time: float | None = _described(
        "How long a train approaching it needs to stop, where it differs from the layout's.",
        unit="s",
        default=None,
        above=0,
    )


@frozen(kw_only=True)
class SingleLine:
    """``[single_lines]``: blocks through which trains run one way at a time, as both ends agree."""

    blocks: tuple[str, ...] = _described(
        "Its blocks, in order. Where the other end is theirs, from our end on, as far as they are "
        "described here."
    )
    other_end: Literal["ours", "theirs"] = _described(
        "Who signals the other end: `ours`, in this file, or `theirs`, another controller with "
        "which we agree by reports and orders of the device `agreement NAME`.",
        default="ours",
    )
    goes_first: bool = _described(
        "Whether our end goes first when both ask at the same time, where the other end is theirs. "
        "Of the two files, one must say so.",
        default=False,
    )


@frozen(kw_only=True)
class Detector:
    """``[detectors]``: reports a whole block, or a place at a joint."""

    block: str | None = _described(
        "A section detector: the block whose whole length it reports.", default=None
    )
    at: str | None = _described(
        "A spot detector (a beam): the joint that it looks across, in either direction.",
        default=None,
    )


@frozen(kw_only=True)
class DangerInput:
    """``[danger]``: a switch or a press that holds signals at danger."""

    signals: tuple[str, ...] = _described("The signals that it holds.")
    press: bool = _described(
        "A press, which holds danger for a set time after it was let go; else a switch.",
        default=False,
    )
    hold: float = _described("How long a press holds danger.", unit="s", default=2.0, above=0)


@frozen(kw_only=True)
class Button:
    """``[buttons]``: a push button by which somebody asks for something."""

    entry: str | None = _described(
        "The signal at which routes begin that are asked for with it.", default=None
    )
    exit: str | None = _described(
        "Where routes end that are asked for with it: a signal, or the block that is their last.",
        default=None,
    )
    move: Literal["main", "call-on", "shunt"] = _described(
        "What an entry button asks for: a train's run by the signal's own aspect, or a subsidiary "
        "move.",
        default="main",
    )
    cancel: bool = _described(
        "Whether it takes back what was asked for at the signal of the entry button that is "
        "pressed before or after it.",
        default=False,
    )
    ask: str | None = _described(
        "The request that it makes, as a person would write it: `hold all`.", default=None
    )
    within: float = _described(
        "How long after this button another counts as pressed with it.",
        unit="s",
        default=5.0,
        above=0,
    )
    lamp: bool = _described(
        "Whether it has a lamp that we light: flashing while asked for, lit once set.",
        default=False,
    )


@frozen(kw_only=True)
class Stop:
    """``[stops]``: an output that stops trains at a signal at danger."""

    signal: str = _described("The signal that it enforces.")
    section: str | None = _described(
        "The block whose trains it acts on; the block before the signal where not given.",
        default=None,
    )
    unpowered: Literal["applied", "lifted"] = _described(
        "What it does without power.", default="applied"
    )
    proved: bool = _described(
        "Whether it reports how it stands; signals that lead to its signal then wait for the "
        "proof that it is applied.",
        default=False,
    )
    proved_within: float = _described(
        "How long it may take to move and to report so.", unit="s", default=2.0, above=0
    )


@frozen(kw_only=True)
class Reader:
    """``[readers]``: reads what trains carry, such as a tag, and so tells their names."""

    block: str | None = _described(
        "The block in which it reads the train that is there.", default=None
    )
    at: str | None = _described(
        "The joint at which it reads trains that pass, in either direction.", default=None
    )
    reads: Mapping[str, str] = _described(
        "The names of trains, by what is read. Where it is not given, names themselves are read.",
        any_key=True,
        factory=dict,
    )


@frozen(kw_only=True)
class Train:
    """``[trains]``: a train, for simulation."""

    line: str = _described("The line that it runs along, in the order it is written.")
    start: str = _described("The block that it starts in.")
    length: float = _described("Length over all vehicles.", unit="mm", default=900.0, above=0)
    speed: float = _described("Running speed.", unit="mm/s", default=250.0, above=0)
    braking: float = _described("Braking.", unit="mm/s²", default=250.0, above=0)


@frozen(kw_only=True)
class Binding:
    """``[[bindings]]``: which wire or message some devices are."""

    device: str | tuple[str, ...] = _described(
        "The devices, as `detector d1`; `*` stands for any name, as in `detector *`, and alone for "
        "every device. Later entries override earlier ones."
    )
    transport: str = _described("The transport's name in this file.")
    report: Mapping[str, Any] | None = _described(
        "Where the devices' reports come from, in the transport's own terms.", default=None
    )
    order: Mapping[str, Any] | None = _described(
        "Where the devices' orders go to, in the transport's own terms.", default=None
    )
    fresh: float | None = _described(
        "How long a report holds good without being repeated; without it, as long as the link "
        "and the publisher are known to be alive.",
        unit="s",
        default=None,
        above=0,
    )


@frozen(kw_only=True)
class Layout:
    """A whole layout file."""

    settings: Settings = _described(  # noqa: RUF009 - an attrs field
        "What holds for the whole layout.", key="layout"
    )
    blocks: Mapping[str, Block] = _described("Blocks, by name.", factory=dict)
    turnouts: Mapping[str, Turnout] = _described("Turnouts, by name.", factory=dict)
    supplies: Mapping[str, Supply] = _described("What feeds turnout motors, by name.", factory=dict)
    lines: Mapping[str, str] = _described(
        "Lines, by name: blocks in order, joined by `>`, with the lies they need in brackets.",
        factory=dict,
    )
    signals: Mapping[str, Signal] = _described("Signals, by name.", factory=dict)
    single_lines: Mapping[str, SingleLine] = _described(
        "Single lines whose ends agree which way trains run, by name.", factory=dict
    )
    detectors: Mapping[str, Detector] = _described(
        "Detectors, by name. A block that has none gets a section detector of its own name.",
        factory=dict,
    )
    danger: Mapping[str, DangerInput] = _described(
        "Switches and presses that hold signals at danger, by name.", factory=dict
    )
    buttons: Mapping[str, Button] = _described(
        "Push buttons by which somebody asks for something, by name.", factory=dict
    )
    stops: Mapping[str, Stop] = _described("Train stops, by name.", factory=dict)
    readers: Mapping[str, Reader] = _described(
        "Readers that tell the names of trains, by name.", factory=dict
    )
    trains: Mapping[str, Train] = _described("Trains for simulation, by name.", factory=dict)
    transports: Mapping[str, Mapping[str, Any]] = _described(
        "Transports, by name: `kind`, and what that kind of transport takes.", factory=dict
    )
    bindings: tuple[Binding, ...] = _described("Which wire or message each device is.", default=())

    @property
    def describes(self) -> bool:
        """Whether names of trains are kept: where that is asked for, or there are readers."""
        asked = self.settings.describer
        return bool(self.readers) if asked is None else asked


def default_hidden(steps: int) -> tuple[float, ...]:
    """Return the seconds of ``steps`` hidden sections where the file names no figures."""
    return (HIDDEN_STEP,) * steps
