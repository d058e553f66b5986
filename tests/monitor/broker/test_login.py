"""Logins for a broker: from a private file or the environment, and never shown."""

from pathlib import Path

import pytest

from monitor.broker.login import Login, login_from_environment, login_from_file
from simulator.strict import BadInput


def write_login(folder: Path, text: str, mode: int = 0o600) -> Path:
    """Write a login file down."""
    path = folder / "login.toml"
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
    return path


def test_a_login_file_must_be_private(tmp_path: Path) -> None:
    """A file that its group may read is refused; the login itself never shows."""
    text = 'user = "anna"\npassword = "geheim"\n'
    with pytest.raises(BadInput, match="found mode 640"):
        login_from_file(write_login(tmp_path, text, 0o640))
    login = login_from_file(write_login(tmp_path, text))
    assert (login.user, login.password) == ("anna", "geheim")
    assert repr(login) == "Login()"


@pytest.mark.parametrize(
    "text",
    ["", 'user = "anna"', 'user = "anna"\npassword = 3', "user = geheim", 'user=""\npassword="x"'],
)
def test_another_login_file_is_refused_without_quoting_it(tmp_path: Path, text: str) -> None:
    """Anything but user and password is one clear line, with nothing of the file in it."""
    with pytest.raises(BadInput, match="expected user") as refused:
        login_from_file(write_login(tmp_path, text))
    assert "geheim" not in str(refused.value)
    with pytest.raises(BadInput, match="no such file"):
        login_from_file(tmp_path / "none.toml")


def test_a_login_comes_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """User and password, a user alone, or nobody; a password alone is a mistake."""
    monkeypatch.delenv("FLOWDEBT_MQTT_USER", raising=False)
    monkeypatch.delenv("FLOWDEBT_MQTT_PASSWORD", raising=False)
    assert login_from_environment() is None
    monkeypatch.setenv("FLOWDEBT_MQTT_PASSWORD", "geheim")
    with pytest.raises(BadInput, match="no FLOWDEBT_MQTT_USER"):
        login_from_environment()
    monkeypatch.setenv("FLOWDEBT_MQTT_USER", "anna")
    assert login_from_environment() == Login("anna", "geheim")
