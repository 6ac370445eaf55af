#!/bin/sh
# Runs test plans on simulated and emulated devices, for any system that can run a shell script.
# README.md beside this file explains every part, the exit codes and how to keep a baseline.
#
#   sh shared/ci/pipeline.sh [OUT]        OUT is the folder of results (default: propsoff-ci), made anew
#
# Nothing here opens a real port or moves anything. Settings, from the environment:
set -eu

PLANS=${PLANS:-"first-look regression"}       # shipped plans, or plan files of your own
SEEDS=${SEEDS:-"1 2 3"}                       # one run for each; several tell how much runs differ
EMULATED=${EMULATED:-auto}                    # yes, no, or auto: real firmware too, if its compiler is here
BASELINE=${BASELINE:-main}                    # compared with propsoff-baselines/BASELINE-RIG-PLAN, where kept
INCONCLUSIVE=${INCONCLUSIVE:-fail}            # or allow: exit code 5 of a run then counts as 0
PYTHON=${PYTHON:-python3}                     # makes the virtual environment; 3.11 or newer
PROPSOFF=${PROPSOFF:-}                        # a propsoff that is installed already; then nothing is installed

here=$(cd "$(dirname "$0")/../.." && pwd)
out=${1:-propsoff-ci}
worst=0

say() { printf '%s\n' "pipeline: $*" >&2; }

# The worst exit code so far: 0, then 5 (inconclusive), 1 (failed), and above them whatever says that
# something could not be done at all: 2 (plan or command line), 3 (bench), 4 (a fault of propsoff).
rank() {
    case $1 in 0) echo 0 ;; 5) echo 1 ;; 1) echo 2 ;; *) echo 3 ;; esac
}
note() {
    if [ "$(rank "$1")" -gt "$(rank "$worst")" ]; then worst=$1; fi
}

install() {
    if [ -n "$PROPSOFF" ]; then return; fi
    # editable, because the emulator is compiled from the source tree and is no part of the installed package
    "$PYTHON" -m venv "$out/venv"
    "$out/venv/bin/python" -m pip install --quiet -e "$here"
    PROPSOFF="$out/venv/bin/propsoff"
}

has_emulator() {
    command -v avr-gcc >/dev/null 2>&1 && command -v cc >/dev/null 2>&1 &&
        printf '#include <simavr/sim_avr.h>\n' | cc -E - >/dev/null 2>&1
}

rigs() {
    case $EMULATED in
    yes) echo "mock avr" ;;
    no) echo "mock" ;;
    *) if has_emulator; then echo "mock avr"; else
        say "no emulator here (see the firmware part of the README): firmware is not tested"
        echo "mock"
    fi ;;
    esac
}

# Each run leaves a folder, OUT/runs/RIG/PLAN/seed-N: report.txt, verdict.json, junit.xml, the recording, and
# report.html where this propsoff writes one.
play() {
    rig=$1 plan=$2 name=$3 seed=$4 code=0
    "$PROPSOFF" run "$plan" --rig "$rig" --seed "$seed" --unit "ci $rig" \
        --out "$out/runs/$rig/$name/seed-$seed" >"$out/log.txt" 2>"$out/progress.txt" || code=$?
    head -n 1 "$out/log.txt" >&2
    case $code in
    0 | 1 | 5) ;;
    *) tail -n 20 "$out/progress.txt" >&2 ;;
    esac
    if [ "$code" -eq 5 ] && [ "$INCONCLUSIVE" = allow ]; then code=0; fi
    say "$rig, $name, seed $seed: exit code $code"
    note "$code"
}

# All runs in one JUnit file and one Markdown summary, judged again from their recordings.
summarise() {
    set -- "$out"/runs/*/*/seed-*/
    if [ ! -d "$1" ]; then return; fi
    "$PROPSOFF" judge "$@" --junit >"$out/junit.xml" || note_trouble $?
    "$PROPSOFF" judge "$@" --markdown >"$out/summary.md" || note_trouble $?
}

# Verdicts count once, where the runs were made; here only what could not be judged at all.
note_trouble() {
    case $1 in 0 | 1 | 5) ;; *) note "$1" ;; esac
}

# 0 no worse, 1 worse, 5 cannot tell, 2 not comparable (another plan, rig or rate: renew the baseline).
compare() {
    rig=$1 name=$2 kept="$BASELINE-$1-$2" code=0
    if [ ! -d "propsoff-baselines/$kept" ]; then
        say "no baseline $kept; \`propsoff baseline $kept $out/runs/$rig/$name\` keeps these runs as one"
        return
    fi
    "$PROPSOFF" compare "baseline:$kept" "$out/runs/$rig/$name" --markdown >>"$out/compared.md" || code=$?
    say "$rig, $name, against the baseline $kept: exit code $code"
    if [ "$code" -eq 5 ] && [ "$INCONCLUSIVE" = allow ]; then code=0; fi
    note "$code"
}

case $EMULATED in yes | no | auto) ;; *) say "EMULATED=$EMULATED: write yes, no or auto"; exit 2 ;; esac
case $INCONCLUSIVE in fail | allow) ;; *) say "INCONCLUSIVE=$INCONCLUSIVE: write fail or allow"; exit 2 ;; esac
if [ -e "$out" ] && [ ! -e "$out/.propsoff-ci" ]; then
    say "$out is there already and was not made by this script; name another folder, or remove it"
    exit 2
fi
rm -rf "$out/runs" "$out/junit.xml" "$out/summary.md" "$out/compared.md"
mkdir -p "$out/runs"
: >"$out/.propsoff-ci"

install
for rig in $(rigs); do
    for plan in $PLANS; do
        name=$(basename "$plan" .yaml)
        for seed in $SEEDS; do play "$rig" "$plan" "$name" "$seed"; done
        compare "$rig" "$name"
    done
done
summarise
say "results in $out; exit code $worst"
exit "$worst"
