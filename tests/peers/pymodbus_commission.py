"""Commissioning as an integrator does it: from a supplier's register list to alarms that are proven, loop sheets, a probe of the
controller, the sheet of setpoints, and setpoints written. The controller is pymodbus, and it differs from the list in four
ways that Setward must find.

Usage: pymodbus_commission.py SETWARD SIM_PLC FOLDER PORT PORT [--writes]

`--writes` is for a build with the feature `write-setpoints`; the usual build must not even know the command. The list says one thing, the controller does another: a float with its words the other way round, a pressure with another scale,
a level one register further, and a gap that a block read leaves out. Ends what it started; every step has its time limit.
"""

import asyncio
import json
import logging
import re
import struct
import subprocess
import sys
from pathlib import Path

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

STEP_S = 60
FIRST, COUNT = 0, 200

# As a supplier in Europe writes it: a title, semicolons, decimal commas, numbers of drawings.
LIST = """Register list;fryer panel;;;;;;;
Tag;Description;Register;Data type;Word order;Factor;Unit;Min;Max
TT-310;Fryer oil inlet;40101;INT16;;0,1;°C;0;250
TT-311;Fryer oil mid;40102;INT16;;0,1;°C;0;250
FT-320;Fryer oil flow;40103;FLOAT;high word first;;m³/h;0;100
PT-321;Fryer oil pressure;40105;INT16;;0,1;bar(g);0;10
LT-330;Fryer oil level;40106;INT16;;0,1;%;0;100
TT-340;Fryer hood;40112;INT16;;0,1;°C;0;250
TT-350;Fryer burner air;40121;INT16;;0,1;°C;0;250
TT-351;Fryer heat exchanger;40122;INT16;;0,1;°C;0;250
TIC-310-SP;Fryer oil setpoint;40130;INT16;;0,1;°C;0;250
"""
PANEL = """tag;value
TT-310;182,0
TT-311;179,5
FT-320;42,6
PT-321;6,20
LT-330;41,5
TT-340;88,1
TT-350;93,0
TT-351;240,2
TIC-310-SP;182,0
"""
SETPOINT, WANTED_DEGC = 129, 184.0
RECIPE = """[recipe]
name = "Trial chips"
[[setpoint]]
signal = "TT-310"
value = "184 degC"
latitude = "1 K"
tolerance = { below = "3 K", above = "3 K" }
"""
LOOP = """
[[loop]]
tag = "TIC-310"
measured = "TT-310"
entered = "TIC-310-SP"
"""
RECORD = """priority = "medium"
causes = ["Heat demand at its limit"]
consequence = "Soft, oily product"
time_to_respond = "10 min"
response = { now = ["Look at the panel."], next = ["Measure with the hand probe. Hot oil: face shield and gloves."] }
"""
ALARMS = f"""[[time-weighted]]
id = "oil-cold"
name = "Oil too cold for too long"
signal = "TT-310"
side = "below"
allowance = "240 K.s"
recovery = "90 s"
{RECORD}
[[limit]]
id = "oil-flow-low"
name = "Oil flow low"
signal = "FT-320"
side = "below"
limit = "38 m3/h"
deadband = "2 m3/h"
on_delay = "5 s"
{RECORD}
[[deviation]]
id = "setpoint-not-recipe"
name = "Setpoint is not the recipe's"
signal = "TIC-310-SP"
width = "latitude"
on_delay = "60 s"
{RECORD}"""
HIGH, LOW = struct.unpack(">HH", struct.pack(">f", 42.6))
WORDS = {
    100: 1820, 101: 1795, 102: LOW, 103: HIGH, 104: 620, 105: 30_000, 106: 415, 111: 881,
    120: 930, 121: 2402, 129: 1820,
}
LEFT_OUT = range(112, 120)


async def act(function, start, address, count, registers, values):
    """Called by pymodbus for each request: a block that spans LEFT_OUT goes on behind it, without a word."""
    if values is not None:
        assert writes and (function, address, count) == (6, SETPOINT, 1), f"function {function} wrote to {address}"
        WORDS[SETPOINT] = values[0]
        return
    spans = address < LEFT_OUT.start < address + count
    there = (one for one in range(address, 65_536) if not (spans and one in LEFT_OUT))
    for place, one in zip(range(address, address + count), there):
        registers[place - start] = WORDS.get(one, 0)


def command(code, *arguments):
    """What a command prints; it must end with this exit code."""
    done = subprocess.run([str(one) for one in arguments], capture_output=True, text=True, timeout=STEP_S)
    told = f"{' '.join(map(str, arguments[1:]))}: exit code {done.returncode}, not {code}\n{done.stdout}\n{done.stderr}"
    assert done.returncode == code, told
    return done


def point_to(folder, port, simulated):
    site = folder / "site.toml"
    text = re.sub(r"127\.0\.0\.1:\d+", f"127.0.0.1:{port}", site.read_text())
    site.write_text(re.sub(r"simulated = \w+", f"simulated = {simulated}", text))


