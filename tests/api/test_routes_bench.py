"""Programmers, parts, images, estimates and the system routes, with a simulated programmer."""

import hashlib
import io
import zlib
from typing import Any

import bincopy
import intelhex
import pytest

from daemon.bench import Bench

BYTES = {"Content-Type": "application/octet-stream"}
CONTENT = bytes(range(256)) * 4


def upload(http: Any, content: bytes = CONTENT, query: str = "?name=tern-8.bin") -> Any:
    return http.post(f"/v1/images{query}", content=content, headers=BYTES)


def code_of(answer: Any) -> tuple[int, str]:
    assert answer.headers["content-type"] == "application/problem+json"
    return answer.status_code, answer.json()["code"]


# Programmers


def test_programmers_are_listed_with_what_they_can_do(http: Any) -> None:
    (one,) = http.get("/v1/programmers").json()["programmers"]
    assert (one["id"], one["state"], one["socket_pins"]) == ("SIM-1", "ready", 48)
    assert one["supplies"][0] == "VCC 2.50 to 7.00 V"
    assert one["problem"] is None
    assert http.get("/v1/programmers/SIM-1").json() == one


def test_a_programmer_gets_a_name_and_goes_by_it(http: Any) -> None:
    answer = http.request("PATCH", "/v1/programmers/SIM-1", json={"name": "left hand"})
    assert answer.json()["name"] == "left hand"
    assert http.get("/v1/programmers/left%20hand").json()["id"] == "SIM-1"
    assert http.request("PATCH", "/v1/programmers/SIM-1", json={"name": None}).json()["name"] is None
    assert code_of(http.get("/v1/programmers/left%20hand"))[0] == 404


@pytest.mark.parametrize("body", [{}, {"name": ""}, {"name": "x" * 300}, {"name": "a\nb"}, {"title": "x"}])
def test_a_bad_name_is_refused(http: Any, body: dict[str, Any]) -> None:
    assert http.request("PATCH", "/v1/programmers/SIM-1", json=body).status_code == 422


def test_an_unknown_programmer(http: Any) -> None:
    assert code_of(http.get("/v1/programmers/nobody"))[0] == 404


def test_the_link_has_counters(http: Any) -> None:
    counters = http.get("/v1/programmers/SIM-1/link").json()["counters"]
    assert counters["frames_in"] > 0
    assert counters["damaged"] == 0


def test_a_lease_keeps_others_out_until_it_is_given_back(http: Any) -> None:
    taken = http.post("/v1/programmers/SIM-1/lease", json={"holder": "ann", "ttl_s": 30}).json()
    again = http.post("/v1/programmers/SIM-1/lease", json={"holder": "ann"}).json()
    assert again["id"] == taken["id"]
    assert code_of(http.post("/v1/programmers/SIM-1/lease", json={"holder": "bob"})) == (409, "lease-held")
    assert http.get("/v1/programmers/SIM-1").json()["lease"]["holder"] == "ann"
    job = {"kind": "pin-check", "part": "st-m27c64a"}
    refused = http.post("/v1/jobs", json=job)
    assert code_of(refused) == (409, "lease-held")
    assert "ann" in refused.json()["detail"]
    assert http.post("/v1/jobs", json=job, headers={"Lease-Id": taken["id"]}).status_code == 202
    wrong = http.delete("/v1/programmers/SIM-1/lease?lease_id=l_0")
    assert code_of(wrong) == (409, "lease-unknown")
    assert http.delete(f"/v1/programmers/SIM-1/lease?lease_id={taken['id']}").status_code == 204
    assert http.get("/v1/programmers/SIM-1").json()["lease"] is None
    assert http.post("/v1/jobs", json=job).status_code == 202


@pytest.mark.parametrize("body", [{"holder": ""}, {"holder": "a", "ttl_s": 0}, {"holder": "a", "ttl_s": 1e9}])
def test_a_bad_lease_is_refused(http: Any, body: dict[str, Any]) -> None:
    assert code_of(http.post("/v1/programmers/SIM-1/lease", json=body)) == (422, "request-invalid")


# Parts


def test_parts_are_listed_and_found_by_words(client: Any) -> None:
    parts = client.get("/v1/parts").json()["parts"]
    assert len(parts) >= 12
    found = client.get("/v1/parts?q=27C512").json()["parts"]
    assert {part["id"] for part in found} >= {"st-m27c512"}
    assert len(found) < len(parts)
    assert client.get("/v1/parts?q=zzzz").json()["parts"] == []


