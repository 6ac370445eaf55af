"""Runs on the mock bench that somebody watches, for the tests of what is told live."""

from fractions import Fraction

from test_runner import Run
from test_timeline import LINK

from harness.bench.protocol import Chunk, Role
from harness.clock import MS, S
from harness.codec.frames import find_body
from harness.plan import model as p
from mocks.bench import open_virtual
from mocks.defects import find_defect
from mocks.settings import MockSettings

TX, RX = Role.TRANSMITTER, Role.RECEIVER
UP = p.Wait(until="linked", deadline_ns=5 * S)


class Watcher:
    """An observer that keeps every snapshot, and the last state of every alarm."""

    looks = True

    def __init__(self):
        self.shots, self.lines, self.found = [], [], {}

    def is_due(self):
        return True

    def update(self, snapshot):
        self.shots.append(snapshot)
        for one in snapshot.alarms:
            self.found[one.number] = one

    def say(self, line):
        self.lines.append(line)

    @property
    def words(self):
        return [one.words for one in self.found.values()]


def watched(*actions, defect=None, near_miss=False, **more):
    """Return (run, watcher) of steps on the mock bench, the first of which waits for the link."""
    watcher = Watcher()
    if defect is not None:
        settings = more.pop("settings", MockSettings())
        more["around"] = lambda _: open_virtual(LINK, settings, 7, find_defect(defect), near_miss)
    return Run(UP, *actions, observer=watcher, **more), watcher


def checked(rule):
    return p.PlanCheck(rule, rule.WORD, "checks[0]")


DELIVERY = checked(p.Delivery(at_least=Fraction(98, 100)))
LATENCY = checked(p.Latency(percentile=Fraction(9, 10), at_most_ns=15 * MS))


class Without:
    """A bench whose PC does not get some messages of a device from `from_ns` to `to_ns`.

    With `kinds` only messages of these types are missing, and none is missed: they count as never sent.
    """

    def __init__(self, inner, role, from_ns, to_ns, kinds=None):
        self.inner, self.role, self.span, self.kinds = inner, role, (from_ns, to_ns), kinds

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def advance(self, until_ns):
        return [chunk for chunk in self.inner.advance(until_ns) if not self._is_out(chunk)]

    def _is_out(self, chunk: Chunk):
        if chunk.role is not self.role or not self.span[0] <= chunk.at_ns < self.span[1]:
            return False
        if self.kinds is None:
            return True
        found = find_body(chunk.data)
        return found is not None and found[0][0] in self.kinds


class Hardware:
    """A simulated bench that says it is real and, from `from_ns` to `to_ns`, stamps sendings late."""

    is_virtual = False
    is_hardware = True

    def __init__(self, inner, late_ns=0, from_ns=0, to_ns=1 << 62):
        self.inner, self.late_ns, self.span = inner, late_ns, (from_ns, to_ns)

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def send(self, role, data):
        at_ns = self.inner.send(role, data)
        return at_ns + self.late_ns * (self.span[0] <= at_ns < self.span[1])


def shot_at(watcher, ns):
    """Return the first state that was shown so long after the steps began."""
    return next(shot for shot in watcher.shots if shot.elapsed_ns >= ns)
