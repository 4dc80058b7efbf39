"""Labels by commands."""

from pathlib import Path

import pytest

from cli.commands.labels import stock_of
from cli.exit_codes import Exit
from cli.failure import Failure
from tests.cli.conftest import Place


def test_sizes_are_millimetres_by_millimetres() -> None:
    stock = stock_of("25.4x12", "210x297", "5X8", "0x0", outline=False)
    assert (stock["label_width_mm"], stock["label_height_mm"], stock["top_mm"]) == (25.4, 12, 8)
    with pytest.raises(Failure, match="is not two numbers"):
        stock_of("25", "210x297", "5x8", "0x0", outline=True)


def test_labels_of_a_board_are_saved(place: Place, tmp_path: Path) -> None:
    path = tmp_path / "labels.pdf"
    done = place.run("label", "board", "tern-16", "--copies", "2", "--save", str(path))
    assert done.returncode == Exit.DONE, done.stderr
    assert "Print at 100 %" in done.stdout
    assert path.read_bytes().startswith(b"%PDF")
    again = place.run("label", "board", "tern-16", "--save", str(path))
    assert again.returncode != Exit.DONE
    assert "--replace" in again.stderr
    many = place.run("label", "board", "tern-16", "--copies", "60", "--save", str(tmp_path / "l.svg"))
    assert "l-2.svg" in many.stdout
    assert (tmp_path / "l-2.svg").read_text(encoding="utf-8").startswith("<?xml")
    wrong = place.run("label", "board", "tern-16", "--save", str(tmp_path / "labels.doc"))
    assert wrong.returncode == Exit.USAGE
