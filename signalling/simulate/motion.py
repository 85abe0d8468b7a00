"""How a train moves: constant speed, and constant speeding up and slowing down.

Law of this file: one dimension and one train. No track, no signal. Lengths are
mm, speeds mm/s, braking mm/s², times s. A train speeds up as hard as it brakes.
"""

from __future__ import annotations

__all__ = ["braking_distance", "move"]

_CLOSE = 1e-6
"""mm, and share of a braking figure, within which two are the same."""


def braking_distance(speed: float, braking: float) -> float:
    """Return how far a train runs until it stands: v²/2a."""
    return speed * speed / (2.0 * braking)


def move(
    speed: float, top: float, braking: float, seconds: float, room: float | None = None
) -> tuple[float, float]:
    """Return a train's speed after a time, and how far it ran.

    ``room`` is the distance in which it is made to stand; ``None`` where
    nothing stops it. A train that is made to stand runs on as long as it can
    and brakes late, as a braking module of constant distance has it, and then
    stands exactly there. One that is told too late brakes as hard as it can
    and runs past. One that stands is not moved.
    """
    if room is None:
        return _speed_up(speed, top, braking, seconds)
    if speed <= 0.0:
        return 0.0, 0.0
    need = braking_distance(speed, braking)
    if room > need + _CLOSE:
        faster, distance = _speed_up(speed, top, braking, seconds)
        if braking_distance(faster, braking) <= room - distance:
            return faster, distance
        cruised = min((room - need) / speed, seconds)
        slower, distance = _brake(speed, braking, seconds - cruised)
        return slower, speed * cruised + distance
    # A little softer or harder than the figure, where that makes it stand on the spot.
    fitting = speed * speed / (2.0 * room) if room > _CLOSE else braking
    if abs(fitting - braking) > braking * _CLOSE * 1000.0:
        fitting = braking
    return _brake(speed, fitting, seconds)


def _speed_up(speed: float, top: float, rate: float, seconds: float) -> tuple[float, float]:
    rising = max(top - speed, 0.0) / rate
    if rising > seconds:
        reached = speed + rate * seconds
        return reached, (speed + reached) / 2.0 * seconds
    return top, (speed + top) / 2.0 * rising + top * (seconds - rising)


def _brake(speed: float, rate: float, seconds: float) -> tuple[float, float]:
    falling = speed / rate
    if falling <= seconds:
        return 0.0, speed / 2.0 * falling
    left = speed - rate * seconds
    return left, (speed + left) / 2.0 * seconds
