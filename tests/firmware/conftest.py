from pathlib import Path

import pytest

from tests.support.firmware_build import build, host_device, missing_for_rig, missing_tools


@pytest.fixture(scope="session")
def device(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The host build with address and undefined-behaviour sanitizers, every warning an error."""
    lacking = missing_tools("make", "cc")
    if lacking:
        pytest.skip(lacking)
    return host_device(tmp_path_factory.mktemp("host"), checked=True)


@pytest.fixture(scope="session")
def rig(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The emulated rig, and the firmware of the ATmega2560 for it."""
    lacking = missing_for_rig()
    if lacking:
        pytest.skip(lacking)
    made = build("rig avr", tmp_path_factory.mktemp("rig"))
    return made / "rig" / "rig", made / "m2560" / "device.elf"
