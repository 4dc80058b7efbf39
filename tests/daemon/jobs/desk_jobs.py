"""The jobs that the tests of the desk hand in."""

import random

from daemon.jobs.request import JobRequest
from daemon.store.model import JobKind, JobState
from tests.support.one_bench import PART

CONTENT = random.Random(3).randbytes(8192)


LOOK = JobRequest(kind=JobKind.BLANK_CHECK, part=PART)


def program(one, **options):
    return JobRequest(kind=JobKind.PROGRAM, part=PART, image=one.image(CONTENT), **options)


def waiting(one):
    job = one.bench.submit(program(one, allow_low_vcc=True))
    one.reaches(job, JobState.WAITING)
    return job
