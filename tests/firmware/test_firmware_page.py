"""The snippets of shared/firmware/README.md, put together as a maker would, compile as C and as C++."""

from __future__ import annotations

import re
import subprocess

import pytest
from firmware_host import FIRMWARE, needs_gcc

MAKERS_OWN = """
#include <stdbool.h>
#include <stdint.h>
#include "bench_port.h"
enum { CHANNELS = 6 };
static uint16_t override_set, override_us[CHANNELS], rest_us[CHANNELS], outputs_us[CHANNELS];
static uint8_t attempts, payload[32], payload_length;
static bool acknowledged;
static bench_totals totals;
static int uart_room(void) { return 99; }
static void uart_put(const uint8_t *bytes, uint8_t count) { (void)bytes; (void)count; }
static bool uart_get(uint8_t *byte) { (void)byte; return false; }
static uint32_t micros(void) { return 0; }
static const uint16_t *own_sticks_us(void) { return rest_us; }
static void radio_send(uint16_t number, const uint16_t *us) { (void)number; (void)us; }
static bool tick_is_due(void) { return false; }
static bool radio_is_idle(void) { return true; }
enum { MY_TRANSMITTER = 7 };
static uint8_t packet[16];
static void send_strange_packet(uint8_t kind) { (void)kind; }
static bool strange_packet_is_done(void) { return true; }
static bool check_is_right(const uint8_t *bytes) { (void)bytes; return true; }
static void apply(const uint8_t *bytes) { (void)bytes; }
static bool bench_start_kept(const bench_start *start) { return start == 0 || start->clock_us > 0; }
static void reset(void) {}
"""


def program() -> str:
    """The page's snippets: hooks, loop, sending, transmitter's reports, receiver's reports."""
    page = (FIRMWARE / "README.md").read_text(encoding="utf-8")
    hooks, loop, sending, *reports = re.findall(r"```c\n(.*?)```", page, re.DOTALL)
    at = sending.index("if (tick_is_due")
    turn = "".join((sending[at:], *reports, "break;\n"))
    assert loop.count("...") == 1
    return f"{MAKERS_OWN}{hooks}{sending[:at]}int main(void)\n{{\n{loop.replace('...', turn)}return 0;\n}}\n"


@needs_gcc
@pytest.mark.parametrize(("compiler", "language", "standard"), [("gcc", "c", "c99"), ("g++", "c++", "c++11")])
@pytest.mark.parametrize("build", [(), ("-DBENCH_DISABLED",)], ids=["bench", "flown"])
def test_the_pages_snippets_compile_without_a_warning(compiler, language, standard, build, tmp_path):

    source = tmp_path / "maker.txt"
    source.write_text(program())
    words = ["-Wall", "-Wextra", "-Werror", f"-std={standard}", f"-I{FIRMWARE}", *build, "-fsyntax-only"]
    done = subprocess.run(
        [compiler, *words, "-x", language, str(source)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
