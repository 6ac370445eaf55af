"""How much? Delivery, latency, failsafe and the rest, from a recording alone: pure, repeatable to the bit."""

from harness.measure.evidence import Evidence, gather

__all__ = ["Evidence", "gather"]
