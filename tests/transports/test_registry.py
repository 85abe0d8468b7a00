from __future__ import annotations

import subprocess
import sys
from importlib.metadata import EntryPoint, EntryPoints
from typing import Any

import pytest

from signalling.errors import ConfigurationError
from transports import registry
from transports.loopback import LoopbackTransport
from transports.registry import kinds, make_transport
from transports.transport import TransportSettings

SETTINGS = TransportSettings(name="club", options={}, devices=())


def other_distribution(monkeypatch: pytest.MonkeyPatch, **makers: str) -> None:
    """Let another distribution have registered these."""
    points = EntryPoints(EntryPoint(name, value, registry.GROUP) for name, value in makers.items())
    monkeypatch.setattr(registry, "entry_points", points.select)


class HalfATransport:
    """What its author believed to be one."""

    name = "half"

    def __init__(self, settings: TransportSettings) -> None: ...

    async def open(self, sink: Any) -> None: ...

    async def close(self) -> None: ...


def broken_maker(_: TransportSettings) -> Any:
    raise ZeroDivisionError("division by zero")


def test_our_own_kinds_are_known() -> None:
    assert {"loopback", "mqtt"} <= set(kinds())
    assert isinstance(make_transport("loopback", SETTINGS), LoopbackTransport)


def test_a_kind_of_another_distribution_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    other_distribution(monkeypatch, theirs="transports.loopback:LoopbackTransport")
    assert "theirs" in kinds()
    assert isinstance(make_transport("theirs", SETTINGS), LoopbackTransport)


def test_an_unknown_kind_is_refused_with_those_that_there_are() -> None:
    with pytest.raises(ConfigurationError, match=r"no kind of transport 'mqqt'.*loopback, mqtt"):
        make_transport("mqqt", SETTINGS)


def test_missing_members_are_named() -> None:
    with pytest.raises(
        ConfigurationError, match=r"HalfATransport .*gives no counters, wait_lost, send\."
    ):
        make_transport(HalfATransport, SETTINGS)


def test_a_maker_that_fails_is_named() -> None:
    with pytest.raises(ConfigurationError, match="broken_maker failed: ZeroDivisionError"):
        make_transport(broken_maker, SETTINGS)


def test_a_kind_whose_module_is_missing_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    other_distribution(monkeypatch, theirs="no_such_module_anywhere:Transport")
    with pytest.raises(ConfigurationError, match=r"cannot be loaded.*no_such_module_anywhere"):
        make_transport("theirs", SETTINGS)


def test_a_kind_whose_module_lacks_the_maker_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    other_distribution(monkeypatch, theirs="transports.loopback:Transprot")
    with pytest.raises(ConfigurationError, match=r"cannot be loaded.*Transprot"):
        make_transport("theirs", SETTINGS)


def test_nothing_heavy_is_loaded_before_a_layout_names_it() -> None:
    code = (
        "import sys, transports, transports.registry, transports.loopback; "
        "sys.exit(any(name in sys.modules for name in ('aiomqtt', 'paho', 'transports.mqtt')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
