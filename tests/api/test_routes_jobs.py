"""Jobs over HTTP, on a real bench with a simulated programmer and chip."""

import hashlib
import json
import random
from typing import Any

import httpx
import pytest
from httpx_sse import connect_sse

from api.app import create_app
from daemon.bench import Bench
from daemon.store.model import ENDED_STATES, JobKind, JobState, NewJob
from simulator.programmer.profile import modest
from simulator.stock import Stock, demo_content
from tests.api.conftest import TOKEN, MemoryClient, served
from tests.api.simulated import PART, PORT, ended, simulated_bench, until

BYTES = {"Content-Type": "application/octet-stream"}
CONTENT = random.Random(8).randbytes(8192)


def upload(http: Any, content: bytes = CONTENT) -> str:
    return str(http.post("/v1/images?name=tern.bin", content=content, headers=BYTES).json()["sha256"])


def start(http: Any, kind: str, *, key: str | None = None, **options: Any) -> httpx.Response:
    headers = {"Idempotency-Key": key} if key else {}
    answer: httpx.Response = http.post(
        "/v1/jobs", json={"kind": kind, "part": PART, **options}, headers=headers
    )
    return answer


def code_of(answer: Any) -> tuple[int, str]:
    assert answer.headers["content-type"] == "application/problem+json"
    return answer.status_code, answer.json()["code"]


def shown_at_end(http: Any, sim: Bench, answer: httpx.Response) -> dict[str, Any]:
    ended(sim, answer.json()["id"])
    return dict(http.get(answer.headers["location"]).json())


def test_the_main_job_from_image_to_verified_chip_and_back(http: Any, sim: Bench) -> None:
    digest = upload(http)
    answer = start(http, "program", image=digest)
    assert answer.status_code == 202
    job = answer.json()
    assert answer.headers["location"] == f"/v1/jobs/{job['id']}"
    assert (job["kind"], job["part_id"], job["image_sha256"]) == ("program", PART, digest)
    assert job["estimate"]["total_s"] > 0
    job = shown_at_end(http, sim, answer)
    assert (job["state"], job["outcome"]["code"]) == ("succeeded", "ok")
    assert {step["state"] for step in job["steps"]} <= {"done", "skipped"}
    verified = {check["vcc_v"] for check in job["outcome"]["checks"] if check["name"] == "verify"}
    assert len(verified) >= 2
    assert None not in verified
    read = shown_at_end(http, sim, start(http, "read"))
    assert read["state"] == "succeeded"
    content = http.get(f"/v1/jobs/{read['id']}/content")
    assert content.content == CONTENT
    assert "attachment" in content.headers["content-disposition"]
    assert http.get(f"/v1/jobs/{read['id']}/content?format=intel-hex").text.startswith(":")


def test_a_jobs_events_tell_it_from_beginning_to_end(sim: Bench) -> None:
    app = create_app(sim, TOKEN, sim.settings)
    with served(app) as live, httpx.Client(base_url=live.url, headers=live.headers) as http:
        job = start(http, "program", image=upload(http)).json()
        with connect_sse(http, "GET", f"/v1/jobs/{job['id']}/events") as source:
            events = [(event.event, json.loads(event.data)["data"]) for event in source.iter_sse()]
    assert events[0][0] == "job-created"
    states = [data["state"] for kind, data in events if kind == "job-state"]
    assert states == ["running", "succeeded"]
    done = [data["step"] for kind, data in events if kind == "job-step" and data["state"] == "done"]
    assert done[0] == "connect"
    assert {"blank-check", "program", "verify"} <= set(done)
    progress = [data for kind, data in events if kind == "job-progress" and data["step"] == "program"]
    assert progress[-1]["total_bytes"] == 8192
    assert [each["done_bytes"] for each in progress] == sorted(each["done_bytes"] for each in progress)
    assert all(each["eta_s"] >= 0 for each in progress)


def test_a_used_chip_is_read_and_is_not_blank(settings: Any) -> None:
    with simulated_bench(settings.model_copy(update={"ports": (PORT,)}), Stock.USED) as sim:
        http = MemoryClient(create_app(sim, TOKEN, settings), Authorization=f"Bearer {TOKEN}")
        blank = shown_at_end(http, sim, start(http, "blank-check"))
        assert (blank["state"], blank["outcome"]["code"]) == ("failed", "not-blank")
        assert blank["outcome"]["hint"]
        read = shown_at_end(http, sim, start(http, "read"))
        wanted = demo_content(sim.part(PART), 1).astype("u1").tobytes()
        assert http.get(f"/v1/jobs/{read['id']}/content").content == wanted