def test_a_part_is_shown_with_pins_modes_and_sources(client: Any) -> None:
    part = client.get("/v1/parts/M27C512").json()
    assert (part["id"], part["size_bytes"], part["package"]) == ("st-m27c512", 65536, "DIP28")
    # ST's sheet of the M27C512: VPP 12.75 V, VCC 6.25 V, pin 22 is G/VPP, pin 28 is VCC.
    assert (part["vpp_program_v"], part["vcc_program_v"]) == (12.75, 6.25)
    assert [pin["number"] for pin in part["pins"]] == list(range(1, 29))
    assert part["pins"][27]["name"] == "VCC"
    program = next(mode for mode in part["modes"] if mode["mode"] == "program")
    assert program["levels"]["22"] == "vpp"
    values = {value["key"]: value["source"] for value in part["values"]}
    assert values["supplies.vpp_program_v"] not in ("", "memory")


def test_every_part_can_be_shown(client: Any) -> None:
    for part in client.get("/v1/parts").json()["parts"]:
        assert client.get(f"/v1/parts/{part['id']}").json()["name"] == part["name"]


def test_an_unknown_and_an_ambiguous_part(client: Any) -> None:
    assert code_of(client.get("/v1/parts/27C999")) == (404, "part-unknown")
    answer = client.get("/v1/parts/27C512")
    assert code_of(answer) == (422, "part-ambiguous")
    assert "st-m27c512" in answer.json()["details"]["choices"]


# Images


def test_an_image_is_known_by_its_sha256_and_comes_back_as_it_was(http: Any) -> None:
    answer = upload(http)
    digest = hashlib.sha256(CONTENT).hexdigest()
    assert answer.status_code == 201
    assert answer.headers["location"] == f"/v1/images/{digest}"
    image = answer.json()
    assert (image["sha256"], image["name"], image["size_bytes"]) == (digest, "tern-8.bin", 1024)
    assert image["facts"]["crc32"] == f"{zlib.crc32(CONTENT):08X}"
    assert image["reason"]
    assert upload(http).json()["sha256"] == digest
    assert len(http.get("/v1/images").json()["images"]) == 1
    for name in (digest, digest[:8], digest.upper()):
        assert http.get(f"/v1/images/{name}").json()["sha256"] == digest
    head = http.request("HEAD", f"/v1/images/{digest}")
    assert (head.status_code, head.content) == (200, b"")
    raw = http.get(f"/v1/images/{digest}/content")
    assert raw.content == CONTENT
    assert raw.headers["content-disposition"] == 'attachment; filename="tern-8.bin"'
    assert raw.headers["content-type"] == "application/octet-stream"


def test_an_image_is_given_in_each_format_as_other_programs_read_it(http: Any) -> None:
    digest = upload(http).json()["sha256"]
    text = http.get(f"/v1/images/{digest}/content?format=intel-hex").text
    assert intelhex.IntelHex(io.StringIO(text)).tobinstr() == CONTENT
    text = http.get(f"/v1/images/{digest}/content?format=s-record").text
    file = bincopy.BinFile()
    file.add_srec(text)
    assert bytes(file.as_binary()) == CONTENT


def test_the_same_content_as_intel_hex_is_the_same_image(http: Any) -> None:
    file = intelhex.IntelHex()
    file.frombytes(CONTENT)
    out = io.StringIO()
    file.write_hex_file(out)
    assert upload(http, out.getvalue().encode()).json()["sha256"] == upload(http).json()["sha256"]


def test_an_image_is_deleted_unless_a_job_needs_it(http: Any, sim: Bench) -> None:
    digest = upload(http).json()["sha256"]
    assert http.delete(f"/v1/images/{digest}").status_code == 204
    assert code_of(http.get(f"/v1/images/{digest}")) == (404, "not-found")
    assert code_of(http.delete(f"/v1/images/{digest}")) == (404, "not-found")
    assert http.request("HEAD", f"/v1/images/{digest}").status_code == 404


