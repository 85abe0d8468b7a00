"""What a demonstration came to, as text and as JSON.

Law of this file: wording only; every figure is the outcome's. The keys of the
JSON stay as they are from version to version.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from signalling.demo.run import Outcome
from signalling.table.sheet import MODEL_ONLY

__all__ = ["as_json", "as_text"]


def as_json(outcome: Outcome, speed: float | None) -> dict[str, Any]:
    """Return the outcome for a program; ``speed`` is ``None`` where time jumped."""
    record = outcome.record
    return {
        "layout": outcome.layout,
        "seed": outcome.seed,
        "seconds": round(record.seconds, 3),
        "speed": speed,
        "trains": len(record.trains),
        "signals": outcome.signals,
        "signals_passed": sum(train.signals_passed for train in record.trains),
        "laps": sum(train.laps for train in record.trains),
        "aspects_shown": dict(record.aspects_shown),
        "aspects_passed": dict(record.aspects_passed),
        "stops_applied": record.stops_applied,
        "trains_stopped": record.times_stopped,
        "held_off_scene": record.times_held,
        "turnouts_moved": record.turnouts_moved,
        "minimum_separation_blocks": record.minimum_separation,
        "wrong_side_events": len(record.wrong_side),
        "wrong_side": [str(event) for event in record.wrong_side],
        "alarms": [alarm.sentence for alarm in outcome.alarms],
        "by_train": {
            train.name: {
                "metres": round(train.distance / 1000, 3),
                "laps": train.laps,
                "signals_passed": train.signals_passed,
                "times_stopped": train.times_stopped,
            }
            for train in record.trains
        },
        "caution": MODEL_ONLY,
    }


def as_text(outcome: Outcome) -> str:
    """Return the outcome for a person."""
    return "\n".join(_lines(outcome))


def _lines(outcome: Outcome) -> Iterator[str]:
    record = outcome.record
    yield (
        f"{outcome.layout}: {len(record.trains)} trains ran for {record.seconds:.0f} s under "
        f"{outcome.signals} signals (seed {outcome.seed})."
    )
    yield ""
    yield "  train   metres   laps   signals passed   stopped"
    for train in record.trains:
        yield (
            f"  {train.name:<5} {train.distance / 1000:>8.1f} {train.laps:>6} "
            f"{train.signals_passed:>16} {train.times_stopped:>9}"
        )
    yield ""
    yield f"Aspects shown        {_counts(record.aspects_shown)}"
    yield f"Aspects passed       {_counts(record.aspects_passed)}"
    yield f"Stops applied        {record.stops_applied}"
    yield f"Trains stopped       {record.times_stopped}"
    yield f"Turnouts moved       {record.turnouts_moved}"
    yield f"Minimum separation   {_separation(record.minimum_separation)}"
    if record.times_held:
        yield f"Held off the scene   {record.times_held}"
    for alarm in outcome.alarms:
        yield f"Alarm                {alarm.sentence}"
    yield f"Wrong-side events    {len(record.wrong_side)}"
    yield from (f"  {event}" for event in record.wrong_side)
    yield ""
    yield MODEL_ONLY


def _counts(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{aspect.replace('-', ' ')} {count}" for aspect, count in counts.items())


def _separation(blocks: int | None) -> str:
    match blocks:
        case None:
            return "no train was ahead of another"
        case 0:
            return "0 blocks: two trains were in one"
        case 1:
            return "1 block: each train was always in another block than the one ahead"
        case _:
            return f"{blocks} blocks from a train to the one ahead"