def test_a_preview_shows_supplies_pins_and_time_and_records_nothing(http: Any, sim: Bench) -> None:
    answer = http.post("/v1/jobs/preview", json={"kind": "program", "part": PART, "image": upload(http)})
    look = answer.json()
    assert answer.status_code == 200
    # ST's sheet of the M27C64A: VPP 12.5 V at pin 1, VCC 6 V while programming.
    assert (look["vpp_program_v"], look["vcc_program_v"]) == (12.5, 6.0)
    pin = look["pins"][0]
    assert (pin["pin"], pin["signal"]) == (1, "VPP")
    assert pin["socket_pin"] == 11  # a DIP28 at the bottom of 48 pins
    assert "program: vpp" in pin["high_voltages"]
    assert look["estimate"]["total_s"] > 0
    assert http.get("/v1/jobs").json()["jobs"] == []


@pytest.mark.parametrize(
    ("job", "status", "code", "field"),
    [
        ({"kind": "program", "part": "27C999", "image": "0" * 64}, 404, "part-unknown", "part"),
        ({"kind": "program", "part": PART, "image": "0" * 64}, 404, "not-found", None),
        ({"kind": "program", "part": PART}, 422, "request-invalid", "image"),
        ({"kind": "read", "part": PART, "image": "0" * 64}, 422, "request-invalid", "image"),
        ({"kind": "bake", "part": PART}, 422, "request-invalid", "kind"),
        ({"kind": "read", "part": PART, "offset": 1}, 422, "request-invalid", "offset"),
        ({"kind": "read", "part": PART, "start_bytes": -1}, 422, "request-invalid", "start_bytes"),
        ({"kind": "read", "part": PART, "start_bytes": 9000}, 422, "job-request", "start_bytes"),
        ({"kind": "read", "part": PART, "skip": ["nothing"]}, 422, "request-invalid", "skip.0"),
        ({"kind": "erase", "part": PART}, 422, "part-cannot", "part"),
        ({"kind": "read", "part": PART, "programmer": "nobody"}, 404, "not-found", "programmer"),
        ({"kind": "read", "part": "27C512"}, 422, "part-ambiguous", "part"),
    ],
)
def test_a_bad_request_is_refused_and_nothing_recorded(
    http: Any, job: dict[str, Any], status: int, code: str, field: str | None
) -> None:
    answer = http.post("/v1/jobs", json=job)
    assert code_of(answer) == (status, code)
    if field is not None:
        assert answer.json()["field"] == field
    assert http.get("/v1/jobs").json()["jobs"] == []


def test_an_image_larger_than_the_part_is_refused(http: Any) -> None:
    answer = start(http, "program", image=upload(http, bytes(8193)))
    assert answer.status_code == 422
    assert "8,193" in answer.json()["detail"] or "8,192" in answer.json()["detail"]


def test_without_a_programmer_a_job_is_refused(client: Any) -> None:
    assert code_of(start(client, "read")) == (409, "no-programmer")


def test_jobs_are_listed_newest_first_filtered_and_paged(http: Any, sim: Bench) -> None:
    ids = [start(http, "pin-check").json()["id"] for _ in range(5)]
    until(lambda: all(sim.job(each).state in ENDED_STATES for each in ids))
    page = http.get("/v1/jobs?limit=2").json()
    seen = [job["id"] for job in page["jobs"]]
    while page["next_before"]:
        page = http.get(f"/v1/jobs?limit=2&before={page['next_before']}").json()
        seen += [job["id"] for job in page["jobs"]]
    assert seen == ids[::-1]
    assert len(http.get("/v1/jobs?state=succeeded").json()["jobs"]) == 5
    assert http.get("/v1/jobs?state=failed").json()["jobs"] == []
    assert len(http.get("/v1/jobs?programmer=SIM-1").json()["jobs"]) == 5
    assert http.get("/v1/jobs?programmer=other").json()["jobs"] == []
    assert code_of(http.get("/v1/jobs?state=baked")) == (422, "request-invalid")


