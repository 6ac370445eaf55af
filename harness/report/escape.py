"""Where do reports find the one function that makes foreign text safe? In `harness.escape`, by this name."""

from __future__ import annotations

from harness.escape import TEXT_MAX, clean

__all__ = ["TEXT_MAX", "clean"]
