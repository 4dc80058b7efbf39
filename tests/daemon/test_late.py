"""Things that are made when they are first wanted."""

import threading

import pytest

from daemon.late import Late


def test_it_is_made_once_and_only_when_wanted():
    made = []
    late = Late(lambda: made.append(1) or object())
    assert made == []
    threads = [threading.Thread(target=late.get) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert made == [1]
    assert late.get() is late.get()


def test_what_fails_is_tried_again():
    tries = []

    def make():
        tries.append(1)
        if len(tries) == 1:
            raise OSError("not now")
        return "there"

    late = Late(make)
    with pytest.raises(OSError, match="not now"):
        late.get()
    assert late.get() == "there"
