"""How does real firmware stand in for a board? Compiled for an 8-bit AVR and run on an emulated one.

The reference firmwares of `shared/firmware` are built by the usual cross-compiler (`mocks.avr.toolchain`,
`builds`, with the faults of `defects`), run in virtual time to the cycle (`emulator`, over the native layer
`shim.c`), and joined to radio modules, serial lines and a witness (`module`, `baud`, `pins`) as one bench
(`boards`). `budgets` counts what the library costs.

What is real: the firmware, its instructions, timers, interrupts, pins. What is simulated: the radio module,
the air, the serial lines, the sensors. What an emulator is no evidence for: overruns of a real UART, wake-up
from deeper sleep, baud rates that do not quite fit, brown-out, the radio. Those stay cases for hardware.

The native layer links a library under the GPL and is for the source tree only: it is not in the wheel.
"""
