"""What the tests of the device's link share."""

import pytest

from tests.protocol.device.link_host import LinkHost


@pytest.fixture
def host() -> LinkHost:
    """A host whose session has begun."""
    host = LinkHost()
    host.greet()
    return host
