"""Images, programmers and requests that are sent twice."""

from dataclasses import replace

import pytest

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.store.model import JobChange, JobState, NewJob, Replay
from daemon.store.store import Store

DIGEST = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def add(store: Store, digest: str = DIGEST, name: str = "boot.hex") -> None:
    store.images.add(digest, size_bytes=65536, name=name, image_format="intel-hex", facts={"gaps": 2})


def test_an_image_comes_back_as_it_went_in(store: Store, clock: ManualClock) -> None:
    record, is_new = store.images.add(
        DIGEST, size_bytes=8 * 2**30, name="boot.hex", image_format="intel-hex", facts={"gaps": [1, 2]}
    )
    assert is_new
    assert store.images.get(DIGEST) == record
    assert record.size_bytes == 8 * 2**30
    assert record.created_at == clock.utc_now()
    assert store.events.after(0)[-1].data["sha256"] == DIGEST


def test_the_same_content_again_changes_nothing(store: Store) -> None:
    add(store)
    first, events = store.images.get(DIGEST), store.events.newest_id()
    again, is_new = store.images.add(DIGEST, size_bytes=65536, name="copy.bin", image_format="raw", facts={})
    assert not is_new
    assert again == first
    assert store.events.newest_id() == events


def test_images_are_listed_newest_first(store: Store, clock: ManualClock) -> None:
    digests = [f"{i:064x}" for i in range(5)]
    for digest in digests:
        add(store, digest)
        clock.advance_s(1)
    assert [image.sha256 for image in store.images.list()] == digests[::-1]
    assert [image.sha256 for image in store.images.list(limit=2, offset=1)] == [digests[3], digests[2]]


def test_an_image_is_kept_while_a_job_needs_it(store: Store, new_job: NewJob) -> None:
    add(store)
    job = store.jobs.create(replace(new_job, image_sha256=DIGEST))
    with pytest.raises(BenchError) as failure:
        store.images.delete(DIGEST)
    assert failure.value.code is Code.IMAGE_IN_USE
    assert failure.value.details["job_ids"] == [job.id]
    assert store.images.get(DIGEST)

    store.jobs.update(job.id, JobChange(state=JobState.CANCELLED))
    store.images.delete(DIGEST)
    for call in (store.images.get, store.images.delete):
        with pytest.raises(BenchError) as failure:
            call(DIGEST)
        assert failure.value.code is Code.NOT_FOUND
    assert store.jobs.get(job.id).image_sha256 == DIGEST, "history keeps the digest"


def test_benches_have_images_of_their_own(url: str, store: Store, clock: ManualClock) -> None:
    add(store)
    with Store.open(url, clock, "b_two") as other:
        assert other.images.list() == ()
        add(other, name="theirs")
        other.images.delete(DIGEST)
    assert store.images.get(DIGEST).name == "boot.hex"


def test_a_programmer_keeps_its_name_when_it_is_seen_again(store: Store, clock: ManualClock) -> None:
    store.programmers.rename("prog-1", " left bench ")
    clock.advance_s(30)
    seen = store.programmers.upsert("prog-1", serial="SN1", info={"firmware": "1.2"})
    assert seen.name == "left bench"
    assert seen.info == {"firmware": "1.2"}
    assert seen.last_seen_at == clock.utc_now()
    assert store.programmers.get("prog-1") == seen
    assert store.programmers.find("left bench") == seen
    assert store.programmers.find("prog-1") == seen
    assert store.programmers.find("right bench") is None
    assert store.programmers.list() == (seen,)
    assert store.programmers.rename("prog-1", None).name is None


@pytest.mark.parametrize("name", ["", "   ", "a\nb", "a/b", "x" * 65])
def test_a_name_must_be_one_that_can_be_typed(store: Store, name: str) -> None:
    with pytest.raises(BenchError) as failure:
        store.programmers.rename("prog-1", name)
    assert failure.value.code is Code.NAME_INVALID
    assert store.programmers.get("prog-1").name is None


