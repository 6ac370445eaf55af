"""Small plans and benches in the head for the tests of exploring."""

from harness.clock import S
from harness.explore.finding import Scene
from harness.explore.hunt import Hunt, Tally
from harness.explore.search import Explorer
from harness.explore.trying import Failure, Tried
from harness.plan.find import find_plan
from harness.plan.reader import load_plan
from harness.plan.writing import word_of
from harness.strategies import SIMULATED, framed, plan_of

SHIPPED = load_plan(find_plan("failsafe"))
LINK = SHIPPED.link
SETTLE = {"settle": "100 ms"}
HOLD = {"hold": {"for": "200 ms", "sticks": {"left motor": "1500 us", "shutter": "2000 us"}}}
CUT = {"cut": {"duration": "700 ms", "times": 2, "sticks": "high", "before": "200 ms", "after": "300 ms"}}
STRAY = {"cut": {"duration": "700 ms", "by": "foreign", "ability": "if present", "after": "300 ms"}}
BURST = {"burst": {"count": 12, "spacing": "1 ms", "pause": "100 ms"}}
RESTART = {"restart": {"device": "receiver", "before": "100 ms", "after": "800 ms"}}


def planned(*steps):
    """The plan that exploring makes of these steps."""
    return plan_of(framed(steps, LINK), LINK)


def words(plan):
    """Step words between the first and the last rest."""
    return [step.action.WORD for step in plan.steps[1:-1]]


def asked(plan):
    """Words of the checks in a plan that is written as plain data."""
    return [word_of(check) for check in plan]


class Bench:
    """Plays in the head: `rules` maps a check to what a plan must hold to fail it; keeps its plays."""

    def __init__(self, link_ns=4 * S, **rules):
        self.rules, self.link_ns, self.played, self.seeds = rules, link_ns, [], []

    def __call__(self, plan, seed):
        self.played.append(plan.text)
        self.seeds.append(seed)
        fails = [Failure(check, f"{check} was wrong") for check, rule in self.rules.items() if rule(plan)]
        return Tried(failures=tuple(fails), link_ns=self.link_ns, cuts=1, recording=b"what happened")


def hunt(play, known=(), until_ns=10**15, shrink_ns=10**15, **more):
    """A batch without ends."""
    return Hunt(
        play=play, run_seed=5, known=known, tally=Tally(), until_ns=until_ns, shrink_ns=shrink_ns,
        most=10**9, **more,
    )  # fmt: skip


def explorer(play, folder, *, hardware=False, say=lambda line: None):
    """A search on a bench in the head."""
    return Explorer(
        play=play, link=LINK, safety=SHIPPED.safety, bounds=SIMULATED, scene=Scene("mock"), folder=folder,
        is_hardware=hardware, say=say,
    )  # fmt: skip
