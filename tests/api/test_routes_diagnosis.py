"""The walk round a dead board, and causes in outcomes, over HTTP."""


def test_a_dead_board_is_walked_through(client):
    found = client.post("/v1/parts/M27C512/dead-board", json={"access_ns": 150, "grade_ns": 200})
    assert found.status_code == 200
    points = {each["code"]: each for each in found.json()["points"]}
    assert points["access-time"]["verdict"] == "wrong"
    assert list(points)[-1] == "limits"
    assert client.post("/v1/parts/M27C512/dead-board", json={"vcc_v": -1}).status_code == 422
    assert client.post("/v1/parts/nothing-such/dead-board", json={}).json()["code"] == "part-unknown"
    assert client.post("/v1/parts/M27C512/dead-board?programmer=none", json={}).status_code == 404
