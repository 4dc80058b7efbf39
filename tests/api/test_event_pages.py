"""One reading of the event log serves all streams at the same place, and nothing old is given after news."""

import threading

from api.event_pages import EventPages


class Log:
    """Counts what is asked, and lets something happen in the middle of a reading."""

    def __init__(self):
        self.ids = [1, 2, 3]
        self.reads = 0
        self.meanwhile = lambda: None

    def events_after(self, last_id, *, limit=200, job_id=None):
        self.reads += 1
        found = tuple(each for each in self.ids if each > last_id)[:limit]
        self.meanwhile()
        return found, False

    def newest_event_id(self):
        self.reads += 1
        return max(self.ids)


def test_streams_at_the_same_place_read_once():
    log = Log()
    pages = EventPages(log)
    streams = [threading.Thread(target=pages.events_after, args=(1,), kwargs={"limit": 9}) for _ in range(20)]
    for stream in streams:
        stream.start()
    for stream in streams:
        stream.join()
    assert log.reads == 1
    assert not pages.has(1, 9)
    assert pages.newest_event_id() == pages.newest_event_id() == 3
    assert pages.has(1, 9)
    assert log.reads == 2


def test_news_end_what_was_known():
    log = Log()
    pages = EventPages(log)
    pages.newest_event_id()
    assert pages.events_after(3, limit=9) == ((), False)
    log.ids.append(4)
    pages.forget()
    assert not pages.has(3, 9)
    assert pages.newest_event_id() == 4
    assert pages.events_after(3, limit=9) == ((4,), False)


def test_news_in_the_middle_of_a_reading_are_not_lost():
    log = Log()
    pages = EventPages(log)

    def news():
        log.meanwhile = lambda: None
        log.ids.append(4)
        pages.forget()

    log.meanwhile = news
    assert pages.events_after(3, limit=9) == ((), False)
    assert pages.events_after(3, limit=9) == ((4,), False)


def test_the_stream_of_a_job_reads_for_itself():
    log = Log()
    pages = EventPages(log)
    pages.events_after(0, limit=9, job_id="j")
    pages.events_after(0, limit=9, job_id="j")
    assert log.reads == 2
