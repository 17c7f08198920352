#!/usr/bin/env python3
"""Instructions of the hot paths, counted by callgrind, held against `instructions.json`: a bound that needs no idle machine.

    python3 tests/figures/instructions.py            count and compare; ends with 1 beyond a bound
    python3 tests/figures/instructions.py --write    count and make the bounds anew, 5 % above what was found

A count is the difference of two runs, so that the program's start is not in it. Counts follow from the compiler: bounds are held
only under the one they were made with; under another they are printed and nothing is judged.
"""

import json
import re
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.dont_write_bytecode = True
from programs import bench_program, output_of

BOUNDS = Path(__file__).with_name("instructions.json")
ABOVE = 1.05
DEMO_SIGNALS, HOUR_S = 120, 3600
# The path, how often it is done in each of the two runs, what one time is divided by, and what is left then.
PATHS = {
    "decode": (50, 250, DEMO_SIGNALS, "a sample from its words, demo line"),
    "evaluate": (50, 250, DEMO_SIGNALS, "a sample from its words through all its alarms, demo line"),
    "all-kinds": (500, 2500, 1, "a sample through one alarm of each kind"),
    "plan": (10, 50, 1, "the plan of 200 scattered signals"),
    "keep": (2, 6, HOUR_S, "a reading kept: journal, chunk, roll-ups"),
    "read-back": (2, 10, HOUR_S, "a reading back from its chunk"),
}


def instructions(binary, path, count):
    command = ["valgrind", "--tool=callgrind", "--callgrind-out-file=/dev/null", binary, "steps", path, str(count)]
    done = subprocess.run(command, capture_output=True, text=True)
    found = re.search(r"Collected : (\d+)", done.stderr)
    assert done.returncode == 0 and found, done.stderr[-2000:]
    return int(found.group(1))


def counts():
    with tempfile.TemporaryDirectory() as scratch:
        # Without its symbols it is read in no time.
        binary = Path(scratch) / "figures"
        output_of(["strip", "-o", binary, bench_program()])
        runs = [(path, count) for path, (few, many, _, _) in PATHS.items() for count in (few, many)]
        with ThreadPoolExecutor(2) as pool:
            found = dict(zip(runs, pool.map(lambda run: instructions(binary, *run), runs)))
    return {
        path: (found[path, many] - found[path, few]) / (many - few) / each for path, (few, many, each, _) in PATHS.items()
    }


def toolchain():
    version = output_of(["rustc", "--version"]).strip()
    return f"{version}, {output_of(['rustc', '-vV']).split('host: ')[1].split()[0]}"


def main():
    found, made_by = counts(), toolchain()
    if sys.argv[1:] == ["--write"]:
        bounds = {path: round(count * ABOVE, 1) for path, count in found.items()}
        BOUNDS.write_text(json.dumps({"toolchain": made_by, "instructions_at_most": bounds}, indent=2) + "\n")
    kept = json.loads(BOUNDS.read_text())
    beyond = []
    for path, count in found.items():
        bound = kept["instructions_at_most"][path]
        print(f"{path:<10} {count:>12.1f} instructions, at most {bound:>12.1f}: {PATHS[path][3]}")
        beyond += [path] if count > bound else []
    if kept["toolchain"] != made_by:
        print(f"not held: the bounds are of {kept['toolchain']}, this is {made_by}")
        return 0
    if beyond:
        print(f"beyond its bound: {', '.join(beyond)}. Find out why (`callgrind_annotate`); if it must be so, make the bounds anew: "
              "python3 tests/figures/instructions.py --write", file=sys.stderr)
    return 1 if beyond else 0


if __name__ == "__main__":
    sys.exit(main())
