"""When was the link cut by a transmitter that does not tell what it sends? As the receiver's reports show it.

A transmitter of this kind proves nothing by its own silence: it is always silent here. So a cut counts as
made only if the receiver applied nothing from soon after its beginning to shortly before its end.
"""

from __future__ import annotations

import numpy as np

from harness.measure.cuts import CLOCK_SHARE, Cut
from harness.measure.orders import TAKES_NS, Order
from harness.measure.packets import AppliedPackets


def untold_cut(order: Order, applied: AppliedPackets, data_end_ns: int, slack_ns: int, late_ns: int) -> Cut:
    """Return a cut as an order asked for it, with what the receiver applied around it.

    `late_ns` is how long a packet that was under way may still take to be applied.
    """
    at_ns = applied.so_far_ns
    lasts_ns = int((order.end_ns - order.start_ns) * CLOCK_SHARE)
    quiet_from = order.start_ns + TAKES_NS + late_ns + slack_ns
    quiet_to = order.start_ns + lasts_ns - slack_ns
    first, after = np.searchsorted(at_ns, (quiet_from, quiet_to)).tolist()
    back = int(np.searchsorted(at_ns, max(quiet_to, quiet_from)))
    back = back if back < len(applied) else -1
    return Cut(
        number=0,
        command_ns=order.command_ns,
        start_ns=order.start_ns,
        end_ns=order.end_ns,
        duration_ns=order.end_ns - order.start_ns,
        last_sent=-1,
        first_sent=-1,
        first_applied=back,
        until_ns=int(applied.at_ns[back]) if back >= 0 else data_end_ns,
        held=quiet_from < quiet_to and first == after,
        began_ns=order.began_ns,
    )


__all__ = ["untold_cut"]