def test_an_unknown_job(http: Any) -> None:
    for method, path, body in [
        ("GET", "", None),
        ("GET", "/content", None),
        ("POST", "/cancel", None),
        ("POST", "/continue", None),
        ("POST", "/answer", {"confirm": True}),
    ]:
        answer = http.request(method, f"/v1/jobs/j_nothing{path}", json=body)
        assert code_of(answer) == (404, "not-found")


def test_a_job_that_waits_is_cancelled_at_once(client: Any, bench: Bench) -> None:
    """This bench's workers are not started, so what is queued stays so."""
    bench.store.programmers.upsert("prog-1", serial=None, info={})
    job = bench.store.jobs.create(NewJob(JobKind.READ, "prog-1"))
    answer = client.post(f"/v1/jobs/{job.id}/cancel")
    assert (answer.status_code, answer.json()["state"]) == (202, "cancelled")
    assert answer.json()["outcome"]["code"] == "cancelled"
    assert code_of(client.post(f"/v1/jobs/{job.id}/cancel")) == (409, "job-ended")


def test_a_running_job_is_cancelled_and_can_be_continued(http: Any, sim: Bench) -> None:
    digest = upload(http)
    job = start(http, "program", image=digest).json()
    until(lambda: sim.job(job["id"]).state is JobState.RUNNING)
    assert http.post(f"/v1/jobs/{job['id']}/cancel").status_code == 202
    assert ended(sim, job["id"]).state is JobState.CANCELLED
    again = http.post(f"/v1/jobs/{job['id']}/continue")
    assert again.status_code == 202
    assert again.json()["continues_id"] == job["id"]
    assert shown_at_end(http, sim, again)["state"] == "succeeded"
    assert code_of(http.post(f"{again.headers['location']}/continue")) == (409, "job-state")


def test_an_answer_that_nobody_waits_for(http: Any, sim: Bench) -> None:
    job = start(http, "pin-check").json()
    ended(sim, job["id"])
    answer = http.post(f"/v1/jobs/{job['id']}/answer", json={"confirm": True})
    assert code_of(answer) == (409, "no-question")
    assert code_of(http.post(f"/v1/jobs/{job['id']}/content"))[0] == 405
    assert code_of(http.get(f"/v1/jobs/{job['id']}/content")) == (404, "content-missing")


@pytest.mark.parametrize("confirm", [True, False])
def test_a_job_that_asks_waits_for_its_answer(settings: Any, confirm: bool) -> None:
    """On a small board VPP is turned to its value by hand, so somebody has to be asked."""
    wanted = settings.model_copy(update={"ports": (PORT,)})
    with simulated_bench(wanted, profile=modest("SIM-2")) as sim:
        http = MemoryClient(create_app(sim, TOKEN, wanted), Authorization=f"Bearer {TOKEN}")
        job = start(http, "program", image=upload(http), allow_low_vcc=True).json()
        assert job["question"] is None
        until(lambda: sim.job(job["id"]).state in {JobState.WAITING, *ENDED_STATES})
        shown = http.get(f"/v1/jobs/{job['id']}").json()
        assert shown["state"] == "waiting"
        assert "VPP to 12.50 V" in shown["question"]["words"]
        answer = http.post(f"/v1/jobs/{job['id']}/answer", json={"confirm": confirm})
        assert answer.status_code == 200
        asked = insist(http, sim, job["id"]) if confirm else []
        ended(sim, job["id"])
        shown = http.get(f"/v1/jobs/{job['id']}").json()
        assert shown["question"] is None
        # It was never turned: the simulated knob stands in the middle of its range, as the board measures.
        assert shown["state"] == ("failed" if confirm else "cancelled")
        assert ("not to the wanted 12.50 V" in shown["outcome"]["summary"]) is confirm
        assert all("not to the wanted 12.50 V" in words for words in asked)
        assert bool(asked) is confirm


def insist(http: Any, sim: Bench, job_id: str) -> list[str]:
    """Confirm whatever a job asks until it has ended; return the questions after the first."""
    words: list[str] = []

    def confirmed_to_the_end() -> bool:
        question = http.get(f"/v1/jobs/{job_id}").json()["question"]
        if question and "wanted" in question["words"]:
            answer = http.post(f"/v1/jobs/{job_id}/answer", json={"confirm": True})
            assert answer.status_code == 200 or code_of(answer) == (409, "no-question")  # answered before
            words.append(question["words"])
        return sim.job(job_id).state in ENDED_STATES

    until(confirmed_to_the_end)
    return words


