"""Secrets: the service manager's copies, files of one's own, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from brinewatch.config import read_shed
from brinewatch.errors import BrinewatchError, ConfigurationError
from brinewatch.secretfile import read_secret, secret_at
from scenarios.night import shed_text


@pytest.fixture
def copies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of credentials, as systemd makes it of a folder `secrets` (systemd.exec(5), LoadCredential)."""
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "secrets_token").write_text("the copy\n")
    (folder / "secrets_token").chmod(0o400)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(folder))
    return folder


def test_the_service_managers_copy_goes_before_a_file_the_daemon_may_not_read(copies: Path) -> None:
    assert read_secret("/etc/brinewatch/secrets/token") == "the copy"


def test_what_has_no_copy_or_lies_elsewhere_is_read_where_it_is(copies: Path, tmp_path: Path) -> None:
    (tmp_path / "token").write_text("own\n")
    (tmp_path / "token").chmod(0o600)
    assert read_secret(tmp_path / "token") == "own"
    assert secret_at(tmp_path / "secrets" / "other") == tmp_path / "secrets" / "other"


@pytest.mark.parametrize("mode", [0o604, 0o602, 0o601, 0o644, 0o666])
def test_a_file_open_to_everybody_is_refused_and_its_text_not_said(tmp_path: Path, mode: int) -> None:
    (tmp_path / "token").write_text("sesame\n")
    (tmp_path / "token").chmod(mode)
    with pytest.raises(BrinewatchError, match="open to every user") as caught:
        read_secret(tmp_path / "token")
    assert "sesame" not in str(caught.value)


def test_a_shed_file_that_names_a_secret_is_in_order_with_a_copy_alone(copies: Path, tmp_path: Path) -> None:
    text = shed_text() + '\n[webhook]\nurl = "https://hook.example/call"\ntoken_file = "secrets/token"\n'
    (tmp_path / "shed.toml").write_text(text)
    assert read_shed(tmp_path / "shed.toml").webhook is not None
    (copies / "secrets_token").unlink()
    with pytest.raises(ConfigurationError, match="there is none at"):
        read_shed(tmp_path / "shed.toml")
