"""Sums the branches of an llvm-cov export: for each file, and for protocol and alarm engine together.

An outcome counts as reached if any of the compiled copies of its place has had it: a generic function is compiled once for
each type, and a library once for itself and once for its tests. Tests beside the code they test are no code of their own.
"""

import json
import sys
from collections import defaultdict
from pathlib import Path

PARTS = {
    "protocol": "protocol/src/",
    "alarm engine": "supervisor/alarm/src/",
}
# A value that must be there is asked for with one of these, since an index that is out of bounds would end the program. By
# construction it always is there: no test can reach the other outcome.
GUARDS = ("let Some", "let (Some", "let Ok")


def outcomes(exported):
    """{file: {(line, column): [true seen, false seen]}}"""
    here = f"{Path.cwd()}/"
    found = defaultdict(lambda: defaultdict(lambda: [False, False]))
    for entry in exported["data"][0]["files"]:
        name = entry["filename"].removeprefix(here)
        for line, column, _, _, true, false, *_ in entry["branches"]:
            seen = found[name][line, column]
            seen[0] |= true > 0
            seen[1] |= false > 0
    return found


def code_of(name):
    """Lines of a file down to its tests."""
    lines = Path(name).read_text().splitlines()
    tests = [place for place, line in enumerate(lines) if line == "#[cfg(test)]" and lines[place + 1] == "mod tests {"]
    return lines[: tests[0]] if tests else lines


def main():
    found = outcomes(json.loads(Path(sys.argv[1]).read_text()))
    tell_missed = sys.argv[2:] == ["missed"]
    whole = [0, 0, 0]
    for part, folder in PARTS.items():
        sums = [0, 0, 0]
        for name in sorted(name for name in found if name.startswith(folder)):
            lines = code_of(name)
            branches = {at: seen for at, seen in found[name].items() if at[0] <= len(lines)}
            missed = [(at, which) for at, seen in sorted(branches.items()) for which in (0, 1) if not seen[which]]
            guards = sum(any(guard in lines[at[0] - 1] for guard in GUARDS) for at, _ in missed)
            for place, number in enumerate((2 * len(branches), len(missed), guards)):
                sums[place] += number
            if branches:
                print(f"{name:50} {2 * len(branches):5} outcomes {len(missed):4} missed, {guards:3} of them guards")
            if tell_missed:
                for (line, column), which in missed:
                    print(f"    {line}:{column} never {('true', 'false')[which]}: {lines[line - 1].strip()}")
        print(row(part, sums))
        whole = [one + other for one, other in zip(whole, sums)]
    print(row("together", whole))


def row(name, sums):
    outcomes, missed, guards = sums
    if outcomes == 0:
        sys.exit(f"{name}: no branch was counted; is the profile of this build?")
    reached = outcomes - missed
    without = outcomes - guards
    return (
        f"== {name}: {reached} of {outcomes} outcomes of branches reached, {100 * reached / outcomes:.1f} %; "
        f"{100 * reached / without:.1f} % without {guards} guards"
    )


main()
