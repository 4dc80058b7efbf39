"""Records, backup and restore by commands."""

import json
from pathlib import Path

from cli.exit_codes import Exit
from tests.cli.conftest import Place


def test_a_bench_is_backed_up_and_put_back(place: Place, tmp_path: Path) -> None:
    image = tmp_path / "tern8.bin"
    image.write_bytes(bytes(range(256)))
    assert place.run("image", "add", str(image)).returncode == Exit.DONE
    found = place.run("records", "tern8", "--json")
    assert json.loads(found.stdout) == {"records": [], "next_before": None}
    saved = place.run("records", "--table", "lots", "--save", str(tmp_path / "lots.csv"))
    assert saved.returncode == Exit.DONE, saved.stderr
    assert (tmp_path / "lots.csv").read_text(encoding="utf-8").startswith("name,part_id,")

    path = tmp_path / "bench.zip"
    made = place.run("backup", str(path))
    assert made.returncode == Exit.DONE, made.stderr
    assert "1 images" in made.stdout
    assert place.run("backup", "--check", str(path)).returncode == Exit.DONE
    busy = place.run("restore", str(path), "--yes")
    assert busy.returncode != Exit.DONE
    assert "already works with" in busy.stderr
    assert place.run("stop").returncode == Exit.DONE
    back = place.run("restore", str(path), "--yes")
    assert back.returncode == Exit.DONE, back.stderr
    assert "before-restore" in back.stdout
    path.write_bytes(path.read_bytes()[:-100])
    broken = place.run("backup", "--check", str(path))
    assert broken.returncode != Exit.DONE
    assert "no backup of ours, or was cut short" in broken.stderr
