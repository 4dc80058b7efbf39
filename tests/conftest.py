"""What all tests share."""

from hypothesis import HealthCheck, settings

# Times are no test of ours here: the machine may be busy, and pytest-timeout bounds each test anyway.
settings.register_profile(
    "ours", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("ours")
