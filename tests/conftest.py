"""How the property tests run: new seeds each time by hand, where a failure prints what brings it back, and the same
ones in CI, so that a change is judged by itself."""

from __future__ import annotations

import os
import signal

from hypothesis import HealthCheck, settings

settings.register_profile(
    "stagectl",
    deadline=None,
    max_examples=45,
    print_blob=True,
    derandomize=os.environ.get("CI") == "true",
    suppress_health_check=(HealthCheck.too_slow, HealthCheck.data_too_large),
)
settings.load_profile("stagectl")

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # Begun in the background of a shell, where Ctrl-C means nothing: programs under test would inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)
