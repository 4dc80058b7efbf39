"""The power goes at any moment: no image is torn, and none is lost that was promised."""

import hashlib
import random

import pytest

from daemon.durable import write_atomically
from daemon.store.blobs import Blobs
from tests.support.faults.power_cut import recording

CONTENTS = [b"", b"\x00", bytes(range(256)) * 30, random.Random(1).randbytes(5000), b"the same again" * 9]
MIXTURES = 12


def kept_in(folder):
    """Name and content of each file that is named as a content is."""
    return {path.name: path.read_bytes() for path in folder.glob("??/*") if not path.name.startswith(".")}


def wrong_after(made, moment, rng, folder):
    """Cut the power there, start again, and say what is wrong then."""
    made.after_cut(moment, rng, folder)
    blobs = Blobs(folder, floor_bytes=0)
    blobs.open()
    kept = kept_in(folder)
    torn = [
        f"{name} is torn" for name, content in kept.items() if hashlib.sha256(content).hexdigest() != name
    ]
    lost = [f"{name} is lost" for name in made.promised_by(moment) if name not in kept]
    left = [f"{path.name} stays" for path in folder.glob("*/.*.part")]
    return torn + lost + left


def put_all(tmp_path, **options):
    folder = tmp_path / "disk"
    folder.mkdir()
    blobs = Blobs(folder, floor_bytes=0)
    with recording(folder, **options) as made:
        blobs.open()
        for content in [*CONTENTS, CONTENTS[2]]:
            made.promise(blobs.put(content))
    return made


def every_cut(made, tmp_path):
    for moment in range(len(made.operations) + 1):
        for mixture in range(MIXTURES):
            rng = random.Random(f"{moment} {mixture}") if mixture else None
            folder = tmp_path / f"{moment}-{mixture}"
            folder.mkdir()
            yield from (f"cut at {moment}: {said}" for said in wrong_after(made, moment, rng, folder))


def test_no_image_is_torn_and_none_lost_wherever_the_power_goes(tmp_path):
    made = put_all(tmp_path)
    assert {operation.what for operation in made.operations} == {"write", "sync", "entries", "sync folder"}
    assert len(made.promised) == len(CONTENTS) + 1
    assert list(every_cut(made, tmp_path)) == []


@pytest.mark.parametrize(("deaf_to", "says"), [("sync", "torn"), ("sync folder", "lost")])
def test_the_model_finds_what_a_missing_sync_costs(tmp_path, deaf_to, says):
    made = put_all(tmp_path, deaf_to=frozenset({deaf_to}))
    assert any(says in wrong for wrong in every_cut(made, tmp_path))


def test_a_file_that_is_replaced_is_the_old_one_or_the_new_one(tmp_path):
    folder = tmp_path / "disk"
    folder.mkdir()
    versions = [b"first", b"second, and longer", b"3"]
    with recording(folder) as made:
        for number, version in enumerate(versions):
            write_atomically(folder / "bench-id", version)
            made.promise(number)
    for moment in range(len(made.operations) + 1):
        newest = max(made.promised_by(moment), default=-1)
        for mixture in range(MIXTURES):
            there = tmp_path / f"{moment}-{mixture}"
            there.mkdir()
            made.after_cut(moment, random.Random(mixture) if mixture else None, there)
            found = (there / "bench-id").read_bytes() if (there / "bench-id").exists() else None
            assert found in [*(versions[newest:] if newest >= 0 else [None, *versions])], (moment, mixture)
