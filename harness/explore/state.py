"""Where was the search left off? `explore.json` in the folder of findings, so that a second call goes on."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from harness._version import __version__
from harness.errors import StorageError, UserError
from harness.explore.finding import Finding
from harness.explore.hunt import Tally
from harness.report.escape import clean
from harness.running import Request

STATE: Final = "explore.json"
FORMAT: Final = 1
LARGEST: Final = 1 << 24
"""Bytes of a state file that is read at all."""


@dataclass(slots=True)
class State:
    """How far a search has come: its scene, batches done, scenarios tried in the next one, and findings."""

    seed: int
    scene: dict[str, str]
    batches: int = 0
    tried: int = 0
    tally: Tally = field(default_factory=Tally)
    findings: list[Finding] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    ended: str = ""

    def to_data(self) -> dict[str, Any]:
        """Return the state as JSON holds it."""
        return {
            "propsoff_explore": FORMAT, "version": __version__, "seed": self.seed, "scene": self.scene,
            "batches": self.batches, "tried_in_batch": self.tried, "scenarios": self.tally.scenarios,
            "link_ns": self.tally.link_ns, "cuts": self.tally.cuts, "refused": self.tally.refused,
            "findings": [finding.to_data() for finding in self.findings], "bench_trouble": self.troubles,
        }  # fmt: skip

    @classmethod
    def from_data(cls, data: dict[str, Any]) -> State:
        """Return the state that JSON holds; raises KeyError, TypeError or ValueError if it is none."""
        if data["propsoff_explore"] != FORMAT:
            raise ValueError(f"format {data['propsoff_explore']!r}")
        tally = Tally(**{key: _count(data[key]) for key in ("scenarios", "link_ns", "cuts", "refused")})
        return cls(
            seed=_count(data["seed"]),
            scene={str(key): str(value) for key, value in data["scene"].items()},
            batches=_count(data["batches"]),
            tried=_count(data["tried_in_batch"]),
            tally=tally,
            findings=[Finding.from_data(one) for one in data["findings"]],
            troubles=[str(one) for one in data["bench_trouble"]],
        )


def _count(value: object) -> int:
    if not isinstance(value, int) or value < 0:
        raise ValueError(f"{value!r} is no count")
    return value


def scene_of(request: Request) -> dict[str, str]:
    """Return what a search must keep to if it is to be gone on with: rig, link, safety, defect."""
    facts = f"{request.rig.text}\n{request.plan.link!r}\n{request.plan.safety!r}"
    return {
        "rig": request.rig.name,
        "link of": request.plan.name,
        "defect": (request.defect or "none") + (" (near miss)" if request.near_miss else ""),
        "digest": hashlib.sha256(facts.encode()).hexdigest()[:16],
    }


def load_state(folder: Path, request: Request, seed: int | None, fresh: int) -> State:
    """Return the state kept in `folder`, or a new one under `seed`, or `fresh` where none was asked for.

    Raises UserError if the folder belongs to another search, or its state cannot be read.
    """
    path, scene = folder / STATE, scene_of(request)
    if not path.exists():
        return State(fresh if seed is None else seed, scene)
    state = _read(path)
    if seed not in (None, state.seed):
        raise UserError(
            f"{path}: this search was begun with seed {state.seed}; leave --seed out to go on with it, "
            "or choose another folder with --out"
        )
    if other := [key for key, value in scene.items() if state.scene.get(key) != value]:
        told = "a changed rig, link or safety" if other == ["digest"] else f"another {other[0]}"
        raise UserError(
            f"{path}: this search was begun with {told}: {_scene_words(state.scene)}; "
            "go on with that, or choose another folder with --out"
        )
    return state


def _scene_words(scene: dict[str, str]) -> str:
    return ", ".join(f"{key} {value[:60]!r}" for key, value in scene.items() if key != "digest")


def _read(path: Path) -> State:
    try:
        if path.stat().st_size > LARGEST:
            raise ValueError("it is too large")
        return State.from_data(json.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise StorageError(f"{path}: cannot be read: {error.strerror or error}") from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise UserError(
            f"{path}: this is not the state of a search: {_why(error)}; "
            "move it away to begin anew, or choose another folder with --out"
        ) from error


def _why(error: Exception) -> str:
    """Return in words what a state file lacks."""
    if isinstance(error, json.JSONDecodeError):
        return f"no JSON from line {error.lineno}, column {error.colno} on"
    if isinstance(error, KeyError):
        return f"the key {clean(str(error.args[0]), 40)!r} is missing"
    return "its values are not what a search writes"


def save_state(folder: Path, state: State) -> None:
    """Write the state, whole or not at all; raises StorageError."""
    path = folder / STATE
    aside = path.with_name(f".{STATE}.partial-{os.getpid()}")
    try:
        aside.write_text(json.dumps(state.to_data(), indent=1) + "\n", encoding="utf-8")
        os.replace(aside, path)
    except OSError as error:
        aside.unlink(missing_ok=True)
        raise StorageError(f"{path}: cannot be written: {error.strerror or error}") from error
