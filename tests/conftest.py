"""What every test shares: how many examples Hypothesis tries, no deadline, and what is not collected here."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

collect_ignore = [] if os.environ.get("PROPSOFF_EMULATED") else ["emulated"]
"""Native code is tested there, in a process of its own that test_emulated_suite.py starts."""

settings.register_profile("dev", deadline=None, max_examples=50, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", parent=settings.get_profile("dev"), max_examples=300, derandomize=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE") or ("ci" if os.environ.get("CI") else "dev"))
