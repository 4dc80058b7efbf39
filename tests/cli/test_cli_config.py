"""The settings as the command line shows them."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from typer.testing import Result

from cli.exit_codes import Exit
from daemon.settings import Settings


def test_every_setting_with_its_origin(
    invoke: Callable[..., Result], place: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROMWRIGHT_LOG_LEVEL", "debug")
    shown = json.loads(invoke("config", "--json").stdout)
    by_key = {row["key"]: row for row in shown["settings"]}
    assert list(by_key) == list(Settings.model_fields)
    assert by_key["poll_interval_s"]["value"] == "0.2"
    assert by_key["poll_interval_s"]["origin"] == f"file ({place.config})"
    assert by_key["log_level"]["origin"] == "environment (ROMWRIGHT_LOG_LEVEL)"
    assert by_key["lease_ttl_s"]["origin"] == "default"


def test_as_text(invoke: Callable[..., Result], place: Any) -> None:
    result = invoke("config")
    assert result.stdout.startswith(f"Configuration file: {place.config}")
    assert "poll_interval_s" in result.stdout


@pytest.mark.parametrize("arguments", [("config",), ("programmers",), ("blank-check", "--part", "M27C512")])
def test_a_wrong_setting_ends_with_2(
    invoke: Callable[..., Result], place: Any, arguments: tuple[str, ...]
) -> None:
    place.config.write_text("poll_interval_s = 900\n")
    result = invoke(*arguments)
    assert result.exit_code == Exit.USAGE
    assert f"{place.config}: poll_interval_s" in result.stderr


def test_a_configuration_file_that_is_not_there(invoke: Callable[..., Result], place: Any) -> None:
    result = invoke("config", "--config", str(place.folder / "other.toml"), "--json")
    assert result.exit_code == Exit.USAGE
    error = json.loads(result.stdout)["error"]
    assert error["code"] == "settings-invalid"
    assert error["exit_status"] == 2


@pytest.mark.parametrize("listen", ["bench:http", "99999", ":"])
def test_an_address_that_is_none(invoke: Callable[..., Result], listen: str) -> None:
    result = invoke("serve", "--listen", listen)
    assert result.exit_code == Exit.USAGE
    assert "--listen" in result.stderr


def test_a_network_port_is_not_taken_from_the_command_line(invoke: Callable[..., Result]) -> None:
    result = invoke("programmers", "--port", "tcp://127.0.0.1:8648")
    assert result.exit_code == Exit.USAGE
    assert 'ports = ["tcp://127.0.0.1:8648"]' in result.stderr
