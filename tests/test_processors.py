"""The harness judges one recording to the same bytes whatever kernels a processor's linear algebra has."""

import os
import subprocess
import sys

import pytest

PLAN = """
propsoff: 1
title: noisy sticks of the Dunlin
link:
  packet_rate: 100 Hz
  failsafe: {within: 500 ms, not_before: 200 ms, recover_within: 200 ms}
  channels:
    motor: {range: 1000 us to 2000 us, role: throttle, failsafe: low}
    roll: {range: 1000 us to 2000 us, failsafe: centre}
    pitch: {range: 1000 us to 2000 us, failsafe: centre}
steps:
  - wait: {until: linked, deadline: 5 s}
  - wander: {for: 8 s}
  - own_sticks: {for: 6 s}
    name: own
checks:
  - fidelity
  - loss_pattern
  - delivery: {at_least: 90 %}
  - noise: {at_most: 5 us, during: own}
"""
RIG = """
propsoff_rig: 1
bench: mock
mock: {loss: 5 %, own_noise: 6 us, own_hum: 10 us, receiver_skew_ppm: 40, usb_latency: 4 ms}
"""


FIGURES = """
import numpy as np
from harness.measure.channels import channel_figures, cross_talk
from harness.measure.clockpoints import Points, seen_wander
from harness.measure.fidelity import Deviations
from harness.measure.noise import RestSamples, hum, noise
from harness.plan.model import Channel
from harness.stats.grids import fit_grid
from harness.stats.runs import lag_correlations

rng = np.random.default_rng(1)
at_ns = np.arange(1500) * 20_000_000 + rng.integers(0, 3_000_000, 1500)
resting = rng.normal(1500, 6, (1500, 3)).round().astype(np.int64)
samples = RestSamples(at_ns, resting, np.arange(1500) // 800, 0)
print(noise(samples, 0.95, (1, 1, 1)))
print(hum(samples, 60.0, 0.95, (1, 1, 1)))
print(lag_correlations(rng.random(1501) < 0.1).tolist())
warm = np.sort(rng.integers(0, 60_000_000, 60))
middle = (1000 * warm + 1e-9 * warm**2.0 + rng.normal(0, 9, 60)).astype(np.int64)
sticks = rng.integers(1000, 2000, (1500, 3))
shown = sticks + resting - 1500
found = Deviations(np.arange(1500), sticks, shown, shown - sticks)
print(cross_talk(found), channel_figures(found, 1, Channel(name="roll", failsafe="centre")))
ticks = np.unique(rng.integers(0, 2000, 300)) * 7.77
heard = (ticks + rng.random(len(ticks))).round().astype(np.int64)
print(fit_grid(heard, np.zeros(len(ticks), int), 4.0, 20.0))
print(seen_wander(Points(warm, middle - 100, middle + 100)))
"""


def run(*arguments, kernels):
    """Run Python; OPENBLAS_CORETYPE chooses the kernels of NumPy's OpenBLAS on an x86 processor."""
    environment = {**os.environ, "OPENBLAS_CORETYPE": kernels}
    return subprocess.run(
        [sys.executable, *arguments], env=environment, capture_output=True, check=False, timeout=60, text=True
    )


@pytest.mark.slow
def test_the_same_bytes_with_the_kernels_of_different_processors(tmp_path):
    plan, rig, out = tmp_path / "plan.yaml", tmp_path / "rig.yaml", tmp_path / "run"
    plan.write_text(PLAN)
    rig.write_text(RIG)
    words = ("run", str(plan), "--rig", str(rig), "--seed", "3", "--out", str(out))
    made = run("-m", "harness", *words, kernels="Nehalem")
    assert (out / "verdict.json").exists(), made.stderr
    first = (out / "verdict.json").read_text()
    assert '"noise"' in first
    assert run("-m", "harness", "judge", str(out), "--json", kernels="Haswell").stdout == first


@pytest.mark.slow
def test_the_same_last_digits_before_any_rounding():
    first, second = (run("-c", FIGURES, kernels=each) for each in ("Nehalem", "Haswell"))
    assert "rms_us" in first.stdout, first.stderr
    assert first.stdout == second.stdout