def test_a_name_means_one_programmer(store: Store) -> None:
    store.programmers.upsert("prog-2", serial=None, info={})
    store.programmers.rename("prog-1", "left")
    for taken in ("left", "prog-1"):
        with pytest.raises(BenchError) as failure:
            store.programmers.rename("prog-2", taken)
        assert failure.value.code is Code.NAME_TAKEN
        assert "prog-1" in failure.value.message
    assert store.programmers.rename("prog-1", "left").name == "left", "its own name is no clash"
    with pytest.raises(BenchError) as failure:
        store.programmers.rename("prog-9", "right")
    assert failure.value.code is Code.NOT_FOUND


REQUEST = "POST /v1/jobs"


def test_a_repeated_request_gets_the_first_answer(store: Store) -> None:
    assert store.idempotency.begin("k", REQUEST, "aa") is None
    assert store.idempotency.lookup("k") is None
    store.idempotency.finish("k", 202, {"id": "j_x"})
    assert store.idempotency.begin("k", REQUEST, "aa") == Replay(202, {"id": "j_x"})
    assert store.idempotency.lookup("k") == Replay(202, {"id": "j_x"})


def test_a_repeat_while_the_first_runs_is_told_to_wait(store: Store) -> None:
    store.idempotency.begin("k", REQUEST, "aa")
    with pytest.raises(BenchError) as failure:
        store.idempotency.begin("k", REQUEST, "aa")
    assert failure.value.code is Code.IDEMPOTENCY_IN_FLIGHT


@pytest.mark.parametrize(("request_line", "body"), [(REQUEST, "bb"), ("POST /v1/images", "aa")])
@pytest.mark.parametrize("finished", [True, False])
def test_a_key_is_for_one_request(store: Store, request_line: str, body: str, finished: bool) -> None:
    store.idempotency.begin("k", REQUEST, "aa")
    if finished:
        store.idempotency.finish("k", 202, {})
    with pytest.raises(BenchError) as failure:
        store.idempotency.begin("k", request_line, body)
    assert failure.value.code is Code.IDEMPOTENCY_REUSED


def test_a_refused_request_may_be_put_right_and_sent_again(store: Store) -> None:
    store.idempotency.begin("k", REQUEST, "aa")
    store.idempotency.release("k")
    assert store.idempotency.begin("k", REQUEST, "bb") is None
    store.idempotency.finish("k", 202, {})
    store.idempotency.release("k")
    assert store.idempotency.lookup("k") == Replay(202, {}), "a given answer is not taken back"


def test_a_claim_of_a_daemon_that_died_is_void(
    url: str, store: Store, new_job: NewJob, clock: ManualClock
) -> None:
    store.idempotency.begin("k", REQUEST, "aa")
    job = store.jobs.create(replace(new_job, idempotency_key="k"))  # and here the daemon died
    with Store.open(url, clock, store.bench_id) as restarted:
        assert restarted.idempotency.begin("k", REQUEST, "aa") is None
        assert restarted.jobs.find_by_key("k") == job, "so the job is found, and not made again"
        restarted.idempotency.finish("k", 202, {"id": job.id})
        assert restarted.idempotency.begin("k", REQUEST, "aa") == Replay(202, {"id": job.id})


def test_answers_are_kept_for_a_day(store: Store, clock: ManualClock) -> None:
    store.idempotency.begin("k", REQUEST, "aa")
    store.idempotency.finish("k", 202, {})
    clock.advance_s(24 * 3600 - 1)
    assert store.idempotency.begin("k", REQUEST, "aa") == Replay(202, {})
    clock.advance_s(2)
    assert store.idempotency.begin("k", REQUEST, "bb") is None


def test_finishing_what_was_not_begun_is_refused(store: Store) -> None:
    with pytest.raises(BenchError) as failure:
        store.idempotency.finish("k", 200, {})
    assert failure.value.code is Code.NOT_FOUND


def test_benches_have_keys_of_their_own(url: str, store: Store, clock: ManualClock) -> None:
    store.idempotency.begin("k", REQUEST, "aa")
    with Store.open(url, clock, "b_two") as other:
        assert other.idempotency.begin("k", "POST /v1/images", "bb") is None
