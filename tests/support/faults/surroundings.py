"""What a world stands in: its board's make, its source of chance, and its folder."""

import contextlib
import random
import secrets
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from unittest import mock

from protocol.wire import Capability
from simulator.programmer.profile import Profile, full
from tests.support.faults.plan import Plan


def profile_of(plan: Plan) -> Profile:
    """Return the board that a plan asks for."""
    profile = full("SIM-1")
    limits = replace(
        profile.limits,
        max_payload=plan.max_payload,
        window=plan.window,
        rx_bytes=plan.window * (plan.max_payload + 44),
    )
    capabilities = profile.identity.capabilities
    if not plan.senses_socket:
        capabilities &= ~Capability.SOCKET_SENSOR
    return replace(profile, limits=limits, identity=replace(profile.identity, capabilities=capabilities))


@contextlib.contextmanager
def seeded_secrets(seed: int) -> Iterator[None]:
    """Draw ids and nonces by seed, so that the same world is the same to the last bit."""
    rng = random.Random(f"secrets {seed}")
    with (
        mock.patch.object(secrets, "randbits", rng.getrandbits),
        mock.patch.object(secrets, "token_bytes", lambda count=32: rng.randbytes(count)),
        mock.patch.object(secrets, "token_hex", lambda count=32: rng.randbytes(count).hex()),
    ):
        yield


@contextlib.contextmanager
def world_folder() -> Iterator[Path]:
    """Yield a folder in memory where the system has one, on the disk where not."""
    fast = Path("/dev/shm")
    with tempfile.TemporaryDirectory(prefix="faults-", dir=fast if fast.is_dir() else None) as folder:
        yield Path(folder)
