"""The checks by subject. Importing this enters all of them, in the order in which they run."""

from importlib import import_module

SUBJECTS = (
    "framing",
    "sessions",
    "requests",
    "losses",
    "uploads",
    "supplies",
    "looking",
    "watchdog",
    "programming",
    "stopping",
    "restarts",
)
for _subject in SUBJECTS:
    import_module(f"{__name__}.{_subject}")
