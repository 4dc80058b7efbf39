"""Feeds one target with bytes that coverage guides: `python -m tests.fuzz.run_atheris device 60`.

Ends with status 0 when nothing was found in so many seconds. A finding is written to the present folder.
"""

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(
    include=["protocol", "daemon.images", "daemon.boards", "daemon.records", "simulator.programmer"]
):
    from tests.support.fuzz_seeds import seeds_of
    from tests.support.fuzzing import TARGETS

name, seconds = sys.argv[1:]
with tempfile.TemporaryDirectory(prefix="romwright-corpus-") as corpus:
    for at, seed in enumerate(seeds_of(name)):
        (Path(corpus) / f"seed-{at}").write_bytes(seed)
    limits = [f"-max_total_time={seconds}", "-max_len=3000", "-rss_limit_mb=1024", "-timeout=30"]
    atheris.Setup([sys.argv[0], *limits, "-verbosity=0", "-print_final_stats=1", corpus], TARGETS[name])
    atheris.Fuzz()
