"""Lets the tests in this folder import the imaginary link from `tests/measure`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))
