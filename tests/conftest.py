"""How the property tests run: new seeds each time, and a failure prints what brings it back."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "stagectl",
    deadline=None,
    max_examples=60,
    print_blob=True,
    derandomize=False,
    suppress_health_check=(HealthCheck.too_slow, HealthCheck.data_too_large),
)
settings.load_profile("stagectl")
