"""Image contents: whole or not there."""

import hashlib
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.errors import BenchError, Code
from daemon.store.blobs import Blobs

# FIPS 180-4's example message "abc", and its digest in NIST's published example values for SHA-256.
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
EVERY_BYTE = bytes(range(256)) * 16


@pytest.fixture
def blobs(tmp_path: Path) -> Blobs:
    opened = Blobs(tmp_path / "images")
    assert opened.open() == 0
    return opened


def files(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def test_a_content_is_kept_under_its_digest(blobs: Blobs, tmp_path: Path) -> None:
    assert blobs.put(b"abc") == ABC
    assert blobs.get(ABC) == b"abc"
    assert blobs.contains(ABC)
    assert files(tmp_path / "images") == [f"ba/{ABC}"]
    if sys.platform != "win32":
        assert (tmp_path / "images" / "ba" / ABC).stat().st_mode & 0o777 == 0o600


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=50)
@given(content=st.binary(max_size=5000))
def test_any_content_comes_back(blobs: Blobs, content: bytes) -> None:
    digest = blobs.put(content)
    assert digest == hashlib.sha256(content).hexdigest()
    assert blobs.get(digest) == content
    assert blobs.put(content) == digest


def test_contents_are_listed_and_deleted(blobs: Blobs, tmp_path: Path) -> None:
    digests = sorted(blobs.put(bytes([i])) for i in range(20))
    assert list(blobs.digests()) == digests
    assert blobs.delete(digests[3])
    assert not blobs.delete(digests[3])
    assert not blobs.contains(digests[3])
    assert list(blobs.digests()) == digests[:3] + digests[4:]


def test_a_missing_content_is_said_to_be_missing(blobs: Blobs) -> None:
    with pytest.raises(BenchError) as failure:
        blobs.get(ABC)
    assert failure.value.code is Code.BLOB_MISSING
    assert not blobs.contains(ABC)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda content: content[:-1],  # torn
        lambda content: b"",
        lambda content: content[:100] + bytes([content[100] ^ 1]) + content[101:],  # one bit
        lambda content: content + b"\0",
    ],
)
def test_a_changed_file_is_never_given_out_and_never_lost(
    blobs: Blobs, tmp_path: Path, spoil: object
) -> None:
    digest = blobs.put(EVERY_BYTE)
    path = tmp_path / "images" / digest[:2] / digest
    changed = spoil(EVERY_BYTE)  # type: ignore[operator]
    path.write_bytes(changed)

    with pytest.raises(BenchError) as failure:
        blobs.get(digest)
    assert failure.value.code is Code.BLOB_DAMAGED
    kept = Path(failure.value.details["kept_as"])
    assert kept.read_bytes() == changed
    assert not blobs.contains(digest)
    with pytest.raises(BenchError) as failure:
        blobs.get(digest)
    assert failure.value.code is Code.BLOB_MISSING

    assert blobs.put(EVERY_BYTE) == digest  # uploaded again
    assert blobs.get(digest) == EVERY_BYTE
    assert kept.read_bytes() == changed
    assert list(blobs.digests()) == [digest]


def test_an_upload_heals_a_damaged_file(blobs: Blobs, tmp_path: Path) -> None:
    digest = blobs.put(EVERY_BYTE)
    path = tmp_path / "images" / digest[:2] / digest
    for number in (1, 2):
        path.write_bytes(b"spoiled %d" % number)
        assert blobs.put(EVERY_BYTE) == digest
        assert blobs.get(digest) == EVERY_BYTE
    assert [name for name in files(tmp_path / "images") if name.startswith("damaged/")] == [
        f"damaged/{digest}.1",
        f"damaged/{digest}.2",
    ]


def test_what_a_crash_left_half_written_is_cleaned_up(blobs: Blobs, tmp_path: Path) -> None:
    digest = blobs.put(EVERY_BYTE)
    shard = tmp_path / "images" / digest[:2]
    (shard / f".{digest}.0123456789abcdef.part").write_bytes(EVERY_BYTE[:77])
    again = Blobs(tmp_path / "images")
    assert again.open() == 1
    assert files(tmp_path / "images") == [f"{digest[:2]}/{digest}"]
    assert again.get(digest) == EVERY_BYTE


def test_space_for_records_is_left_free(tmp_path: Path) -> None:
    free = 10_000
    blobs = Blobs(tmp_path / "images", floor_bytes=6_000, free_bytes=lambda _folder: free)
    blobs.open()
    blobs.put(b"x" * 4_000)
    with pytest.raises(BenchError) as failure:
        blobs.put(b"y" * 4_001)
    assert failure.value.code is Code.DISK_FULL
    assert failure.value.details == {"free_bytes": 10_000, "size_bytes": 4_001, "floor_bytes": 6_000}
    assert len(list(blobs.digests())) == 1
    free = 0
    blobs.put(b"x" * 4_000)  # it is there already: nothing to write


@pytest.mark.parametrize(
    "name", ["", "..", "../../etc/passwd", ABC.upper(), ABC[:-1], ABC + "a", ABC[:-1] + "\n"]
)
def test_only_a_digest_becomes_a_path(blobs: Blobs, name: str) -> None:
    for call in (blobs.get, blobs.contains, blobs.delete):
        with pytest.raises(BenchError) as failure:
            call(name)
        assert failure.value.code is Code.NOT_FOUND


def test_a_folder_that_cannot_be_written_is_explained(tmp_path: Path) -> None:
    blobs = Blobs(tmp_path / "images")
    blobs.open()
    (tmp_path / "images" / "ba").write_text("in the way")  # where the folder of the digest has to go
    with pytest.raises(BenchError) as failure:
        blobs.put(b"abc")
    assert failure.value.code is Code.STATE_DIR_UNUSABLE


def test_threads_may_keep_and_read_the_same_content(blobs: Blobs, tmp_path: Path) -> None:
    start = threading.Barrier(8)

    def work(number: int) -> bytes:
        start.wait()
        digest = blobs.put(EVERY_BYTE)
        blobs.put(bytes([number]))
        return blobs.get(digest)

    with ThreadPoolExecutor(8) as pool:
        assert set(pool.map(work, range(8))) == {EVERY_BYTE}
    assert len(files(tmp_path / "images")) == 9
