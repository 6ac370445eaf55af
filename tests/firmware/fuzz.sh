#!/usr/bin/env bash
# Looks for bytes that harm the firmware library, on demand: needs clang with libFuzzer (Debian: clang and
# libclang-rt-dev of the same version).
#   tests/firmware/fuzz.sh [SECONDS] [CORPUS]
set -euo pipefail
cd "$(dirname "$0")/../.."
seconds=${1:-60}
corpus=${2:-$(mktemp -d)}
mkdir -p "$corpus"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

PYTHONPATH=. "${PYTHON:-python3}" tests/firmware/fuzz_inputs.py "$corpus"
clang -g -O1 -std=c99 -fsanitize=fuzzer,address,undefined -fno-sanitize-recover=all -Ishared/firmware \
    tests/firmware/fuzz.c shared/firmware/bench_port.c -o "$work/fuzz"
"$work/fuzz" -max_len=2048 -max_total_time="$seconds" -print_final_stats=1 -artifact_prefix="$corpus/" "$corpus"
