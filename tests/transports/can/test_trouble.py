from __future__ import annotations

import errno

import can
import pytest

from transports.can.trouble import bus_condition, is_full, is_malformed, is_wrong_setup, sentence


def caused(error: Exception, cause: Exception) -> Exception:
    error.__cause__ = cause
    return error


def os_error(number: int) -> OSError:
    return OSError(number, "what the system says")


FULL = can.CanOperationError("Transmit buffer full")
NO_BUFFERS = caused(can.CanOperationError("Failed to transmit", 105), os_error(errno.ENOBUFS))
DOWN = caused(can.CanOperationError("Failed to transmit", 100), os_error(errno.ENETDOWN))
NO_TEXT = caused(
    can.CanOperationError("Could not read"), UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no")
)


@pytest.mark.parametrize(
    ("error", "malformed", "full"),
    [
        (FULL, False, True),
        (NO_BUFFERS, False, True),
        (DOWN, False, False),
        (can.CanTimeoutError("late"), False, True),
        (caused(can.CanOperationError("x"), os_error(errno.EIO)), False, False),
        (NO_TEXT, True, False),
        (ValueError("no number"), True, False),
        (IndexError("no length"), True, False),
        (os_error(errno.EAGAIN), False, True),
        (RuntimeError("a bug"), False, False),
    ],
)
def test_what_is_to_be_done_about_an_error(
    error: Exception,
    malformed: bool,  # noqa: FBT001 - a column
    full: bool,  # noqa: FBT001 - a column
) -> None:
    assert is_malformed(error) is malformed
    if not malformed:
        assert is_full(error) is full


@pytest.mark.parametrize(
    ("error", "wrong"),
    [
        (can.CanInterfaceNotImplementedError("no such driver"), True),
        (ImportError("no module"), True),
        (TypeError("unexpected keyword"), True),
        (caused(can.CanInitializationError("x"), ValueError("Invalid bitrate")), True),
        (caused(can.CanInitializationError("x"), os_error(errno.ENOENT)), False),
        (os_error(errno.ENODEV), False),
        (can.CanInitializationError("could not connect"), False),
    ],
)
def test_whether_trying_again_is_of_use(error: Exception, wrong: bool) -> None:  # noqa: FBT001
    assert is_wrong_setup(error) is wrong


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.ENODEV, "there is no 'can0' (plug it in"),
        (errno.ENOENT, "there is no 'can0' (plug it in"),
        (errno.ENETDOWN, "sudo ip link set can0 up type can bitrate 250000 restart-ms 100"),
        (errno.EAFNOSUPPORT, "no SocketCAN"),
        (errno.EACCES, "may not use 'can0'"),
        (errno.EIO, "what the system says"),
    ],
)
def test_an_error_is_told_with_its_remedy(number: int, said: str) -> None:
    for error in (os_error(number), caused(can.CanOperationError("x"), os_error(number))):
        assert said in sentence(error, {"channel": "can0", "bitrate": 250_000})


def test_an_error_without_text_is_told_by_its_name() -> None:
    assert sentence(RuntimeError(), {}) == "RuntimeError"


# Linux, include/uapi/linux/can/error.h: class in the identifier, detail of the controller in
# byte 1 (read, in Debian's linux-libc-dev).
@pytest.mark.parametrize(
    ("kinds", "detail", "condition"),
    [
        (0x040, 0x00, "bus-off"),
        (0x040 | 0x004, 0x30, "bus-off"),
        (0x100, 0x00, "restarted"),
        (0x004, 0x01, "overrun"),
        (0x004, 0x02, "overrun"),
        (0x004, 0x10, "error-passive"),
        (0x004, 0x20, "error-passive"),
        (0x004, 0x04, "error-warning"),
        (0x004, 0x08, "error-warning"),
        (0x004, 0x40, "error-active"),
        (0x020, 0x00, "not-acknowledged"),
        (0x080, 0x00, "bus-error"),
        (0x001, 0x00, "error-frame"),
    ],
)
def test_what_an_error_frame_says(kinds: int, detail: int, condition: str) -> None:
    frame = can.Message(
        arbitration_id=kinds, is_error_frame=True, data=[0, detail, 0, 0, 0, 0, 0, 0]
    )
    assert bus_condition(frame) == condition


def test_an_error_frame_without_detail() -> None:
    assert bus_condition(can.Message(arbitration_id=4, is_error_frame=True)) == "error-frame"
