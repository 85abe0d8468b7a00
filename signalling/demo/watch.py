"""Watching the demonstration: at a pace, as pictures or as lines of progress.

Law of this file: what is called at each tick, between one instant of the
railway and the next. The demonstration's own clock jumps and takes no time, so
that a seed gives the same run at any pace; pacing is to wait here, for real.
Nothing else goes on in the loop meanwhile, and nothing could.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator

from rich.console import Console
from rich.live import Live

from signalling.demo.display import Frame
from signalling.demo.run import Demo

__all__ = ["Pace", "progress", "screen"]

_PICTURE = 0.1
"""Seconds between two pictures."""

_NAP = 0.05
"""Seconds after which a wait looks whether it is to end."""

_LATE = 0.5
"""Seconds by which the railway may be late and catch up; what is beyond is let go."""


class Pace:
    """Holds the railway to so many times real time; ``None`` lets it run as fast as it goes."""

    def __init__(
        self,
        demo: Demo,
        speed: float | None,
        *,
        now: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._demo = demo
        self._speed = speed
        self._now = now
        self._sleep = sleep
        self._start = now()

    def wait(self) -> None:
        """Wait until the railway's time has come, or it is told to stop."""
        if self._speed is None:
            return
        while not self._demo.stopping:
            left = self._start + self._demo.world.seconds / self._speed - self._now()
            if left < -_LATE:
                self._start -= left
            if left <= 0:
                return
            self._sleep(min(left, _NAP))


@contextlib.contextmanager
def screen(
    demo: Demo, speed: float, console: Console | None = None
) -> Iterator[Callable[[], None]]:
    """Show the layout on a terminal; yield what is to be called each tick."""
    pace = Pace(demo, speed)
    frame = Frame(demo, f"{speed:g} times real time")
    drawn = -_PICTURE

    def watch() -> None:
        nonlocal drawn
        now = time.monotonic()
        if now - drawn >= _PICTURE:
            drawn = now
            live.refresh()
        pace.wait()

    with Live(frame, console=console or Console(), screen=True, auto_refresh=False) as live:
        yield watch


@contextlib.contextmanager
def progress(
    demo: Demo, seconds: float, speed: float | None, say: Callable[[str], None]
) -> Iterator[Callable[[], None]]:
    """Say now and then how far the run is; yield what is to be called each tick."""
    pace = Pace(demo, speed)
    how = "as fast as it goes" if speed is None else f"at {speed:g} times real time"
    say(f"running {seconds:g} s of the layout's time, {how}; Ctrl-C ends it sooner.")
    quarters = 0

    def watch() -> None:
        nonlocal quarters
        now = int(4 * demo.world.seconds / seconds)
        if now > quarters:
            quarters = now
            say(f"{demo.world.seconds:.0f} s of {seconds:g} s run.")
        pace.wait()

    yield watch
