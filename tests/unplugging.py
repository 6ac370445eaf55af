"""A simulated bench whose plugs are pulled and put back, in virtual time."""

import io
from dataclasses import replace

from harness.bench.rig import find_rig
from harness.errors import BenchError
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan, parse_plan
from harness.recording import RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import Request, header_for, judge_recording, open_for, rounds_for, timeline_for


class Pulled:
    """One plug: whose, when it is pulled, and for how long; `restarts` if the port is its device's supply.

    The system tells of it `noticed_ns` later, as of a server that vanished from a network.
    """

    def __init__(self, role, at_ns, for_ns, *, restarts=False, noticed_ns=0):
        self.role, self.at_ns, self.back_ns, self.restarts = role, at_ns, at_ns + for_ns, restarts
        self.noticed_ns = at_ns + noticed_ns
        self.told = self.over = False


class Unplugged:
    """A virtual bench with plugs that are pulled. Bytes on a pulled one's line are lost, both ways."""

    def __init__(self, inner, *plugs, swap=None):
        self.inner, self.plugs, self.swap = inner, plugs, swap
        self.reopened = []

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def _out(self, role):
        return next((p for p in self.plugs if p.role is role and not p.over and self._is_out(p)), None)

    def _is_out(self, plug):
        return self.inner.now_ns() >= plug.at_ns

    def _gone(self, role):
        return BenchError(f"{role} port virtual {role} is gone: pulled", role=role, port=f"virtual {role}")

    def send(self, role, data):
        plug = self._out(role)
        if plug is not None and self.inner.now_ns() < plug.noticed_ns:
            return self.inner.now_ns()
        if plug is not None:
            self._pull(plug)
            raise self._gone(role)
        return self.inner.send(role, data)

    def advance(self, until_ns):
        chunks = [chunk for chunk in self.inner.advance(until_ns) if self._out(chunk.role) is None]
        for plug in self.plugs:
            if self.inner.now_ns() >= plug.noticed_ns and not plug.told and not plug.over and not chunks:
                self._pull(plug)
                raise self._gone(plug.role)
        return chunks

    def _pull(self, plug):
        if plug.restarts and not plug.told:
            self._restart(plug.role)
        plug.told = True

    def _restart(self, role):
        device = self.inner._devices.ports[role].device
        if device is not None:
            device._go_down(None)

    def wait(self, until_ns):
        self.advance(until_ns)

    def reopen(self, role):
        plug = self._out(role)
        self.reopened.append((role, self.inner.now_ns()))
        if plug is not None and self.inner.now_ns() < plug.back_ns:
            raise self._gone(role)
        if plug is not None:
            plug.over = True
            if plug.restarts:  # its supply is back only now
                self._restart(role)
            if self.swap:
                self.inner.transmitter.SERIAL = self.swap


class Played:
    """One run of a plan on a bench whose plugs are pulled."""

    def __init__(self, plan, *plugs, seed=7, rig="mock", defect=None, within_ns=None, around=Unplugged):
        if not hasattr(plan, "steps"):
            plan = load_plan(shipped_plans()[plan])
        if within_ns is not None:
            # the recording's own plan must say so too, for that is what judges it
            text = plan.text.replace(
                "\nlink:\n", f"\nsafety: {{replug_within: {within_ns // 10**9} s}}\nlink:\n", 1
            )
            plan = replace(parse_plan(text, plan.name, plan.name), name=plan.name)
            assert plan.safety.replug_within_ns == within_ns
        self.said = []
        rig = find_rig(rig) if isinstance(rig, str) else rig
        request = Request(plan=plan, file="x", rig=rig, seed=seed, defect=defect)
        self.bench = around(open_for(request), *plugs)
        file = io.BytesIO()
        writer = RecordingWriter(file, header_for(request, self.bench), self.bench.now_ns())
        timeline = timeline_for(request)
        rounds = rounds_for(plan, timeline, lambda: parse_recording(file.getvalue(), "x"))
        observer = Quiet()
        observer.say = self.said.append
        self.end = Runner(self.bench, writer, plan, observer).run(timeline, rounds)
        writer.close()
        self.recording = parse_recording(file.getvalue(), "x")
        self.judgement = judge_recording(self.recording).judgement

    def results(self):
        return {one.kind: (str(one.verdict), one.reason) for one in self.judgement.results}

    def marks(self, *kinds):
        return [mark for mark in self.recording.marks if mark.kind in kinds]
