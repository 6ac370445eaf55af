"""The mock layer: a small physical model of a radio-control link on the bench, repeatable from one seed.

What it contains:

* two serial lines, byte by byte (ten bits a byte), each way, with the device's bounded output buffer, a USB
  adapter's latency timer, bit errors and lost messages (`mocks.line`);
* a transmitter that samples its sticks at its own packet rate, retransmits up to a limit, and carries out
  bursts, silences and disturbances (`mocks.transmitter`, `mocks.disturbing`);
* the air: air time from payload and air rate, independent loss, two-state fading, acknowledgements that can
  be lost by themselves; packets that say whose they are and whether their check is right (`mocks.air`);
* where a distance is given: transmit power, free-space loss, attenuators, sensitivity, packet-error curve
  (`mocks.range`);
* a receiver with a radio that acknowledges with a payload loaded one packet before, drops repeated packets
  and holds a few in a FIFO until its loop comes round; its firmware counts packets that are damaged or not
  for it, and nothing else comes of them; without packets it goes to failsafe (`mocks.receiver`);
* where it is asked for, a witness: servo pulses at the receiver's pins, 50 times a second, timed by a third
  device (`mocks.pins`, `mocks.witness`);
* a relay each that takes the power of transmitter and receiver, and one in the antenna path (`mocks.power`);
* on each: a clock with offset, skew and the wrap at 2**32 us, a dead-man's switch, restarts (`mocks.device`);
* defects: small named changes to this, each with the check that must catch it and a near-miss that must pass
  (`mocks.defects`).

Every effect is off and every fault zero until `mocks.settings.MockSettings` says otherwise. The devices speak
through `harness.codec`, byte for byte as firmware does. `mocks.bench` runs them in virtual time,
`mocks.ptys` in real time on two pseudo-terminals, `mocks.sockets` on TCP ports.

What it leaves out: antennas, reflections and a signal that fluctuates; radio channels and hopping; other
transmitters, and radio bit errors that a checksum misses, but where a disturbance sends such packets on
purpose; binding; a supply that sags, and brown-outs; analogue stick inputs (a mock transmitter's own sticks
are at rest); sensor noise; framing errors of a wrong baud rate (use `bit_errors`). A device takes no time to
think but where a setting says so.
"""