@pytest.mark.parametrize(
    ("content", "query", "status", "code"),
    [
        (b"", "", 422, "image-empty"),
        # The example record of Intel's "Hexadecimal Object File Format Specification", its checksum changed.
        (b":10010000214601360121470136007EFE09D2190141\n", "", 422, "image-format"),
        (
            b":020000040000FA\n:0400000001020304F2\n:0400020001020304F0\n:00000001FF\n",
            "",
            422,
            "image-overlap",
        ),
        (
            b":020000040000FA\n:0100000001FE\n:0200000480007A\n:0100000001FE\n:00000001FF\n",
            "",
            422,
            "image-span",
        ),
        (b"x", "?format=zip", 422, "request-invalid"),
        (b"x", "?name=a%00b", 422, "request-invalid"),
        (b"x", f"?name={'x' * 201}", 422, "request-invalid"),
    ],
)
def test_a_bad_image_is_refused(http: Any, content: bytes, query: str, status: int, code: str) -> None:
    assert code_of(upload(http, content, query)) == (status, code)
    assert http.get("/v1/images").json()["images"] == []


def test_an_upload_over_the_limit_of_the_settings(memory_client: Any, settings: Any) -> None:
    from api.app import create_app
    from tests.api.conftest import TOKEN

    small = settings.model_copy(update={"max_image_bytes": 100_000})
    bench = Bench.open(small)
    try:
        http = memory_client(create_app(bench, TOKEN, small), Authorization=f"Bearer {TOKEN}")
        assert upload(http, b"x" * 100_000).status_code == 201
        assert code_of(upload(http, b"x" * 100_001)) == (413, "body-too-large")
    finally:
        bench.stop()


@pytest.mark.parametrize("name", ["zz", "0" * 7, "0" * 65, "../../etc/passwd"])
def test_what_is_no_digest_is_refused(client: Any, name: str) -> None:
    assert client.get(f"/v1/images/{name}").status_code in (404, 422)


# Erasure


def test_an_erase_estimate_has_its_range_and_its_cautions(client: Any) -> None:
    wish = {"part": "M27C512", "irradiance_mw_per_cm2": 10.0}
    estimate = client.post("/v1/erase-estimates", json=wish).json()
    # 15 J/cm² (ST's sheet) at 10 mW/cm² are 1500 s before losses.
    assert estimate["dose_j_per_cm2"] == 15
    assert estimate["time_s"]["low"] <= estimate["time_s"]["nominal"] <= estimate["time_s"]["high"]
    assert 1500 < estimate["time_s"]["nominal"] < 2500
    assert "uvc-eyes-and-skin" in {caution["code"] for caution in estimate["cautions"]}
    assert estimate["inputs"]


@pytest.mark.parametrize(
    ("wish", "status", "code"),
    [
        ({"part": "nothing"}, 404, "part-unknown"),
        ({"part": "M27C512", "lamp": "sun"}, 422, "erase-estimate-input"),
        ({"part": "M27C512", "distance_mm": -1}, 422, "request-invalid"),
        ({"part": "M27C512", "watts": 4}, 422, "request-invalid"),
        ({}, 422, "request-invalid"),
    ],
)
def test_a_bad_estimate_is_refused(client: Any, wish: dict[str, Any], status: int, code: str) -> None:
    assert code_of(client.post("/v1/erase-estimates", json=wish)) == (status, code)


# System


def test_it_lives_is_ready_and_has_a_version(client: Any, bench: Bench, memory_client: Any) -> None:
    assert memory_client(client.app).get("/healthz").json() == {"status": "ok"}
    assert client.get("/readyz").json()["ready"] is True
    shown = client.get("/version").json()
    assert (shown["name"], shown["api_version"], shown["api_version_min"]) == ("romwright", "v1", "v1")
    assert shown["bench_id"] == bench.store.bench_id


def test_it_is_not_ready_without_its_store(client: Any, bench: Bench) -> None:
    path = bench.settings.state_dir
    bench.store.close()
    for each in path.glob("*.db*"):
        each.write_bytes(b"something else has been written over it " * 100)
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["problems"]


def test_metrics_are_in_the_format_and_name_no_ids(http: Any, memory_client: Any) -> None:
    http.get("/v1/jobs/j_secretsecretsec")
    http.get("/nowhere/at/all")
    memory_client(http.app, Authorization="Bearer wrong").get("/v1/jobs")
    answer = http.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    from prometheus_client.parser import text_string_to_metric_families

    families = {family.name: family for family in text_string_to_metric_families(answer.text)}
    requests = families["romwright_http_requests"].samples
    labels = [sample.labels for sample in requests if sample.name.endswith("_total")]
    assert {"method": "GET", "route": "/v1/jobs/{job_id}", "status": "404"} in labels
    assert {"method": "any", "route": "none", "status": "404"} in labels
    assert families["romwright_refused_tokens"].samples[0].value == 1
    assert families["romwright_programmers"].samples[0].labels == {"state": "ready"}
    assert "secretsecret" not in answer.text