def imported(setward, folder):
    """List -> line folder -> check -> read plan, with the gaps declared that the plan names."""
    register_list = folder.parent / "registers.csv"
    register_list.write_text(LIST)
    told = command(0, setward, "import", register_list, "--out", folder, "--controller", "fryer").stdout
    assert "decimal commas" in told and "4xxxx" in told, told
    command(2, setward, "import", register_list, "--out", folder)
    told = command(0, setward, "check", folder).stdout
    assert "9 signals" in told, told
    line = folder / "line.toml"
    assert "# GUESSED" in line.read_text()
    (scan,) = json.loads(command(0, setward, "read-plan", folder, "--json").stdout)["controllers"][0]["scans"]
    declare = ", ".join(scan["readable_to_declare"])
    line.write_text(re.sub(r"# readable = .*", f"readable = [{declare}]", line.read_text()))
    (after,) = json.loads(command(0, setward, "read-plan", folder, "--json").stdout)["controllers"][0]["scans"]
    assert len(after["requests"]) == scan["requests_if_declared"] < len(scan["requests"]), (after, scan)
    print(f"  {len(scan['requests'])} requests a scan, {len(after['requests'])} with its gaps declared")


def simulated(setward, sim_plc, folder, port):
    """The simulator serves what the file says: nothing is suspect."""
    point_to(folder, port, "true")
    sim = subprocess.Popen([sim_plc, "serve", folder, "--for", "60 s"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    try:
        while "fryer" not in sim.stdout.readline():
            assert sim.poll() is None, "sim-plc ended"
        told = command(0, setward, "probe", folder, "--rest", "50 ms").stdout
        assert "SIMULATED" in told and "0 suspect, 0 not read" in told, told
    finally:
        sim.kill()
        sim.wait()


def found_in(setward, folder):
    """The four planted mistakes, found by one probe."""
    panel, report = folder.parent / "panel.csv", folder.parent / "probe.txt"
    panel.write_text(PANEL)
    done = command(1, setward, "probe", folder, "--panel", panel, "--report", report, "--json")
    (controller,) = json.loads(done.stdout)["controllers"]
    signals = {signal["tag"]: signal for signal in controller["signals"]}
    suspects = {tag: signal["explanations"][0] for tag, signal in signals.items() if signal["standing"] == "suspect"}
    written = {tag: (first["mistake"], first["write"]) for tag, first in suspects.items()}
    assert written == {
        "FT-320": ("word-order", 'order = "CDAB"'),
        "PT-321": ("scale", "scale = 0.01"),
        "LT-330": ("off-by-one", "holding = 106"),
    }, written
    shifted = [block["compared"] for block in controller["blocks"] if (block["compared"] or {}).get("verdict") == "shifted"]
    assert shifted == [{"verdict": "shifted", "from": 120, "by": -8, "hole": [112, 119]}], controller["blocks"]
    assert "SHIFTED by -8 from 120 on" in report.read_text()
    command(2, setward, "probe", folder, "--panel", panel, "--report", report)
    measured = controller["measured"]
    assert 50 <= measured["shortest_rest_ms"] < 500 and measured["without_answer"] == 0, measured
    print(f"  found: {', '.join(f'{tag} {mistake}' for tag, (mistake, _) in written.items())}, and a block shifted")
    print(f"  {measured['requests']} requests, reply {measured['reply_median_ms']:.1f} ms, shortest rest {measured['shortest_rest_ms']:.0f} ms")
    return written


def alarms_and_recipe(setward, folder):
    """What the list can't say, written by hand; each alarm of it is then made to raise and clear."""
    (folder / "recipes/imported.toml").unlink()
    (folder / "recipes/trial-chips.toml").write_text(RECIPE)
    (folder / "alarms.toml").write_text(ALARMS)
    line = folder / "line.toml"
    line.write_text(line.read_text().replace('recipe = "imported"', 'recipe = "trial-chips"') + LOOP)
    command(0, setward, "check", folder)
    page = folder.parent / "proof.html"
    report = json.loads(command(0, setward, "prove", folder, "--html", page, "--json").stdout)
    proofs = {proof["alarm"]: proof["verdict"] for proof in report["alarms"]}
    assert set(proofs.values()) == {"proven"}, report
    assert {"oil-cold", "oil-flow-low", "setpoint-not-recipe", "communication.fryer"} <= proofs.keys(), proofs
    assert "Read this first" in page.read_text()
    print(f"  {len(proofs)} alarms proven, {report['configured']['by_physics'] + report['automatic']['by_physics']} by physics")


def setpoints(setward, folder):
    """The sheet for the person who turns them: what the recipe asks."""
    sheet = json.loads(command(0, setward, "report", "setpoints", folder, "--json").stdout)
    (recipe,) = sheet["recipes"]
    rows = {row["tag"]: row["value"] for row in recipe["setpoints"]}
    assert rows == {"TIC-310-SP": 184}, rows


def setpoint_written(setward, folder):
    """The one setpoint that site.toml lets through, shown first, then written; the controller has it."""
    asked = (setward, "write-setpoints", folder, "trial-chips")
    refused = command(0, *asked, "--json").stdout
    assert "not enabled" in refused and WORDS[SETPOINT] == 1820, refused
    site = folder / "site.toml"
    site.write_text(site.read_text() + """
[[setpoint-write]]
signal = "TIC-310-SP"
between = ["175 degC", "188 degC"]
most_step = "1 K"
step_every = "1 s"
modes = ["run"]
""")
    shown = command(0, *asked).stdout
    code = re.search(r"--difference ([0-9a-f]{8})", shown).group(1)
    assert WORDS[SETPOINT] == 1820, "showing has written something"
    command(0, *asked, "--write", "--difference", code, "--by", "Ana", "--reason", "trial lot")
    assert WORDS[SETPOINT] == WANTED_DEGC * 10, WORDS[SETPOINT]
    print("  setpoint written in two steps and read in the controller")


def mended(setward, folder, written):
    """Does what the probe says; then nothing is suspect."""
    line = folder / "line.toml"
    head, *parts = line.read_text().split("[[signal]]")
    for tag, (_, write) in written.items():
        key = write.split(" = ")[0]
        parts = [re.sub(rf"(?m)^{key} = .*", write, part) if f'tag = "{tag}"' in part else part for part in parts]
    head, taken = re.subn(r"\{ holding = \[112, 119\] \}(, )?", "", head)
    assert taken == 1, head
    line.write_text("[[signal]]".join([head, *parts]))
    told = command(0, setward, "probe", folder, "--panel", folder.parent / "panel.csv").stdout
    assert "9 as the panel shows" in told, told


def sheets(setward, folder):
    out = folder.parent / "loops.html"
    fingerprint = re.search(r"[0-9a-f]{64}", command(0, setward, "check", folder).stdout).group()
    command(0, setward, "loop-sheet", folder, "--out", out)
    command(2, setward, "loop-sheet", folder, "--out", out)
    page = out.read_text()
    assert fingerprint in page and page.count("As found") == 9, page[:400]
    assert all(alarm in page for alarm in ("oil-cold", "oil-flow-low", "setpoint-not-recipe")), "an alarm has no sheet"


def one_register(setward, port):
    """The integrator at the panel, without any file."""
    address = f"127.0.0.1:{port}"
    done = command(0, setward, "probe", address, "--register", "102", "--display", "42,6", "--every", "50 ms", "--json")
    best = json.loads(done.stdout)["interpretations"][0]
    assert (best["encoding"], best["order"], best["offset"], best["fit"]) == ("f32", "CDAB", 0, "matches-panel"), best
    told = command(0, setward, "probe", address, "--number", "40106", "--display", "41.5", "--every", "50 ms").stdout
    assert "stands at 106" in told and "off by one" in told, told
    command(4, setward, "probe", "127.0.0.1:1", "--register", "0", "--repeat", "1")


writes = "--writes" in sys.argv


async def main():
    setward, sim_plc, folder = sys.argv[1], sys.argv[2], Path(sys.argv[3]) / "line"
    sim_port, plc_port = int(sys.argv[4]), int(sys.argv[5])
    folder.parent.mkdir(parents=True, exist_ok=True)
    await asyncio.to_thread(imported, setward, folder)
    await asyncio.to_thread(alarms_and_recipe, setward, folder)
    await asyncio.to_thread(simulated, setward, sim_plc, folder, sim_port)
    blank = [SimData(FIRST, values=[0] * COUNT, datatype=DataType.REGISTERS)]
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    device = SimDevice(1, simdata=(bits, bits, blank, blank), action=act)
    server = ModbusTcpServer(device, address=("127.0.0.1", plc_port))
    await server.serve_forever(background=True)
    try:
        point_to(folder, plc_port, "false")
        written = await asyncio.to_thread(found_in, setward, folder)
        await asyncio.to_thread(mended, setward, folder, written)
        await asyncio.to_thread(sheets, setward, folder)
        await asyncio.to_thread(one_register, setward, plc_port)
        await asyncio.to_thread(setpoints, setward, folder)
        if writes:
            await asyncio.to_thread(setpoint_written, setward, folder)
        else:
            refused = await asyncio.to_thread(command, 2, setward, "write-setpoints", folder, "trial-chips")
            assert "write-setpoints" in refused.stderr, refused
    finally:
        await server.shutdown()
    last = ", setpoint written" if writes else ""
    print(f"commissioning against pymodbus: list, check, plan, proof, simulator, four planted mistakes found and mended, loop sheets, setpoints{last}")


logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
asyncio.run(main())