# Idempotency


def test_a_repeated_request_gets_the_first_answer_and_makes_no_second_job(http: Any, sim: Bench) -> None:
    first = start(http, "pin-check", key="k-1")
    ended(sim, first.json()["id"])
    again = start(http, "pin-check", key="k-1")
    assert (again.status_code, again.json()) == (first.status_code, first.json())
    assert again.headers["location"] == first.headers["location"]
    assert again.headers["idempotency-replayed"] == "true"
    assert "idempotency-replayed" not in first.headers
    assert len(http.get("/v1/jobs").json()["jobs"]) == 1
    assert start(http, "pin-check", key="k-2").json()["id"] != first.json()["id"]


def test_a_key_with_another_body_is_refused(http: Any) -> None:
    start(http, "pin-check", key="k-1")
    assert code_of(start(http, "read", key="k-1")) == (422, "idempotency-reused")


def test_a_key_whose_first_request_is_still_answered_is_refused(http: Any, sim: Bench) -> None:
    body = json.dumps({"kind": "pin-check", "part": PART}).encode()
    sim.store.idempotency.begin("k-1", "POST /v1/jobs", hashlib.sha256(body).hexdigest())
    headers = {"Idempotency-Key": "k-1", "Content-Type": "application/json"}
    answer = http.post("/v1/jobs", content=body, headers=headers)
    assert code_of(answer) == (409, "idempotency-in-flight")
    assert http.get("/v1/jobs").json()["jobs"] == []


def test_a_job_that_a_dead_daemon_made_under_a_key_is_the_answer(http: Any, sim: Bench) -> None:
    """It had recorded the job, and died before it could keep its answer."""
    made = sim.store.jobs.create(NewJob(JobKind.PIN_CHECK, "SIM-1", idempotency_key="k-1"))
    answer = start(http, "pin-check", key="k-1")
    assert (answer.status_code, answer.json()["id"]) == (202, made.id)
    assert answer.headers["idempotency-replayed"] == "true"
    assert len(http.get("/v1/jobs").json()["jobs"]) == 1


def test_a_refused_request_did_nothing_and_may_be_sent_again(http: Any, sim: Bench) -> None:
    image = "a" * 64
    assert start(http, "program", key="k-1", image=image).status_code == 404
    assert start(http, "program", key="k-1", image=image).status_code == 404


def test_a_continued_job_is_not_continued_twice_by_a_repeat(http: Any, sim: Bench) -> None:
    job = start(http, "program", image=upload(http)).json()
    until(lambda: sim.job(job["id"]).state is JobState.RUNNING)
    http.post(f"/v1/jobs/{job['id']}/cancel")
    ended(sim, job["id"])
    path, headers = f"/v1/jobs/{job['id']}/continue", {"Idempotency-Key": "k-9"}
    first, again = (http.post(path, headers=headers).json() for _ in range(2))
    assert first["id"] == again["id"]
    # The same key for the same kind of request on another job is another request.
    assert code_of(http.post(f"/v1/jobs/{first['id']}/continue", headers=headers)) == (
        422,
        "idempotency-reused",
    )


def test_a_bench_can_demand_keys(settings: Any) -> None:
    strict = settings.model_copy(update={"ports": (PORT,), "require_idempotency_key": True})
    with simulated_bench(strict) as sim:
        http = MemoryClient(create_app(sim, TOKEN, strict), Authorization=f"Bearer {TOKEN}")
        assert code_of(start(http, "pin-check")) == (400, "idempotency-missing")
        assert start(http, "pin-check", key="k-1").status_code == 202


@pytest.mark.parametrize("key", ["", "with space", "x" * 201, "ü"])
def test_a_bad_key_is_refused(http: Any, key: str) -> None:
    headers = {"Idempotency-Key": key.encode("latin-1")}
    answer = http.post("/v1/jobs", json={"kind": "pin-check", "part": PART}, headers=headers)
    assert code_of(answer) == (422, "request-invalid")
