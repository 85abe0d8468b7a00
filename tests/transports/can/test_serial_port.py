"""A serial port has one user."""

from __future__ import annotations

import errno
import os
import pty
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from transports.can.serial_port import claim, release

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def port() -> Iterator[str]:
    near, far = pty.openpty()
    yield os.ttyname(far)
    os.close(near)
    os.close(far)


def test_a_second_user_is_refused_until_the_first_lets_go(port: str) -> None:
    first = claim(port)
    assert first is not None
    # An adapter's bit rate of the serial line may stand behind the port.
    for channel in (port, f"{port}@115200"):
        with pytest.raises(OSError, match="another program has the port") as caught:
            claim(channel)
        assert caught.value.errno == errno.EBUSY
    release(first)
    again = claim(port)
    assert again is not None
    release(again)


def test_one_that_was_refused_leaves_nothing_open(port: str) -> None:
    first = claim(port)
    before = len(list(Path("/proc/self/fd").iterdir()))
    with pytest.raises(OSError, match="another program"):
        claim(port)
    assert len(list(Path("/proc/self/fd").iterdir())) == before
    release(first)


@pytest.mark.parametrize("channel", ["can0", "239.74.163.2", "", None, 7, "/nowhere/tty"])
def test_what_is_no_serial_port_is_left_alone(channel: object) -> None:
    descriptor = claim(channel)
    assert descriptor is None
    release(descriptor)


def test_a_file_is_no_port(tmp_path: Path) -> None:
    file = tmp_path / "tty"
    file.write_text("")
    assert claim(str(file)) is None
