"""Every step has a title and a deed, and every kind of job only steps that exist."""

from daemon.jobs.kinds import STEPS_OF, TITLES
from daemon.jobs.steps.table import DEEDS
from daemon.store.model import JobKind


def test_titles_and_deeds_are_of_the_same_steps():
    assert TITLES.keys() == DEEDS.keys()


def test_every_kind_has_steps_that_exist():
    assert STEPS_OF.keys() == set(JobKind)
    assert all(name in TITLES for names in STEPS_OF.values() for name in names)
