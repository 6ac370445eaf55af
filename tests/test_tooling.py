"""The code is formatted, linted and typed; the settings stand in pyproject.toml."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.slow
@pytest.mark.parametrize(
    "words", [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]], ids=" ".join
)
def test_the_tools_find_nothing(words, tmp_path):
    if shutil.which(words[0], path=str(Path(sys.executable).parent)) is None:
        pytest.skip(f"{words[0]} is not installed: pip install -e '.[test]'")
    command = [sys.executable, "-m", *words, "--cache-dir", str(tmp_path)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
