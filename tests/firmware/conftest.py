from pathlib import Path

import pytest

from tests.support.firmware_build import host_device, missing_tools


@pytest.fixture(scope="session")
def device(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The host build with address and undefined-behaviour sanitizers, every warning an error."""
    lacking = missing_tools("make", "cc")
    if lacking:
        pytest.skip(lacking)
    return host_device(tmp_path_factory.mktemp("host"), checked=True)
