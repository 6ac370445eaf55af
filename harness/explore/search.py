"""How is a bench explored? Batch after batch until the time is up, each violation shrunk and kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from harness.chance import stream
from harness.explore.batch import first_violation
from harness.explore.finding import Finding, Scene, finding_of, kept_plan, store
from harness.explore.hunt import SHRINK_SHARE, Hunt, Play, batch_seeds
from harness.explore.shrinking import shrink
from harness.explore.state import State, save_state
from harness.explore.trying import Tried
from harness.plan.model import Link, Plan, Safety
from harness.report.escape import clean
from harness.strategies import Bounds, plans

AGAIN_SIMULATED: Final = 3
AGAIN_HARDWARE: Final = 5
"""How often a finding is tried again: with other seeds on a simulated bench, as it is on a real one."""
FINDINGS_MOST: Final = 20
"""So many findings end a search: whoever has them has enough to mend."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How long a search goes on: link time of this call in ns, scenarios in all, findings in all."""

    link_ns: int
    scenarios: int = 100_000
    findings: int = FINDINGS_MOST


@dataclass(frozen=True, slots=True)
class Explorer:
    """A search on one bench: what is drawn, who plays it, where findings go, and who is told."""

    play: Play
    link: Link
    safety: Safety
    bounds: Bounds
    scene: Scene
    folder: Path
    is_hardware: bool
    say: Callable[[str], None]

    def explore(self, state: State, limits: Limits) -> None:
        """Go on with a search until a limit is met, somebody stops it, or the bench fails.

        `state` is written after each batch and says at the end, in `ended`, why the search is over if that
        was not for want of time. Raises StorageError.
        """
        until_ns = state.tally.link_ns + limits.link_ns
        while not state.ended and state.tally.link_ns < until_ns:
            if len(state.findings) >= limits.findings or state.tally.scenarios >= limits.scenarios:
                return
            self._batch(state, until_ns, limits)
            save_state(self.folder, state)

    def _batch(self, state: State, until_ns: int, limits: Limits) -> None:
        seed, run_seed = batch_seeds(state.seed, state.batches)
        hunt = Hunt(
            play=self.play,
            run_seed=run_seed,
            known=[finding.known for finding in state.findings],
            tally=state.tally,
            until_ns=until_ns,
            shrink_ns=limits.link_ns // SHRINK_SHARE,
            most=limits.scenarios,
            skip=state.tried,
        )
        found = first_violation(plans(self.link, self.bounds, self.safety), seed, hunt.violates)
        if found is not None:
            self._keep(state, hunt, shrink(found, hunt.violates))
        if hunt.trouble is not None:  # last, for a bench may die while a finding is tried again
            self._keep_trouble(state, *hunt.trouble, run_seed)
        whole = found is not None or (not hunt.ended and state.tally.link_ns < until_ns)
        state.batches, state.tried = (state.batches + 1, 0) if whole else (state.batches, hunt.tried)
        state.ended = state.ended or hunt.ended

    def _keep(self, state: State, hunt: Hunt, plan: Plan) -> None:
        """Try a violation again and write it down."""
        tried = hunt.outcome(plan)
        assert tried is not None, "a violation has been tried"
        finding = finding_of(plan, tried, hunt)
        kept = kept_plan(plan, finding)
        if not self.is_hardware:  # the same again, so that the recording holds the plan that is kept
            tried = hunt.play_counted(kept, hunt.run_seed) or tried
        finding = self._again(hunt, kept, finding)
        path = store(self.folder, finding.check, kept, self._head(finding, state), tried.recording)
        state.findings.append(replace(finding, file=path.name))
        self.say(f"found: {finding.check} fails, {finding.reproduced()}: {path}")

    def _again(self, hunt: Hunt, kept: Plan, finding: Finding) -> Finding:
        """Try the kept plan a few times more; a bench that fails meanwhile ends that, and the search."""
        again = turns = 0
        for number in range(AGAIN_HARDWARE if self.is_hardware else AGAIN_SIMULATED):
            if hunt.ended:
                break
            other = stream(hunt.run_seed, f"again/{number}").getrandbits(32)
            tried = hunt.play_counted(kept, hunt.run_seed if self.is_hardware else other)
            if tried is not None and not tried.trouble:
                turns += 1
                again += tried.fails(finding.check)
        return replace(finding, again=again, turns=turns)

    def _head(self, finding: Finding, state: State) -> list[str]:
        how = "" if self.is_hardware else ", each with a seed of its own"
        return [
            f"Found by exploring with seed {state.seed} on {self.scene.bench()}.",
            f"Reproduced: {finding.reproduced()}{how if finding.turns else ''}.",
            f"Replay: propsoff run FILE {self.scene.words()} --seed {finding.seed}",
        ]

    def _keep_trouble(self, state: State, plan: Plan, tried: Tried, seed: int) -> None:
        """Write down a scenario in which the bench failed: it may show what the bench cannot stand."""
        told = clean(tried.trouble)
        head = [f"In this scenario the bench failed, which says nothing about the link: {told}"]
        head.append(f"Replay: propsoff run FILE {self.scene.words()} --seed {seed}")
        path = store(self.folder, "bench-trouble", plan, head, tried.recording)
        state.troubles.append(f"{told} ({path.name})")
        self.say(f"bench trouble, kept in {path}: {told}")
