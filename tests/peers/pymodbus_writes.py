"""Setpoints written by `setward write-setpoints` into simulated controllers, and read back by pymodbus.

    pymodbus_writes.py SETWARD LINE_FOLDER SCRATCH

Needs a build with the feature `write-setpoints`, and the folder's controllers served by the simulator.
"""

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

from pymodbus.client import ModbusTcpClient

RECIPE = "white-corn-strips"


class Plant:
    """Registers of the folder's controllers, read over TCP."""

    def __init__(self, folder):
        line = tomllib.loads((folder / "line.toml").read_text())
        self.signals = {signal["tag"]: signal for signal in line["signal"]}
        ends = tomllib.loads((folder / "site.toml").read_text())["endpoint"]
        self.ends = {end["controller"]: end for end in ends}

    def word(self, tag):
        signal = self.signals[tag]
        end = self.ends[signal["controller"]]
        host, port = end["address"].split(":")
        client = ModbusTcpClient(host, port=int(port))
        assert client.connect(), end
        read = client.read_holding_registers(signal["holding"], count=1, device_id=end.get("unit_id", 1))
        client.close()
        assert not read.isError(), read
        return read.registers[0]

    def value(self, tag):
        word = self.word(tag)
        word -= 65536 if self.signals[tag].get("encoding") == "i16" and word > 32767 else 0
        return round(word * self.signals[tag].get("scale", 1), 6)


def recipe_setpoints(setward, folder):
    sheet = json.loads(subprocess.run([setward, "report", "setpoints", folder, "--json"], check=True, capture_output=True).stdout)
    own = next(one for one in sheet["recipes"] if one["recipe"] == RECIPE)
    return {one["tag"]: one for one in own["setpoints"]}


def ask(setward, folder, *more):
    return subprocess.run([setward, "write-setpoints", folder, RECIPE, *more], capture_output=True, text=True)


def enable(folder, tables):
    text = (folder / "site.toml").read_text()
    for tag, between, step, every, modes in tables:
        text += (
            f'\n[[setpoint-write]]\nsignal = "{tag}"\nbetween = {json.dumps(between)}\n'
            f'most_step = "{step}"\nstep_every = "{every}"\nmodes = {json.dumps(modes)}\n'
        )
    (folder / "site.toml").write_text(text)


def main():
    setward, folder, scratch = Path(sys.argv[1]).resolve(), Path(sys.argv[2]), Path(sys.argv[3])
    plant, wanted = Plant(folder), recipe_setpoints(setward, folder)

    # Enabled by nobody: nothing is written, whatever is asked.
    shown = ask(setward, folder, "--json")
    assert shown.returncode == 0, shown.stderr
    first = json.loads(shown.stdout)
    assert all("not enabled" in row["verdict"]["refused"] for row in first["rows"]), first

    differing = [tag for tag, one in wanted.items() if one["controller"] and abs(plant.value(tag) - one["value"]) > 1e-6]
    assert len(differing) >= 3, differing
    meant, bounded, elsewhere = differing[:3]
    unit = lambda tag: wanted[tag]["unit"].replace("\u00b0C", "degC").replace("\u00b0F", "degF")
    width = lambda tag: wanted[tag]["width_unit"].replace("\u00b0F", "degF")
    about = lambda tag, low, high: [f"{wanted[tag]['value'] + low:g} {unit(tag)}", f"{wanted[tag]['value'] + high:g} {unit(tag)}"]
    change = abs(plant.value(meant) - wanted[meant]["value"])
    enable(folder, [
        (meant, about(meant, -change - 1, change + 1), f"{change / 2.5:.3f} {width(meant)}", "1 s", ["run", "gap"]),
        (bounded, about(bounded, 0.5, 1.0), f"100 {width(bounded)}", "1 s", ["run", "gap"]),
        (elsewhere, about(elsewhere, -1, 1), f"100 {width(elsewhere)}", "1 s", ["stopped"]),
    ])
    before = {tag: plant.word(tag) for tag in differing}
    shown = ask(setward, folder)
    assert shown.returncode == 0, shown.stderr
    code = re.search(r"--difference ([0-9a-f]{8})", shown.stdout).group(1)
    assert "SIMULATED" in shown.stdout and "in 3 writes" in shown.stdout, shown.stdout
    assert {tag: plant.word(tag) for tag in differing} == before, "showing has written something"

    # Another difference than the one shown, no name, no reason: nothing is written.
    other = ask(setward, folder, "--write", "--difference", "00000000", "--by", "Ana", "--reason", "lot 2")
    assert other.returncode == 2 and "nothing was written" in other.stderr, other
    nobody = ask(setward, folder, "--write", "--difference", code)
    assert nobody.returncode == 2, nobody
    assert {tag: plant.word(tag) for tag in differing} == before, "a refused command has written something"

    done = ask(setward, folder, "--write", "--difference", code, "--by", "Ana", "--reason", "lot 2", "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    fates = {row["tag"]: row["fate"] for row in json.loads(done.stdout)}
    assert fates[meant] == "written" and set(fates.values()) == {"written", "left_alone"}, fates
    assert plant.value(meant) == wanted[meant]["value"], plant.value(meant)
    assert all(plant.word(tag) == before[tag] for tag in differing if tag != meant), "something else was written"
    kept = [json.loads(row) for row in (folder / ".setward/setpoint-writes.jsonl").read_text().splitlines()]
    assert [row["outcome"] for row in kept] == [None, "written"] * 3, kept
    assert {(row["by"], row["why"]) for row in kept} == {("Ana", "lot 2")}, kept
    again = json.loads(ask(setward, folder, "--json").stdout)
    verdicts = {row["tag"]: row["verdict"] for row in again["rows"]}
    assert verdicts[meant] == "equal", verdicts[meant]
    assert "beyond what site.toml allows" in verdicts[bounded]["refused"], verdicts[bounded]
    assert "written in: stopped" in verdicts[elsewhere]["refused"], verdicts[elsewhere]
    print(f"{meant}: {plant.value(meant):g} {wanted[meant]['unit']} in 3 steps, read back by pymodbus; "
          f"{len(differing) - 1} others untouched: beyond bounds, in another mode, not enabled")


if __name__ == "__main__":
    main()
