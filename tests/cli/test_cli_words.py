"""Amounts and durations as people say them, and what is kept from the terminal."""

import pytest

from cli.out import Out, bytes_words, time_words, when_words


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (1000, "1,000 bytes"),
        (1024, "1 KiB"),
        (65536, "64 KiB"),
        (65537, "65,537 bytes"),
        (4 << 20, "4 MiB"),
        (1536 << 10, "1536 KiB"),
    ],
)
def test_bytes(count: int, words: str) -> None:
    assert bytes_words(count) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.0, "less than 0.1 s"),
        (0.04, "less than 0.1 s"),
        (0.44, "0.4 s"),
        (0.96, "1.0 s"),
        (9.94, "9.9 s"),
        (10.4, "10 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (61, "1 min 1 s"),
        (3599.6, "1 h"),
        (3900, "1 h 5 min"),
    ],
)
def test_times(seconds: float, words: str) -> None:
    assert time_words(seconds) == words


def test_moments_are_shown_in_local_time(monkeypatch: pytest.MonkeyPatch) -> None:
    assert when_words(None) == ""
    assert when_words("2026-11-25T14:02:27.234510Z")[:4] == "2026"
    assert when_words("2026-11-25T14:02:27Z") == when_words("2026-11-25T15:02:27+01:00")


def test_no_text_commands_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """ESC and CSI begin commands of a terminal (ECMA-48, 5.3): what a device says of itself may hold them."""
    out = Out()
    out.say("firmware \x1b[2J\x9b31m 1.0\r\n")
    out.table(("Name",), [("\x1b]0;title\x07",)])
    shown = capsys.readouterr().out
    assert "firmware" in shown
    assert not set(shown) & {"\x1b", "\x9b", "\r", "\x07"}
