"""Keys at a batch, each typed with Enter: what they mean depends on what is asked for."""

from pathlib import Path

import pytest

from cli.batch_follow import BatchFollower
from cli.batch_view import PlainScreen
from cli.out import Out
from cli.practice.bench import PracticeBench, practice_bench


def typed(bench: PracticeBench, follower: BatchFollower, key: str, code: str) -> dict:
    """Type a key while the batch says `code`; return the batch afterwards."""
    path = follower._path
    follower._batch = bench.wait(path, lambda seen: seen["instruction"]["code"] == code)
    follower._typed.put(key)
    follower._do_typed(PlainScreen(follower._out))
    return dict(bench.client.get(path))


def test_each_key_does_what_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with practice_bench(tmp_path) as bench:
        wanted = {"board": "tern-8", "sets": 1, "policy": {"labels": "confirm", "stop_after_rejects": 0}}
        begun = bench.client.post("/v1/batches", wanted)
        follower = BatchFollower(bench.client, Out(), begun)
        assert typed(bench, follower, "r", "put-in")["last"]["cause"] == "by-hand"
        assert typed(bench, follower, "p", "put-in")["why"] == "person"
        assert typed(bench, follower, "", "paused")["state"] == "active"
        assert typed(bench, follower, "x", "put-in")["state"] == "active"
        typed(bench, follower, "c", "put-in")
        assert "count does not fit" in capsys.readouterr().err
        part = begun["results"]["remaining"][0]["part_name"]
        bench.put_in(part)
        assert typed(bench, follower, "", "label")["last"]["labelled"]
        bench.client.post(f"{follower._path}/acts", {"act": "end"})
        bench.wait(follower._path, lambda seen: seen["state"] == "ended")
