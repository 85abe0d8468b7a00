from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from signalling.errors import ConfigurationError
from transports.mqtt.options import Options
from transports.transport import TransportSettings

if TYPE_CHECKING:
    from pathlib import Path


def options(folder: Path | str = ".", **given: Any) -> Options:
    return Options.read(
        TransportSettings(name="club", options=given, devices=(), folder=str(folder))
    )


def test_a_table_with_nothing_in_it() -> None:
    read = options()
    assert (read.host, read.port, read.base) == ("127.0.0.1", 1883, "signalling")
    assert read.tls is None
    assert read.username is None


def test_a_user_and_a_password_by_environment_and_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CLUB_USER", "signaller")
    (tmp_path / "secret").write_text("s3cret\n")
    read = options(tmp_path, username_env="CLUB_USER", password_file="secret")  # noqa: S106 - a name
    assert (read.username, read.password) == ("signaller", "s3cret")
    assert options(tls=True).port == 8883


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"password": "s3cret"}, r"'password' in the layout file.*password_env"),
        ({"username": "me"}, r"'username' in the layout file.*username_env"),
        ({"password_env": "NO_SUCH_VARIABLE"}, "NO_SUCH_VARIABLE.* is not set"),
        ({"password_file": "nowhere"}, "cannot be read"),
        ({"password_file": "binary"}, "not text"),
        ({"password_env": "A", "password_file": "b"}, "both password_env and password_file"),
        ({"port": 0}, "port is 0"),
        ({"port": 70_000}, "port is 70000"),
        ({"port": "1883"}, "port is '1883'"),
        ({"port": True}, "port is True"),
        ({"host": ""}, "host is ''"),
        ({"host": "a..b"}, r"host is 'a\.\.b'"),
        ({"base": 1}, "base is 1"),
        ({"hots": "x"}, "hots means nothing here"),
        ({"tls": "yes"}, "tls is 'yes'"),
        ({"tls": False, "ca_file": "binary"}, "but tls = false"),
        ({"ca_file": "nowhere"}, "ca_file names .*nowhere, which cannot be read"),
        ({"ca_file": "binary"}, "cannot be used"),
        ({"payload_limit": -1}, "payload_limit is -1"),
        ({"publishers": [1]}, "publishers is not a table of tables"),
        ({"publishers": {"bridge": 1}}, "publishers is not a table of tables"),
        ({"lost_after": 0}, "lost_after is 0"),
    ],
)
def test_what_cannot_be_used_is_refused(tmp_path: Path, given: dict[str, Any], said: str) -> None:
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigurationError, match=said):
        options(tmp_path, **given)


def test_a_refusal_does_not_tell_the_secret(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError) as caught:
        options(tmp_path, password="s3cret")  # noqa: S106 - refused
    assert "s3cret" not in str(caught.value)
