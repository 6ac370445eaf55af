"""What tests of lost packets share: which were sent and not applied, and which were acknowledged."""

from mock_talk import Talk

from harness.codec import messages as m


def lost(talk: Talk) -> list[int]:
    """Return the packets sent and never applied, the newest few apart."""
    applied = {part.packet for part in talk.all(m.Applied)}
    return [part.packet for part in talk.all(m.Sent)[:-3] if part.packet not in applied]


def acknowledged(talk: Talk) -> set[int]:
    return {part.packet for part in talk.all(m.Sent) if part.flags & m.SENT_ACKED}
