"""All chance comes from one printed seed, split by name.

Each part draws from its own stream, so a new draw in one part does not reshuffle another.
"""

from __future__ import annotations

import hashlib
import random

SEED_MAX = 2**32 - 1


def stream(seed: int, name: str) -> random.Random:
    """Return the random stream called `name` under `seed`; equal arguments give equal streams everywhere."""
    digest = hashlib.sha256(f"propsoff/{seed}/{name}".encode()).digest()
    return random.Random(int.from_bytes(digest[:16], "big"))


def fresh_seed() -> int:
    """Return a seed nobody chose, to be printed with the run."""
    return random.SystemRandom().randrange(SEED_MAX + 1)


def parse_seed(text: str) -> int:
    """Read a seed as typed; raises ValueError in words."""
    if text.isascii() and text.isdigit() and len(text) <= 10 and int(text) <= SEED_MAX:
        return int(text)
    raise ValueError(f"{text!r} is no seed; give a whole number from 0 to {SEED_MAX}")
