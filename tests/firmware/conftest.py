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
def built_rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The emulated rig and both AVR binaries: where `make` puts them."""
    lacking = missing_for_rig()
    if lacking:
        pytest.skip(lacking)
    return build("rig avr small", tmp_path_factory.mktemp("rig"))


@pytest.fixture
def rig(built_rig: Path) -> tuple[Path, Path]:
    """The emulated rig, and the firmware of the ATmega2560 for it."""
    return built_rig / "rig" / "rig", built_rig / "m2560" / "device.elf"
